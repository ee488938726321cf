//! A pseudo-terminal pair: the set's debug port as the operating system shows it.

use std::fs::File;
use std::io::Write as _;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use rustix::fs::{Mode, OFlags};
use rustix::pty::OpenptFlags;

use crate::base::{Error, Result};

/// The set's end of a pseudo-terminal; the other end is a path that any serial source can open.
///
/// The far end is in raw mode from the start and stays open on this side too, because the kernel throws
/// unread bytes away when the last handle on either side closes. **Keep this value alive until the reader has
/// told that it has the last byte.**
pub struct Terminal {
    near: File,
    _far: OwnedFd,
    path: PathBuf,
}

/// How long a write may make no progress before the reader counts as gone.
const PATIENCE: Duration = Duration::from_secs(5);

impl Terminal {
    /// Opens a pair.
    ///
    /// # Errors
    /// `Machine` when the system gives no pseudo-terminal.
    pub fn open() -> Result<Self> {
        let failed = |error: rustix::io::Errno| {
            Error::machine("no pseudo-terminal can be had")
                .because(std::io::Error::from(error))
                .remedy("the demo needs /dev/pts; in a container mount it, or raise the limit in /proc/sys/kernel/pty/max")
        };
        let near = rustix::pty::openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)
            .map_err(failed)?;
        rustix::pty::grantpt(&near).map_err(failed)?;
        rustix::pty::unlockpt(&near).map_err(failed)?;
        let name = rustix::pty::ptsname(&near, Vec::new()).map_err(failed)?;
        let path = PathBuf::from(name.to_string_lossy().into_owned());
        let far = rustix::fs::open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())
            .map_err(failed)?;
        // Without raw mode the line discipline would echo the set's output back to it and turn CR into LF.
        let mut settings = rustix::termios::tcgetattr(&far).map_err(failed)?;
        settings.make_raw();
        rustix::termios::tcsetattr(&far, rustix::termios::OptionalActions::Now, &settings).map_err(failed)?;
        // A reader that has gone must not hang the set for ever: writes return, and this side keeps the time.
        rustix::fs::fcntl_setfl(&near, OFlags::NONBLOCK).map_err(failed)?;
        Ok(Self { near: File::from(near), _far: far, path })
    }

    /// What a serial source opens.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes what the far end takes at once; the rest is lost, as on a wire to which nobody listens. Gives how much was
    /// taken.
    ///
    /// # Errors
    /// `Machine` when the system fails.
    pub fn offer(&mut self, bytes: &[u8]) -> Result<usize> {
        match self.near.write(bytes) {
            Ok(n) => Ok(n),
            Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => Ok(0),
            Err(error) => Err(Error::machine("the simulated set cannot write to its port")
                .at(&self.path)
                .because(error)),
        }
    }

    /// Writes all bytes as fast as the reader takes them (the kernel holds some 4 KiB).
    ///
    /// # Errors
    /// `Machine` when the reader takes nothing for five seconds, or the system fails.
    pub fn send(&mut self, mut bytes: &[u8]) -> Result<()> {
        let mut progress = Instant::now();
        while !bytes.is_empty() {
            match self.near.write(bytes) {
                Ok(0) => std::thread::yield_now(),
                Ok(n) => {
                    bytes = bytes.get(n..).unwrap_or_default();
                    progress = Instant::now();
                    continue;
                }
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {
                    std::thread::sleep(Duration::from_micros(200));
                }
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => {
                    return Err(Error::machine("the simulated set cannot write to its port")
                        .at(&self.path)
                        .because(error));
                }
            }
            if progress.elapsed() > PATIENCE {
                return Err(Error::machine("nobody reads the simulated set's port").at(&self.path));
            }
        }
        Ok(())
    }
}
