//! Jobs to what analysis looks at: strays by stage, inputs by stage, causes of menu changes.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::analysis::compare::{NearSeen, PathSeen};
use crate::analysis::event_sequence::{DEFAULT_LATENCY, Symbol};
use crate::analysis::ledger::{Builder, Cadence, Intervals, Ledger, Observed, PathId, PathTotal, Prompted};
use crate::analysis::{EventSequence, Observation};
use crate::base::{Anchor, ControlPath, Event, Kind, Nanoseconds, Result, Span};
use crate::bench::causes::{self, JobCauses};
use crate::bench::provoke::lines::{BlockLines, Recorded};
use crate::timeline::job::{CaptureRef, CaptureSource, Hands, Job, Stage, Step};
use crate::timeline::store::{Indexed, LEDGER, Store, Take};
use crate::timeline::{Both, Options, Protocols, Summary, Wire, decode_watched};

/// The strays of one observation with the evidence behind them.
#[derive(Debug)]
pub struct Seen {
    /// The strays, or with hands on all input; one segment for each capture.
    pub sequence: EventSequence,
    /// The evidence of each capture.
    pub ledgers: Vec<Ledger>,
    /// Earlier captures of the same set, whose cadences are known.
    pub taught: Vec<Ledger>,
    /// Whether hands were off in every capture of it.
    pub hands_off: bool,
    /// The chassis of the last capture file.
    pub chassis: Option<String>,
    /// When the last capture file began, RFC 3339 in UTC, where it says so.
    pub started: Option<String>,
    /// From when to when each capture was watched by the wall clock, since 1970.
    pub walls: Vec<Option<Span>>,
}

impl Seen {
    /// Nothing seen yet.
    pub fn new(hands_off: bool) -> Self {
        Self::with_latency(hands_off, DEFAULT_LATENCY)
    }

    /// Nothing seen yet; menu changes within `latency` after an input are its effects.
    pub fn with_latency(hands_off: bool, latency: Nanoseconds) -> Self {
        Self {
            sequence: EventSequence::with_latency(latency),
            ledgers: Vec::new(),
            taught: Vec::new(),
            hands_off,
            chassis: None,
            started: None,
            walls: Vec::new(),
        }
    }

    /// Takes an event of the capture whose ledger this is.
    pub fn push(&mut self, event: &Event, ledger: &Ledger) {
        if ledger.is_answer(event) {
            self.sequence.push_asked(event);
        } else {
            self.sequence.push(event);
        }
    }

    /// Ends a capture, whose time zero was at this instant.
    pub fn close(&mut self, ledger: Ledger, zero: Option<Anchor>) {
        let at = |zero: Anchor, t: Nanoseconds| Nanoseconds(zero.unix_ns.saturating_add(t.0));
        self.walls.push(
            zero.zip(ledger.span)
                .map(|(zero, span)| Span { start: at(zero, span.start), end: at(zero, span.end) }),
        );
        self.sequence.observe(ledger.span.unwrap_or_default());
        self.sequence.aged(ledger.age);
        self.ledgers.push(ledger);
    }

    /// The same of one control path.
    fn only(&self, path: ControlPath) -> Self {
        let whole: Vec<Intervals> =
            self.sequence.segments().iter().map(|segment| Intervals::one(segment.in_capture())).collect();
        let ledgers = self.ledgers.iter().map(|ledger| Ledger {
            paths: ledger.paths.iter().filter(|own| own.id.path == path).cloned().collect(),
            ..ledger.clone()
        });
        // A capture without time has no stretch to restrict to; it proves nothing in any case.
        let sequence = if self.untimed() {
            self.sequence.clone()
        } else {
            self.sequence.restricted(&|symbol| symbol.path == path, &whole)
        };
        Self { sequence, ledgers: ledgers.collect(), walls: self.walls.clone(), ..Self::new(self.hands_off) }
    }

    /// A capture without time was among them: nothing about rates can be said.
    pub fn untimed(&self) -> bool {
        self.ledgers.iter().any(|ledger| ledger.span.is_none())
    }

