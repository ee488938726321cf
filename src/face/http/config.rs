//! The configuration file of `serve`.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use crate::base::{Error, Result, system};
use crate::decode::file;
use crate::source::serial::{Binding, PortSpec};
use crate::timeline::job::Hands;

/// Where the daemon listens when nobody says otherwise.
pub const LISTEN: &str = "127.0.0.1:4187";

/// Longest name of a job or a port.
pub const LONGEST_NAME: usize = 64;

/// Whether a word may name a job or a port: letters, digits, `.`, `_`, `-`, no leading dot, at most 64.
pub fn is_name(word: &str) -> bool {
    let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-');
    (1..=LONGEST_NAME).contains(&word.len()) && !word.starts_with('.') && word.bytes().all(plain)
}

/// A USB adapter by its identity.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UsbBinding {
    /// Vendor number.
    pub vendor: u16,
    /// Product number.
    pub product: u16,
    /// Serial number of the adapter.
    pub serial: Option<String>,
    /// Part of the name under `/dev/serial/by-path`.
    pub socket: Option<String>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct PortTable {
    name: Spanned<String>,
    device: Option<Spanned<PathBuf>>,
    usb: Option<UsbBinding>,
    #[serde(default = "usual_baud")]
    baud: Spanned<u32>,
    #[serde(default = "usual_framing")]
    framing: Spanned<String>,
    chassis: Option<String>,
    job: Option<Spanned<String>>,
    #[serde(default)]
    hands: Hands,
}

fn usual_baud() -> Spanned<u32> {
    Spanned::new(0..0, 115_200)
}

fn usual_framing() -> Spanned<String> {
    Spanned::new(0..0, "8N1".to_owned())
}

/// One port, as the configuration or a request binds it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PortConfig {
    /// By what requests name it.
    pub name: String,
    /// Which adapter.
    pub binding: Binding,
    /// Bits a second.
    pub baud: u32,
    /// Framing, `8N1`.
    pub framing: String,
    /// Chassis of the set on it.
    pub chassis: Option<String>,
    /// The job that records from it when the daemon starts.
    pub job: Option<String>,
    /// Whether hands are on the set in that recording.
    pub hands: Hands,
}

impl PortConfig {
    /// The port to open now, to be looked for again when it is unplugged.
    ///
    /// # Errors
    /// `System` when the adapter is not there; `Usage` for a wrong framing.
    pub fn spec(&self) -> Result<PortSpec> {
        let mut spec = PortSpec::new(self.binding.find()?, self.baud).framing(&self.framing)?;
        spec.reconnect = true;
        Ok(spec)
    }
}

/// TLS, for any address beyond the machine itself.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tls {
    /// Certificate chain, PEM.
    pub certificate: PathBuf,
    /// Private key, PEM.
    pub key: PathBuf,
    /// Host names by which the daemon may be asked.
    #[serde(default)]
    pub names: Vec<String>,
}

/// What is kept, and when the disk counts as low.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LimitsTable {
    /// Oldest closed segments of running captures go beyond so many bytes; absent keeps all.
    pub keep_bytes: Option<u64>,
    /// The disk is low when it is full sooner than so many hours; 48.
    pub warn_hours: Option<f64>,
}

/// How the log is written.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LogTable {
    /// `error`, `warn`, `info`, `debug` or `trace`.
    pub level: String,
    /// One JSON object a line.
    pub json: bool,
    /// A file instead of standard error.
    pub file: Option<PathBuf>,
    /// The file is renamed away at so many bytes; 10 MB.
    pub rotate_bytes: u64,
    /// So many renamed files are kept; 5.
    pub keep_files: u32,
}

impl Default for LogTable {
    fn default() -> Self {
        Self { level: "info".into(), json: false, file: None, rotate_bytes: 10_000_000, keep_files: 5 }
    }
}

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    jobs: Option<PathBuf>,
    listen: Option<Spanned<SocketAddr>>,
    socket: Option<PathBuf>,
    token_file: Option<PathBuf>,
    protocols: Option<PathBuf>,
    tls: Option<Tls>,
    #[serde(default)]
    limits: LimitsTable,
    #[serde(default)]
    log: LogTable,
    #[serde(default)]
    port: Vec<PortTable>,
}

