//! Opening a port: alone, at the settings that were asked for, or not at all.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::base::{Cause, Error, Result, system};
use crate::source::serial::holder;
use crate::source::serial::list::list;
use crate::source::serial::spec::{Parity, PortSpec};
use crate::source::serial::wire::{READ_TIME, Wire};

/// A port that is in use is tried again so often, so far apart: 200 ms in all.
const BUSY_TRIES: u32 = 10;
const BUSY_WAIT: Duration = Duration::from_millis(20);

/// An open port.
pub(super) struct Device {
    pub(super) port: Wire,
    /// The name by which it was opened.
    pub(super) path: PathBuf,
    /// Whether the system marks breaks and damaged characters within the bytes.
    pub(super) marks: bool,
}

/// Opens a port for this program alone, and looks whether the driver took the settings.
pub(super) fn open_device(path: &Path, spec: &PortSpec) -> Result<Device> {
    if let Some(server) = spec.server() {
        return Ok(Device { port: Wire::connect(spec, server)?, path: path.to_owned(), marks: false });
    }
    check_device(path)?;
    let Some(name) = path.to_str() else {
        return Err(Error::system("the name of the port is not UTF-8").at(path));
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
        let handle = system::port_handle(path);
        match builder.clone().open() {
            Ok(port) => {
                taken(path, spec, &Settings::of(&*port))?;
                let marks = handle.is_some_and(|handle| system::mark_faults(&handle));
                // What waits in the port was said before anybody listened: it belongs to no recording.
                port.clear(serialport::ClearBuffer::Input)
                    .map_err(|error| Error::system("cannot empty the port").at(path).because(error))?;
                return Ok(Device { port: Wire::Serial(port), path: path.to_owned(), marks });
            }
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

/// What a driver says that it has set; `None` where it does not tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Settings {
    baud: Option<u32>,
    data_bits: Option<u8>,
    parity: Option<Parity>,
    stop_bits: Option<u8>,
}

impl Settings {
    fn of(port: &dyn serialport::SerialPort) -> Self {
        Self {
            baud: port.baud_rate().ok(),
            data_bits: port.data_bits().ok().map(u8::from),
            parity: port.parity().ok().map(|parity| match parity {
                serialport::Parity::None => Parity::None,
                serialport::Parity::Odd => Parity::Odd,
                serialport::Parity::Even => Parity::Even,
            }),
            stop_bits: port.stop_bits().ok().map(u8::from),
        }
    }
}

/// A rate may be this far from the one that was asked for: two ends together bear some 5 % (common practice for 8N1, no
/// source), and a divisor seldom meets a rate exactly.
const RATE_OFF_PER_CENT: u64 = 3;

/// Whether the driver took what was asked for. One that does not says nothing: it goes on at a rate of its own.
fn taken(path: &Path, spec: &PortSpec, set: &Settings) -> Result<()> {
    let far =
        |baud: u32| u64::from(baud.abs_diff(spec.baud)) * 100 > u64::from(spec.baud) * RATE_OFF_PER_CENT;
    if let Some(baud) = set.baud.filter(|baud| far(*baud)) {
        return Err(Error::system(format!("the adapter runs at {baud} baud, not at {}", spec.baud))
            .at(path)
            .help("it cannot make this rate; use another adapter, or another rate if the set has one"));
    }
    let is = PortSpec {
        data_bits: set.data_bits.unwrap_or(spec.data_bits),
        parity: set.parity.unwrap_or(spec.parity),
        stop_bits: set.stop_bits.unwrap_or(spec.stop_bits),
        ..spec.clone()
    };
    if is.framing_text() != spec.framing_text() {
        return Err(Error::system(format!(
            "the adapter frames {}, not {}",
            is.framing_text(),
            spec.framing_text()
        ))
        .at(path)
        .help("it cannot make this framing; use another adapter"));
    }
    Ok(())
}

/// Tells a missing device and a plain file from a port before they are touched.
fn check_device(path: &Path) -> Result<()> {
    match system::is_port(path) {
        Ok(true) => Ok(()),
        Ok(false) => Err(Error::system("this is no serial port")
            .at(path)
            .help("to read a file, use `straykey decode FILE`; `straykey ports` lists the ports")),
        Err(error) if error.kind() == ErrorKind::NotFound => Err(Error::system("there is no such port")
            .means(Cause::PortAbsent)
            .at(path)
            .help(ports_here(path))),
        Err(error) => Err(Error::system("cannot look at the port").at(path).because(error)),
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
            Error::system(format!("the port is in use by {who}"))
                .means(Cause::PortBusy)
                .at(path)
                .help("close that program; two readers would each get half of the bytes")
        }
        K::Io(ErrorKind::PermissionDenied) => Error::system("this user may not open the port")
            .at(path)
            .because(error)
            .help("add the user to the group that owns the device (often `dialout`) and log in again"),
        _ => Error::system(format!("cannot open the port at {} baud, {}", spec.baud, spec.framing_text()))
            .at(path)
            .because(error)
            .help("unplug and replug the adapter, or try a rate that it can make"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_driver_did_not_take_is_refused_with_what_it_took() {
        let spec = |baud, framing: &str| PortSpec::new("/dev/a", baud).framing(framing).unwrap();
        let set = |baud, data_bits, parity, stop_bits| Settings {
            baud: Some(baud),
            data_bits: Some(data_bits),
            parity: Some(parity),
            stop_bits: Some(stop_bits),
        };
        let check = |spec: &PortSpec, set: &Settings| taken(Path::new("/dev/a"), spec, set);
        let silent = Settings { baud: None, data_bits: None, parity: None, stop_bits: None };
        assert!(check(&spec(115_200, "8N1"), &set(115_200, 8, Parity::None, 1)).is_ok());
        // 3,000,000 / 26, the nearest that a common divisor makes.
        assert!(check(&spec(115_200, "8N1"), &set(115_384, 8, Parity::None, 1)).is_ok());
        assert!(check(&spec(115_200, "7E2"), &silent).is_ok());
        let error = check(&spec(4_000_000, "8N1"), &set(9_600, 8, Parity::None, 1)).unwrap_err();
        assert!(error.what().contains("9600") && error.what().contains("4000000"), "{error}");
        let error = check(&spec(9_600, "6N1"), &set(9_600, 8, Parity::None, 1)).unwrap_err();
        assert!(error.what().contains("8N1") && error.what().contains("6N1"), "{error}");
        assert!(check(&spec(9_600, "8E1"), &set(9_600, 8, Parity::None, 1)).is_err());
        assert!(check(&spec(9_600, "8N2"), &set(9_600, 8, Parity::None, 1)).is_err());
    }
}
