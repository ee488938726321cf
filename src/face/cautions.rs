//! Cautions before anybody touches an open set: short, plain, the same in the terminal, on the page and in the
//! report.
//!
//! They defer: none of them replaces local law, the maker's service manual or a trained person.

/// One caution: what the danger is and what to do, in plain words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Caution {
    /// A word or two to find it again.
    pub title: &'static str,
    /// One to three sentences.
    pub text: &'static str,
}

/// The sentence above the list.
pub const LEAD: &str =
    "An open set can kill or injure, also when it is unplugged. If any point below cannot be met, stop.";

/// The sentence below the list.
pub const DEFERENCE: &str = "These notes do not replace the law where you work, local electrical codes, the \
maker's service manual or training. Where the law asks for a licensed technician, leave the work to one.";

/// All cautions, the deadliest first.
///
/// # Source
/// Mains and stored charge, discharging: public notes on repairing small switch-mode supplies (S. Goldwasser,
/// 1995) and on discharging capacitors. Shared ground through a computer: project notes of an open-hardware
/// isolated USB-serial adapter. 3.3 V logic and series protection: a maker's evaluation-kit guide on its serial
/// debug port. Voltage limits of "safe to touch" (60 V DC, 30 V AC): IEC 62368-1, energy class ES1, from memory,
/// unverified. RS-232 levels, isolation transformer protecting against one pole alone, lamp voltages: from
/// memory, unverified. Unplugging, ESD, weight and glass, solvents: common practice, no source.
pub const ALL: [Caution; 9] = [
    Caution {
        title: "Mains inside",
        text: "The supply side of the set is connected to the mains. Keep hands, tools, probes and the ground lead \
               of the adapter away from it. The chassis itself may be live.",
    },
    Caution {
        title: "Stored charge",
        text: "Large capacitors keep several hundred volts after the plug is out. Unplug, wait, measure, discharge \
               through a resistor (never a screwdriver), and measure again.",
    },
    Caution {
        title: "Isolation",
        text: "With the supply side open, run the set alone on an isolation transformer. It does not protect you \
               from touching two points at once.",
    },
    Caution {
        title: "No ground through a computer",
        text: "A plain adapter joins the set's ground to the computer's. Use an isolated USB adapter. Before you \
               connect, measure between the two grounds, DC and AC; with more than 30 V AC or 60 V DC, stop.",
    },
    Caution {
        title: "3.3 V logic is not RS-232",
        text: "The debug port is 3.3 V logic. RS-232 levels, and some 5 V adapters, destroy it. Connect ground \
               first, then receive only; never feed the set from the adapter.",
    },
    Caution {
        title: "Power off before unplugging",
        text: "Pull or plug internal cables with the plug out of the wall and the rails measured down. Lamp strips \
               and their driver carry high voltage: touch neither with the set on.",
    },
    Caution {
        title: "Static discharge",
        text: "Wear a wrist strap on the unplugged set. Take it off before you work on a live one.",
    },
    Caution {
        title: "Weight and glass",
        text: "Lift with two people. Lay the screen face down on foam. Protect eyes and hands.",
    },
    Caution {
        title: "Solvents",
        text: "Cleaning alcohol burns. Clean with the plug out, air the room, and let everything dry before power. \
               Freeze spray burns skin and leaves water, which is a leak of its own.",
    },
];

/// All cautions as plain text, lines of at most `width` characters (20 at least), each with a line end.
pub fn text(width: usize) -> String {
    let mut out = String::new();
    wrap(LEAD, width, "", &mut out);
    for caution in &ALL {
        wrap(&format!("- {}: {}", caution.title, caution.text), width, "  ", &mut out);
    }
    wrap(DEFERENCE, width, "", &mut out);
    out
}

/// Breaks `text` at blanks; lines after the first begin with `indent`.
fn wrap(text: &str, width: usize, indent: &str, out: &mut String) {
    let width = width.max(20);
    let mut column = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if column > 0 && column + 1 + length > width {
            out.push('\n');
            out.push_str(indent);
            column = indent.len();
        } else if column > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    out.push('\n');
}
