//! By what a port is known, whatever number the kernel gives it.

use std::path::{Path, PathBuf};

use crate::base::{Cause, Error, Result};
use crate::source::serial::list::{PortInfo, list};

/// What a configuration says of a port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Binding {
    /// A device path, best one under `/dev/serial/by-id` or `by-path`.
    Device(PathBuf),
    /// A USB adapter.
    Usb {
        /// Vendor number.
        vendor: u16,
        /// Product number.
        product: u16,
        /// Serial number; needed where two equal adapters are plugged in, unless `socket` is given.
        serial_number: Option<String>,
        /// Part of the name under `/dev/serial/by-path`: the socket that the adapter is plugged into.
        socket: Option<String>,
    },
}

impl std::fmt::Display for Binding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Device(path) => write!(f, "{}", path.display()),
            Self::Usb { vendor, product, serial_number, socket } => {
                write!(f, "USB {vendor:04x}:{product:04x}")?;
                if let Some(serial) = serial_number {
                    write!(f, " serial {serial}")?;
                }
                if let Some(socket) = socket {
                    write!(f, " at {socket}")?;
                }
                Ok(())
            }
        }
    }
}

impl Binding {
    /// The device to open now, by the most stable name that tells it from others.
    ///
    /// # Errors
    /// `System` when a USB adapter is not plugged in, or when several fit.
    pub fn find(&self) -> Result<PathBuf> {
        match self {
            // Opening it tells whether it is there.
            Self::Device(path) => Ok(path.clone()),
            Self::Usb { .. } => self.among(&list()?),
        }
    }

    /// Whether a port that is plugged in is the one meant.
    pub fn is(&self, port: &PortInfo) -> bool {
        match self {
            Self::Device(path) => {
                let same = |name: &Path| name == path;
                same(&port.path)
                    || port.by_id.as_deref().is_some_and(same)
                    || port.by_path.as_deref().is_some_and(same)
            }
            Self::Usb { vendor, product, serial_number, socket } => {
                let Some(usb) = &port.usb else { return false };
                let socket_name = port.by_path.as_deref().map(|path| path.to_string_lossy().into_owned());
                usb.vendor == *vendor
                    && usb.product == *product
                    && serial_number.as_ref().is_none_or(|wanted| usb.serial_number.as_ref() == Some(wanted))
                    && socket.as_ref().is_none_or(|wanted| {
                        socket_name.as_ref().is_some_and(|name| name.contains(wanted.as_str()))
                    })
            }
        }
    }

    fn among(&self, ports: &[PortInfo]) -> Result<PathBuf> {
        let fitting: Vec<&PortInfo> = ports.iter().filter(|port| self.is(port)).collect();
        match fitting.as_slice() {
            [port] => {
                // A socket was named, or the adapter has no number of its own: its name is the socket's.
                let by_socket = matches!(self, Self::Usb { socket: Some(_), .. })
                    || port.usb.as_ref().is_none_or(|usb| usb.serial_number.is_none());
                let name = if by_socket { port.by_path.as_deref() } else { port.by_id.as_deref() };
                Ok(name.unwrap_or_else(|| port.stable()).to_owned())
            }
            [] => Err(Error::system(format!("{self} is not plugged in")).means(Cause::PortAbsent)),
            several => Err(Error::system(format!("{self} fits {} adapters", several.len()))
                .help("add `serial` or `socket` to the port's `usb`; straykey ports --json shows them")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::list::Usb;
    use super::*;

    fn adapter(number: u32, serial: Option<&str>, socket: &str) -> PortInfo {
        PortInfo {
            path: PathBuf::from(format!("/dev/ttyUSB{number}")),
            by_id: Some(PathBuf::from("/dev/serial/by-id/usb-same")),
            by_path: Some(PathBuf::from(format!("/dev/serial/by-path/pci-0-usb-0:{socket}:1.0-port0"))),
            usb: Some(Usb {
                vendor: 0x1209,
                product: 1,
                serial_number: serial.map(str::to_owned),
                ..Usb::default()
            }),
            twin: false,
            attached: "usb",
        }
    }

    fn wanted(serial: Option<&str>, socket: Option<&str>) -> Binding {
        Binding::Usb {
            vendor: 0x1209,
            product: 1,
            serial_number: serial.map(str::to_owned),
            socket: socket.map(str::to_owned),
        }
    }

    #[test]
    fn the_stable_name_of_a_twin_is_its_socket() {
        let mut port = adapter(0, Some("A"), "2.2");
        assert_eq!(port.stable(), Path::new("/dev/serial/by-id/usb-same"));
        port.twin = true;
        assert_eq!(port.stable(), Path::new("/dev/serial/by-path/pci-0-usb-0:2.2:1.0-port0"));
    }

    #[test]
    fn equal_adapters_are_told_apart_by_number_or_socket_and_never_guessed() {
        let ports = [adapter(1, Some("B"), "2.1"), adapter(0, Some("A"), "2.2"), adapter(2, None, "2.3")];
        assert!(wanted(None, None).among(&ports).unwrap_err().what().contains("fits 3"));
        let by_number = wanted(Some("A"), None).among(&ports).unwrap();
        assert_eq!(by_number, Path::new("/dev/serial/by-id/usb-same"));
        let by_socket = wanted(None, Some(":2.3:")).among(&ports).unwrap();
        assert_eq!(by_socket, Path::new("/dev/serial/by-path/pci-0-usb-0:2.3:1.0-port0"));
        assert!(wanted(Some("C"), None).among(&ports).unwrap_err().what().contains("not plugged in"));
    }
}
