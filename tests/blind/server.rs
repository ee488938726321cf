//! Soaks over a serial server: raw bytes by TCP in the place of a port.

use std::io::Write;
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::Child;

use socket2::{Domain, Socket, Type};

use super::live::{
    each_50_ms, observed, proves_nothing, proves_the_repair, proves_the_repair_beside_a_gap, soak,
};
use super::{alder, believed_repaired, reasons};

/// A serial server that can be switched off, and on again under the same address.
struct Server {
    /// Holds the address while nobody listens there.
    place: Socket,
    listener: Option<TcpListener>,
    stream: Option<TcpStream>,
}

fn at(port: u16) -> Socket {
    let socket = Socket::new(Domain::IPV4, Type::STREAM, None).unwrap();
    socket.set_reuse_address(true).unwrap();
    socket.bind(&std::net::SocketAddr::from((Ipv4Addr::LOCALHOST, port)).into()).unwrap();
    socket
}

impl Server {
    fn on() -> Self {
        let mut server = Self { place: at(0), listener: None, stream: None };
        server.switch_on();
        server
    }

    fn port(&self) -> u16 {
        self.place.local_addr().unwrap().as_socket().unwrap().port()
    }

    fn path(&self) -> PathBuf {
        PathBuf::from(format!("tcp:127.0.0.1:{}", self.port()))
    }

    fn switch_on(&mut self) {
        let socket = at(self.port());
        socket.listen(1).unwrap();
        socket.set_nonblocking(true).unwrap();
        self.listener = Some(socket.into());
    }

    fn switch_off(&mut self) {
        (self.listener, self.stream) = (None, None);
    }

    /// What the set prints, where somebody is connected.
    fn offer(&mut self, bytes: &[u8]) {
        if self.stream.is_none() {
            self.stream = self.listener.as_ref().and_then(|listener| listener.accept().ok()).map(|it| it.0);
        }
        if let Some(stream) = &mut self.stream {
            let _ = stream.write_all(bytes);
        }
    }

    /// The set is quiet and prints until the soak ends; `then` happens before what it prints in each 50 ms.
    fn prints(&mut self, child: &mut Child, mut then: impl FnMut(u64, &mut Self)) {
        each_50_ms(child, |ms| {
            then(ms, self);
            self.offer(alder(1000 + ms, 1050 + ms, false).as_bytes());
        });
    }
}

#[test]
fn a_set_that_is_seen_to_be_quiet_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let job = believed_repaired(folder.path());
    let mut server = Server::on();
    let mut child = soak(&job, &server.path(), &[]);
    server.prints(&mut child, |_, _| ());
    proves_the_repair(&child.wait_with_output().unwrap(), &job);
}

#[test]
fn the_server_hangs_up_and_a_script_does_not_wait() {
    let folder = tempfile::tempdir().unwrap();
    let job = believed_repaired(folder.path());
    let mut server = Server::on();
    let mut child = soak(&job, &server.path(), &["--no-wait"]);
    server.prints(&mut child, |ms, server| {
        if ms == 900 {
            server.switch_off();
        }
    });
    let (status, _, own) = proves_nothing(child, &job);
    assert!(status == 4 && observed(&own) < 1.6, "{status} {own}");
}

/// The set's cable has come off the server, which stays connected.
#[test]
fn the_server_is_there_and_has_nothing_to_pass_on() {
    let folder = tempfile::tempdir().unwrap();
    let job = believed_repaired(folder.path());
    let mut server = Server::on();
    let mut child = soak(&job, &server.path(), &[]);
    each_50_ms(&mut child, |ms| {
        let printed = if ms < 900 { alder(1000 + ms, 1050 + ms, false) } else { String::new() };
        server.offer(printed.as_bytes());
    });
    let (_, soak, own) = proves_nothing(child, &job);
    assert!(observed(&own) < 1.6, "{own}");
    assert_eq!(reasons(&own).last().map(String::as_str), Some("silent"), "{soak}");
}

/// The soak is planned for six seconds, and the server is away for eight: the clock stands still meanwhile.
#[test]
fn a_server_that_comes_back_is_waited_for_and_the_gap_is_blind() {
    let folder = tempfile::tempdir().unwrap();
    let job = believed_repaired(folder.path());
    let mut server = Server::on();
    let mut child = soak(&job, &server.path(), &[]);
    server.prints(&mut child, |ms, server| match ms {
        900 => server.switch_off(),
        9_000 => server.switch_on(),
        _ => {}
    });
    let output = child.wait_with_output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    for said in ["The serial server has hung up", "the clock stands still", "The serial server is back"] {
        assert_eq!(told.matches(said).count(), 1, "{said}: {told}");
    }
    proves_the_repair_beside_a_gap(&output, &job);
}
