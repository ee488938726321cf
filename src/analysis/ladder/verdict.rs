//! What a fit says in sentences, what would part its verdicts, and its entries for the JSON of `locate`.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::analysis::ladder::fault::Condition;
use crate::analysis::ladder::fit::{Fit, Fitted, Verdict, WINDOW, split_at};
use crate::analysis::ladder::model::{self, Mechanism};
use crate::analysis::ladder::words;

/// One number of an [`Entry`].
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Value {
    /// The mechanism that it belongs to.
    pub model: String,
    /// Best value.
    pub value: f64,
    /// `ohm`, `volt` or `ratio`.
    pub unit: &'static str,
    /// Lower end of the 95 % interval; absent where the readings set none.
    pub low: Option<f64>,
    /// Upper end of the 95 % interval; absent where the readings set none.
    pub high: Option<f64>,
}

/// One verdict for programs: the `ladder` entries of `locate --json`.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Entry {
    /// The line.
    pub line: String,
    /// The leading model: words joined by `+`.
    pub model: String,
    /// Its first number; absent for the healthy ladder.
    pub value: Option<f64>,
    /// The unit of the first number: `ohm`, `volt` or `ratio`.
    pub unit: Option<&'static str>,
    /// Lower end of the first number's 95 % interval.
    pub low: Option<f64>,
    /// Upper end of the first number's 95 % interval.
    pub high: Option<f64>,
    /// Weight among all models, 0 to 1.
    pub weight: f64,
    /// All numbers, when the model has two.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub values: Vec<Value>,
    /// Models that no reading of the converter can part from this one, with their first numbers.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<Value>,
    /// Sum of squares of the fit.
    pub chi2: f64,
    /// Readings within the scale less numbers fitted.
    pub freedom: usize,
    /// Chance of a sum of squares this large if the model is true.
    pub p: f64,
    /// What the fault is and about how large, in a few words; not where.
    pub short: String,
    /// The statement with its reasons.
    pub because: String,
    /// The measurement that would part the models in `also`, when there are any.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part_by: Option<String>,
}

impl Fit {
    /// The leading model of a verdict.
    pub fn leader(&self, verdict: &Verdict) -> &Fitted {
        &self.models[verdict.members[0]]
    }

    /// The verdicts that are still in play: within [`WINDOW`] of the best.
    pub fn in_play(&self) -> Vec<&Verdict> {
        let best = self.verdicts.iter().map(|v| self.leader(v).bic).fold(f64::INFINITY, f64::min);
        self.verdicts.iter().filter(|v| self.leader(v).bic - best < WINDOW).collect()
    }

    /// The verdicts for programs, at most eight, those of no weight left out.
    pub fn entries(&self) -> Vec<Entry> {
        let shown = self.verdicts.iter().enumerate().filter(|(i, v)| *i == 0 || v.weight >= 1e-4);
        shown.take(8).map(|(_, verdict)| self.entry(verdict)).collect()
    }

    fn entry(&self, verdict: &Verdict) -> Entry {
        let leader = self.leader(verdict);
        let numbers = |fitted: &Fitted| -> Vec<Value> {
            let pairs = fitted.model.iter().zip(&fitted.estimates);
            let value = |(m, e): (&Mechanism, &crate::analysis::ladder::Estimate)| Value {
                model: m.word(),
                value: e.value,
                unit: m.unit(),
                low: e.low,
                high: e.high,
            };
            pairs.map(value).collect()
        };
        let values = numbers(leader);
        let first = values.first().cloned();
        let others = verdict.members.iter().skip(1).map(|i| &self.models[*i]);
        Entry {
            line: self.network.name.clone(),
            model: model::word(&leader.model),
            value: first.as_ref().map(|v| v.value),
            unit: first.as_ref().map(|v| v.unit),
            low: first.as_ref().and_then(|v| v.low),
            high: first.as_ref().and_then(|v| v.high),
            weight: verdict.weight,
            values: if values.len() > 1 { values } else { Vec::new() },
            also: others.flat_map(numbers).collect(),
            chi2: leader.chi2,
            freedom: leader.freedom,
            p: leader.p,
            short: short(leader),
            because: self.because(verdict),
            part_by: self.part_by(verdict),
        }
    }

