//! What happened to a capture itself, as a type: recorded as JSON, shown as a sentence.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::base::{Nanoseconds, Span};

/// Something that happened to the capture itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// When, on the capture clock.
    pub t: Nanoseconds,
    /// What.
    pub what: What,
}

/// Why bytes were not recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DiskTrouble {
    /// No room.
    Full,
    /// The disk gave an error.
    Failed,
    /// The disk was too slow.
    Slow,
}

/// What happened. In a journal this is the payload of a record of kind 7, as JSON.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "mark", rename_all = "snake_case")]
pub enum What {
    /// The port went away.
    PortGone,
    /// It came back.
    PortBack {
        /// Under which name.
        device: String,
    },
    /// Bytes came faster than they were taken.
    BytesLost {
        /// How many.
        bytes: u64,
    },
    /// The adapter or its driver lost bytes.
    Overrun {
        /// How often the system counted it; each time one byte or more was lost.
        times: u64,
        /// When it was looked last, nanoseconds of capture time.
        from: i64,
    },
    /// The disk did not take what came.
    NotRecorded {
        /// How many bytes.
        bytes: u64,
        /// In how many pieces.
        pieces: u64,
        /// When the first was lost, nanoseconds of capture time.
        from: i64,
        /// When the last was lost.
        to: i64,
        /// Why.
        why: DiskTrouble,
    },
    /// A piece of the recording was removed later to make room.
    Removed {
        /// First segment that is not there.
        first: u32,
        /// Last one.
        last: u32,
    },
    /// The recording is damaged here.
    Damaged {
        /// What was found, in words.
        text: String,
    },
    /// This process did not run; what came meanwhile may be lost.
    Stopped {
        /// For how long, nanoseconds.
        ns: i64,
    },
    /// The computer slept.
    Slept {
        /// For how long, nanoseconds.
        ns: i64,
        /// Whether capture time ran on meanwhile; it stood still in recordings of version 0.1.0.
        #[serde(default)]
        counted: bool,
    },
    /// The host's clock was set back: the time between two lines is not known.
    ClockBack {
        /// By how much, nanoseconds.
        ns: i64,
    },
    /// A soak begins that is to last so long.
    Planned {
        /// Nanoseconds.
        ns: i64,
    },
    /// The technician says how long the set has been on.
    SwitchedOn {
        /// Until now, nanoseconds.
        ns: i64,
    },
    /// The technician wrote to the set's console.
    Command {
        /// What was typed.
        text: String,
    },
    /// A remark that changes nothing.
    Remark {
        /// In words.
        text: String,
    },
}

impl What {
    /// A remark in words.
    pub fn remark(text: impl Into<String>) -> Self {
        Self::Remark { text: text.into() }
    }

    /// Whether the bytes after it do not follow on those before it: a line that was begun does not go on.
    ///
    /// An overrun is noticed up to a second later, so where it was is not known.
    pub fn is_gap(&self) -> bool {
        matches!(
            self,
            Self::PortGone
                | Self::BytesLost { .. }
                | Self::NotRecorded { .. }
                | Self::Removed { .. }
                | Self::Damaged { .. }
                | Self::Stopped { .. }
                | Self::Slept { .. }
        )
    }

    /// The words in it that came from outside, to be masked in a copy.
    pub fn words_mut(&mut self) -> Option<&mut String> {
        match self {
            Self::PortBack { device: text }
            | Self::Command { text }
            | Self::Damaged { text }
            | Self::Remark { text } => Some(text),
            _ => None,
        }
    }

    /// The sentence of a mark by version 0.1.0, which kept no other form.
    pub fn from_text(text: &str) -> Self {
        let seconds = |text: &str| Nanoseconds::parse_seconds(text.as_bytes()).map(|t| t.0);
        let number = |text: &str| text.parse::<u64>().ok();
        if text == GONE {
            return Self::PortGone;
        }
        if let Some(device) = text.strip_prefix(BACK) {
            return Self::PortBack { device: device.to_owned() };
        }
        if let Some(text) = text.strip_prefix(COMMAND) {
            return Self::Command { text: text.to_owned() };
        }
        if let Some(bytes) = text.strip_suffix(LOST).and_then(number) {
            return Self::BytesLost { bytes };
        }
        if let Some(ns) =
            text.strip_prefix(SLEPT).and_then(|rest| rest.split_once(" s")).and_then(|(s, _)| seconds(s))
        {
            return Self::Slept { ns, counted: false };
        }
        if let Some(ns) =
            text.strip_prefix(SET_BACK).and_then(|rest| rest.split_once(" s")).and_then(|(s, _)| seconds(s))
        {
            return Self::ClockBack { ns };
        }
        not_recorded(text)
            .or_else(|| removed(text))
            .or_else(|| {
                DAMAGE
                    .iter()
                    .any(|start| text.starts_with(start))
                    .then(|| Self::Damaged { text: text.to_owned() })
            })
            .unwrap_or_else(|| Self::remark(text))
    }
}

const GONE: &str = "port gone: bytes in flight may be missing";
const BACK: &str = "port is back as ";
const COMMAND: &str = "console command by the technician: ";
const LOST: &str = " bytes lost: they came faster than they were taken";
const SLEPT: &str = "the computer slept for ";
const SET_BACK: &str = "the host's clock was set back by ";
/// How sentences on damage begin.
const DAMAGE: [&str; 4] =
    ["the journal is damaged", "the journal jumps", "the journal ends in", "the head of the journal"];

