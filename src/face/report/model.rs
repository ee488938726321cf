//! What a report says, as plain data. Names of fields are those of the command line's JSON where there is one.

use serde::{Deserialize, Serialize};

pub use crate::analysis::compare::Verdict;
use crate::bench::Windows;
use crate::face::report::lanes::StageTimeline;

/// Everything that a report says. `Default` gives an empty one; fill what is known.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ReportModel {
    /// Version of this shape, 1.
    pub version: u32,
    /// The set: what it is called, ticket number.
    pub set: String,
    /// Chassis, and how it was chosen (`alder, recognised, score 0.98`).
    pub chassis: String,
    /// What the customer complained of.
    pub complaint: String,
    /// Who did the work.
    pub technician: Option<String>,
    /// When the report was written, RFC 3339.
    pub written: Option<String>,
    /// Things that a reader must know first, in whole sentences (`Simulated set: …`).
    pub notices: Vec<String>,
    /// Number of the stage whose comparison gives the verdict of the whole job; `None` while it is open.
    pub concluding_stage: Option<u32>,
    /// Captures in order.
    pub captures: Vec<Capture>,
    /// Stages in order.
    pub stages: Vec<Stage>,
    /// What happened when, one for each stage that was captured.
    pub timeline: Vec<StageTimeline>,
    /// Repeating strays.
    pub patterns: Vec<Pattern>,
    /// Comparisons of two stages.
    pub comparisons: Vec<Comparison>,
    /// The control path whose strays the locations explain; `None` where all strays came on one.
    pub path: Option<String>,
    /// Where the fault is, most probable first.
    pub locations: Vec<Location>,
    /// Electrical models that fit the readings, best first.
    pub ladder: Vec<LadderFit>,
    /// Readings against key windows.
    pub windows: Vec<Windows>,
    /// Tests that would tell most.
    pub next: Vec<NextTest>,
    /// Which step earned the credit.
    pub steps: Vec<Credit>,
    /// The causes on the other control paths that strayed.
    pub also: Vec<Cause>,
    /// What else the statistics say, topic by topic.
    pub topics: Vec<Topic>,
    /// Whole sentences about the methods and their limits.
    pub method: Vec<String>,
    /// What was masked as private in this report.
    pub masked: Vec<String>,
    /// What is needed to reproduce it.
    pub versions: Versions,
}

/// The cause of the strays on one more control path.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Cause {
    /// The control path.
    pub path: String,
    /// Where it is, most probable first.
    pub locations: Vec<Location>,
    /// Tests that would tell most.
    pub next: Vec<NextTest>,
    /// Which step earned the credit.
    pub steps: Vec<Credit>,
}

/// A finding with its sentences, a table, and the same for programs.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Topic {
    /// Name of the field in JSON.
    pub id: String,
    /// Heading.
    pub title: String,
    /// Whole sentences.
    pub sentences: Vec<String>,
    /// Headings of the table.
    pub columns: Vec<String>,
    /// Its rows; none for no table.
    pub rows: Vec<Vec<String>>,
    /// The finding as it stands in the command line's JSON.
    pub data: serde_json::Value,
}

/// One capture.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Capture {
    /// Name in the job.
    pub name: String,
    /// Stage that it belongs to, counted from 1.
    pub stage: u32,
    /// Where it came from (`port /dev/…, 115200 baud`, `text log`).
    pub source: String,
    /// Whether hands were off the set.
    pub hands_off: bool,
    /// Wall time of its beginning, RFC 3339.
    pub started: Option<String>,
    /// Its length.
    #[serde(deserialize_with = "number")]
    pub span_s: f64,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256, 64 hexadecimal digits.
    pub sha256: Option<String>,
}

/// One stage with what was seen in it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Stage {
    /// Counted from 1.
    pub number: u32,
    /// What was done before it.
    pub step: String,
    /// `isolate`, `repair`, `restore`; `None` for the set as it came in.
    pub kind: Option<String>,
    /// Parts that the step touched.
    pub parts: Vec<String>,
    /// What was observed; `None` while nothing was captured.
    pub observed: Option<Observed>,
    /// The commonest stray keys with their counts, most frequent first.
    pub keys: Vec<(String, u64)>,
}

/// How often strays came, hands off.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Observed {
    /// Seconds in which a stray would have been seen.
    #[serde(deserialize_with = "number")]
    pub observed_s: f64,
    /// Stray events.
    pub strays: u64,
    /// Groups of them with one cause each.
    pub episodes: u64,
    /// Episodes per minute.
    #[serde(deserialize_with = "number")]
    pub per_min: f64,
    /// Lower end of its interval.
    #[serde(deserialize_with = "number")]
    pub per_min_low: f64,
    /// Upper end of its interval.
    #[serde(deserialize_with = "number")]
    pub per_min_high: f64,
}

/// The same thing under the name that comparisons use.
pub type Rate = Observed;

/// One element of a repeating pattern.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Motif {
    /// Kind of event.
    pub kind: String,
    /// Key, as a Linux input name.
    pub key: Option<String>,
    /// Menu item.
    pub item: Option<String>,
}

