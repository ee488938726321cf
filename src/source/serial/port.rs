//! One open port: a thread that reads, and the source that hands over.

use std::fmt;
use std::io::ErrorKind;
use std::os::unix::fs::FileTypeExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::clocks::Clocks;
use super::console::Console;
use super::faults::{self, Unmark};
use super::list::{Usb, list};
use super::queue::{Entry, Next, Nudge, Queue};
use super::spec::{Parity, PortSpec};
use super::{super::ByteSource, super::Chunk, super::Mark, super::Pulled, super::What, holder};
use crate::base::{Anchor, Error, Nanoseconds, Result};

/// How long a pull waits before it says that nothing came. Bytes end the wait at once.
const PULL_TIME: Duration = Duration::from_millis(20);

/// The same when nothing has come for a while: a silent port shall cost next to nothing.
const SILENT_PULL_TIME: Duration = Duration::from_millis(500);

/// A port is silent after so long; longer than anything that a decoder waits for.
const SILENT_AFTER: Nanoseconds = Nanoseconds::from_millis(5000);

/// How long the thread waits in one read; it looks for the stop signal in between.
const READ_TIME: Duration = Duration::from_millis(200);

/// Largest piece that one read takes; the kernel holds 4 KiB of a serial port.
const READ_BYTES: usize = 64 << 10;

/// A port that is in use is tried again so often, so far apart: 200 ms in all.
const BUSY_TRIES: u32 = 10;
const BUSY_WAIT: Duration = Duration::from_millis(20);

/// A serial port that is ours alone, as a source of bytes.
///
/// Capture time zero is the moment of opening. Offsets count the bytes delivered.
pub struct SerialPort {
    queue: Arc<Queue>,
    reader: Option<JoinHandle<()>>,
    epoch: Instant,
    anchor: Anchor,
    held: Vec<u8>,
    offset: u64,
    lost: u64,
    /// When the last bytes came.
    heard: Nanoseconds,
    console: Console,
}

impl fmt::Debug for SerialPort {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("SerialPort").field("offset", &self.offset).field("lost", &self.lost).finish()
    }
}

impl SerialPort {
    /// Opens the port for this program alone and begins to read.
    ///
    /// # Errors
    /// `Usage` for a rate or framing that no port has. `Machine` when the port is missing (the message names
    /// the ports that are there), in use (it names the program, where the system tells), not allowed, or no
    /// serial port at all.
    pub fn open(spec: &PortSpec) -> Result<Self> {
        spec.check()?;
        let device = open_device(&spec.path, spec)?;
        let identity = Identity::of(&spec.path);
        let queue = Arc::new(Queue::default());
        let epoch = Instant::now();
        let anchor = Anchor::now();
        let console = Console::default();
        console.set(device.port.try_clone().ok());
        let reader = Reader {
            queue: Arc::clone(&queue),
            epoch,
            spec: spec.clone(),
            identity,
            console: console.clone(),
        };
        let thread = std::thread::Builder::new()
            .name("serial port".into())
            .spawn(move || reader.run(device))
            .map_err(|error| Error::machine("cannot start a thread for the serial port").because(error))?;
        Ok(Self {
            queue,
            reader: Some(thread),
            epoch,
            anchor,
            held: Vec::new(),
            offset: 0,
            lost: 0,
            heard: Nanoseconds::ZERO,
            console,
        })
    }

    /// Bytes that were dropped because nobody pulled for too long.
    pub fn lost(&self) -> u64 {
        self.lost
    }

    /// The way to write to the set; it stays the same when the adapter is replugged.
    pub fn console(&self) -> Console {
        self.console.clone()
    }

    /// The way to end a wait for bytes before its time.
    pub fn nudge(&self) -> Nudge {
        Nudge(Arc::downgrade(&self.queue))
    }

    fn now(&self) -> Nanoseconds {
        since(self.epoch)
    }
}

impl ByteSource for SerialPort {
    /// Waits 20 ms at most, 500 ms on a port that is silent. Bytes and a [`Nudge`] end the wait at once.
    fn pull(&mut self) -> Result<Pulled<'_>> {
        let silent = self.now() - self.heard > SILENT_AFTER;
        match self.queue.pull(if silent { SILENT_PULL_TIME } else { PULL_TIME }) {
            Next::Nothing => Ok(Pulled::Quiet(self.now())),
            Next::Closed => Ok(Pulled::End),
            Next::Entry(Entry::Mark(mark)) => Ok(Pulled::Mark(mark)),
            Next::Entry(Entry::Lost(t, bytes)) => {
                self.lost += bytes;
                Ok(Pulled::Mark(Mark { t, what: What::BytesLost { bytes } }))
            }
            Next::Entry(Entry::Lump(t, bytes)) => {
                let offset = self.offset;
                self.offset += bytes.len() as u64;
                self.heard = t;
                self.held = bytes;
                Ok(Pulled::Chunk(Chunk { arrival: Some(t), offset, bytes: &self.held }))
            }
        }
    }

    fn anchor(&self) -> Option<Anchor> {
        Some(self.anchor)
    }
}

