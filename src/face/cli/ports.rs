//! `ports`: serial ports with their stable names.

use crate::base::Result;
use crate::face::cli::table;
use crate::face::out::{Out, Outcome, safe};
use crate::source::serial;

pub(super) fn run(out: &mut Out) -> Result<Outcome> {
    let ports = serial::list()?;
    if out.json {
        out.value(&serde_json::json!({ "version": 1, "ports": ports }))?;
        return Ok(Outcome::Done);
    }
    if ports.is_empty() {
        out.line(
            "No serial port is there. Plug in the adapter; on Linux your user may need the group dialout.",
        )?;
        return Ok(Outcome::Done);
    }
    let mut list = table::new(&["port", "what it is", "stable name for --port"], &[]);
    for port in &ports {
        let what = match &port.usb {
            Some(usb) => {
                let words: Vec<&str> =
                    [&usb.maker, &usb.name].into_iter().flatten().map(String::as_str).collect();
                let serial = usb.serial_number.as_deref().map_or(String::new(), |s| format!(", number {s}"));
                format!("USB {}{serial}", words.join(" "))
            }
            None => port.attached.to_owned(),
        };
        list.add_row([port.path.display().to_string(), safe(&what), port.stable().display().to_string()]);
    }
    out.line(table::text(&list))?;
    Ok(Outcome::Done)
}