    /// The paths that strayed.
    pub fn strayed(&self) -> BTreeSet<PathId> {
        let symbols = self.sequence.symbols();
        self.sequence
            .occurrences()
            .iter()
            .filter_map(|o| symbols.get(o.symbol as usize))
            .map(Symbol::id)
            .collect()
    }

    /// From when to when all of it was watched by the wall clock; nothing where one of its captures does not say.
    fn wall(&self) -> Option<Span> {
        let join = |one: Span, two: Span| Span { start: one.start.min(two.start), end: one.end.max(two.end) };
        self.walls.iter().copied().reduce(|one, two| Some(join(one?, two?)))?
    }

    /// As an observation on observed time; `judged` are the paths of which the set's own figures are made, and all when
    /// there is none.
    pub fn observation(&self, judged: &BTreeSet<PathId>) -> Observation {
        let met = self.ledgers.iter().flat_map(|ledger| ledger.paths.iter().map(|path| path.id.clone()));
        let all: BTreeSet<PathId> = met.chain(self.strayed()).collect();
        let ids = if judged.is_empty() { &all } else { judged };
        let union: Vec<Intervals> = self.ledgers.iter().map(|ledger| ledger.any_observed(ids)).collect();
        let path = |id: &PathId| {
            let observed: Vec<Intervals> = self.ledgers.iter().map(|ledger| ledger.observed(id)).collect();
            PathSeen {
                total: PathTotal::of(id, &self.ledgers),
                sequence: self.sequence.restricted(&|symbol| symbol.id() == *id, &observed),
                near: NearSeen::of(id, &self.sequence, &self.ledgers),
            }
        };
        Observation {
            sequence: self.sequence.restricted(&|_| true, &union),
            hands_off: self.hands_off,
            untimed: self.untimed(),
            span_s: self.ledgers.iter().map(|ledger| ledger.length().seconds()).sum(),
            paths: all.iter().map(path).collect(),
            wall: self.wall(),
            planned_s: self.ledgers.iter().find_map(|ledger| ledger.planned_s),
        }
    }
}

/// One stage of a job as it was seen.
#[derive(Debug)]
pub struct StageSeen {
    /// Counted from 1.
    pub number: usize,
    /// What was done before it.
    pub text: String,
    /// The step before it; `None` on the first.
    pub step: Option<Step>,
    /// The strays of its hands-off captures.
    pub seen: Seen,
    /// The same on observed time.
    pub observation: Observation,
    /// Its captures in order.
    pub captures: Vec<CaptureRef>,
}

impl StageSeen {
    /// These stages as one control path shows them: its strays alone, on the time in which it was observed.
    pub(super) fn only<'a>(stages: impl Iterator<Item = &'a Self>, path: ControlPath) -> Vec<Self> {
        let stages: Vec<&Self> = stages.collect();
        let mut stages: Vec<Self> = stages
            .into_iter()
            .map(|stage| Self {
                number: stage.number,
                text: stage.text.clone(),
                step: stage.step.clone(),
                seen: stage.seen.only(path),
                observation: Observation::default(),
                captures: stage.captures.clone(),
            })
            .collect();
        let judged: BTreeSet<PathId> = stages.iter().flat_map(|stage| stage.seen.strayed()).collect();
        for stage in &mut stages {
            stage.observation = stage.seen.observation(&judged);
        }
        stages
    }

    /// Whether it was watched hands off, whatever could be seen.
    pub fn is_watched(&self) -> bool {
        self.seen.sequence.exposure().0 > 0
    }

    /// Whether a stray on any path would have been seen for any time: what it can be compared by.
    pub fn is_observed(&self) -> bool {
        self.observation.paths.iter().any(|path| path.total.observed > Observed::default())
    }
}

