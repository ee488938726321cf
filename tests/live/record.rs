//! From the port through the journal into a job, and back.

use std::time::{Duration, Instant};

use straykey::base::Nanoseconds;
use straykey::decode::report::Report;
use straykey::journal::Reader;
use straykey::source::serial::{PortSpec, SerialPort};
use straykey::source::{ByteSource, Pulled};
use straykey::timeline::job::{CaptureOptions, Hands, Job, JobInfo};
use straykey::timeline::live::Session;
use straykey::timeline::{Protocols, Unwatched, Watch};

use crate::journal::replay_reader;
use crate::support::terminal::Terminal;

/// Records until `bytes` came and, if asked, the port has ended; gives what was pulled.
fn record(
    port: &mut SerialPort,
    capture: &mut straykey::timeline::job::CaptureWriter,
    bytes: usize,
    to_end: bool,
) -> (Vec<u8>, Vec<(i64, u64, usize)>) {
    let mut live = Vec::new();
    let mut chunks = Vec::new();
    loop {
        let pulled = port.pull().unwrap();
        capture.take(&pulled).unwrap();
        match pulled {
            Pulled::Chunk(chunk) => {
                live.extend_from_slice(chunk.bytes);
                chunks.push((chunk.arrival.unwrap().0, chunk.offset, chunk.bytes.len()));
            }
            Pulled::End => break,
            _ => {}
        }
        capture.commit_if_due().unwrap();
        if live.len() >= bytes && !to_end {
            break;
        }
    }
    (live, chunks)
}

#[test]
fn replay_gives_what_the_port_gave() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = Job::create(&folder.path().join("job"), &JobInfo::new("bench set")).unwrap();
    let mut terminal = Terminal::open();
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let options = CaptureOptions { hands: Hands::Off, name: Some("soak".into()), ..Default::default() };
    let anchor = port.anchor().unwrap();
    let origin = serde_json::json!({ "port": "pty", "baud": 115_200 });
    let mut capture = job.begin_capture(&options, "pty at 115200 baud", &origin, anchor).unwrap();
    let mut sent = 0;
    for i in 0..200 {
        let line = format!("[{i}.000] keyscan: line=KEY1 adc=0x{i:03x}\r\n");
        terminal.print(line.as_bytes());
        sent += line.len();
    }
    let (live, chunks) = record(&mut port, &mut capture, sent, false);
    let done = job.end_capture(capture).unwrap();
    assert_eq!(done.name, "0001-soak");
    assert_eq!(done.started, Some(anchor));
    let span = done.span.unwrap();
    assert_eq!(span.start, Nanoseconds::ZERO);
    assert_eq!(span.end.0, chunks.last().unwrap().0);
    let reader = Reader::open(&done.path).unwrap();
    assert_eq!(reader.anchor(), Some(anchor));
    let replayed = replay_reader(reader).unwrap();
    assert_eq!(replayed.bytes, live);
    assert_eq!(replayed.chunks, chunks);
    assert_eq!(replayed.bytes.len(), sent);
    assert!(job.verify().unwrap().is_empty());
}

#[test]
fn unplugged_in_the_middle_keeps_what_was_read_and_the_mark() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("job");
    let mut job = Job::create(&path, &JobInfo::new("bench set")).unwrap();
    let mut terminal = Terminal::open();
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let anchor = port.anchor().unwrap();
    let mut capture =
        job.begin_capture(&CaptureOptions::default(), "pty", &serde_json::json!({}), anchor).unwrap();
    terminal.print(b"half a li");
    record(&mut port, &mut capture, 9, false);
    terminal.unplug();
    record(&mut port, &mut capture, 0, true);
    let done = job.end_capture(capture).unwrap();
    let replayed = replay_reader(Reader::open(&done.path).unwrap()).unwrap();
    assert_eq!(replayed.bytes, b"half a li");
    assert_eq!(replayed.marks, ["port gone: bytes in flight may be missing"]);
}

