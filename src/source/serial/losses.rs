//! Bytes that the adapter or its driver lost, as far as the system writes it down.
//!
//! The driver's own counters stand behind an `ioctl` (`TIOCGICOUNT`) for which no crate has a safe function. Two texts
//! tell the same of most ports: the kernel's log, in which the line discipline notes every overrun that a driver flags,
//! and the table of the 8250 driver. Both may need the right to read them (`CAP_SYSLOG`, or root); without it the
//! recording of a real port says that losses would not be noticed.

use std::fs::File;
use std::io::{ErrorKind, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::base::{Nanoseconds, system};
use crate::source::What;

/// It is asked so often.
const EVERY: Duration = Duration::from_secs(1);

/// Most records of the kernel's log that one look reads; the others wait for the next.
const MOST_RECORDS: usize = 1000;

/// Longest record of the kernel's log (`PRINTK_MESSAGE_MAX`, kernel/printk/internal.h).
const LONGEST_RECORD: usize = 8192;

/// Where overruns of one port are counted.
trait Counter: Send {
    /// How many were counted since this was asked last.
    fn fresh(&mut self) -> u64;
}

/// The kernel's log: "ttyUSB ttyUSB0: 3 input overrun(s)" (drivers/tty/n_tty.c). What follows within a second of such a
/// line is counted in the next one.
struct KernelLog<R> {
    log: R,
    /// Name of the port, `ttyUSB0`.
    port: String,
}

impl KernelLog<File> {
    /// From now on.
    fn open(port: &str) -> Option<Self> {
        let mut log = system::kernel_log()?;
        log.seek(SeekFrom::End(0)).ok()?;
        Some(Self { log, port: port.to_owned() })
    }
}

impl<R: Read + Send> Counter for KernelLog<R> {
    fn fresh(&mut self) -> u64 {
        let mut record = [0; LONGEST_RECORD];
        let mut overruns = 0;
        for _ in 0..MOST_RECORDS {
            match self.log.read(&mut record) {
                Ok(0) => break,
                Ok(n) => {
                    let text = String::from_utf8_lossy(record.get(..n).unwrap_or_default());
                    overruns += text.lines().filter_map(|line| noted(line, &self.port)).sum::<u64>();
                }
                // Records were overwritten before they were read (Documentation/ABI/testing/dev-kmsg).
                Err(error) if error.kind() == ErrorKind::BrokenPipe => {}
                Err(_) => break,
            }
        }
        overruns
    }
}

/// The overruns that a line of the kernel's log notes of a port: `4,1234,1045397,-;ttyUSB ttyUSB0: 3 input overrun(s)`.
fn noted(line: &str, port: &str) -> Option<u64> {
    let (head, text) = line.split_once(';')?;
    // From 8 on it is no record of the kernel: anybody may have written it.
    let kernel = head.split(',').next()?.parse::<u32>().ok()? < 8;
    let rest = text.split_once(' ')?.1.strip_prefix(port)?.strip_prefix(": ")?;
    rest.strip_suffix(" input overrun(s)")?.parse().ok().filter(|_| kernel)
}

/// The table of the 8250 driver: `0: uart:16550A port:000003F8 irq:4 tx:0 rx:12 oe:3 bo:2` (drivers/tty/serial/serial_core.c).
struct Table {
    path: PathBuf,
    /// Number of the port in it.
    port: u32,
    counted: u64,
}

impl Table {
    /// From now on.
    fn open(path: &Path, port: &str) -> Option<Self> {
        let port = port.strip_prefix("ttyS")?.parse().ok()?;
        let mut table = Self { path: path.to_owned(), port, counted: 0 };
        table.counted = table.read()?;
        Some(table)
    }

    /// Overruns of the UART and of the buffer behind it, since the machine was started.
    fn read(&self) -> Option<u64> {
        let text = std::fs::read_to_string(&self.path).ok()?;
        let row = text.lines().find_map(|line| {
            let (number, row) = line.split_once(": ")?;
            (number.parse() == Ok(self.port)).then_some(row)
        })?;
        let count = |field: &str| {
            let found = row.split(' ').find_map(|word| word.strip_prefix(field)?.parse::<u64>().ok());
            found.unwrap_or(0)
        };
        Some(count("oe:") + count("bo:"))
    }
}

impl Counter for Table {
    fn fresh(&mut self) -> u64 {
        let now = self.read().unwrap_or(self.counted);
        now.saturating_sub(std::mem::replace(&mut self.counted, now))
    }
}

/// What is remarked where nobody counts the losses of a port; `None` for one that loses nothing: a pseudo-terminal.
fn unnoticed(port: &str) -> Option<&'static str> {
    let is = |drivers: &[&str]| drivers.iter().any(|driver| port.starts_with(driver));
    if is(&["ttyUSB", "ttyACM", "ttyS", "ttyAMA"]) {
        return Some(UNREAD);
    }
    is(&["tcp:", "COM"]).then_some(UNTOLD)
}

const UNREAD: &str = "bytes that the adapter or its driver loses would not be noticed: reading the kernel's log needs root \
                      or CAP_SYSLOG";
