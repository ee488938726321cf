//! Opening, reading, unplugging.

use std::os::unix::fs::symlink;
use std::time::{Duration, Instant};

use rustix::termios::InputModes;
use straykey::base::{Cause, Nanoseconds};
use straykey::source::serial::{PortSpec, QUEUE_BYTES, SerialPort};
use straykey::source::{ByteSource, Pulled};

use super::take_until;
use crate::support::terminal::Terminal;

const GONE: &str = "port gone: bytes in flight may be missing";

#[test]
fn every_byte_comes_through_unchanged() {
    let mut terminal = Terminal::open();
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let all: Vec<u8> = (0..=255).collect();
    terminal.print(&all);
    terminal.print(b"\r\n\x03\x04\x11\x13\x00\xff");
    let taken = take_until(&mut port, |taken| taken.bytes.len() >= 264);
    assert_eq!(taken.bytes, [&all[..], b"\r\n\x03\x04\x11\x13\x00\xff"].concat());
    assert_eq!(taken.marks, Vec::<String>::new());
}

/// It came before anybody listened: of the stage before, or of another set.
#[test]
fn what_waits_in_the_port_is_not_read() {
    let mut terminal = Terminal::open();
    terminal.print(b"old\r\n");
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    terminal.print(b"new\r\n");
    let taken = take_until(&mut port, |taken| taken.bytes.len() >= 5);
    assert_eq!(taken.bytes, b"new\r\n");
}

/// With these modes Linux tells breaks and damaged characters within the bytes (termios(3)); a pseudo-terminal has none to tell.
#[test]
fn the_system_is_asked_to_mark_breaks_and_damaged_characters() {
    let terminal = Terminal::open();
    let _port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let modes = terminal.input_modes();
    assert!(modes.contains(InputModes::PARMRK | InputModes::INPCK), "{modes:?}");
    assert!(
        !modes.intersects(InputModes::IGNBRK | InputModes::BRKINT | InputModes::IGNPAR | InputModes::IXON),
        "{modes:?}"
    );
}

#[test]
fn a_silent_port_says_quiet_and_what_time_it_is() {
    let terminal = Terminal::open();
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 9600)).unwrap();
    let mut last = Nanoseconds::ZERO;
    for _ in 0..3 {
        match port.pull().unwrap() {
            Pulled::Quiet(now) => {
                // 20 ms by the contract of the source; the kernel may be late, never early.
                assert!(now - last >= Nanoseconds::from_millis(19), "{now} after {last}");
                last = now;
            }
            other => panic!("{other:?}"),
        }
    }
    assert!(port.anchor().is_some());
}

#[test]
fn any_rate_opens_and_a_framing_that_the_driver_did_not_take_is_told() {
    let terminal = Terminal::open();
    for baud in [300, 9600, 115_200, 123_456, 921_600, 1_500_000, 3_000_000] {
        drop(SerialPort::open(&PortSpec::new(terminal.path(), baud)).unwrap());
    }
    let spec = |short: &str| PortSpec::new(terminal.path(), 9600).framing(short).unwrap();
    drop(SerialPort::open(&spec("8N1")).unwrap());
    // The kernel's pseudo-terminals take eight bits without parity, and say nothing (drivers/tty/pty.c, pty_set_termios).
    for short in ["7E1", "7o2", "5N1", "8E2"] {
        assert_eq!(spec(short).framing_text(), short.to_uppercase());
        let error = SerialPort::open(&spec(short)).unwrap_err();
        assert_eq!(error.exit_status(), 4, "{short}");
        assert!(
            error.what().contains("frames 8N") && error.what().contains(&short.to_uppercase()),
            "{error}"
        );
    }
}

#[test]
fn a_rate_or_framing_that_no_port_has_is_wrong_use() {
    let error = SerialPort::open(&PortSpec::new("/dev/null", 0)).unwrap_err();
    assert_eq!(error.exit_status(), 2);
    for short in ["", "8N", "9N1", "8N3", "8X1", "8N1 ", "N81"] {
        assert_eq!(PortSpec::new("/dev/null", 9600).framing(short).unwrap_err().exit_status(), 2, "{short}");
    }
}

#[test]
fn a_missing_port_is_told_with_what_is_there() {
    let error = SerialPort::open(&PortSpec::new("/dev/straykey-no-such-port", 115_200)).unwrap_err();
    assert_eq!((error.exit_status(), error.cause()), (4, Some(Cause::PortAbsent)));
    let text = error.to_string();
    assert!(text.contains("/dev/straykey-no-such-port: there is no such port"), "{text}");
    let help = error.help_text().unwrap();
    let here = straykey::source::serial::list().unwrap();
    match here.first() {
        Some(port) => assert!(here.len() > 5 || help.contains(port.stable().to_str().unwrap()), "{help}"),
        None => assert!(help.contains("no serial port is attached"), "{help}"),
    }
}