impl Drop for SerialPort {
    /// Waits for the thread (at most one read), so that the port is free when this returns.
    fn drop(&mut self) {
        self.queue.stop();
        if let Some(thread) = self.reader.take() {
            // A panic there has already been printed; there is nothing left to save.
            let _ = thread.join();
        }
    }
}

fn since(epoch: Instant) -> Nanoseconds {
    Nanoseconds(i64::try_from(epoch.elapsed().as_nanos()).unwrap_or(i64::MAX))
}

/// What the thread needs.
struct Reader {
    queue: Arc<Queue>,
    epoch: Instant,
    spec: PortSpec,
    identity: Identity,
    console: Console,
}

/// An open port.
struct Device {
    port: Box<dyn serialport::SerialPort>,
    /// Whether the system marks breaks and damaged characters within the bytes.
    marks: bool,
}

impl Reader {
    fn run(self, mut device: Device) {
        while self.read_until_gone(&mut device) {
            self.queue.mark(since(self.epoch), What::PortGone);
            self.console.set(None);
            drop(device);
            match self.wait_for_return() {
                Some(again) => device = again,
                None => break,
            }
        }
        self.console.set(None);
        self.queue.close();
    }

    /// Reads until the port is gone (`true`) or the stop signal comes (`false`).
    fn read_until_gone(&self, device: &mut Device) -> bool {
        let mut buffer = vec![0u8; READ_BYTES];
        let (mut unmark, mut plain) = (Unmark::default(), Vec::new());
        let mut clocks = Clocks::start();
        while !self.queue.is_stopped() {
            match face(device.port.read(&mut buffer)) {
                Face::Bytes(n) => {
                    let t = since(self.epoch);
                    let bytes = buffer.get(..n).unwrap_or_default();
                    if device.marks {
                        plain.clear();
                        unmark.take(bytes, &mut plain);
                    }
                    let bytes = if device.marks { &plain } else { bytes };
                    if !bytes.is_empty() {
                        self.queue.push(t, bytes);
                    }
                }
                Face::Nothing => {}
                Face::Gone => return true,
            }
            for what in unmark.remark().map(What::remark).into_iter().chain(clocks.marks()) {
                self.queue.mark(since(self.epoch), what);
            }
        }
        false
    }

    /// The same adapter, opened again; `None` when that is not wanted or the stop signal came first.
    fn wait_for_return(&self) -> Option<Device> {
        if !self.spec.reconnect {
            return None;
        }
        loop {
            if self.queue.wait_for_stop(self.spec.reconnect_every) {
                return None;
            }
            let Some(path) = self.identity.find() else { continue };
            if let Ok(device) = open_device(&path, &self.spec) {
                self.console.set(device.port.try_clone().ok());
                self.queue.mark(since(self.epoch), What::PortBack { device: path.display().to_string() });
                return Some(device);
            }
        }
    }
}

/// What a read of a port means.
#[derive(Debug, PartialEq)]
enum Face {
    Bytes(usize),
    Nothing,
    Gone,
}

/// An unplugged adapter shows as nothing for ever, as a broken pipe, or as an I/O error.
fn face(read: std::io::Result<usize>) -> Face {
    match read {
        Ok(0) => Face::Gone,
        Ok(n) => Face::Bytes(n),
        Err(error) => match error.kind() {
            ErrorKind::TimedOut | ErrorKind::Interrupted | ErrorKind::WouldBlock => Face::Nothing,
            _ => Face::Gone,
        },
    }
}

/// By what an adapter is known again after it was unplugged.
enum Identity {
    /// A USB adapter with a serial number; the kernel may give it another device name.
    Usb(Usb),
    /// The name that was asked for, which is stable (by-id, by-path) or all there is.
    Name(PathBuf),
}

impl Identity {
    fn of(path: &Path) -> Self {
        let device = std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        let usb = list()
            .unwrap_or_default()
            .into_iter()
            .find(|port| port.path == device)
            .and_then(|port| port.usb)
            .filter(|usb| usb.serial_number.is_some());
        match usb {
            // A name that udev keeps up to date tells even the ports of one adapter apart: prefer it.
            Some(usb) if device == path => Self::Usb(usb),
            _ => Self::Name(path.to_owned()),
        }
    }

