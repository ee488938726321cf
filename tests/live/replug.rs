//! An adapter that is pulled and plugged in hundreds of times, under the same and under new names, while others come and
//! go: only the very one is recorded from.

use std::collections::VecDeque;
use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::time::{Duration, Instant};

use straykey::journal::Reader;
use straykey::source::serial::{PortSpec, SerialPort, System};
use straykey::source::{ByteSource, Pulled, What};
use straykey::timeline::job::{CaptureOptions, Job, JobInfo};

use crate::face::program::{straykey, text};
use crate::journal::replay_reader;
use crate::support::random::Random;
use crate::support::terminal::Terminal;

const REPLUGS: u64 = 500;

/// A system that shows pseudo-terminals as USB adapters (Documentation/ABI/testing/sysfs-bus-usb).
struct Machine {
    folder: tempfile::TempDir,
    /// Numbers of pulled ones: they stay taken for a while, and are free again after it.
    pulled: VecDeque<Terminal>,
}

impl Machine {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir_all(folder.path().join("class/tty")).unwrap();
        Self { folder, pulled: VecDeque::new() }
    }

    fn system(&self) -> System {
        System { about: self.folder.path().to_owned(), devices: "/dev/pts".into() }
    }

    fn plug(&self, socket: &str, product: &str, serial: &str) -> Terminal {
        let terminal = Terminal::open();
        let name = terminal.path().file_name().unwrap();
        let adapter = self.folder.path().join("devices").join(socket);
        let port = adapter.join(format!("{socket}:1.0")).join(name);
        fs::create_dir_all(&port).unwrap();
        for (file, content) in [("idVendor", "0403"), ("idProduct", product), ("serial", serial)] {
            fs::write(adapter.join(file), content).unwrap();
        }
        let shown = self.folder.path().join("class/tty").join(name);
        fs::create_dir_all(&shown).unwrap();
        symlink(&port, shown.join("device")).unwrap();
        terminal
    }

    fn pull(&mut self, mut terminal: Terminal) {
        let name = terminal.path().file_name().unwrap().to_owned();
        fs::remove_dir_all(self.folder.path().join("class/tty").join(name)).unwrap();
        terminal.unplug();
        self.pulled.push_back(terminal);
        if self.pulled.len() > 3 {
            self.pulled.pop_front();
        }
    }
}

/// Pulls until a mark of this kind, or all bytes, have come; everything goes into the capture.
struct Recorder<'a> {
    port: &'a mut SerialPort,
    capture: &'a mut straykey::timeline::job::CaptureWriter,
    bytes: Vec<u8>,
}

impl Recorder<'_> {
    fn until(&mut self, mut enough: impl FnMut(Option<&What>, &[u8]) -> bool) {
        let begun = Instant::now();
        loop {
            assert!(begun.elapsed() < Duration::from_secs(20), "never came");
            let pulled = self.port.pull().unwrap();
            self.capture.take(&pulled).unwrap();
            let mark = match pulled {
                Pulled::Chunk(chunk) => {
                    self.bytes.extend_from_slice(chunk.bytes);
                    None
                }
                Pulled::Mark(mark) => Some(mark.what),
                Pulled::Quiet(_) => None,
                Pulled::End => panic!("the port has ended"),
            };
            self.capture.commit_if_due().unwrap();
            if enough(mark.as_ref(), &self.bytes) {
                return;
            }
        }
    }
}