    /// One line for people: the leading verdict, or that none explains the readings.
    pub fn statement(&self) -> String {
        if self.readings.is_empty() || self.verdicts.is_empty() {
            return format!(
                "{}: no readings, so that nothing can be said about the ladder.",
                self.network.name
            );
        }
        if !self.accepted {
            let best = &self.models[0];
            // What any fault costs may leave the sound ladder first where it is not believed either.
            let other =
                self.models.iter().find(|m| best.model.is_empty() && m.p >= crate::analysis::ladder::REJECT);
            if let Some(other) = other {
                return format!(
                    "{}: a {} would miss these readings this badly with a chance of {}. This would explain them: {}; yet so \
                     many faults were tried that it may be luck. {}",
                    self.network.name,
                    model::text(&best.model),
                    words::percent(best.p),
                    described(other, &[]),
                    self.worst_reading(best)
                );
            }
            return format!(
                "{}: none of the circuits explains these readings (the best, {}, would miss them this badly \
                 with a chance of {}). {}",
                self.network.name,
                model::text(&best.model),
                words::percent(best.p),
                self.worst_reading(best)
            );
        }
        let in_play = self.in_play();
        match in_play.as_slice() {
            [] => String::new(),
            [only] => self.because(only),
            [first, others @ ..] => format!(
                "{} Not excluded: {}.",
                self.because(first),
                others.iter().take(4).map(|v| self.named(v)).collect::<Vec<_>>().join("; ")
            ),
        }
    }

    /// Name and numbers of a verdict and of what cannot be told from it.
    fn named(&self, verdict: &Verdict) -> String {
        let leader = self.leader(verdict);
        let mut text = described(leader, &[]);
        let others: Vec<String> =
            verdict.members.iter().skip(1).map(|i| described(&self.models[*i], &leader.model)).collect();
        if !others.is_empty() {
            let instead = if leader.model.len() > 1 { "or in place of the latter " } else { "or " };
            text.push_str(&format!(", {instead}{} (the converter cannot tell)", others.join(", or ")));
        }
        text
    }

    fn because(&self, verdict: &Verdict) -> String {
        let leader = self.leader(verdict);
        let mut text = format!("{}: {} ", self.network.name, self.named(verdict));
        let count = self.readings.len();
        text.push_str(&match (leader.freedom, leader.p >= crate::analysis::ladder::REJECT) {
            (0, _) => format!("fits the {count} reading(s), too few to test it"),
            (_, true) => format!("explains all {count} readings"),
            (_, false) => format!("does not explain the readings (chance {})", words::percent(leader.p)),
        });
        if let Some(rival) = self.rival(verdict) {
            text.push_str(&format!("; {rival}"));
        }
        text.push('.');
        text.push_str(&self.idle_clause(leader));
        let offset = leader.model.contains(&Mechanism::GroundOffset);
        if offset && !self.hidden_hz.is_empty() {
            let list: Vec<String> = self.hidden_hz.iter().map(|f| format!("{f:.0}")).collect();
            text.push_str(&format!(
                " A hum at {} Hz scanned at this line's period looks exactly like a steady offset: read at a second scan \
                 rate before the offset is believed.",
                list.join(", ")
            ));
        }
        if self.network.pull_up_assumed {
            text.push_str(&format!(
                " The chassis file gives no pull-up; {} is assumed, and every resistance here scales with it.",
                words::ohms(self.network.pull_up_ohm)
            ));
        }
        text
    }

    /// Whether the fault presses a key by itself, which a static offset or a series resistance cannot; of a sound ladder,
    /// what it does not exclude.
    fn idle_clause(&self, fitted: &Fitted) -> String {
        match fitted.idle_key {
            Some(key) => format!(" With nobody near it the line then reads as {}.", key.label()),
            None if fitted.model.is_empty() => {
                " A fault that is small beside the parts' tolerance and the readings' noise \
                                                would not show in them."
                    .into()
            }
            None => " By itself it presses no key: the idle reading stays where no key is seen, so a stray \
                      press with hands off needs another cause or a fault that comes and goes."
                .into(),
        }
    }