    fn find(&self) -> Option<PathBuf> {
        match self {
            Self::Name(path) => path.exists().then(|| path.clone()),
            Self::Usb(wanted) => list()
                .unwrap_or_default()
                .into_iter()
                .find(|port| port.usb.as_ref().is_some_and(|usb| usb == wanted))
                .map(|port| port.path),
        }
    }
}

fn open_device(path: &Path, spec: &PortSpec) -> Result<Device> {
    check_device(path)?;
    let Some(name) = path.to_str() else {
        return Err(Error::machine("the name of the port is not UTF-8").at(path));
    };
    let mut builder = serialport::new(name, spec.baud)
        .timeout(READ_TIME)
        .data_bits(match spec.data_bits {
            5 => serialport::DataBits::Five,
            6 => serialport::DataBits::Six,
            7 => serialport::DataBits::Seven,
            _ => serialport::DataBits::Eight,
        })
        .parity(match spec.parity {
            Parity::None => serialport::Parity::None,
            Parity::Odd => serialport::Parity::Odd,
            Parity::Even => serialport::Parity::Even,
        })
        .stop_bits(if spec.stop_bits == 2 { serialport::StopBits::Two } else { serialport::StopBits::One })
        .flow_control(serialport::FlowControl::None);
    if let Some(state) = spec.dtr {
        builder = builder.dtr_on_open(state);
    }
    // A program that has just ended, or a child that is just being started, may hold the port for a moment.
    let mut tries = BUSY_TRIES;
    loop {
        let handle = faults::handle(path);
        match builder.clone().open() {
            Ok(port) => return Ok(Device { port, marks: handle.is_some_and(|handle| faults::ask(&handle)) }),
            Err(error) if error.kind() == serialport::ErrorKind::NoDevice && tries > 0 => {
                drop(handle);
                tries -= 1;
                std::thread::sleep(BUSY_WAIT);
            }
            Err(error) => {
                drop(handle);
                return Err(refused(path, spec, error));
            }
        }
    }
}

/// Tells a missing device and a plain file from a port before they are touched.
fn check_device(path: &Path) -> Result<()> {
    match std::fs::metadata(path) {
        Ok(data) if data.file_type().is_char_device() => Ok(()),
        Ok(_) => Err(Error::machine("this is no serial port")
            .at(path)
            .remedy("to read a file, use `straykey decode FILE`; `straykey ports` lists the ports")),
        Err(error) if error.kind() == ErrorKind::NotFound => {
            Err(Error::machine("there is no such port").at(path).remedy(ports_here(path)))
        }
        Err(error) => Err(Error::machine("cannot look at the port").at(path).because(error)),
    }
}

/// The ports that are there, those spelled most like the missing one first.
fn ports_here(missing: &Path) -> String {
    let wanted = missing.display().to_string();
    let mut names: Vec<String> =
        list().unwrap_or_default().iter().map(|port| port.stable().display().to_string()).collect();
    names.sort_by_key(|name| {
        let alike = name.bytes().zip(wanted.bytes()).take_while(|(a, b)| a == b).count();
        (std::cmp::Reverse(alike), name.clone())
    });
    names.truncate(5);
    if names.is_empty() {
        "no serial port is attached: plug the adapter in, and look at `straykey ports`".to_owned()
    } else {
        format!("ports that are here: {}", names.join(", "))
    }
}

fn refused(path: &Path, spec: &PortSpec, error: serialport::Error) -> Error {
    use serialport::ErrorKind as K;
    match error.kind() {
        K::NoDevice => {
            let who = holder::of(path).unwrap_or_else(|| "another program".to_owned());
            Error::machine(format!("the port is in use by {who}"))
                .at(path)
                .remedy("close that program; two readers would each get half of the bytes")
        }
        K::Io(ErrorKind::PermissionDenied) => Error::machine("this user may not open the port")
            .at(path)
            .because(error)
            .remedy("add the user to the group that owns the device (often `dialout`) and log in again"),
        _ => Error::machine(format!("cannot open the port at {} baud, {}", spec.baud, spec.framing_text()))
            .at(path)
            .because(error)
            .remedy("unplug and replug the adapter, or try a rate that it can make"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_faces_of_unplugged_are_known() {
        // Number 5 is EIO on Linux.
        let gone = [Ok(0), Err(ErrorKind::BrokenPipe.into()), Err(std::io::Error::from_raw_os_error(5))];
        for read in gone {
            assert_eq!(face(read), Face::Gone);
        }
        for kind in [ErrorKind::TimedOut, ErrorKind::Interrupted, ErrorKind::WouldBlock] {
            assert_eq!(face(Err(kind.into())), Face::Nothing);
        }
        assert_eq!(face(Ok(7)), Face::Bytes(7));
    }
}