#[test]
fn five_hundred_times_and_not_a_byte_of_a_stranger() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = Job::create(&folder.path().join("job"), &JobInfo::new("bench set")).unwrap();
    let mut machine = Machine::new();
    let mut random = Random(18);
    // Another product, another number, and one that only its socket tells apart.
    let kinds = [("1-2", "6015", "A"), ("1-3", "6001", "B"), ("1-4", "6001", "A")];
    let mut others: Vec<Terminal> =
        kinds.iter().map(|(socket, product, serial)| machine.plug(socket, product, serial)).collect();
    let mut own = machine.plug("1-1", "6001", "A");
    let mut spec = PortSpec::new(own.path(), 115_200);
    (spec.reconnect, spec.reconnect_every) = (true, Duration::from_millis(1));
    let mut port = SerialPort::open_on(machine.system(), &spec).unwrap();
    let anchor = port.anchor().unwrap();
    let mut capture =
        job.begin_capture(&CaptureOptions::default(), "pty", &serde_json::json!({}), anchor).unwrap();
    let mut recorder = Recorder { port: &mut port, capture: &mut capture, bytes: Vec::new() };
    let (mut sent, mut names) = (Vec::new(), std::collections::BTreeSet::new());
    for turn in 0..REPLUGS {
        names.insert(own.path().to_owned());
        let line = format!("OWN {turn} {}\r\n", "x".repeat(random.below(200)));
        own.print(line.as_bytes());
        sent.extend_from_slice(line.as_bytes());
        recorder.until(|_, bytes| bytes.len() >= sent.len());
        machine.pull(own);
        // One of the others is replugged, and may get the number that has become free.
        let which = random.below(others.len());
        let (socket, product, serial) = kinds[which];
        let (other, gone) = (others.swap_remove(which), recorder.port.lost());
        assert_eq!(gone, 0);
        machine.pull(other);
        recorder.until(|mark, _| mark == Some(&What::PortGone));
        others.push(machine.plug(socket, product, serial));
        let last = others.len() - 1;
        others.swap(which, last);
        for other in &mut others {
            other.offer(b"STRANGER\r\n");
        }
        own = machine.plug("1-1", "6001", "A");
        recorder.until(|mark, _| matches!(mark, Some(What::PortBack { .. })));
        others.iter_mut().for_each(|other| other.offer(b"STRANGER\r\n"));
    }
    assert_eq!(recorder.bytes, sent, "what was recorded is what its own set printed");
    drop(port);
    let done = job.end_capture(capture).unwrap();
    let replayed = replay_reader(Reader::open(&done.path).unwrap()).unwrap();
    assert_eq!(replayed.bytes, sent);
    let back = replayed.marks.iter().filter(|mark| mark.starts_with("port is back as")).count();
    assert_eq!(back as u64, REPLUGS);
    assert!(names.len() > 1, "under one name alone: {names:?}");
}

/// A line comes in two halves, far enough apart for two records of the journal.
#[test]
fn lines_across_two_records_are_whole() {
    let folder = tempfile::tempdir().unwrap();
    let mut job =
        Job::create(&folder.path().join("job"), &JobInfo::new("bench set").chassis("alder")).unwrap();
    let mut terminal = Terminal::open();
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let anchor = port.anchor().unwrap();
    let mut capture =
        job.begin_capture(&CaptureOptions::default(), "pty", &serde_json::json!({}), anchor).unwrap();
    let mut recorder = Recorder { port: &mut port, capture: &mut capture, bytes: Vec::new() };
    let mut sent = 0;
    // Volume up and at rest in turn, two readings each: 20 presses.
    for reading in 0..80 {
        let counts = if reading % 4 < 2 { 0x3ff } else { 0x09c };
        let line =
            format!("[{}.{:03}] keyscan: line=KEY1 adc=0x{counts:03x}\r\n", reading / 20, reading % 20 * 50);
        let (first, second) = line.split_at(1 + reading % (line.len() - 2));
        for half in [first, second] {
            terminal.print(half.as_bytes());
            sent += half.len();
            recorder.until(|_, bytes| bytes.len() >= sent);
        }
    }
    drop(port);
    let done = job.end_capture(capture).unwrap();
    let records = replay_reader(Reader::open(&done.path).unwrap()).unwrap().chunks.len();
    assert!(records >= 150, "{records} records");
    let path: &Path = &done.path;
    let output = straykey(&["decode", path.to_str().unwrap(), "--chassis", "alder", "--json"]);
    let events = text(&output.stdout);
    assert_eq!(events.matches("\"kind\":\"press\"").count(), 20, "{}", text(&output.stderr));
    assert!(
        text(&output.stderr).contains("0 damaged") || !text(&output.stderr).contains("damaged"),
        "{events}"
    );
}
