//! By what a USB adapter is known again: what it is, and where it was plugged in.
//!
//! Evidence of one set must not end up in the job of another, so an adapter that comes back is compared with the one that
//! went in everything that the system tells: vendor, product, serial number, interface and port within the adapter. Where
//! that fits more than one, the socket decides; where it cannot, nobody is taken and the reason is told.

use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};

/// Where Linux shows its devices.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct System {
    /// What they are: `/sys`.
    pub about: PathBuf,
    /// The devices: `/dev`.
    pub devices: PathBuf,
}

impl Default for System {
    fn default() -> Self {
        Self { about: PathBuf::from("/sys"), devices: PathBuf::from("/dev") }
    }
}

/// One port of a USB adapter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Adapter {
    vendor: String,
    product: String,
    serial: Option<String>,
    /// Configuration and interface, `1.0`: adapters with several ports have one for each.
    interface: String,
    /// Number of the port on that interface, where a driver has several.
    port: Option<String>,
    /// The socket, by bus and hub ports: `1-2.4`.
    socket: String,
}

impl fmt::Display for Adapter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.vendor, self.product)?;
        match &self.serial {
            Some(serial) => write!(f, " serial {serial}")?,
            None => write!(f, " without serial number")?,
        }
        write!(f, ", interface {}, in socket {}", self.interface, self.socket)
    }
}

impl Adapter {
    /// The adapter behind a device, `/dev/ttyUSB0`; `None` for what is not on USB.
    pub(super) fn of(system: &System, device: &Path) -> Option<Self> {
        let own =
            fs::canonicalize(system.about.join("class/tty").join(device.file_name()?).join("device")).ok()?;
        let port = read(&own.join("port_number"));
        // The folder of an interface is named by socket and interface, `1-2.4:1.0`; the adapter's lies around it.
        own.ancestors().find_map(|folder| {
            let (socket, interface) = folder.file_name()?.to_str()?.split_once(':')?;
            let adapter = folder.parent()?;
            Some(Self {
                vendor: read(&adapter.join("idVendor"))?,
                product: read(&adapter.join("idProduct"))?,
                serial: read(&adapter.join("serial")),
                interface: interface.to_owned(),
                port: port.clone(),
                socket: socket.to_owned(),
            })
        })
    }

    /// All that are plugged in, with their devices, in order.
    pub(super) fn all(system: &System) -> Vec<(PathBuf, Self)> {
        let mut all: Vec<(PathBuf, Self)> = fs::read_dir(system.about.join("class/tty"))
            .into_iter()
            .flatten()
            .flatten()
            .map(|entry| system.devices.join(entry.file_name()))
            .filter_map(|device| Self::of(system, &device).map(|adapter| (device, adapter)))
            .collect();
        all.sort_by(|a, b| a.0.cmp(&b.0));
        all
    }

    /// Whether only the socket can tell them apart.
    fn is_like(&self, other: &Self) -> bool {
        Self { socket: self.socket.clone(), ..other.clone() } == *self
    }
}

/// Whether another adapter is plugged in that nothing but its socket tells from the one behind a device.
pub(super) fn has_twin(present: &[(PathBuf, Adapter)], device: &Path) -> bool {
    present.iter().find(|(path, _)| path == device).is_some_and(|(_, own)| {
        present.iter().any(|(_, other)| other.socket != own.socket && own.is_like(other))
    })
}

fn read(path: &Path) -> Option<String> {
    fs::read_to_string(path).ok().map(|text| text.trim().to_owned()).filter(|text| !text.is_empty())
}

/// What became of an adapter that is gone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Return {
    /// It is there again.
    Here(PathBuf),
    /// It is not.
    Away,
    /// Another one is, and why it is not taken.
    Stranger(String),
}

/// An adapter that is recorded from.
#[derive(Clone, Debug)]
pub(super) struct Known {
    own: Adapter,
    /// Sockets of adapters like it that were there beside it: they are not it, and its serial number is no proof.
    twins: Vec<String>,
}

impl Known {
    /// The adapter behind a device, and those beside it.
    pub(super) fn of(system: &System, device: &Path) -> Option<Self> {
        let mut known = Self { own: Adapter::of(system, device)?, twins: Vec::new() };
        known.gone(&Adapter::all(system));
        Some(known)
    }