    /// Why the nearest one-fault model with another seat is out, when a reading shows it; the leak on the
    /// other board, which is what a technician would think of next, comes first.
    fn rival(&self, verdict: &Verdict) -> Option<String> {
        let leader = self.leader(verdict);
        let seat = |f: &Fitted| f.model.first().map(|m| m.locations()[0].0);
        let out = |m: &&Fitted| {
            m.model.len() == 1
                && (seat(m) != seat(leader) || leader.model.len() > 1)
                && m.bic - leader.bic > WINDOW
        };
        let leaks = |m: &&Fitted| {
            matches!(m.model.as_slice(), [Mechanism::MainLeakGround | Mechanism::KeyLeakGround])
        };
        let rivals = self.models.iter().filter(out);
        let mut ordered: Vec<&Fitted> = rivals.clone().filter(leaks).collect();
        ordered.extend(rivals.filter(|m| !leaks(m)));
        ordered.into_iter().take(6).find_map(|rival| {
            let (reading, foreseen) = self.worst(rival)?;
            ((foreseen - reading.counts).abs() > 3.0 * reading.sigma()).then(|| {
                format!(
                    "{} alone cannot: {} it would read {foreseen:.0}, the set reads {:.0}",
                    model::text(&rival.model),
                    with(&reading.condition),
                    reading.counts,
                )
            })
        })
    }

    /// The reading that a model misses most, and what it foresees there.
    fn worst(&self, fitted: &Fitted) -> Option<(&crate::analysis::ladder::Reading, f64)> {
        let full = f64::from(self.network.full_scale);
        self.readings
            .iter()
            .filter_map(|reading| {
                let probe = self.probes.iter().position(|p| *p == reading.condition)?;
                let foreseen = fitted.foreseen.get(probe).copied().flatten()?.0.clamp(0.0, full);
                Some((reading, foreseen, (foreseen - reading.counts).abs() / reading.sigma()))
            })
            .max_by(|a, b| a.2.total_cmp(&b.2))
            .map(|(reading, foreseen, _)| (reading, foreseen))
    }

    fn worst_reading(&self, fitted: &Fitted) -> String {
        self.worst(fitted).map_or(String::new(), |(reading, foreseen)| {
            format!(
                "It fails most {}: foreseen {foreseen:.0}, read {:.0}. Repeat that reading; if it stands, take \
                 the readings that are missing.",
                with(&reading.condition),
                reading.counts
            )
        })
    }

    /// The measurement that parts the members of a verdict.
    fn part_by(&self, verdict: &Verdict) -> Option<String> {
        let mechanisms: Vec<Mechanism> =
            verdict.members.iter().flat_map(|i| self.models[*i].model.iter().copied()).collect();
        let has = |wanted: fn(&Mechanism) -> bool| mechanisms.iter().any(wanted);
        let mut ways: Vec<&str> = Vec::new();
        if has(|m| matches!(m, Mechanism::GroundOffset)) {
            ways.push(
                "measure the millivolts between key-board ground and converter ground with the set on, and \
                 change backlight and indicator level: an offset is there and follows the current, a series \
                 resistance does neither; tell hum that sampling hides from a steady offset by a second scan rate",
            );
        }
        if verdict.members.len() > 1 && has(|m| matches!(m, Mechanism::SwitchLeak(_))) {
            ways.push(
                "with the set off and unplugged from the mains, take the key board off its connector and \
                 measure each switch open, with both polarities of the ohmmeter",
            );
        }
        if has(|m| matches!(m, Mechanism::MainLeakOwnSupply | Mechanism::PullUp)) {
            ways.push(
                "with the set off and unplugged from the mains, measure the pull-up with one end free: a leak \
                 to its own supply beside a good pull-up reads the same to the converter as a low pull-up",
            );
        }
        if has(|m| matches!(m, Mechanism::PinLeak)) {
            ways.push(
                "measure the millivolts across the pin's series resistor: a leak in the pin draws current \
                 through it, one on the board does not",
            );
        }
        if has(|m| matches!(m, Mechanism::Supply)) {
            ways.push(
                "measure the pull-up's supply and the converter's reference with a meter: a low supply and a \
                 high reference read the same",
            );
        }
        if has(|m| matches!(m, Mechanism::Series)) && !has(|m| matches!(m, Mechanism::GroundOffset)) {
            ways.push(
                "with the set off, measure signal and return wire from board to board: the converter cannot \
                 tell the one from the other",
            );
        }
        (!ways.is_empty()).then(|| ways.join("; or "))
    }