fn not_recorded(text: &str) -> Option<What> {
    let (bytes, rest) = text.split_once(" bytes in ")?;
    let (pieces, rest) = rest.split_once(" pieces were not recorded from ")?;
    let (from, rest) = rest.split_once(" s to ")?;
    let (to, why) = rest.split_once(" s: ")?;
    let why = match why {
        "the disk was full" => DiskTrouble::Full,
        "the disk failed" => DiskTrouble::Failed,
        _ => DiskTrouble::Slow,
    };
    let seconds = |text: &str| Nanoseconds::parse_seconds(text.as_bytes()).map(|t| t.0);
    Some(What::NotRecorded {
        bytes: bytes.parse().ok()?,
        pieces: pieces.parse().ok()?,
        from: seconds(from)?,
        to: seconds(to)?,
        why,
    })
}

fn removed(text: &str) -> Option<What> {
    let text = text.strip_suffix(" not there: removed to make room, or lost")?;
    let one = text.strip_prefix("segment ").and_then(|rest| rest.strip_suffix(" is"));
    if let Some(number) = one.and_then(|number| number.parse().ok()) {
        return Some(What::Removed { first: number, last: number });
    }
    let (first, last) =
        text.strip_prefix("segments ").and_then(|rest| rest.strip_suffix(" are"))?.split_once(" to ")?;
    Some(What::Removed { first: first.parse().ok()?, last: last.parse().ok()? })
}

impl fmt::Display for What {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seconds = |ns: &i64| Nanoseconds(*ns).seconds();
        match self {
            Self::PortGone => f.write_str(GONE),
            Self::PortBack { device } => write!(f, "{BACK}{device}"),
            Self::BytesLost { bytes } => write!(f, "{bytes}{LOST}"),
            Self::Overrun { times, .. } => write!(
                f,
                "the adapter or its driver lost bytes: {times} overrun{}",
                if *times == 1 { "" } else { "s" }
            ),
            Self::NotRecorded { bytes, pieces, from, to, why } => {
                let why = match why {
                    DiskTrouble::Full => "the disk was full",
                    DiskTrouble::Failed => "the disk failed",
                    DiskTrouble::Slow => "the disk was slow",
                };
                let (from, to) = (Nanoseconds(*from), Nanoseconds(*to));
                write!(f, "{bytes} bytes in {pieces} pieces were not recorded from {from} s to {to} s: {why}")
            }
            Self::Removed { first, last } if first == last => {
                write!(f, "segment {first} is not there: removed to make room, or lost")
            }
            Self::Removed { first, last } => {
                write!(f, "segments {first} to {last} are not there: removed to make room, or lost")
            }
            Self::Stopped { ns } => {
                write!(f, "straykey did not run for {:.1} s: what came meanwhile may be lost", seconds(ns))
            }
            Self::Slept { ns, .. } => {
                write!(f, "{SLEPT}{:.1} s: nothing was recorded meanwhile", seconds(ns))
            }
            Self::ClockBack { ns } => {
                write!(f, "{SET_BACK}{} s here; the time between these lines is not known", Nanoseconds(*ns))
            }
            Self::Command { text } => write!(f, "{COMMAND}{text}"),
            Self::SwitchedOn { ns } => {
                write!(f, "the set has been on for {:.0} s, says the technician", seconds(ns))
            }
            Self::Planned { ns } => write!(f, "soak planned for {:.0} s", seconds(ns)),
            Self::Damaged { text } | Self::Remark { text } => f.write_str(text),
        }
    }
}

/// The system tells overruns once a second at most: more of them may follow unsaid for so long.
const WITHHELD: Nanoseconds = Nanoseconds::SECOND;

impl Mark {
    /// The time in which nothing of the capture can be trusted because of it; `None` where it concerns an instant
    /// or nothing.
    pub fn span(&self) -> Option<Span> {
        match self.what {
            What::NotRecorded { from, to, .. } => {
                Some(Span { start: Nanoseconds(from), end: Nanoseconds(to).max(self.t) })
            }
            What::Overrun { from, .. } => Some(Span { start: Nanoseconds(from), end: self.t + WITHHELD }),
            What::Stopped { ns } | What::Slept { ns, counted: true } => {
                Some(Span { start: self.t - Nanoseconds(ns), end: self.t })
            }
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_of_version_0_1_0_mean_the_same() {
        let device = || "/dev/ttyUSB1".to_owned();
        for what in [
            What::PortGone,
            What::PortBack { device: device() },
            What::BytesLost { bytes: 4096 },
            What::NotRecorded {
                bytes: 10_485_760,
                pieces: 3,
                from: 12_500_000_000,
                to: 61_000_000_000,
                why: DiskTrouble::Full,
            },
            What::Removed { first: 3, last: 3 },
            What::Removed { first: 3, last: 9 },
            What::Slept { ns: 90_000_000_000, counted: false },
            What::ClockBack { ns: 3_600_000_000_000 },
            What::Damaged { text: "the journal is damaged: 12 bytes skipped at byte 99".to_owned() },
            What::Command { text: "help".to_owned() },
            What::remark("the supply was switched"),
        ] {
            assert_eq!(What::from_text(&what.to_string()), what);
            let json = serde_json::to_string(&what).unwrap_or_default();
            assert_eq!(serde_json::from_str::<What>(&json).ok(), Some(what), "{json}");
        }
    }
}
