//! Debug text of a chassis that may have to be recognised first.

use std::sync::Arc;

use crate::base::{
    Cause, ControlPath, Error, Event, EventKind, Name, Nanoseconds, Result, is_line_end, quote,
};
use crate::decode::Counters;
use crate::decode::chassis::Chassis;
use crate::decode::decoder::Decoder;
use crate::decode::library::Library;
use crate::decode::recognise::Recognition;
use crate::decode::report::Report;
use crate::decode::set_clock::TimeBasis;
use crate::source::Mark;

/// Bytes of a file from which the chassis is recognised; always the first ones, so that the choice does not
/// depend on how the bytes came.
pub(crate) const SAMPLE: usize = 64 << 10;
/// A live port is asked after every so many further bytes.
const LIVE_STEP: usize = 256;

/// How the chassis came to be chosen.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Choice {
    /// Name of the chassis.
    pub name: String,
    /// Whether it was named by the user.
    pub given: bool,
    /// Score of the recognition, 0 to 1; absent when the chassis was named.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub score: Option<f64>,
    /// How far it was ahead of the second, 0 to 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub margin: Option<f64>,
    /// The choice in words.
    pub because: String,
}

/// What came before the chassis was known.
enum Held {
    Bytes { arrival: Option<Nanoseconds>, offset: u64, bytes: Vec<u8> },
    Cut,
}

enum State {
    Listening {
        held: Vec<Held>,
        sample: Vec<u8>,
        asked: usize,
    },
    Decoding(Box<dyn Decoder>),
    /// A live port that no chassis fits: it is heard and not understood.
    Unknown,
}

/// Bytes to events, the chassis being recognised from the first of them when it is not known.
pub struct TextStage {
    library: Arc<Library>,
    capture: Name,
    live: bool,
    state: State,
    choice: Option<Choice>,
    /// Whether somebody asks what was met beside the events.
    reported: bool,
    /// The step of the arrivals.
    quantum: Nanoseconds,
    chassis: Option<Arc<Chassis>>,
}

impl TextStage {
    /// For one capture. `chassis` names the chassis; `live` asks early and often instead of waiting for a
    /// full sample.
    ///
    /// # Errors
    /// `Usage` when no chassis has that name.
    pub fn new(library: Arc<Library>, chassis: Option<&str>, capture: Name, live: bool) -> Result<Self> {
        let (state, choice, chassis) = match chassis {
            Some(name) => {
                let chassis = library.chassis(name)?;
                let choice = Choice {
                    name: chassis.name().to_owned(),
                    given: true,
                    score: None,
                    margin: None,
                    because: "named".to_owned(),
                };
                (decoding(&chassis, &capture), Some(choice), Some(chassis))
            }
            None => (State::Listening { held: Vec::new(), sample: Vec::new(), asked: 0 }, None, None),
        };
        Ok(Self {
            library,
            capture,
            live,
            state,
            choice,
            reported: false,
            quantum: Nanoseconds::ZERO,
            chassis,
        })
    }

    /// Takes bytes as they come.
    ///
    /// # Errors
    /// `Input` when a full sample is of no known chassis; a live stage says so once, and is deaf from then on.
    pub fn push(
        &mut self,
        arrival: Option<Nanoseconds>,
        offset: u64,
        bytes: &[u8],
        out: &mut Vec<Event>,
    ) -> Result<()> {
        match &mut self.state {
            State::Decoding(decoder) => {
                decoder.push(arrival, offset, bytes, out);
                Ok(())
            }
            State::Unknown => Ok(()),
            State::Listening { held, sample, asked } => {
                let room = SAMPLE.saturating_sub(sample.len());
                sample.extend_from_slice(&bytes[..bytes.len().min(room)]);
                held.push(Held::Bytes { arrival, offset, bytes: bytes.to_vec() });
                let due = if self.live { *asked + LIVE_STEP } else { SAMPLE };
                if sample.len() >= due.min(SAMPLE) {
                    *asked = sample.len();
                    let full = sample.len() >= SAMPLE;
                    self.choose(full, out)?;
                }
                Ok(())
            }
        }
    }

    /// Takes what happened to the capture itself, and appends its event.
    pub fn mark(&mut self, mark: Mark, out: &mut Vec<Event>) {
        if mark.what.is_gap() {
            self.cut(out);
        }
        let mut event = Event::new(mark.t, ControlPath::System, EventKind::Fault);
        event.note = Some(mark.what.to_string().into());
        event.capture = Some(Arc::clone(&self.capture));
        out.push(event);
    }

    fn cut(&mut self, out: &mut Vec<Event>) {
        match &mut self.state {
            State::Decoding(decoder) => decoder.cut(out),
            State::Unknown => {}
            State::Listening { held, sample, .. } => {
                held.push(Held::Cut);
                if sample.len() < SAMPLE {
                    sample.push(b'\n');
                }
            }
        }
    }

