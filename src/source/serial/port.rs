//! One open port: a thread that reads, and the source that hands over.

use std::fmt;
use std::io::{ErrorKind, Read as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::base::{Anchor, Error, Nanoseconds, Result, system};
use crate::source::serial::clocks::Clocks;
use crate::source::serial::console::Console;
use crate::source::serial::faults::Unmark;
use crate::source::serial::identity::{Adapter, Known, Return, System};
use crate::source::serial::losses::Losses;
use crate::source::serial::open::{Device, open_device};
use crate::source::serial::queue::{Entry, Next, Nudge, Queue};
use crate::source::serial::spec::PortSpec;
use crate::source::serial::wire::READ_TIME;
use crate::source::{ByteSource, Chunk, Mark, Pulled, What};

/// How long a pull waits before it says that nothing came. Bytes end the wait at once.
const PULL_TIME: Duration = Duration::from_millis(20);

/// The same when nothing has come for a while: a silent port shall cost next to nothing.
const SILENT_PULL_TIME: Duration = Duration::from_millis(500);

/// A port is silent after so long; longer than anything that a decoder waits for.
const SILENT_AFTER: Nanoseconds = Nanoseconds::from_millis(5000);

/// Largest piece that one read takes; the kernel holds 4 KiB of a serial port.
const READ_BYTES: usize = 64 << 10;

/// This many time-outs in a row that come too early, each followed by a pause (half a second in all), mean that the port is gone.
const MOST_HASTY: u32 = 25;
const HASTY_REST: Duration = Duration::from_millis(20);

/// What is remarked where breaks and damaged characters are not told.
const UNMARKED: &str =
    "breaks and damaged characters on the line are not told here: this port passes bytes alone";

/// How the mark begins when another adapter is there instead.
const STRANGER: &str = "waiting for the adapter that was recorded from";

/// A serial port that is ours alone, as a source of bytes.
///
/// Capture time zero is the moment of opening. Offsets count the bytes delivered.
pub struct SerialPort {
    queue: Arc<Queue>,
    reader: Option<JoinHandle<()>>,
    epoch: Nanoseconds,
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
    /// `Usage` for a rate or framing that no port has. `System` when the port is missing (the message names
    /// the ports that are there), in use (it names the program, where the system tells), not allowed, or no
    /// serial port at all.
    pub fn open(spec: &PortSpec) -> Result<Self> {
        Self::open_on(System::default(), spec)
    }

    /// The same where the system shows its devices elsewhere.
    ///
    /// # Errors
    /// As [`SerialPort::open`].
    pub fn open_on(system: System, spec: &PortSpec) -> Result<Self> {
        spec.check()?;
        let device = open_device(&spec.path, spec)?;
        let identity = Identity::of(&system, &spec.path);
        let queue = Arc::new(Queue::default());
        let epoch = system::elapsed();
        let anchor = Anchor::now();
        let console = Console::default();
        console.set(device.port.try_clone());
        let reader = Reader {
            queue: Arc::clone(&queue),
            epoch,
            spec: spec.clone(),
            system,
            identity,
            console: console.clone(),
            remarked: false,
        };
        let thread = std::thread::Builder::new()
            .name("serial port".into())
            .spawn(move || reader.run(device))
            .map_err(|error| Error::system("cannot start a thread for the serial port").because(error))?;
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

    fn stop(&mut self) -> bool {
        self.queue.stop();
        true
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

fn since(epoch: Nanoseconds) -> Nanoseconds {
    system::elapsed() - epoch
}

/// What the thread needs.
struct Reader {
    queue: Arc<Queue>,
    epoch: Nanoseconds,
    spec: PortSpec,
    system: System,
    identity: Identity,
    console: Console,
    /// It was said that losses are not noticed.
    remarked: bool,
}

impl Reader {
    fn run(mut self, mut device: Device) {
        while self.read_until_gone(&mut device) {
            self.queue.mark(since(self.epoch), What::PortGone);
            self.console.set(None);
            drop(device);
            self.identity.gone(&self.system);
            match self.wait_for_return() {
                Some(again) => device = again,
                None => break,
            }
        }
        self.console.set(None);
        self.queue.close();
    }

    /// Reads until the port is gone (`true`) or the stop signal comes (`false`).
    fn read_until_gone(&mut self, device: &mut Device) -> bool {
        let mut buffer = vec![0u8; READ_BYTES];
        let (mut unmark, mut plain) = (Unmark::default(), Vec::new());
        let mut clocks = Clocks::start();
        let mut losses = Losses::of(&device.path, since(self.epoch));
        if !std::mem::replace(&mut self.remarked, true) {
            let untold = (!device.marks).then(|| What::remark(UNMARKED));
            for what in losses.unnoticed().into_iter().chain(untold) {
                self.queue.mark(since(self.epoch), what);
            }
        }
        let mut silence = Silence::default();
        let mut gone = false;
        while !gone && !self.queue.is_stopped() {
            let asked = Instant::now();
            match face(device.port.read(&mut buffer)) {
                Face::Bytes(n) => {
                    silence = Silence::default();
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
                Face::Nothing => gone = silence.is_end(asked.elapsed()) || !device.port.is_there(),
                Face::Interrupted => {}
                Face::Gone => gone = true,
            }
            let now = since(self.epoch);
            let lost = if gone { losses.last(now) } else { losses.mark(now) };
            for what in unmark.remark().map(What::remark).into_iter().chain(lost).chain(clocks.marks()) {
                self.queue.mark(since(self.epoch), what);
            }
        }
        if !gone && let Some(what) = losses.last(since(self.epoch)) {
            self.queue.mark(since(self.epoch), what);
        }
        gone
    }

    /// The same adapter, opened again; `None` when that is not wanted or the stop signal came first.
    fn wait_for_return(&mut self) -> Option<Device> {
        if !self.spec.reconnect {
            return None;
        }
        let mut told = None;
        loop {
            if self.queue.wait_for_stop(self.spec.reconnect_every) {
                return None;
            }
            let path = match self.identity.look(&self.system) {
                Return::Here(path) => path,
                Return::Away => continue,
                Return::Stranger(why) => {
                    if told.as_ref() != Some(&why) {
                        let what = What::remark(format!("{STRANGER}: {why}"));
                        self.queue.mark(since(self.epoch), what);
                        told = Some(why);
                    }
                    continue;
                }
            };
            // Looked at again once it is ours: its name may have gone to another one in between.
            if let Ok(device) = open_device(&path, &self.spec)
                && self.identity.take(&self.system, &path)
            {
                self.console.set(device.port.try_clone());
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
    Interrupted,
    Gone,
}

/// An unplugged adapter shows as nothing for ever, as a broken pipe, or as an I/O error; or as a time-out before its
/// time, see [`Silence`].
fn face(read: std::io::Result<usize>) -> Face {
    match read {
        Ok(0) => Face::Gone,
        Ok(n) => Face::Bytes(n),
        Err(error) => match error.kind() {
            ErrorKind::TimedOut | ErrorKind::WouldBlock => Face::Nothing,
            ErrorKind::Interrupted => Face::Interrupted,
            _ => Face::Gone,
        },
    }
}

/// Reads that ended with nothing, one after another.
///
/// Where a system reads nothing from a port that is gone, and the library takes that for a time-out, it comes at once.
#[derive(Default)]
struct Silence {
    hasty: u32,
}

impl Silence {
    /// A read ended with nothing after so long; whether that was the end of the port.
    fn is_end(&mut self, took: Duration) -> bool {
        if took >= READ_TIME / 4 {
            self.hasty = 0;
            return false;
        }
        self.hasty += 1;
        // A driver may wake a reader for nothing, but not time and again; and it shall cost no whole core to find out.
        std::thread::sleep(HASTY_REST);
        self.hasty >= MOST_HASTY
    }
}

/// By what a port is known again after it was gone.
enum Identity {
    /// A USB adapter; the kernel may give it another device name.
    Usb(Known),
    /// The name that was asked for: all there is of what is not on USB.
    Name(PathBuf),
}

impl Identity {
    fn of(system: &System, path: &Path) -> Self {
        let device = system::full_path(path).unwrap_or_else(|_| path.to_owned());
        Known::of(system, &device).map_or_else(|| Self::Name(path.to_owned()), Self::Usb)
    }

    fn gone(&mut self, system: &System) {
        if let Self::Usb(known) = self {
            known.gone(&Adapter::all(system));
        }
    }

    fn look(&self, system: &System) -> Return {
        match self {
            // Opening it tells whether it is there.
            Self::Name(path) => Return::Here(path.clone()),
            Self::Usb(known) => known.look(&Adapter::all(system)),
        }
    }

    fn take(&mut self, system: &System, device: &Path) -> bool {
        match self {
            Self::Name(_) => true,
            Self::Usb(known) => known.take(system, device),
        }
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
        for kind in [ErrorKind::TimedOut, ErrorKind::WouldBlock] {
            assert_eq!(face(Err(kind.into())), Face::Nothing);
        }
        assert_eq!(face(Err(ErrorKind::Interrupted.into())), Face::Interrupted);
        assert_eq!(face(Ok(7)), Face::Bytes(7));
    }

    #[test]
    fn time_outs_before_their_time_are_the_end_and_others_are_silence() {
        let mut silence = Silence::default();
        assert!((0..1000).all(|_| !silence.is_end(READ_TIME)));
        // One that takes its time in between: the port lives.
        let soon = Duration::from_micros(50);
        assert!((1..MOST_HASTY).all(|_| !silence.is_end(soon)) && !silence.is_end(READ_TIME));
        assert!((1..MOST_HASTY).all(|_| !silence.is_end(soon)));
        assert!(silence.is_end(soon));
    }
}
