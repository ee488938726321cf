//! What a chassis file decodes, as plain text for people.

use std::fmt::Write as _;

use crate::base::Key;
use crate::decode::chassis::Chassis;
use crate::decode::frame::{FrameFile, Packet};
use crate::decode::ladder::{Window, Windows};

/// Width of the drawing of a ladder's windows, in characters.
const WIDTH: usize = 64;

/// Identity, records, ladders with their windows drawn to scale, and menu names.
///
/// `beside` gives what else there is to say of a line, indented and with its line ends; it stands after the line's
/// windows.
pub fn show(chassis: &Chassis, beside: &dyn Fn(&Windows) -> String) -> String {
    let file = chassis.file();
    let mut out = String::new();
    let _ = writeln!(out, "{}, version {}: {}", chassis.name(), file.chassis.version, file.chassis.about);
    let _ = writeln!(out, "source: {}", file.chassis.source);
    let _ = writeln!(out, "file:   {}", chassis.path().display());
    if !file.text.prefixes.is_empty() {
        let _ = writeln!(out, "\nBefore each record");
        for prefix in &file.text.prefixes {
            let shown = if prefix.get_ref().is_empty() { "(nothing)" } else { prefix.get_ref() };
            let _ = writeln!(out, "  {shown}");
        }
    }
    if let Some(frame) = &file.frame {
        show_frames(frame, &file.packet, &mut out);
    } else {
        let _ = writeln!(out, "\nRecords");
    }
    for record in &file.record {
        let meaning = format!("{:?}", record.event.get_ref()).to_lowercase();
        let _ = writeln!(out, "  {meaning:<9} {}", record.shape.get_ref());
    }
    if let Some(repeat) = &file.repeat {
        let all =
            repeat.delay_s.as_ref().zip(repeat.period_s.as_ref()).map(|(delay, period)| ("", delay, period));
        let own = [("keypad: ", &repeat.keypad), ("infrared: ", &repeat.infrared), ("cec: ", &repeat.cec)];
        let own = own
            .into_iter()
            .filter_map(|(path, pace)| Some((path, &pace.as_ref()?.delay_s, &pace.as_ref()?.period_s)));
        for (path, delay, period) in all.into_iter().chain(own) {
            let (delay, period) = (delay.get_ref(), period.get_ref());
            let _ = writeln!(
                out,
                "\n{path}A held key repeats after {delay} s, then every {period} s; releases are by time-out."
            );
        }
    }
    if let Some(period) = &file.clock.line_period_s {
        let _ = writeln!(out, "\nNo stamps: a reading record every {} s.", period.get_ref());
    }
    for (_, windows) in chassis.lines() {
        out.push('\n');
        show_line(windows, &mut out);
        out.push_str(&beside(windows));
    }
    if !file.menu.items.is_empty() {
        let _ = writeln!(out, "\nMenu items");
        for (printed, name) in &file.menu.items {
            let _ = writeln!(out, "  {printed:<20} {name}");
        }
    }
    out
}

/// The frame's outline and the kinds of frame.
fn show_frames(frame: &FrameFile, packets: &[Packet], out: &mut String) {
    let sync: Vec<String> = frame.sync.get_ref().iter().map(|byte| format!("{byte:02x}")).collect();
    let check = match &frame.checksum {
        Some(checksum) => {
            let kind = format!("{:?}", checksum.get_ref().kind).to_lowercase();
            format!("{kind} of {} bits", checksum.get_ref().bits)
        }
        None => "no check: random bytes pass whenever the sync bytes stand in them".to_owned(),
    };
    let _ = writeln!(out, "\nFrames: sync {}, at most {} bytes, {check}", sync.join(" "), frame.longest);
    for packet in packets {
        let meaning = format!("{:?}", packet.event.get_ref()).to_lowercase();
        let when: Vec<String> = packet.when.iter().map(|(k, v)| format!("{k} = {}", v.get_ref())).collect();
        let fields: Vec<&str> = packet.fields.iter().map(|field| field.get_ref().name.as_str()).collect();
        let _ = writeln!(out, "  {meaning:<9} when {}: {}", when.join(", "), fields.join(", "));
    }
}

/// One ladder: its windows drawn to scale, then in numbers.
fn show_line(windows: &Windows, out: &mut String) {
    let line = windows.line();
    let _ = write!(out, "Line {}: 0 to {} counts, {} V", line.name, line.full_scale, line.reference());
    if let Some(ohm) = line.pull_up_ohm {
        let _ = write!(out, ", pull-up {ohm} ohm to {} V", line.supply_volts);
    }
    let _ = match line.debounce.unwrap_or(1) {
        1 => writeln!(out, ", one reading makes a key"),
        equal => writeln!(out, ", {equal} equal readings make a key"),
    };
    if let Some(silence) = line.silent_s {
        let _ = writeln!(out, "  printed only while a key is down: no reading for {silence} s is no key");
    }
    let _ = writeln!(out, "  {}", drawing(windows));
    let letters = letters();
    for (window, letter) in windows.all().iter().zip(letters) {
        let name = match (window.key, window.nominal) {
            (Some(key), _) => format!("{} ({})", key.label(), key.name()),
            (None, Some(_)) => "no key".to_owned(),
            (None, None) => "between keys".to_owned(),
        };
        let nominal = window.nominal.map_or(String::new(), |nominal| {
            format!("nominal {nominal:>5} = {:.3} V", nominal * line.reference() / f64::from(line.full_scale))
        });
        let _ = writeln!(out, "  {letter}  {:>5} to {:>5}  {nominal:<26}  {name}", window.low, window.high);
    }
}

/// The letter of the window of a key, or of no key at its nominal reading.
pub fn letter(windows: &Windows, key: Option<Key>) -> Option<char> {
    let named = windows.all().iter().zip(letters());
    named.into_iter().find(|(w, _)| w.key == key && (key.is_some() || w.nominal.is_some())).map(|(_, l)| l)
}

fn letters() -> impl Iterator<Item = char> {
    ('A'..='Z').chain('a'..='z').chain(std::iter::repeat('?'))
}

/// One character per stretch of readings: the letter of the window that holds its middle, `|` at a border.
fn drawing(windows: &Windows) -> String {
    let full = u64::from(windows.line().full_scale) + 1;
    let index_at = |column: usize| -> Option<usize> {
        let counts = (2 * column as u64 + 1) * full / (2 * WIDTH as u64);
        let holds = |w: &Window| (u64::from(w.low)..=u64::from(w.high)).contains(&counts);
        windows.all().iter().position(holds)
    };
    let mut text = String::from("|");
    let mut last = index_at(0);
    for column in 0..WIDTH {
        let here = index_at(column);
        if here != last {
            text.push('|');
        }
        text.push(here.and_then(|i| letters().nth(i)).unwrap_or(' '));
        last = here;
    }
    text.push('|');
    text
}