    /// Asks the library; `must` makes "none of these" an error.
    fn choose(&mut self, must: bool, out: &mut Vec<Event>) -> Result<()> {
        let State::Listening { held, sample, .. } = &mut self.state else { return Ok(()) };
        let recognition = self.library.recognise(sample);
        let Some(name) = &recognition.choice else {
            if !must {
                return Ok(());
            }
            let error = unknown(&recognition, sample);
            if self.live {
                self.state = State::Unknown;
            }
            return Err(error);
        };
        let chassis = self.library.chassis(name)?;
        let pieces = std::mem::take(held);
        self.choice = Some(Choice {
            name: name.clone(),
            given: false,
            score: recognition.ranked.first().map(|score| score.score),
            margin: Some(recognition.margin),
            because: recognition.because.clone(),
        });
        self.state = decoding(&chassis, &self.capture);
        self.chassis = Some(chassis);
        self.coarse(self.quantum);
        if self.reported {
            self.keep_reports();
        }
        for piece in pieces {
            match piece {
                Held::Bytes { arrival, offset, bytes } => self.push(arrival, offset, &bytes, out)?,
                Held::Cut => self.cut(out),
            }
        }
        Ok(())
    }

    /// Arrivals are whole multiples of `quantum`, rounded down.
    pub fn coarse(&mut self, quantum: Nanoseconds) {
        self.quantum = quantum;
        if let State::Decoding(decoder) = &mut self.state {
            decoder.coarse(quantum);
        }
    }

    /// Asks for reports from now on: see [`Decoder::reports`].
    pub fn keep_reports(&mut self) {
        self.reported = true;
        if let State::Decoding(decoder) = &mut self.state {
            decoder.keep_reports();
        }
    }

    /// Appends what was met since the last call; `fresh` are the events since then.
    pub fn reports(&mut self, fresh: &[Event], out: &mut Vec<Report>) {
        if let State::Decoding(decoder) = &mut self.state {
            decoder.reports(fresh, out);
        }
    }

    /// The chassis, once it is known.
    pub fn chassis(&self) -> Option<&Arc<Chassis>> {
        self.chassis.as_ref()
    }

    /// Tells a live stage the time.
    pub fn tick(&mut self, now: Nanoseconds, out: &mut Vec<Event>) {
        if let State::Decoding(decoder) = &mut self.state {
            decoder.tick(now, out);
        }
    }

    /// Nothing more will come.
    ///
    /// # Errors
    /// `Input` when what came is of no known chassis. No bytes at all are no error.
    pub fn finish(&mut self, out: &mut Vec<Event>) -> Result<()> {
        if let State::Listening { sample, .. } = &self.state {
            if sample.is_empty() {
                return Ok(());
            }
            self.choose(true, out)?;
        }
        if let State::Decoding(decoder) = &mut self.state {
            decoder.finish(out);
        }
        Ok(())
    }

    /// The chassis and how it was chosen, once known.
    pub fn choice(&self) -> Option<&Choice> {
        self.choice.as_ref()
    }

    /// What became of the lines so far.
    pub fn counters(&self) -> Counters {
        match &self.state {
            State::Decoding(decoder) => decoder.counters(),
            State::Listening { .. } | State::Unknown => Counters::default(),
        }
    }

    /// What the times rest on.
    pub fn time_basis(&self) -> TimeBasis {
        match &self.state {
            State::Decoding(decoder) => decoder.time_basis(),
            State::Listening { .. } | State::Unknown => TimeBasis::None,
        }
    }

    /// Time of the last line on the capture clock.
    pub fn now(&self) -> Option<Nanoseconds> {
        match &self.state {
            State::Decoding(decoder) if decoder.counters().records > 0 => Some(decoder.now()),
            _ => None,
        }
    }
}

fn decoding(chassis: &Arc<Chassis>, capture: &Name) -> State {
    State::Decoding(chassis.begin(Arc::clone(capture)))
}

fn unknown(recognition: &Recognition, sample: &[u8]) -> Error {
    let lines = sample.split(|byte| is_line_end(*byte));
    let first = lines.map(<[u8]>::trim_ascii).find(|line| !line.is_empty()).unwrap_or_default();
    let what = if recognition.is_tied() { "more than one chassis fits" } else { "no known chassis fits" };
    Error::input(format!("{what}: {}; first line: \"{}\"", recognition.because, quote(first)))
        .means(Cause::ChassisUnknown)
        .help(
            "name the chassis with --chassis if you know it; to read what the set prints: straykey decode FILE --text; \
             to describe it: straykey protocol learn FILE",
        )
}