/// The whole configuration.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    /// The file; absent when there is none.
    pub file: Option<PathBuf>,
    /// The folder whose folders are jobs.
    pub jobs: PathBuf,
    /// Where TCP is taken.
    pub listen: SocketAddr,
    /// The local socket; none where the system says no place for it.
    pub socket: Option<PathBuf>,
    /// The file with the token.
    pub token_file: PathBuf,
    /// Folder with protocol files.
    pub protocols: Option<PathBuf>,
    /// TLS.
    pub tls: Option<Tls>,
    /// Limits of the journals.
    pub limits: LimitsTable,
    /// The log.
    pub log: LogTable,
    /// The ports.
    pub ports: Vec<PortConfig>,
}

impl Config {
    /// Reads a configuration file; no file gives the defaults.
    ///
    /// # Errors
    /// `Input` with file, line and column for a mistake; when the file cannot be read.
    pub fn load(path: Option<&Path>) -> Result<Self> {
        let usual = system::config_folder().map(|folder| folder.join("serve.toml"));
        let path = match (path, usual) {
            (Some(path), _) => Some(path.to_owned()),
            (None, Some(usual)) if usual.exists() => Some(usual),
            (None, _) => None,
        };
        match path {
            Some(path) => {
                let text = std::fs::read_to_string(&path)
                    .map_err(|error| Error::io("cannot read the configuration", &path, error))?;
                Self::parse(&path, &text)
            }
            None => Self::from_table(Table::default(), None),
        }
    }

    /// Reads the text of a configuration file.
    ///
    /// # Errors
    /// `Input` with file, line and column.
    pub fn parse(path: &Path, text: &str) -> Result<Self> {
        let table: Table = file::parse(path, text)?;
        check(path, text, &table)?;
        let mut config = Self::from_table(table, Some(path))?;
        config.file = Some(path.to_owned());
        Ok(config)
    }

    fn from_table(table: Table, path: Option<&Path>) -> Result<Self> {
        let beside = |inside: PathBuf| match path.and_then(Path::parent) {
            Some(folder) if inside.is_relative() => folder.join(inside),
            _ => inside,
        };
        let home = || {
            let what = format!("{} is not set, so there is no place for jobs and token", system::HOME);
            Error::usage(what).help("set `jobs` and `token_file` in the configuration")
        };
        let jobs = match table.jobs {
            Some(jobs) => beside(jobs),
            None => system::data_folder().ok_or_else(home)?.join("jobs"),
        };
        let token_file = match table.token_file {
            Some(file) => beside(file),
            None => system::config_folder().ok_or_else(home)?.join("token"),
        };
        let listen = match table.listen {
            Some(listen) => listen.into_inner(),
            None => LISTEN.parse().map_err(|_| Error::usage("no address to listen on"))?,
        };
        let tls = table.tls.map(|tls| Tls {
            certificate: beside(tls.certificate),
            key: beside(tls.key),
            names: tls.names,
        });
        Ok(Self {
            file: None,
            jobs,
            listen,
            socket: table.socket.map(beside).or_else(system::usual_socket),
            token_file,
            protocols: table.protocols.map(beside),
            tls,
            limits: table.limits,
            log: LogTable { file: table.log.file.map(beside), ..table.log },
            ports: table.port.into_iter().map(port).collect(),
        })
    }

    /// Host names by which it may be asked, beside those of the loopback.
    pub fn names(&self) -> &[String] {
        self.tls.as_ref().map_or(&[], |tls| &tls.names)
    }
}

fn port(table: PortTable) -> PortConfig {
    let binding = match (table.usb, table.device) {
        (Some(usb), _) => Binding::Usb {
            vendor: usb.vendor,
            product: usb.product,
            serial_number: usb.serial,
            socket: usb.socket,
        },
        (None, device) => Binding::Device(device.map(Spanned::into_inner).unwrap_or_default()),
    };
    PortConfig {
        name: table.name.into_inner(),
        binding,
        baud: table.baud.into_inner(),
        framing: table.framing.into_inner(),
        chassis: table.chassis,
        job: table.job.map(Spanned::into_inner),
        hands: table.hands,
    }
}