    /// It went: what is there now, in other sockets, was there before and is not it.
    pub(super) fn gone(&mut self, present: &[(PathBuf, Adapter)]) {
        for (_, other) in present {
            if other.socket != self.own.socket
                && self.own.is_like(other)
                && !self.twins.contains(&other.socket)
            {
                self.twins.push(other.socket.clone());
            }
        }
    }

    /// Whether it is there again.
    pub(super) fn look(&self, present: &[(PathBuf, Adapter)]) -> Return {
        let own = &self.own;
        let like: Vec<_> = present.iter().filter(|(_, other)| own.is_like(other)).collect();
        if let Some((device, _)) = like.iter().find(|(_, other)| other.socket == own.socket) {
            return Return::Here(device.clone());
        }
        let elsewhere: Vec<_> =
            like.into_iter().filter(|(_, other)| !self.twins.contains(&other.socket)).collect();
        match elsewhere.as_slice() {
            [(device, _)] if own.serial.is_some() && self.twins.is_empty() => Return::Here(device.clone()),
            [] => {
                let instead = present.iter().find(|(_, other)| {
                    other.socket == own.socket && other.interface == own.interface && other.port == own.port
                });
                instead.map_or(Return::Away, |(_, other)| {
                    Return::Stranger(format!("in its socket is another adapter ({other})"))
                })
            }
            [(_, other), ..] => Return::Stranger(format!(
                "{other} is like it, and nothing but its own socket {} tells it from others",
                own.socket
            )),
        }
    }