/// A job with its index up to date.
#[derive(Debug)]
pub struct Loaded {
    /// The job.
    pub job: Job,
    store: Store,
    indexed: BTreeMap<String, Indexed>,
    ledgers: BTreeMap<String, Ledger>,
    blocks: BTreeMap<String, BlockLines>,
    stamped: BTreeMap<String, Anchor>,
    causes: JobCauses,
}

impl Loaded {
    /// Opens a job to look at it, and brings its index up to date.
    ///
    /// # Errors
    /// `Input` when the folder is no job or a capture cannot be read, `System` when the disk fails.
    pub fn open(folder: &Path, protocols: &Protocols, rebuild: bool) -> Result<Self> {
        let job = Job::read(folder)?;
        Self::index(job, protocols, rebuild)
    }

    /// Brings the index of an open job up to date, and learns what causes its menu changes.
    ///
    /// # Errors
    /// As [`Loaded::open`].
    pub fn index(mut job: Job, protocols: &Protocols, rebuild: bool) -> Result<Self> {
        let mut store = Store::open(job.folder())?;
        if store.was_damaged() {
            job.remark("the index was damaged; it was rebuilt from the raw captures");
        }
        if store.is_in_memory() {
            job.remark("nothing can be written in this folder: each look decodes the captures again");
        }
        let chassis = job.info().chassis.clone();
        // What the cadences of earlier captures have taught, in the order of the job.
        let mut ledgers: BTreeMap<String, Ledger> = BTreeMap::new();
        let order: Vec<String> = job.captures().map(|capture| capture.name.clone()).collect();
        for name in &order {
            if let Some(kept) = kept(&store, name)? {
                ledgers.insert(name.clone(), kept.ledger);
            }
        }
        let mut decode = |capture: &CaptureRef, sink: &mut dyn FnMut(Event) -> Result<()>| {
            let options = Options {
                chassis: capture.chassis.clone().or_else(|| chassis.clone()),
                wires: Wire::from_map(&capture.wire)?,
                ..Options::default()
            };
            let earlier = order.iter().take_while(|name| **name != capture.name);
            let mut builder = Builder::new(taught(earlier.filter_map(|name| ledgers.get(name))));
            builder.expect_prompts(capture.prompts.iter().map(|prompt| (prompt.t, prompt.key)));
            let mut blocks = capture.provocation.as_ref().map(Recorded::new);
            let decoded = match &mut blocks {
                Some(blocks) => {
                    let mut both = Both(&mut builder, blocks);
                    decode_watched(&capture.path, protocols, &options, &mut both, sink)
                }
                None => decode_watched(&capture.path, protocols, &options, &mut builder, sink),
            };
            let read = match decoded {
                Ok(summary) => (timed(&summary), summary.other_chassis, summary.anchor),
                // What no chassis fits is no evidence; the rest of the job is.
                Err(error) if error.kind() == Kind::Input && is_live(capture) => (capture.span, None, None),
                Err(error) => return Err(error),
            };
            let (span, other_chassis, stamped) = read;
            let blocks = blocks.map(Recorded::lines);
            let zero_unix_ns = stamped.map(|zero| zero.unix_ns);
            let kept = Kept { ledger: builder.ledger(span), other_chassis, blocks, zero_unix_ns };
            let text = serde_json::to_string(&kept).unwrap_or_default();
            ledgers.insert(capture.name.clone(), kept.ledger);
            Ok((span, text))
        };
        let fingerprint = protocols.fingerprint();
        if rebuild {
            store.rebuild(&job, &fingerprint, &mut decode)?;
        } else {
            store.refresh(&job, &fingerprint, &mut decode)?;
        }
        let indexed = store.captures()?.into_iter().map(|entry| (entry.name.clone(), entry)).collect();
        let causes = causes::learn(&job, &mut store, &indexed, &fingerprint)?;
        let (mut ledgers, mut blocks, mut stamped) = (BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
        let named = chassis.unwrap_or_else(|| "the chassis that was named".to_owned());
        for name in order {
            let kept = kept(&store, &name)?.unwrap_or_default();
            if let Some(other) = kept.other_chassis {
                job.remark(format!("capture {name} was read as {named}, and {other} fits better"));
            }
            if let Some(lines) = kept.blocks {
                blocks.insert(name.clone(), lines);
            }
            stamped.extend(kept.zero_unix_ns.map(|unix_ns| (name.clone(), Anchor { unix_ns })));
            ledgers.insert(name, kept.ledger);
        }
        Ok(Self { job, store, indexed, ledgers, blocks, stamped, causes })
    }

    /// The index.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// What causes the menu changes of the job, learned once from all its captures.
    pub fn causes(&self) -> &JobCauses {
        &self.causes
    }

    /// Adds one capture to an observation.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn add(&self, capture: &CaptureRef, seen: &mut Seen) -> Result<()> {
        let ledger = self.ledger(capture);
        self.store.acts(&capture.name, &mut |_, event| {
            seen.push(&event, ledger);
            Ok(())
        })?;
        self.close(capture, seen);
        Ok(())
    }

