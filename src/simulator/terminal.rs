//! The set's debug port as a program finds it: a pseudo-terminal, or a serial server.

use std::fs::File;
use std::io::{self, ErrorKind, Write as _};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::base::{Error, Result, system};

/// The set's end of a pseudo-terminal, or of a serial server where the system has no pseudo-terminals; the other end is a
/// name that any serial source can open.
///
/// The far end of a pseudo-terminal is in raw mode from the start and stays open on this side too, because the kernel
/// throws unread bytes away when the last handle on either side closes. **Keep this value alive until the reader has
/// told that it has the last byte.**
pub struct Terminal {
    near: Near,
    path: PathBuf,
}

enum Near {
    Pseudo { near: File, _far: File },
    Server { listener: TcpListener, reader: Option<TcpStream> },
}

/// How long a write may make no progress before the reader counts as gone.
const PATIENCE: Duration = Duration::from_secs(5);

impl Terminal {
    /// Opens a pair.
    ///
    /// # Errors
    /// `System` when the system gives no pseudo-terminal, though it has some.
    pub fn open() -> Result<Self> {
        let made = system::pseudo_terminal().map_err(|error| {
            Error::system("no pseudo-terminal can be had")
                .because(error)
                .help("the demo needs /dev/pts; in a container mount it, or raise the limit in /proc/sys/kernel/pty/max")
        })?;
        match made {
            Some(made) => {
                Ok(Self { near: Near::Pseudo { near: made.near, _far: made.far }, path: made.path })
            }
            None => Self::serve(),
        }
    }

    /// Opens a serial server on this computer, which speaks to whoever came last.
    ///
    /// # Errors
    /// `System` when the system gives no TCP port.
    pub fn serve() -> Result<Self> {
        let failed = |error| Error::system("no TCP port can be had for the simulated set").because(error);
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        let path = format!("tcp:{}", listener.local_addr().map_err(failed)?).into();
        Ok(Self { near: Near::Server { listener, reader: None }, path })
    }

    /// Writes what is taken at once.
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.near {
            Near::Pseudo { near, .. } => near.write(bytes),
            Near::Server { listener, reader } => {
                if let Ok((stream, _)) = listener.accept() {
                    stream.set_nonblocking(true)?;
                    stream.set_nodelay(true)?;
                    *reader = Some(stream);
                }
                let Some(stream) = reader else { return Err(ErrorKind::WouldBlock.into()) };
                stream.write(bytes).map_err(|error| {
                    if error.kind() != ErrorKind::WouldBlock {
                        // It hung up: the next one is waited for.
                        *reader = None;
                    }
                    ErrorKind::WouldBlock.into()
                })
            }
        }
    }

    /// What a serial source opens.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes what the far end takes at once; the rest is lost, as on a wire to which nobody listens. Gives how much was
    /// taken.
    ///
    /// # Errors
    /// `System` when the system fails.
    pub fn offer(&mut self, bytes: &[u8]) -> Result<usize> {
        match self.write(bytes) {
            Ok(n) => Ok(n),
            Err(error) if error.kind() == ErrorKind::WouldBlock => Ok(0),
            Err(error) => {
                Err(Error::system("the simulated set cannot write to its port").at(&self.path).because(error))
            }
        }
    }

    /// Writes all bytes as fast as the reader takes them (the kernel holds some 4 KiB).
    ///
    /// # Errors
    /// `System` when the reader takes nothing for five seconds, or the system fails.
    pub fn send(&mut self, mut bytes: &[u8]) -> Result<()> {
        let mut progress = Instant::now();
        while !bytes.is_empty() {
            match self.write(bytes) {
                Ok(0) => std::thread::yield_now(),
                Ok(n) => {
                    bytes = bytes.get(n..).unwrap_or_default();
                    progress = Instant::now();
                    continue;
                }
                Err(error) if error.kind() == ErrorKind::WouldBlock => {
                    std::thread::sleep(Duration::from_micros(200));
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => {
                    return Err(Error::system("the simulated set cannot write to its port")
                        .at(&self.path)
                        .because(error));
                }
            }
            if progress.elapsed() > PATIENCE {
                return Err(Error::system("nobody reads the simulated set's port").at(&self.path));
            }
        }
        Ok(())
    }
}
