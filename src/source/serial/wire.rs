//! What carries the bytes of a port: a serial line, or the connection to a serial server.

use std::io::{self, ErrorKind, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::time::Duration;

use socket2::{SockRef, TcpKeepalive};

use crate::base::{Cause, Error, Result};
use crate::source::serial::spec::PortSpec;

/// How long one read waits; the thread looks for the stop signal in between.
pub(super) const READ_TIME: Duration = Duration::from_millis(200);

/// A server that does not take the connection within this is not there.
const CONNECT_TIME: Duration = Duration::from_secs(2);

/// A server that was switched off says nothing of it: after so long without a byte it is asked for a sign of life, so
/// often again, and after three without an answer it is gone.
const ASK_AFTER: Duration = Duration::from_secs(5);
const ASK_AGAIN: Duration = Duration::from_secs(2);
const ASKS: u32 = 3;

/// An open way to the set.
pub(super) enum Wire {
    /// A serial port of this computer.
    Serial(Box<dyn serialport::SerialPort>),
    /// The bytes of a serial port elsewhere, as they are.
    Server(TcpStream),
}

impl Wire {
    /// Connects to a serial server, `HOST:PORT`.
    pub(super) fn connect(spec: &PortSpec, server: &str) -> Result<Self> {
        let failed = |error: io::Error| {
            Error::system("the serial server does not answer")
                .means(Cause::PortAbsent)
                .at(&spec.path)
                .because(error)
                .help("check that it is on, its address, and that it passes raw bytes on this TCP port")
        };
        let mut last = io::Error::from(ErrorKind::NotFound);
        for address in server.to_socket_addrs().map_err(failed)? {
            match TcpStream::connect_timeout(&address, CONNECT_TIME).and_then(ready) {
                Ok(stream) => return Ok(Self::Server(stream)),
                Err(error) => last = error,
            }
        }
        Err(failed(last))
    }

    /// Another handle on it.
    pub(super) fn try_clone(&self) -> Option<Self> {
        match self {
            Self::Serial(port) => port.try_clone().ok().map(Self::Serial),
            Self::Server(stream) => stream.try_clone().ok().map(Self::Server),
        }
    }

    /// Whether a port from which nothing came is still there: a driver may tell of an unplugged adapter by silence alone.
    pub(super) fn is_there(&self) -> bool {
        match self {
            Self::Serial(port) => port.bytes_to_read().is_ok(),
            Self::Server(_) => true,
        }
    }
}

fn ready(stream: TcpStream) -> io::Result<TcpStream> {
    let alive = TcpKeepalive::new().with_time(ASK_AFTER).with_interval(ASK_AGAIN).with_retries(ASKS);
    SockRef::from(&stream).set_tcp_keepalive(&alive)?;
    stream.set_nodelay(true)?;
    stream.set_read_timeout(Some(READ_TIME))?;
    // A console command that the server does not take must not hang whoever gives it.
    stream.set_write_timeout(Some(CONNECT_TIME))?;
    Ok(stream)
}

impl Read for Wire {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::Serial(port) => port.read(into),
            Self::Server(stream) => stream.read(into),
        }
    }
}

impl Write for Wire {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::Serial(port) => port.write(bytes),
            Self::Server(stream) => stream.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Serial(port) => port.flush(),
            Self::Server(stream) => stream.flush(),
        }
    }
}