/// As a live display does it: take, show, then commit what is due. What is tested is that the commit does
/// not stand between a line and its display.
#[test]
fn recording_does_not_make_the_lines_late() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = Job::create(&folder.path().join("job"), &JobInfo::new("bench set")).unwrap();
    let mut terminal = Terminal::open();
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let anchor = port.anchor().unwrap();
    let options = CaptureOptions::default();
    let mut capture = job.begin_capture(&options, "pty", &serde_json::json!({}), anchor).unwrap();
    let mut delays = Vec::new();
    for i in 0..300 {
        let printed = Instant::now();
        terminal.print(format!("[{i}.000] keyscan: line=KEY1 adc=0x085\n").as_bytes());
        loop {
            let pulled = port.pull().unwrap();
            capture.take(&pulled).unwrap();
            let whole = matches!(&pulled, Pulled::Chunk(chunk) if chunk.bytes.ends_with(b"\n"));
            if whole {
                delays.push(printed.elapsed());
            }
            capture.commit_if_due().unwrap();
            if whole {
                break;
            }
        }
    }
    delays.sort();
    println!("median {:?}, 99th percentile {:?}, longest {:?}", delays[150], delays[297], delays[299]);
    assert!(delays[225] < Duration::from_millis(20), "three quarters: {:?}", delays[225]);
    let done = job.end_capture(capture).unwrap();
    assert_eq!(replay_reader(Reader::open(&done.path).unwrap()).unwrap().bytes.len() as u64, done_bytes());
}

/// The length of the 300 lines above.
fn done_bytes() -> u64 {
    (0..300).map(|i| format!("[{i}.000] keyscan: line=KEY1 adc=0x085\n").len() as u64).sum()
}

/// What the port had taken when somebody stopped the recording is in the recording.
#[test]
fn what_was_received_before_the_stop_is_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = Job::create(&folder.path().join("job"), &JobInfo::new("bench set")).unwrap();
    let mut terminal = Terminal::open();
    let port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let anchor = port.anchor().unwrap();
    let recorder =
        job.begin_capture(&CaptureOptions::default(), "pty", &serde_json::json!({}), anchor).unwrap();
    let protocols = Protocols::load(None).unwrap();
    let mut session = Session::new(Box::new(port), Some(recorder), &protocols, Some("alder")).unwrap();
    let line = b"[1.000] keyscan: line=KEY1 adc=0x085\n";
    let mut events = Vec::new();
    // The thread at the port is awake when the first line has come through.
    terminal.print(line);
    while session.bytes() == 0 {
        session.step(&mut Unwatched, &mut events).unwrap();
    }
    for _ in 1..500 {
        terminal.print(line);
    }
    terminal.until_read();
    let (_, recorder) = session.finish(&mut Unwatched, &mut events).unwrap();
    let done = job.end_capture(recorder.unwrap()).unwrap();
    let recorded = replay_reader(Reader::open(&done.path).unwrap()).unwrap().bytes.len();
    // The rest is still with the system: a terminal takes 4 KiB ahead, and some pages beside.
    let mut rest = 0;
    while recorded + rest < 500 * line.len() {
        rest += terminal.unread();
    }
    assert_eq!(recorded + rest, 500 * line.len());
    assert!(recorded > line.len() && !events.is_empty(), "{recorded} bytes recorded, and decoded");
}

/// Counts the reports that it gets.
struct Counting(u32);

impl Watch for Counting {
    fn report(&mut self, _report: &Report) {
        self.0 += 1;
    }
}

/// A recording that nobody judges may go on for months: nothing is kept for each of its lines.
#[test]
fn nothing_is_kept_for_a_watcher_who_does_not_look() {
    let mut terminal = Terminal::open();
    let port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let protocols = Protocols::load(None).unwrap();
    let mut session = Session::new(Box::new(port), None, &protocols, Some("alder")).unwrap();
    let line = b"[1.000] keyscan: line=KEY1 adc=0x085\n";
    let mut events = Vec::new();
    let mut counting = Counting(0);
    let mut send = |session: &mut Session, watch: &mut dyn Watch, lines: u64| {
        let due = session.bytes() + lines * line.len() as u64;
        (0..lines).for_each(|_| terminal.print(line));
        while session.bytes() < due {
            session.step(watch, &mut events).unwrap();
        }
    };
    send(&mut session, &mut Unwatched, 50);
    send(&mut session, &mut counting, 50);
    assert!((100..110).contains(&counting.0), "{} reports of 50 lines with a reading each", counting.0);
}