const UNTOLD: &str =
    "bytes that are lost before they reach straykey would not be noticed: nothing here counts them";

/// Looks once a second what was lost.
pub(super) struct Losses {
    counter: Option<Box<dyn Counter>>,
    /// What is to be said where nobody counts.
    uncounted: Option<&'static str>,
    looked: Instant,
    /// The last look, on the capture's clock.
    from: Nanoseconds,
}

impl Losses {
    /// Of the port behind a device, from now on.
    pub(super) fn of(device: &Path, now: Nanoseconds) -> Self {
        let device = system::full_path(device).unwrap_or_else(|_| device.to_owned());
        let port = device.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        let table = Table::open(Path::new("/proc/tty/driver/serial"), port);
        let counter = match table {
            Some(table) => Some(Box::new(table) as Box<dyn Counter>),
            None if unnoticed(port) == Some(UNTOLD) => None,
            None => KernelLog::open(port).map(|log| Box::new(log) as Box<dyn Counter>),
        };
        let uncounted = unnoticed(port).filter(|_| counter.is_none());
        Self { counter, uncounted, looked: Instant::now(), from: now }
    }

    /// What is to be remarked where nobody counts.
    pub(super) fn unnoticed(&self) -> Option<What> {
        self.uncounted.map(What::remark)
    }

    /// What is to be marked now.
    pub(super) fn mark(&mut self, now: Nanoseconds) -> Option<What> {
        if self.looked.elapsed() < EVERY { None } else { self.last(now) }
    }

    /// The same at the end, when there is no next look.
    pub(super) fn last(&mut self, now: Nanoseconds) -> Option<What> {
        self.looked = Instant::now();
        let from = std::mem::replace(&mut self.from, now);
        let times = self.counter.as_mut()?.fresh();
        (times > 0).then_some(What::Overrun { times, from: from.0 })
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    #[test]
    fn the_kernels_notes_on_this_port_are_counted_and_no_others() {
        let mut file = tempfile::NamedTempFile::new().unwrap();
        let log = File::open(file.path()).unwrap();
        let mut log = KernelLog { log, port: "ttyUSB0".to_owned() };
        assert_eq!(log.fresh(), 0);
        // As a 6.1 kernel writes it; the second line is of a program, the third of another port.
        let text = "4,812,206317343,-;ttyUSB ttyUSB0: 14 input overrun(s)\n\
                    12,813,206317400,-;ttyUSB ttyUSB0: 9 input overrun(s)\n\
                    4,814,206317500,-;ttyUSB ttyUSB01: 5 input overrun(s)\n\
                    6,815,206318000,-;usb 3-1: USB disconnect, device number 2\n SUBSYSTEM=usb\n\
                    4,816,206318100,-;ttyUSB ttyUSB0: 1 input overrun(s)\n";
        file.write_all(text.as_bytes()).unwrap();
        assert_eq!(log.fresh(), 15);
        assert_eq!(log.fresh(), 0);
    }

    #[test]
    fn the_table_of_the_driver_is_counted_from_the_opening_on() {
        let file = tempfile::NamedTempFile::new().unwrap();
        let write = |overruns: u32, buffer: u32| {
            let text = format!(
                "serinfo:1.0 driver revision:\n0: uart:16550A port:000003F8 irq:26 tx:218 rx:9 oe:99 RTS|DTR\n\
                 1: uart:16550A port:000002F8 irq:3 tx:0 rx:5000 fe:2 brk:1 oe:{overruns} bo:{buffer} RTS|CTS\n"
            );
            std::fs::write(file.path(), text).unwrap();
        };
        write(7, 1);
        let mut table = Table::open(file.path(), "ttyS1").unwrap();
        assert_eq!(table.fresh(), 0);
        write(9, 4);
        assert_eq!((table.fresh(), table.fresh()), (5, 0));
        assert!(Table::open(file.path(), "ttyUSB1").is_none() && Table::open(file.path(), "ttyS7").is_none());
    }

    #[test]
    fn what_was_lost_is_marked_with_the_time_since_the_last_look() {
        struct Often(Vec<u64>);
        impl Counter for Often {
            fn fresh(&mut self) -> u64 {
                self.0.pop().unwrap_or(0)
            }
        }
        let counter = Some(Box::new(Often(vec![3, 0])) as Box<dyn Counter>);
        let mut losses = Losses { counter, uncounted: None, looked: Instant::now(), from: Nanoseconds(100) };
        // Not yet due.
        assert_eq!(losses.mark(Nanoseconds(200)), None);
        assert_eq!(losses.last(Nanoseconds(300)), None);
        assert_eq!(losses.last(Nanoseconds(400)), Some(What::Overrun { times: 3, from: 300 }));
        assert_eq!(losses.last(Nanoseconds(500)), None);
        assert_eq!(losses.unnoticed(), None);
        assert_eq!(
            (unnoticed("ttyUSB0"), unnoticed("ttyS0"), unnoticed("7")),
            (Some(UNREAD), Some(UNREAD), None)
        );
        assert_eq!((unnoticed("COM3"), unnoticed("tcp:192.0.2.7:4001")), (Some(UNTOLD), Some(UNTOLD)));
    }
}
