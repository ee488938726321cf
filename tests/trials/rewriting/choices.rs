//! In what ways a table may be written, and what can be asked of a reader of each.

use std::fmt;

/// What may differ, and how. The first of each is the plain way.
pub(super) const CHOICES: [&[&str]; 11] = [
    &[
        "Time [s]",
        "time(ms)",
        "Time_us",
        "Time [ns]",
        "Time [uS]",
        "Time [µS]",
        "Time [mS]",
        "Time [msecs]",
        "Time [usecs]",
        "Time [ms.]",
        "Time [min]",
        "Time [microsec]",
        "TIME(MS)",
        "Time (µs)",
        "Time in ms",
        "t/s",
        "Timestamp [ps]",
        "Time",
        "seconds",
        "ms",
        "TIME [SEC]",
        "Time, milliseconds",
        "time μs",
        "Time sec.",
        "Time [fortnights]",
        "Time [m]",
        "Time Ms",
        "x-axis [us]",
        "Elapsed time (µsec)",
        "Time [hours]",
    ],
    &["utf-8", "utf-8 mark", "latin-1", "utf-16 little", "utf-16 big", "utf-16 unmarked", "gzip"],
    &[",", ";", "tab", "|", " "],
    &["point", "comma", "quoted comma", "quoted point", "thousands"],
    &["lf", "crlf", "cr"],
    &[
        "names",
        "units below",
        "preamble",
        "comment",
        "blank lines",
        "none",
        "banner",
        "units above",
        "types below",
    ],
    &["ir aux", "aux ir", "time last", "time between"],
    &[
        "none",
        "closing separator",
        "closing in rows",
        "closing in header",
        "index",
        "second time",
        "other time",
        "spare",
        "twin name",
        "start and increment",
        "start in units",
        "time each",
    ],
    &[
        "none",
        "separator",
        "end of data",
        "blank",
        "hole",
        "cut",
        "two closing lines",
        "damaged",
        "end mark",
        "summary",
    ],
    &[
        "01",
        "lh",
        "words",
        "exponent",
        "3.3 V",
        "1.8 V",
        "5 V",
        "mV",
        "mV unnamed",
        "1.2 V",
        "noisy 1.8 V",
        "0.9 V",
        "µV",
        "around zero",
    ],
    &[
        "changes",
        "sampled",
        "rate in Hz",
        "rate in kHz",
        "rate grouped",
        "rate pointed",
        "interval",
        "interval named",
        "interval bare",
    ],
];

pub(super) const UNIT: usize = 0;
pub(super) const ENCODING: usize = 1;
pub(super) const SEPARATOR: usize = 2;
pub(super) const MARK: usize = 3;
pub(super) const ENDS: usize = 4;
pub(super) const HEADER: usize = 5;
pub(super) const ORDER: usize = 6;
pub(super) const EXTRA: usize = 7;
pub(super) const TRAILER: usize = 8;
pub(super) const LEVELS: usize = 9;
pub(super) const SAMPLES: usize = 10;

#[derive(Clone, Copy)]
pub(super) struct Way([usize; CHOICES.len()]);

impl fmt::Display for Way {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let odd = (0..CHOICES.len()).filter(|dimension| self.0[*dimension] > 0);
        write!(f, "[{}]", odd.map(|dimension| self.get(dimension)).collect::<Vec<_>>().join(" | "))
    }
}

impl Way {
    pub(super) fn plain() -> Self {
        Self([0; CHOICES.len()])
    }

    pub(super) fn with(mut self, dimension: usize, choice: usize) -> Self {
        self.0[dimension] = choice;
        self
    }

    pub(super) fn get(&self, dimension: usize) -> &'static str {
        CHOICES[dimension][self.0[dimension]]
    }

    pub(super) fn is(&self, dimension: usize, choices: &[&str]) -> bool {
        choices.contains(&self.get(dimension))
    }

    /// Whether nothing in this way can be understood in two ways, or is damaged.
    pub(super) fn is_clear(&self) -> bool {
        // A unit that is none, and what can be half of one.
        let unit = !self.is(UNIT, &["Time [fortnights]", "Time [m]"]);
        // `Time` and `time μs` alike; whole numbers of an unnamed unit are not written here.
        let comma = self.is(MARK, &["comma"]) && self.is(SEPARATOR, &[","]);
        let cut =
            self.is(MARK, &["quoted comma"]) && self.is(SEPARATOR, &[","]) && self.is(TRAILER, &["cut"]);
        let mark = !(self.is(MARK, &["thousands"]) || comma || cut);
        // Without a header the time must come first, and nothing else may look like it.
        let header = self.is(HEADER, &["names", "units below", "preamble", "comment", "blank lines"])
            || (self.is(HEADER, &["none", "banner"])
                && self.is(ORDER, &["ir aux", "aux ir"])
                && self.is(EXTRA, &["none", "spare", "closing in rows", "closing separator"])
                && self.is(UNIT, &["Time", "Time [s]", "seconds", "t/s", "TIME [SEC]", "Time sec."])
                && self.is(LEVELS, &["01", "lh", "words", "exponent", "3.3 V", "1.8 V"]));
        let separator = !self.is(SEPARATOR, &["|", " "]);
        let extra = !self.is(EXTRA, &["other time", "twin name"]);
        // A closing row of figures looks like a damaged one.
        let trailer = !self.is(TRAILER, &["damaged", "summary"]);
        let samples = !self.is(SAMPLES, &["rate grouped", "rate pointed", "interval bare"]);
        unit && separator && mark && header && extra && trailer && samples
    }

    /// Whether nothing says that the times are no seconds, and they could be: those of minutes and more look like
    /// those of a quicker signal.
    pub(super) fn is_silent(&self) -> bool {
        self.is(HEADER, &["none", "banner", "units above", "types below"])
            && self.is(UNIT, &["Time [min]", "Time [hours]", "Time [fortnights]"])
    }
}