/// What TOML alone does not see.
fn check(path: &Path, text: &str, table: &Table) -> Result<()> {
    let wrong = |span, what: &str, expected: &str| Err(file::mistake(path, text, span, what, Some(expected)));
    if let Some(listen) = &table.listen
        && table.tls.is_none()
        && !listen.get_ref().ip().is_loopback()
    {
        return wrong(
            listen.span(),
            "this address is reached from other machines, and there is no [tls]",
            "listen on 127.0.0.1, or give [tls] with certificate and key",
        );
    }
    let levels = ["error", "warn", "info", "debug", "trace"];
    if !levels.contains(&table.log.level.as_str()) {
        let at = text.find(&table.log.level).unwrap_or(0);
        return wrong(
            at..at + table.log.level.len(),
            "there is no such level of the log",
            "expected error, warn, info, debug or trace",
        );
    }
    let mut names = BTreeSet::new();
    for port in &table.port {
        let name = port.name.get_ref();
        if !is_name(name) {
            return wrong(
                port.name.span(),
                "this is not a valid port name",
                "letters, digits, `.`, `_`, `-`",
            );
        }
        if !names.insert(name) {
            return wrong(port.name.span(), "two ports have this name", "one name for each port");
        }
        if port.device.is_some() == port.usb.is_some() {
            return wrong(
                port.name.span(),
                "this port needs either `device` or `usb`",
                "`straykey ports` shows the devices with their stable names",
            );
        }
        if *port.baud.get_ref() == 0 {
            return wrong(port.baud.span(), "a serial port cannot run at 0 baud", "for example 115200");
        }
        if let Err(error) = PortSpec::new("", *port.baud.get_ref()).framing(port.framing.get_ref()) {
            let help = error.help_text().unwrap_or("for example 8N1").to_owned();
            return wrong(port.framing.span(), error.what(), &help);
        }
        if let Some(job) = port.job.as_ref().filter(|job| !is_name(job.get_ref())) {
            return wrong(
                job.span(),
                "this is not a valid job name",
                "the name of a folder in the jobs folder",
            );
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mistake(text: &str) -> String {
        Config::parse(Path::new("serve.toml"), text).unwrap_err().to_string()
    }

    #[test]
    fn mistakes_are_shown_at_their_place() {
        let unknown = mistake("jbs = \"x\"\n");
        assert!(unknown.contains("serve.toml:1:1") && unknown.contains("did you mean `jobs`"), "{unknown}");
        let twice =
            "[[port]]\nname = \"a\"\ndevice = \"/dev/x\"\n[[port]]\nname = \"a\"\ndevice = \"/dev/y\"\n";
        assert!(mistake(twice).contains("serve.toml:5:8: two ports have this name"), "{}", mistake(twice));
        assert!(mistake("listen = \"0.0.0.0:80\"\n").contains("serve.toml:1:10"));
        assert!(
            mistake("[[port]]\nname = \"../x\"\ndevice = \"/dev/x\"\n").contains("not a valid port name")
        );
        assert!(mistake("[[port]]\nname = \"a\"\n").contains("either `device` or `usb`"));
        let framing = mistake("[[port]]\nname = \"a\"\ndevice = \"/d\"\nframing = \"9N1\"\n");
        assert!(framing.contains(":4:11") && framing.contains("8N1"), "{framing}");
        assert!(mistake("[log]\nlevel = \"loud\"\n").contains("no such level"));
    }

    #[test]
    fn names_cannot_leave_the_folder() {
        for good in ["1187", "a.b-c_d", "X"] {
            assert!(is_name(good), "{good}");
        }
        for bad in ["", ".", "..", ".x", "a/b", "a\\b", "a b", "ä", "a\0", &"x".repeat(65)] {
            assert!(!is_name(bad), "{bad:?}");
        }
    }
}
