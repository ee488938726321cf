//! The serial ports of this machine, with names that survive replugging.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde::Serialize;
use serialport::SerialPortType;

use crate::base::{Error, Result};
use crate::source::serial::identity::{Adapter, System, has_twin};

/// What a USB adapter says of itself.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct Usb {
    /// Vendor number.
    pub vendor: u16,
    /// Product number.
    pub product: u16,
    /// Serial number, where the adapter has one.
    pub serial_number: Option<String>,
    /// Maker, in its own words.
    pub maker: Option<String>,
    /// Product, in its own words.
    pub name: Option<String>,
}

/// One serial port.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct PortInfo {
    /// The device as the kernel numbers it now (`/dev/ttyUSB0`).
    pub path: PathBuf,
    /// Name by the adapter's identity (`/dev/serial/by-id/…`); stays the same at any socket.
    pub by_id: Option<PathBuf>,
    /// Name by the socket (`/dev/serial/by-path/…`); tells equal adapters without serial number apart.
    pub by_path: Option<PathBuf>,
    /// The adapter, when it is on USB.
    pub usb: Option<Usb>,
    /// Whether another adapter here is like this one, down to its serial number: then only the socket tells them apart.
    pub twin: bool,
    /// How it is attached: `usb`, `pci`, `bluetooth` or `other`.
    pub attached: &'static str,
}

impl PortInfo {
    /// The name to write into a configuration: by identity where no other adapter shares it, else by socket, else the
    /// kernel's.
    pub fn stable(&self) -> &Path {
        let by_id = self.by_id.as_deref().filter(|_| !self.twin);
        by_id.or(self.by_path.as_deref()).unwrap_or(&self.path)
    }
}

/// All serial ports, sorted by device; empty when there is none.
///
/// # Errors
/// `System` when the system does not tell.
pub fn list() -> Result<Vec<PortInfo>> {
    list_under(Path::new("/dev/serial"))
}

/// As [`list`], with the folder that holds `by-id` and `by-path`.
///
/// # Errors
/// `System` when the system does not tell.
pub fn list_under(links: &Path) -> Result<Vec<PortInfo>> {
    let by_id = links_in(&links.join("by-id"));
    let by_path = links_in(&links.join("by-path"));
    let found = serialport::available_ports()
        .map_err(|error| Error::system("cannot list the serial ports").because(error))?;
    let mut ports: Vec<PortInfo> = found
        .into_iter()
        .map(|port| {
            let path = PathBuf::from(port.port_name);
            let (usb, attached) = match port.port_type {
                SerialPortType::UsbPort(usb) => (Some(from_usb(usb)), "usb"),
                SerialPortType::PciPort => (None, "pci"),
                SerialPortType::BluetoothPort => (None, "bluetooth"),
                SerialPortType::Unknown => (None, "other"),
            };
            PortInfo { by_id: None, by_path: None, path, usb, twin: false, attached }
        })
        .collect();
    // What udev has linked is a serial port even if the library did not list it.
    for device in by_id.keys().chain(by_path.keys()) {
        if !ports.iter().any(|port| port.path == *device) {
            ports.push(PortInfo {
                path: device.clone(),
                by_id: None,
                by_path: None,
                usb: None,
                twin: false,
                attached: "other",
            });
        }
    }
    let adapters = Adapter::all(&System::default());
    for port in &mut ports {
        port.twin = has_twin(&adapters, &port.path);
        port.by_id = by_id.get(&port.path).cloned();
        port.by_path = by_path.get(&port.path).cloned();
    }
    ports.sort_by(|a, b| a.path.cmp(&b.path));
    ports.dedup_by(|a, b| a.path == b.path);
    Ok(ports)
}

fn from_usb(usb: serialport::UsbPortInfo) -> Usb {
    Usb {
        vendor: usb.vid,
        product: usb.pid,
        serial_number: usb.serial_number,
        maker: usb.manufacturer,
        name: usb.product,
    }
}

/// Symbolic links of a folder by the device that they lead to; the alphabetically first link wins.
fn links_in(folder: &Path) -> BTreeMap<PathBuf, PathBuf> {
    let mut links = BTreeMap::new();
    let Ok(entries) = fs::read_dir(folder) else { return links };
    let mut names: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
    names.sort();
    for name in names {
        if let Ok(device) = fs::canonicalize(&name) {
            links.entry(device).or_insert(name);
        }
    }
    links
}
