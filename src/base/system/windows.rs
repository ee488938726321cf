//! Windows.

use std::fs::{self, File, OpenOptions};
use std::io;
use std::os::windows::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::net::windows::named_pipe::{ClientOptions, NamedPipeClient, NamedPipeServer, ServerOptions};
use tokio::signal::windows::{self, CtrlBreak, CtrlC, CtrlClose, CtrlShutdown};

use crate::base::Nanoseconds;
use crate::base::system::{Moment, PseudoTerminal, variable};

/// The variable that names a user's own folder.
pub(crate) const HOME: &str = "LOCALAPPDATA";

/// SQLite's own way to files whose path is longer than 260 characters.
pub(crate) const SQLITE_LONG_PATHS: Option<&str> = Some("win32-longpath");

/// Windows has no call that makes the names in a folder safe by themselves; NTFS writes them to its own journal.
pub(crate) fn sync_folder(_folder: &Path) -> io::Result<()> {
    Ok(())
}

/// Makes a folder, and those above it. Who may look into it is decided by the folder that it is made in: a user's own is
/// closed to others.
pub(crate) fn make_private_folder(path: &Path) -> io::Result<()> {
    fs::create_dir_all(path)
}

/// Makes a new file; who may read it is decided by its folder.
pub(crate) fn make_private_file(path: &Path) -> io::Result<File> {
    OpenOptions::new().write(true).create_new(true).open(path)
}

/// Windows has access lists in the place of modes; a user's own folders are closed to others.
pub(crate) fn others_may_read(path: &Path) -> io::Result<bool> {
    fs::metadata(path).map(|_| false)
}

/// A file that is open here keeps its name until it is closed.
pub(crate) fn has_name(_file: &File) -> io::Result<bool> {
    Ok(true)
}

/// How long a file in use by another program is waited for; a virus scanner or an editor holds one for a moment.
const TRIES: u32 = 50;
const BETWEEN: Duration = Duration::from_millis(20);

/// Gives a file another name, in the place of one that has it, also while somebody reads that one.
pub(crate) fn replace(from: &Path, to: &Path) -> io::Result<()> {
    for _ in 0..TRIES {
        match fs::rename(from, to) {
            Err(error) if error.kind() == io::ErrorKind::PermissionDenied || is_shared(&error) => {
                std::thread::sleep(BETWEEN);
            }
            done => return done,
        }
    }
    fs::rename(from, to)
}

/// `ERROR_SHARING_VIOLATION`, and what a reading end of a file in use gives (System Error Codes 0 to 499).
fn is_shared(error: &io::Error) -> bool {
    error.raw_os_error() == Some(32)
}

/// Opens a file that one process at a time has; `None` when another has it.
///
/// A lock on its bytes would keep others from reading who has it; a share mode keeps them from writing alone.
pub(crate) fn open_lock(path: &Path) -> io::Result<Option<File>> {
    // `FILE_SHARE_READ`, and `FILE_FLAG_OPEN_REPARSE_POINT`: no link is followed (CreateFileW).
    let (share, link) = (1, 0x0020_0000);
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false).share_mode(share).custom_flags(link);
    match options.open(path) {
        Ok(file) => Ok(Some(file)),
        Err(error) if is_shared(&error) => Ok(None),
        Err(error) => Err(error),
    }
}

/// Whether a path can be that of a port and of no file: `COM1`.
pub(crate) fn is_port_name(path: &Path) -> bool {
    let name = path.to_str().unwrap_or_default();
    let number = name.get(..3).filter(|start| start.eq_ignore_ascii_case("COM")).and(name.get(3..));
    number.is_some_and(|number| !number.is_empty() && number.bytes().all(|b| b.is_ascii_digit()))
}

/// Whether a path names a serial port rather than a file; not found when there is neither.
pub(crate) fn is_port(path: &Path) -> io::Result<bool> {
    if !is_port_name(path) {
        return fs::metadata(path).map(|_| false);
    }
    match fs::metadata(format!(r"\\.\{}", path.display())) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Err(error),
        // Nothing else can be told of a port, and that in several ways.
        _ => Ok(true),
    }
}

/// Windows marks no faults within the bytes.
pub(crate) fn port_handle(_path: &Path) -> Option<File> {
    None
}

/// Never.
pub(crate) fn mark_faults(_port: &File) -> bool {
    false
}

/// There is none to be read.
pub(crate) fn kernel_log() -> Option<File> {
    None
}