    /// A foreseen reading as the converter would give it: held to the scale.
    fn seen(&self, foreseen: Option<(f64, f64)>) -> Option<(f64, f64)> {
        foreseen.map(|(counts, variance)| (counts.clamp(0.0, f64::from(self.network.full_scale)), variance))
    }

    /// For a probe, which models would read alike: an index of the group for each of [`Fit::models`].
    pub fn groups(&self, probe: usize) -> Vec<usize> {
        let seen: Vec<Option<(f64, f64)>> =
            self.models.iter().map(|m| self.seen(m.foreseen.get(probe).copied().flatten())).collect();
        let mut heads: Vec<Option<(f64, f64)>> = Vec::new();
        seen.iter()
            .map(|s| match heads.iter().position(|h| split_at(*h, *s, self.sigma) < 3.0) {
                Some(group) => group,
                None => {
                    heads.push(*s);
                    heads.len() - 1
                }
            })
            .collect()
    }

    /// How likely the readings are if the fault sits in each location, relative to the best model.
    ///
    /// `stray_on_line` says that the line pressed keys by itself; a model that presses none then explains
    /// only the readings and not the complaint, and counts for a tenth.
    pub fn by_location(&self, stray_on_line: bool) -> BTreeMap<&'static str, f64> {
        let mut shares: BTreeMap<&'static str, (f64, f64)> = BTreeMap::new();
        let best =
            self.models.iter().filter(|m| m.weight > 0.0).map(|m| m.cost).fold(f64::INFINITY, f64::min);
        for fitted in self.models.iter().filter(|m| !m.model.is_empty()) {
            let explains = if stray_on_line && fitted.idle_key.is_none() { 0.1 } else { 1.0 };
            let likelihood =
                if fitted.weight > 0.0 { (-0.5 * (fitted.cost - best)).exp() * explains } else { 0.0 };
            let prior = model::prior(&fitted.model, &self.network);
            for mechanism in &fitted.model {
                for (location, share) in mechanism.locations() {
                    let part = prior * share / fitted.model.len() as f64;
                    let entry = shares.entry(location).or_default();
                    entry.0 += part * likelihood;
                    entry.1 += part;
                }
            }
        }
        shares.into_iter().map(|(location, (sum, of))| (location, sum / of.max(f64::MIN_POSITIVE))).collect()
    }

    /// How likely the readings are if the ladder is healthy, relative to the best model.
    pub fn healthy_likelihood(&self) -> f64 {
        let best =
            self.models.iter().filter(|m| m.weight > 0.0).map(|m| m.cost).fold(f64::INFINITY, f64::min);
        self.models
            .iter()
            .find(|m| m.model.is_empty())
            .map_or(0.0, |m| (-0.5 * (m.cost - best)).exp().min(1.0))
    }
}

/// A model with about its numbers.
fn short(fitted: &Fitted) -> String {
    let part = |(mechanism, e): (&Mechanism, &crate::analysis::ladder::Estimate)| {
        format!("{}, about {}", mechanism.kind(), mechanism.value_text(words::two_digits(e.value)))
    };
    let parts: Vec<String> = fitted.model.iter().zip(&fitted.estimates).map(part).collect();
    if parts.is_empty() { "nothing wrong".to_owned() } else { parts.join(", and ") }
}

/// A model with its numbers and intervals, without the mechanisms in `known`.
fn described(fitted: &Fitted, known: &[Mechanism]) -> String {
    if fitted.model.is_empty() {
        return "a healthy ladder".into();
    }
    let part = |(mechanism, e): (&Mechanism, &crate::analysis::ladder::Estimate)| {
        let text = |value: f64| mechanism.value_text(value);
        mechanism.phrase(&match (e.low, e.high) {
            (Some(low), Some(high)) => format!("{} ({} to {})", text(e.value), text(low), text(high)),
            (Some(low), None) => format!("more than {}", text(low)),
            (None, Some(high)) => format!("less than {}", text(high)),
            (None, None) => format!("{} (the readings set no bounds)", text(e.value)),
        })
    };
    let pairs = fitted.model.iter().zip(&fitted.estimates).filter(|(m, _)| !known.contains(m));
    pairs.map(part).collect::<Vec<_>>().join(" together with ")
}

fn with(condition: &Condition) -> String {
    format!("with {}", condition.text())
}
