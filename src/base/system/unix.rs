//! Unix.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io;
use std::os::unix::fs::{DirBuilderExt, FileTypeExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::fs::{Mode, OFlags};
use rustix::io::FdFlags;
use rustix::pty::OpenptFlags;
use rustix::termios::{InputModes, OptionalActions, tcgetattr, tcsetattr};
use rustix::time::{ClockId, clock_gettime};
use sd_notify::NotifyState;
use tokio::net::{UnixListener, UnixStream};
use tokio::signal::unix::{Signal, SignalKind, signal};

use crate::base::Nanoseconds;
use crate::base::system::{Moment, PseudoTerminal, variable};

/// The variable that names a user's own folder.
pub(crate) const HOME: &str = "HOME";

/// SQLite's own way to files whose path is long; `None` where its usual one takes all.
pub(crate) const SQLITE_LONG_PATHS: Option<&str> = None;

/// Returns once the names in a folder survive a power cut.
pub(crate) fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder).and_then(|folder| folder.sync_all())
}

/// Makes a folder, and those above it, for this user alone.
pub(crate) fn make_private_folder(path: &Path) -> io::Result<()> {
    fs::DirBuilder::new().recursive(true).mode(0o700).create(path)
}

/// Makes a new file for this user alone.
pub(crate) fn make_private_file(path: &Path) -> io::Result<File> {
    OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)
}

/// Whether other users may read or write a file.
pub(crate) fn others_may_read(path: &Path) -> io::Result<bool> {
    Ok(fs::metadata(path)?.mode() & 0o077 != 0)
}

/// Whether an open file still has a name: one that was removed takes writes as before, and keeps nothing.
pub(crate) fn has_name(file: &File) -> io::Result<bool> {
    Ok(file.metadata()?.nlink() > 0)
}

/// Gives a file another name, in the place of one that has it.
pub(crate) fn replace(from: &Path, to: &Path) -> io::Result<()> {
    fs::rename(from, to)
}

/// Opens a file that one process at a time has, no link followed; `None` when another has it.
pub(crate) fn open_lock(path: &Path) -> io::Result<Option<File>> {
    let link = OFlags::NOFOLLOW.bits().cast_signed();
    let file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .custom_flags(link)
        .open(path)?;
    match file.try_lock() {
        Ok(()) => Ok(Some(file)),
        Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(error)) => Err(error),
    }
}

/// Whether a path can be that of a port and of no file: it stands below `/dev`.
pub(crate) fn is_port_name(path: &Path) -> bool {
    let plain = path.components().all(|part| !matches!(part, std::path::Component::ParentDir));
    plain && path.starts_with("/dev") && !path.as_os_str().as_encoded_bytes().contains(&0)
}

/// Whether a path names a serial port rather than a file; not found when there is neither.
pub(crate) fn is_port(path: &Path) -> io::Result<bool> {
    Ok(fs::metadata(path)?.file_type().is_char_device())
}

/// A handle on a port, to be taken before it is opened for good: afterwards nobody gets one.
pub(crate) fn port_handle(path: &Path) -> Option<File> {
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    rustix::fs::open(path, flags, Mode::empty()).ok().map(File::from)
}

/// Asks the system to mark breaks, framing and parity errors within the bytes; whether it does.
///
/// The modes belong to the device, not to the handle.
pub(crate) fn mark_faults(port: &File) -> bool {
    let Ok(mut modes) = tcgetattr(port) else { return false };
    modes.input_modes |= InputModes::PARMRK | InputModes::INPCK;
    modes.input_modes -= InputModes::IGNBRK | InputModes::BRKINT | InputModes::IGNPAR | InputModes::ISTRIP;
    tcsetattr(port, OptionalActions::Now, &modes).is_ok()
        && tcgetattr(port).is_ok_and(|modes| modes.input_modes.contains(InputModes::PARMRK))
}

/// The kernel's log, to be read without waiting.
pub(crate) fn kernel_log() -> Option<File> {
    let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    rustix::fs::open("/dev/kmsg", flags, Mode::empty()).ok().map(File::from)
}

/// Opens a pseudo-terminal; `None` where the system has none.
pub(crate) fn pseudo_terminal() -> io::Result<Option<PseudoTerminal>> {
    let near = rustix::pty::openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
    // Not every Unix takes this together with the opening.
    rustix::io::fcntl_setfd(&near, FdFlags::CLOEXEC)?;
    rustix::pty::grantpt(&near)?;
    rustix::pty::unlockpt(&near)?;
    let path = PathBuf::from(rustix::pty::ptsname(&near, Vec::new())?.to_string_lossy().into_owned());
    let far = rustix::fs::open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
    // Without raw mode the line discipline would echo the set's output back to it and turn CR into LF.
    let mut settings = tcgetattr(&far)?;
    settings.make_raw();
    tcsetattr(&far, OptionalActions::Now, &settings)?;
    // A reader that has gone must not hang the writer for ever.
    rustix::fs::fcntl_setfl(&near, OFlags::NONBLOCK)?;
    Ok(Some(PseudoTerminal { near: File::from(near), far: File::from(far), path }))
}