    /// Whether a device that was opened is the one that was looked for; its number may be another's by then. Its socket is the
    /// new one from now on: the system may still show it there when it is pulled again, and it is no twin of itself.
    pub(super) fn take(&mut self, system: &System, device: &Path) -> bool {
        let Some(found) = Adapter::of(system, device) else { return false };
        let is = self.look(&[(device.to_owned(), found.clone())]) == Return::Here(device.to_owned());
        if is {
            self.own = found;
        }
        is
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    /// A system as Linux shows it (Documentation/ABI/testing/sysfs-bus-usb), in a folder.
    struct Shown(tempfile::TempDir);

    impl Shown {
        fn new() -> Self {
            let folder = tempfile::tempdir().unwrap();
            fs::create_dir_all(folder.path().join("class/tty")).unwrap();
            Self(folder)
        }

        fn system(&self) -> System {
            System { about: self.0.path().to_owned(), ..System::default() }
        }

        /// Plugs one port in: device, socket, interface, product, serial.
        fn plug(&self, name: &str, socket: &str, interface: &str, product: &str, serial: Option<&str>) {
            let adapter = self.0.path().join("devices/usb1").join(socket);
            let port = adapter.join(format!("{socket}:{interface}")).join(name);
            fs::create_dir_all(&port).unwrap();
            fs::write(port.join("port_number"), "0\n").unwrap();
            fs::write(adapter.join("idVendor"), "0403\n").unwrap();
            fs::write(adapter.join("idProduct"), format!("{product}\n")).unwrap();
            let file = adapter.join("serial");
            match serial {
                Some(serial) => fs::write(file, format!("{serial}\n")).unwrap(),
                None => drop(fs::remove_file(file)),
            }
            let tty = self.0.path().join("class/tty").join(name);
            fs::create_dir_all(&tty).unwrap();
            symlink(&port, tty.join("device")).unwrap();
        }

        fn pull(&self, name: &str) {
            fs::remove_dir_all(self.0.path().join("class/tty").join(name)).unwrap();
        }

        fn known(&self, name: &str) -> Known {
            Known::of(&self.system(), &Path::new("/dev").join(name)).unwrap()
        }

        fn look(&self, known: &Known) -> Return {
            known.look(&Adapter::all(&self.system()))
        }

        fn gone(&self, known: &mut Known) {
            known.gone(&Adapter::all(&self.system()));
        }
    }

    fn here(name: &str) -> Return {
        Return::Here(Path::new("/dev").join(name))
    }

    #[test]
    fn a_port_of_several_comes_back_as_itself() {
        let system = Shown::new();
        for (name, interface) in
            [("ttyUSB0", "1.0"), ("ttyUSB1", "1.1"), ("ttyUSB2", "1.2"), ("ttyUSB3", "1.3")]
        {
            system.plug(name, "1-2", interface, "6011", Some("A"));
        }
        let mut known = system.known("ttyUSB2");
        ["ttyUSB0", "ttyUSB1", "ttyUSB2", "ttyUSB3"].iter().for_each(|name| system.pull(name));
        system.gone(&mut known);
        assert_eq!(system.look(&known), Return::Away);
        // The kernel renumbers them, and in another socket.
        for (name, interface) in [("ttyUSB4", "1.0"), ("ttyUSB5", "1.1")] {
            system.plug(name, "1-3", interface, "6011", Some("A"));
        }
        assert_eq!(system.look(&known), Return::Away);
        system.plug("ttyUSB6", "1-3", "1.2", "6011", Some("A"));
        assert_eq!(system.look(&known), here("ttyUSB6"));
    }

    #[test]
    fn of_two_with_one_number_the_other_is_never_taken() {
        let system = Shown::new();
        system.plug("ttyUSB0", "1-1", "1.0", "6001", Some("A"));
        system.plug("ttyUSB1", "1-2", "1.0", "6001", Some("A"));
        let mut known = system.known("ttyUSB0");
        system.pull("ttyUSB0");
        system.gone(&mut known);
        assert_eq!(system.look(&known), Return::Away);
        // In a third socket nobody can tell which of the two it is.
        system.plug("ttyUSB2", "1-3", "1.0", "6001", Some("A"));
        assert!(matches!(system.look(&known), Return::Stranger(_)));
        system.plug("ttyUSB3", "1-1", "1.0", "6001", Some("A"));
        assert_eq!(system.look(&known), here("ttyUSB3"));
    }

    #[test]
    fn without_a_number_only_the_same_socket_counts_and_another_product_never() {
        let system = Shown::new();
        system.plug("ttyUSB0", "1-1", "1.0", "7523", None);
        let mut known = system.known("ttyUSB0");
        system.pull("ttyUSB0");
        system.gone(&mut known);
        system.plug("ttyUSB0", "1-1", "1.0", "ea60", None);
        assert!(matches!(system.look(&known), Return::Stranger(why) if why.contains("ea60")));
        system.pull("ttyUSB0");
        system.plug("ttyUSB0", "1-4", "1.0", "7523", None);
        assert!(matches!(system.look(&known), Return::Stranger(_)));
        system.plug("ttyUSB1", "1-1", "1.0", "7523", None);
        assert_eq!(system.look(&known), here("ttyUSB1"));
        // What is open is looked at once more: the number may have gone to another in between.
        assert!(known.take(&system.system(), Path::new("/dev/ttyUSB1")));
        assert!(!known.take(&system.system(), Path::new("/dev/ttyUSB0")));
        assert!(!known.take(&system.system(), Path::new("/dev/ttyUSB9")));
    }

    #[test]
    fn only_a_number_that_two_adapters_share_makes_twins() {
        let system = Shown::new();
        system.plug("ttyUSB0", "1-1", "1.0", "6001", Some("A"));
        // The other port of a two-port adapter has the same number, and another interface.
        system.plug("ttyUSB1", "1-2", "1.0", "6010", Some("B"));
        system.plug("ttyUSB2", "1-2", "1.1", "6010", Some("B"));
        let twin = |name: &str| has_twin(&Adapter::all(&system.system()), &Path::new("/dev").join(name));
        assert!(!twin("ttyUSB0") && !twin("ttyUSB1") && !twin("ttyUSB2") && !twin("ttyS0"));
        system.plug("ttyUSB3", "1-3", "1.0", "6001", Some("A"));
        assert!(twin("ttyUSB0") && twin("ttyUSB3") && !twin("ttyUSB1"));
    }

    #[test]
    fn with_its_number_it_is_known_in_any_socket() {
        let system = Shown::new();
        system.plug("ttyUSB0", "1-1", "1.0", "6001", Some("A"));
        system.plug("ttyUSB1", "1-2", "1.0", "6001", Some("B"));
        let mut known = system.known("ttyUSB0");
        system.pull("ttyUSB0");
        system.gone(&mut known);
        system.plug("ttyUSB5", "1-4.2", "1.0", "6001", Some("A"));
        assert_eq!(system.look(&known), here("ttyUSB5"));
        assert!(known.take(&system.system(), Path::new("/dev/ttyUSB5")));
        // Pulled again, it may still be shown for a moment, in the socket that it has by now.
        system.gone(&mut known);
        system.pull("ttyUSB5");
        assert_eq!(system.look(&known), Return::Away);
        system.plug("ttyUSB5", "1-4.2", "1.0", "6001", Some("A"));
        assert_eq!(system.look(&known), here("ttyUSB5"));
        assert_eq!(Adapter::of(&system.system(), Path::new("/dev/ttyS0")), None);
    }
}