#[test]
fn a_busy_port_says_who_has_it() {
    let mut terminal = Terminal::open();
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let error = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap_err();
    assert_eq!((error.exit_status(), error.cause()), (4, Some(Cause::PortBusy)));
    assert!(error.to_string().contains("in use by this very program"), "{error}");
    // The first one is not disturbed, and the port is free again once it is dropped.
    terminal.print(b"still here");
    assert_eq!(take_until(&mut port, |taken| taken.bytes.len() >= 10).bytes, b"still here");
    drop(port);
    drop(SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap());
}

#[test]
fn what_is_no_port_is_refused() {
    let file = tempfile::NamedTempFile::new().unwrap();
    for path in [file.path(), std::path::Path::new("/dev/null"), std::path::Path::new("/dev")] {
        let error = SerialPort::open(&PortSpec::new(path, 115_200)).unwrap_err();
        assert_eq!(error.exit_status(), 4, "{error}");
        assert!(error.help_text().is_some(), "{error}");
    }
}

#[test]
fn unplugged_keeps_what_was_read_and_says_so() {
    let mut terminal = Terminal::open();
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    terminal.print(b"[1.000] keyscan: line=KEY1 adc=0x085\n");
    let before = take_until(&mut port, |taken| taken.bytes.len() >= 37);
    assert!(before.bytes.ends_with(b"0x085\n"));
    terminal.unplug();
    let after = take_until(&mut port, |taken| taken.ended);
    assert_eq!(after.marks, [GONE]);
    assert!(matches!(port.pull().unwrap(), Pulled::End), "it stays ended");
}

#[test]
fn a_replugged_adapter_is_taken_up_again() {
    let folder = tempfile::tempdir().unwrap();
    let stable = folder.path().join("adapter");
    let mut first = Terminal::open();
    symlink(first.path(), &stable).unwrap();
    let mut spec = PortSpec::new(&stable, 115_200);
    spec.reconnect = true;
    spec.reconnect_every = Duration::from_millis(5);
    let mut port = SerialPort::open(&spec).unwrap();
    first.print(b"before");
    assert_eq!(take_until(&mut port, |taken| taken.bytes.len() >= 6).bytes, b"before");
    std::fs::remove_file(&stable).unwrap();
    first.unplug();
    assert_eq!(take_until(&mut port, |taken| !taken.marks.is_empty()).marks, [GONE]);

    let mut second = Terminal::open();
    symlink(second.path(), &stable).unwrap();
    let back = take_until(&mut port, |taken| !taken.marks.is_empty());
    assert_eq!(back.marks, [format!("port is back as {}", stable.display())]);
    second.print(b"after");
    // Offsets go on: six bytes came before.
    loop {
        if let Pulled::Chunk(chunk) = port.pull().unwrap() {
            assert_eq!(chunk.offset, 6);
            break;
        }
    }
}

#[test]
fn what_nobody_takes_is_counted_and_the_place_is_marked() {
    let mut terminal = Terminal::open();
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 3_000_000)).unwrap();
    let piece = [b'x'; 32 << 10];
    let mut sent = 0;
    while sent < QUEUE_BYTES + (1 << 20) {
        terminal.print(&piece);
        sent += piece.len();
    }
    let begun = Instant::now();
    let mut taken = 0;
    let mut marks = 0;
    while taken + (port.lost() as usize) < sent {
        assert!(begun.elapsed() < Duration::from_secs(20), "{taken} + {} of {sent}", port.lost());
        match port.pull().unwrap() {
            Pulled::Chunk(chunk) => taken += chunk.bytes.len(),
            Pulled::Mark(mark) => {
                assert!(matches!(mark.what, straykey::source::What::BytesLost { .. }), "{}", mark.what);
                marks += 1;
            }
            _ => {}
        }
    }
    assert_eq!(taken + port.lost() as usize, sent);
    assert!(marks >= 1 && port.lost() > 0);
}

/// Time from the last byte of a line to the chunk that holds it. What is tested is what we do: a read that
/// waited for a full buffer or for its time-out would delay every line. The promise of 20 ms at the 99th
/// percentile is for a machine that is not busy with other things; the figure is printed.
#[test]
fn the_last_byte_of_a_line_is_pulled_at_once_and_not_at_the_next_time_out() {
    let mut terminal = Terminal::open();
    let mut port = SerialPort::open(&PortSpec::new(terminal.path(), 115_200)).unwrap();
    let mut delays: Vec<Duration> = (0..300)
        .map(|i| {
            let line = format!("[{i}.000] keyscan: line=KEY1 adc=0x085\n");
            let (head, last) = line.split_at(line.len() - 1);
            terminal.print(head.as_bytes());
            let printed = Instant::now();
            terminal.print(last.as_bytes());
            take_until(&mut port, |taken| taken.bytes.ends_with(b"\n"));
            printed.elapsed()
        })
        .collect();
    delays.sort();
    println!("median {:?}, 99th percentile {:?}, longest {:?}", delays[150], delays[297], delays[299]);
    assert!(delays[225] < Duration::from_millis(20), "three quarters: {:?}", delays[225]);
}