/// Time on a clock that runs while the computer sleeps, too.
pub(crate) fn elapsed() -> Nanoseconds {
    #[cfg(target_os = "linux")]
    const CLOCK: ClockId = ClockId::Boottime;
    // Elsewhere the monotonic clock is the one that counts sleep.
    #[cfg(not(target_os = "linux"))]
    const CLOCK: ClockId = ClockId::Monotonic;
    let time = clock_gettime(CLOCK);
    Nanoseconds(time.tv_sec.saturating_mul(Nanoseconds::SECOND.0).saturating_add(time.tv_nsec))
}

fn folder(name: &str, below_home: &str) -> Option<PathBuf> {
    variable(name).filter(|path| path.is_absolute()).or_else(|| Some(variable(HOME)?.join(below_home)))
}

/// `$XDG_CONFIG_HOME/straykey`, by the XDG Base Directory Specification.
pub(crate) fn config_folder() -> Option<PathBuf> {
    Some(folder("XDG_CONFIG_HOME", ".config")?.join("straykey"))
}

/// `$XDG_DATA_HOME/straykey`.
pub(crate) fn data_folder() -> Option<PathBuf> {
    Some(folder("XDG_DATA_HOME", ".local/share")?.join("straykey"))
}

/// `$XDG_RUNTIME_DIR/straykey.sock`: in a folder that is the user's alone.
pub(crate) fn usual_socket() -> Option<PathBuf> {
    Some(variable("XDG_RUNTIME_DIR")?.join("straykey.sock"))
}

/// Requests to end.
pub(crate) struct Ends {
    interrupt: Signal,
    terminate: Signal,
}

impl Ends {
    /// From now on.
    pub(crate) fn listen() -> io::Result<Self> {
        Ok(Self { interrupt: signal(SignalKind::interrupt())?, terminate: signal(SignalKind::terminate())? })
    }

    /// Until the next one.
    pub(crate) async fn asked(&mut self) {
        tokio::select! {
            _ = self.interrupt.recv() => {}
            _ = self.terminate.recv() => {}
        }
    }
}

/// Requests to read the configuration again.
pub(crate) struct Reloads(Signal);

impl Reloads {
    /// From now on.
    pub(crate) fn listen() -> io::Result<Self> {
        Ok(Self(signal(SignalKind::hangup())?))
    }

    /// Until the next one.
    pub(crate) async fn asked(&mut self) {
        self.0.recv().await;
    }
}

/// Tells the service manager; without one nobody listens.
pub(crate) fn notify(moment: Moment) {
    let _ = match moment {
        Moment::Ready => sd_notify::notify(&[NotifyState::Ready]),
        Moment::Alive => sd_notify::notify(&[NotifyState::Watchdog]),
        Moment::Stopping => sd_notify::notify(&[NotifyState::Stopping]),
        Moment::Reloading => NotifyState::monotonic_usec_now()
            .and_then(|now| sd_notify::notify(&[NotifyState::Reloading, now])),
    };
}

/// How soon the service manager misses a sign of life; `None` when it does not wait for one.
pub(crate) fn watchdog() -> Option<Duration> {
    sd_notify::watchdog_enabled()
}

/// A connection over the local socket.
pub(crate) type LocalStream = UnixStream;

/// A socket that this user alone reaches.
pub(crate) struct LocalListener(UnixListener);

/// The name of the socket; removed when this is dropped.
pub(crate) struct LocalName(PathBuf);

impl Drop for LocalName {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.0);
    }
}

impl LocalListener {
    /// Makes the socket. One that a dead process has left is replaced; where a living one answers, the address is in use.
    pub(crate) fn bind(path: &Path) -> io::Result<(LocalName, Self)> {
        if fs::symlink_metadata(path).is_ok() {
            if std::os::unix::net::UnixStream::connect(path).is_ok() {
                return Err(io::ErrorKind::AddrInUse.into());
            }
            fs::remove_file(path)?;
        }
        // Made where nobody else can reach it, so that it is never open to others, not even for a moment.
        let parent = path.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(parent)?;
        let hidden = parent.join(format!(".straykey-{}", std::process::id()));
        let _ = fs::remove_dir_all(&hidden);
        fs::create_dir(&hidden)?;
        let made = fs::set_permissions(&hidden, fs::Permissions::from_mode(0o700))
            .and_then(|()| std::os::unix::net::UnixListener::bind(hidden.join("s")))
            .and_then(|listener| {
                listener.set_nonblocking(true)?;
                fs::set_permissions(hidden.join("s"), fs::Permissions::from_mode(0o600))?;
                fs::rename(hidden.join("s"), path)?;
                Ok(listener)
            });
        let _ = fs::remove_dir_all(&hidden);
        Ok((LocalName(path.to_owned()), Self(UnixListener::from_std(made?)?)))
    }

    /// The next connection.
    pub(crate) async fn accept(&mut self) -> io::Result<LocalStream> {
        Ok(self.0.accept().await?.0)
    }
}

/// Connects to a local socket.
pub(crate) async fn connect_local(path: &Path) -> io::Result<UnixStream> {
    UnixStream::connect(path).await
}