/// A repeating group of strays.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Pattern {
    /// Name or number.
    pub id: String,
    /// Stage that it was found in, counted from 1; 0 when not known.
    pub stage: u32,
    /// Control path.
    pub path: String,
    /// `steady`, `auto-repeat`, `held`, `burst`, `cycle`, `locked` or `sporadic`.
    pub class: String,
    /// What repeats.
    pub motif: Vec<Motif>,
    /// Period with its interval.
    pub period_s: Option<f64>,
    /// Lower end.
    pub period_low_s: Option<f64>,
    /// Upper end.
    pub period_high_s: Option<f64>,
    /// Jitter of the period, standard deviation.
    pub jitter_s: Option<f64>,
    /// Occurrences.
    pub count: u64,
    /// Occurrences that the period promises and that did not come.
    pub missed: u64,
    /// Share of all strays that it explains, 0 to 1.
    pub coverage: Option<f64>,
    /// Chance of such a pattern in random events.
    pub chance: Option<f64>,
    /// The strays laid over one another at the period.
    pub folded: Option<Folded>,
}

/// A train of events folded at a period.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Folded {
    /// Period, seconds.
    #[serde(deserialize_with = "number")]
    pub period_s: f64,
    /// Events in each equal part of the period, first part first.
    pub bins: Vec<u32>,
}

impl Folded {
    /// Folds instants, in seconds, at a period longer than zero into `bins` parts (1 to 360, else cut to that).
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
    pub fn new(period_s: f64, times_s: impl IntoIterator<Item = f64>, bins: usize) -> Self {
        let mut counts = vec![0u32; bins.clamp(1, 360)];
        let parts = counts.len();
        if period_s > 0.0 {
            for t in times_s {
                let part = (t.rem_euclid(period_s) / period_s * parts as f64) as usize;
                if let Some(count) = counts.get_mut(part.min(parts - 1)) {
                    *count = count.saturating_add(1);
                }
            }
        }
        Self { period_s, bins: counts }
    }
}

/// Two stages against each other.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Comparison {
    /// Number of the stage before.
    pub before_stage: u32,
    /// Number of the stage after.
    pub after_stage: u32,
    /// What was seen before.
    pub before: Rate,
    /// What was seen after.
    pub after: Rate,
    /// Rate before divided by rate after: how many times rarer it became; `None` when nothing came after.
    pub ratio: Option<f64>,
    /// Lower end.
    pub ratio_low: Option<f64>,
    /// Upper end; `None` when there is none.
    pub ratio_high: Option<f64>,
    /// Chance of such a difference between equal rates.
    pub chance_same: Option<f64>,
    /// Chance that the set would have been quiet this long anyway.
    pub quiet_anyway: Option<f64>,
    /// Soak still needed.
    pub soak_more_s: Option<f64>,
    /// The verdict.
    pub verdict: Verdict,
    /// Name of the method.
    pub method: String,
    /// Whole sentences for the technician.
    pub notes: Vec<String>,
}

/// A place of the fault with its probability.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Location {
    /// Location word (`main-board-input`).
    pub location: String,
    /// 0 to 1.
    #[serde(deserialize_with = "number")]
    pub probability: f64,
    /// Why, one or more sentences.
    #[serde(deserialize_with = "sentences")]
    pub because: String,
}

/// One electrical explanation of the readings.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct LadderFit {
    /// The fault.
    pub model: String,
    /// Its size.
    pub value: Option<f64>,
    /// Unit of the size (`ohm`, `volt`).
    pub unit: Option<String>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Weight among the models, 0 to 1.
    #[serde(deserialize_with = "number")]
    pub weight: f64,
}

/// A test worth doing next.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct NextTest {
    /// Its name.
    pub test: String,
    /// What to do, in a sentence.
    pub text: String,
    /// What must be so first, in sentences.
    pub prerequisites: Vec<String>,
    /// What to beware of, in sentences.
    pub cautions: Vec<String>,
    /// How long it takes.
    #[serde(deserialize_with = "number")]
    pub minutes: f64,
    /// What it is expected to tell of the place; `None` where it is not about the place.
    pub gain_bits: Option<f64>,
    /// Its risk: `low`, `medium`, `high`.
    pub risk: String,
}

/// The credit of one step.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Credit {
    /// The step.
    pub step: String,
    /// 0 to 1.
    #[serde(deserialize_with = "number")]
    pub credit: f64,
    /// Why.
    #[serde(deserialize_with = "sentences")]
    pub because: String,
}

/// What made the report.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Versions {
    /// Version of straykey.
    pub straykey: String,
    /// Protocol files and their versions (`alder@1`).
    pub decoders: Vec<String>,
    /// Seed of everything random.
    pub seed: Option<u64>,
}

/// One sentence, or a list of them.
fn sentences<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    struct Either;
    impl<'de> serde::de::Visitor<'de> for Either {
        type Value = String;
        fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
            f.write_str("a sentence or a list of sentences")
        }
        fn visit_str<E>(self, text: &str) -> Result<String, E> {
            Ok(text.to_owned())
        }
        fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut list: A) -> Result<String, A::Error> {
            let mut all: Vec<String> = Vec::new();
            while let Some(sentence) = list.next_element()? {
                all.push(sentence);
            }
            Ok(all.join(" "))
        }
    }
    deserializer.deserialize_any(Either)
}

/// A number; JSON has no word for one that is infinite or none, and writes null.
fn number<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    Ok(Option::<f64>::deserialize(deserializer)?.unwrap_or(f64::NAN))
}