/// There are none that are serial ports.
pub(crate) fn pseudo_terminal() -> io::Result<Option<PseudoTerminal>> {
    Ok(None)
}

/// Time on a clock that runs while the computer sleeps, too: the performance counter does
/// (QueryPerformanceCounter, Remarks: "including the time when the machine was in a sleep state").
pub(crate) fn elapsed() -> Nanoseconds {
    crate::base::system::running()
}

/// `%APPDATA%\straykey`.
pub(crate) fn config_folder() -> Option<PathBuf> {
    Some(variable("APPDATA")?.join("straykey"))
}

/// `%LOCALAPPDATA%\straykey`.
pub(crate) fn data_folder() -> Option<PathBuf> {
    Some(variable(HOME)?.join("straykey"))
}

/// A name that is this user's.
pub(crate) fn usual_socket() -> Option<PathBuf> {
    Some(data_folder()?.join("straykey.sock"))
}

/// Requests to end: Ctrl-C, Ctrl-Break, the console closed, the computer shut down.
pub(crate) struct Ends {
    interrupt: CtrlC,
    pause: CtrlBreak,
    close: CtrlClose,
    shutdown: CtrlShutdown,
}

impl Ends {
    /// From now on.
    pub(crate) fn listen() -> io::Result<Self> {
        Ok(Self {
            interrupt: windows::ctrl_c()?,
            pause: windows::ctrl_break()?,
            close: windows::ctrl_close()?,
            shutdown: windows::ctrl_shutdown()?,
        })
    }

    /// Until the next one.
    pub(crate) async fn asked(&mut self) {
        tokio::select! {
            _ = self.interrupt.recv() => {}
            _ = self.pause.recv() => {}
            _ = self.close.recv() => {}
            _ = self.shutdown.recv() => {}
        }
    }
}

/// Nothing on Windows asks for the configuration to be read again; a change of its file does.
pub(crate) struct Reloads;

impl Reloads {
    /// From now on.
    pub(crate) fn listen() -> io::Result<Self> {
        Ok(Self)
    }

    /// For ever.
    pub(crate) async fn asked(&mut self) {
        std::future::pending().await
    }
}

/// There is no service manager to notify.
pub(crate) fn notify(_moment: Moment) {}

/// No service manager waits for a sign of life.
pub(crate) fn watchdog() -> Option<Duration> {
    None
}

/// A connection over the local socket.
pub(crate) type LocalStream = NamedPipeServer;

/// A named pipe: its usual access list lets in its owner, administrators and the system; others may read what is said to
/// them, which is nothing, and cannot write (CreateNamedPipeW, Named Pipe Security and Access Rights).
pub(crate) struct LocalListener {
    name: String,
    next: NamedPipeServer,
}

/// A pipe's name goes with its last handle.
pub(crate) struct LocalName;

/// The pipe of a socket's path.
fn pipe(path: &Path) -> String {
    let whole = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let word = whole.to_string_lossy().to_lowercase().replace(['\\', '/', ':'], "-");
    format!(r"\\.\pipe\straykey{word}")
}

impl LocalListener {
    /// Makes the pipe; where another process has it, the address is in use.
    pub(crate) fn bind(path: &Path) -> io::Result<(LocalName, Self)> {
        let name = pipe(path);
        let made = ServerOptions::new().first_pipe_instance(true).reject_remote_clients(true).create(&name);
        let next = made.map_err(|error| match error.kind() {
            io::ErrorKind::PermissionDenied => io::ErrorKind::AddrInUse.into(),
            _ => error,
        })?;
        Ok((LocalName, Self { name, next }))
    }

    /// The next connection.
    pub(crate) async fn accept(&mut self) -> io::Result<LocalStream> {
        self.next.connect().await?;
        let next = ServerOptions::new().reject_remote_clients(true).create(&self.name)?;
        Ok(std::mem::replace(&mut self.next, next))
    }
}

/// Connects to a local socket; while its server takes another connection, for a second.
pub(crate) async fn connect_local(path: &Path) -> io::Result<NamedPipeClient> {
    let name = pipe(path);
    for _ in 0..TRIES {
        match ClientOptions::new().open(&name) {
            // `ERROR_PIPE_BUSY`
            Err(error) if error.raw_os_error() == Some(231) => tokio::time::sleep(BETWEEN).await,
            done => return done,
        }
    }
    ClientOptions::new().open(&name)
}