    /// The evidence of a capture.
    pub fn ledger(&self, capture: &CaptureRef) -> &Ledger {
        const NONE: &Ledger = &Ledger::NONE;
        self.ledgers.get(&capture.name).unwrap_or(NONE)
    }

    /// When time zero of a capture was: as it was recorded, else as the stamps of a saved log say.
    fn zero(&self, capture: &CaptureRef) -> Option<Anchor> {
        capture.started.or_else(|| self.stamped.get(&capture.name).copied())
    }

    /// What the keypad lines did in the blocks of a provocation.
    pub fn block_lines(&self, capture: &CaptureRef) -> BlockLines {
        self.blocks.get(&capture.name).cloned().unwrap_or_default()
    }

    /// Ends a capture whose events an observation has taken.
    pub fn close(&self, capture: &CaptureRef, seen: &mut Seen) {
        // A missing capture adds nothing, and takes nothing from the others.
        if self.indexed.contains_key(&capture.name) {
            seen.hands_off &= capture.hands == Hands::Off;
            seen.close(self.ledger(capture).clone(), self.zero(capture));
        }
    }

    /// Gives the events of a capture.
    ///
    /// # Errors
    /// What `take` gives; `System` when the disk fails.
    pub fn events(&self, capture: &CaptureRef, take: &mut dyn FnMut(Event) -> Result<()>) -> Result<()> {
        self.store.events(&capture.name, take)
    }

    /// Gives the events of a capture that are no readings.
    ///
    /// # Errors
    /// What `take` gives; `System` when the disk fails.
    pub fn acts(&self, capture: &CaptureRef, take: &mut dyn FnMut(Event) -> Result<()>) -> Result<()> {
        self.store.acts(&capture.name, &mut |_, event| take(event))
    }

    /// Gives the keypad readings of a capture.
    ///
    /// # Errors
    /// What `take` gives; `System` when the disk fails.
    pub fn readings(&self, capture: &CaptureRef, take: &mut Take<'_>) -> Result<()> {
        self.store.packed(&capture.name, take)
    }

