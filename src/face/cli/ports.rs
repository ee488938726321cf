//! `ports`: serial ports with their stable names.

use crate::base::Result;
use crate::face::cli::answers;
use crate::face::cli::table;
use crate::face::out::{Out, Outcome, safe};
use crate::source::serial::{self, PortInfo};

pub(super) fn run(out: &mut Out) -> Result<Outcome> {
    let ports = serial::list()?;
    if out.json {
        out.answer(answers::Ports { ports })?;
        return Ok(Outcome::Done);
    }
    if ports.is_empty() {
        out.line(
            "No serial port is there. Plug in the adapter; on Linux your user may need the group dialout.",
        )?;
        return Ok(Outcome::Done);
    }
    for port in &ports {
        out.line(shown(port))?;
    }
    Ok(Outcome::Done)
}

/// Device and what it is; on a line of its own the name to give to --port, whole at any width, so that it can be copied.
fn shown(port: &PortInfo) -> String {
    let what = match &port.usb {
        Some(usb) => {
            let words: Vec<&str> =
                [&usb.maker, &usb.name].into_iter().flatten().map(String::as_str).collect();
            let serial = usb.serial_number.as_deref().map_or(String::new(), |s| format!(", number {s}"));
            format!("USB {}{serial}", words.join(" "))
        }
        None => port.attached.to_owned(),
    };
    let mut text = table::wrap(&format!("{}  {}", port.path.display(), safe(&what)), 4);
    if port.stable() != port.path {
        let kind = match (port.by_id.as_deref() == Some(port.stable()), port.twin) {
            (true, _) => "stable name, in any socket",
            (false, true) => "stable name, in this socket; another adapter here has the same number",
            (false, false) => "stable name, in this socket",
        };
        text.push_str(&format!(
            "\n{}\n    {}",
            table::wrap(&format!("    {kind}:"), 4),
            port.stable().display()
        ));
    }
    text
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;
    use crate::source::serial::Usb;

    #[test]
    fn a_stable_name_stands_whole_on_its_line_however_long() {
        let by_id =
            PathBuf::from(format!("/dev/serial/by-id/usb-{}-if00-port0", "Long_Maker_Name_".repeat(9)));
        let by_path = PathBuf::from("/dev/serial/by-path/pci-0000:00:14.0-usb-0:2.4:1.0-port0");
        let mut port = PortInfo {
            path: PathBuf::from("/dev/ttyUSB0"),
            by_id: Some(by_id.clone()),
            by_path: Some(by_path.clone()),
            usb: Some(Usb {
                maker: Some("Long Maker".repeat(12)),
                serial_number: Some("A1".into()),
                ..Usb::default()
            }),
            twin: false,
            attached: "usb",
        };
        let whole =
            |text: &str, name: &PathBuf| text.lines().any(|line| line.trim() == name.to_str().unwrap());
        let text = shown(&port);
        assert!(whole(&text, &by_id) && text.contains("in any socket"), "{text}");
        port.twin = true;
        let text = shown(&port);
        assert!(whole(&text, &by_path) && !text.contains("by-id"), "{text}");
        assert!(text.contains("same number"), "{text}");
    }
}
