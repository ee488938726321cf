//! A serial server in the place of a port: raw bytes over TCP.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::time::Duration;

use straykey::base::Cause;
use straykey::source::serial::{PortSpec, SerialPort};
use straykey::source::{ByteSource, Pulled, What};

use super::take_until;

/// A server, and the port that reads from it.
fn connected(reconnect: bool) -> (TcpListener, TcpStream, SerialPort) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut spec = PortSpec::new(format!("tcp:{}", listener.local_addr().unwrap()), 115_200);
    spec.reconnect = reconnect;
    spec.reconnect_every = Duration::from_millis(20);
    let port = SerialPort::open(&spec).unwrap();
    let stream = listener.accept().unwrap().0;
    (listener, stream, port)
}

/// The marks of a port, but for the remarks, up to the one that is waited for.
fn marks_until(port: &mut SerialPort, last: impl Fn(&What) -> bool) -> Vec<What> {
    let mut marks = Vec::new();
    let begun = std::time::Instant::now();
    loop {
        assert!(begun.elapsed() < Duration::from_secs(20), "{marks:?}");
        match port.pull().unwrap() {
            Pulled::Mark(mark) if matches!(mark.what, What::Remark { .. }) => {}
            Pulled::Mark(mark) => {
                marks.push(mark.what);
                if marks.last().is_some_and(&last) {
                    return marks;
                }
            }
            Pulled::End => return marks,
            _ => {}
        }
    }
}

#[test]
fn every_byte_comes_through_and_what_is_not_told_is_said() {
    let (_listener, mut stream, mut port) = connected(false);
    let all: Vec<u8> = (0..=255).chain([0xff, 0, 0x41, 0xff, 0xff, 0]).collect();
    stream.write_all(&all).unwrap();
    let taken = take_until(&mut port, |taken| taken.bytes.len() >= all.len());
    assert_eq!(taken.bytes, all);
    let said = |word: &str| taken.marks.iter().any(|mark| mark.contains(word));
    assert!(said("breaks and damaged characters") && said("lost before they reach"), "{:?}", taken.marks);
    port.console().send(b"help\r").unwrap();
    let mut typed = [0; 5];
    stream.read_exact(&mut typed).unwrap();
    assert_eq!(&typed, b"help\r");
}

#[test]
fn a_server_that_hangs_up_is_a_port_that_is_gone_and_one_that_is_back_goes_on() {
    let (listener, stream, mut port) = connected(true);
    drop(stream);
    let gone = marks_until(&mut port, |what| matches!(what, What::PortBack { .. }));
    let device = format!("tcp:{}", listener.local_addr().unwrap());
    assert_eq!(gone, [What::PortGone, What::PortBack { device }]);
    let mut stream = listener.accept().unwrap().0;
    stream.write_all(b"again\n").unwrap();
    let taken = take_until(&mut port, |taken| taken.bytes.len() >= 6);
    assert_eq!(taken.bytes, b"again\n");
}

#[test]
fn without_waiting_a_server_that_hangs_up_ends_the_recording() {
    let (_listener, stream, mut port) = connected(false);
    drop(stream);
    assert_eq!(marks_until(&mut port, |_| false), [What::PortGone]);
}

#[test]
fn an_address_that_is_none_and_a_server_that_is_not_there() {
    for wrong in
        ["tcp:", "tcp:bench", "tcp::4001", "tcp:bench:", "tcp:bench:0", "tcp:bench:65536", "tcp:bench:x"]
    {
        assert_eq!(SerialPort::open(&PortSpec::new(wrong, 9600)).unwrap_err().exit_status(), 2, "{wrong}");
    }
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let error = SerialPort::open(&PortSpec::new(format!("tcp:{free}"), 9600)).unwrap_err();
    assert_eq!((error.exit_status(), error.cause()), (4, Some(Cause::PortAbsent)), "{error}");
}

/// As the demo of a system without pseudo-terminals speaks.
#[test]
fn the_simulated_set_is_a_serial_server_too() {
    let mut terminal = straykey::simulator::terminal::Terminal::serve().unwrap();
    assert_eq!(terminal.offer(b"into the void\n").unwrap(), 0);
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let text = b"[0.040] keyscan: line=KEY1 adc=0x3ff\r\n".repeat(5000);
    let length = text.len();
    let writer = std::thread::spawn(move || {
        terminal.send(&text).unwrap();
        (terminal, text)
    });
    let taken = take_until(&mut port, |taken| taken.bytes.len() >= length);
    let (_terminal, text) = writer.join().unwrap();
    assert_eq!(taken.bytes, text);
}