    /// The chassis that decoded the keypad of a capture.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn keypad_chassis(&self, capture: &CaptureRef) -> Result<Option<String>> {
        let decoder = self.store.keypad_decoder(&capture.name)?;
        Ok(decoder.and_then(|decoder| decoder.split('@').next().map(str::to_owned)))
    }

    /// The observed stretch of a capture, when its time is known.
    pub fn span(&self, capture: &CaptureRef) -> Option<Span> {
        self.indexed.get(&capture.name).and_then(|entry| entry.span)
    }

    /// The strays of a stage's hands-off captures, or the input of its hands-on ones. Captures with prompts
    /// and provocations are left out of the latter: they are judged by what was asked for.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn seen(&self, stage: &Stage, hands: Hands) -> Result<Seen> {
        let mut seen = Seen::with_latency(hands == Hands::Off, self.causes.latency());
        for capture in stage.captures.iter().filter(|capture| capture.hands == hands) {
            let by_hand = capture.prompts.is_empty() && capture.provocation.is_none();
            if hands == Hands::Off || by_hand {
                self.add(capture, &mut seen)?;
            }
        }
        Ok(seen)
    }

    /// The stages, each with the strays of its hands-off captures.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn stages(&self) -> Result<Vec<StageSeen>> {
        let seen: Vec<Seen> =
            self.job.stages().iter().map(|stage| self.seen(stage, Hands::Off)).collect::<Result<_>>()?;
        let judged: BTreeSet<PathId> = seen.iter().flat_map(Seen::strayed).collect();
        let stage = |(stage, seen): (&Stage, Seen)| StageSeen {
            number: stage.number,
            text: stage.text.clone(),
            step: stage.step.clone(),
            observation: seen.observation(&judged),
            seen,
            captures: stage.captures.clone(),
        };
        Ok(self.job.stages().iter().zip(seen).map(stage).collect())
    }

    /// What was seen in these stages (by index) together.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn pooled(&self, stages: &[StageSeen], members: &[usize]) -> Result<Observation> {
        let judged: BTreeSet<PathId> = stages.iter().flat_map(|stage| stage.seen.strayed()).collect();
        let mut seen = Seen::with_latency(true, self.causes.latency());
        let captures =
            members.iter().filter_map(|place| stages.get(*place)).flat_map(|stage| &stage.captures);
        for capture in captures.filter(|capture| capture.hands == Hands::Off) {
            self.add(capture, &mut seen)?;
        }
        Ok(seen.observation(&judged))
    }

    /// What the cadences of all captures so far teach the next one.
    pub fn taught(&self) -> BTreeMap<PathId, Cadence> {
        taught(self.job.captures().map(|capture| self.ledger(capture)))
    }
}

type Chassis = std::sync::Arc<crate::decode::chassis::Chassis>;

/// The job's chassis, named or as its captures were recognised.
///
/// # Errors
/// `System` when the disk fails, `Usage` when the chassis is not known.
pub fn chassis(loaded: &Loaded, protocols: &Protocols) -> Result<Option<Chassis>> {
    if let Some(name) = &loaded.job.info().chassis {
        return protocols.library.chassis(name).map(Some);
    }
    for capture in loaded.job.captures() {
        if let Some(name) = loaded.keypad_chassis(capture)? {
            return protocols.library.chassis(&name).map(Some);
        }
    }
    Ok(None)
}

/// What the index keeps of a capture's decoding.
#[derive(Default, Serialize, Deserialize)]
struct Kept {
    #[serde(flatten)]
    ledger: Ledger,
    /// The chassis that fits better than the one by which it was read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    other_chassis: Option<String>,
    /// Of a provocation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    blocks: Option<BlockLines>,
    /// When its time zero was, nanoseconds since 1970, where the capture itself says so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    zero_unix_ns: Option<i64>,
}

fn kept(store: &Store, capture: &str) -> Result<Option<Kept>> {
    Ok(store.finding(capture, LEDGER)?.and_then(|text| serde_json::from_str(&text).ok()))
}

/// The keys that were asked for in a capture, with what answered; none of one that still runs.
///
/// # Errors
/// `System` when the disk fails.
pub fn prompted(store: &Store, capture: &str) -> Result<Vec<Prompted>> {
    Ok(kept(store, capture)?.map(|kept| kept.ledger.prompts).unwrap_or_default())
}

/// What the cadences of these captures teach the next one.
pub fn taught<'a>(ledgers: impl Iterator<Item = &'a Ledger>) -> BTreeMap<PathId, Cadence> {
    ledgers.flat_map(Ledger::teaches).collect()
}

/// First and last instant of a capture whose times can be trusted.
pub fn timed(summary: &Summary) -> Option<Span> {
    summary.span.filter(|_| summary.timed)
}

fn is_live(capture: &CaptureRef) -> bool {
    matches!(capture.source, CaptureSource::Live { .. })
}
