//! How a table of samples is laid out, found from its first lines.
//!
//! Entered: the head of the file. Left: separator, decimal mark, where the rows begin, what each column
//! is. RFC 4180 defines neither preamble nor units nor decimal mark; those follow common practice.

use crate::base::{Error, Nanoseconds, Result, quote};
use crate::source::Channel;
use crate::source::csv::body::{Body, is_cell};
use crate::source::csv::cell;
use crate::source::csv::head::{Line, lines};
use crate::source::csv::header::Header;
use crate::source::csv::rate::stated_rate;
use crate::source::csv::unit::{Name, Stated, TimeUnit};

/// Most columns that a table may have.
pub(super) const COLUMNS: usize = 1024;

/// Rows of signals are nowhere so far apart in nanoseconds, unless the times are no seconds: a firmware scans its
/// keys every 10 to 20 ms, everything else is faster.
const FAR_APART: i64 = 20_000_000;
/// Rows that show a steady rate: fewer changes may happen to keep step.
const STEADY: i64 = 16;

/// What one column holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Role {
    /// Time in units of 10^n nanoseconds.
    Time(i32),
    /// Time in a unit that is no power of ten.
    Clock(TimeUnit),
    /// Sample number.
    Index,
    /// Logic level of this channel.
    Logic(u16),
    /// Volts of this channel after multiplying.
    Analog(u16, f64),
    /// What says nothing new: a second time, a sample number beside a time.
    Skip,
    /// Nothing: the empty field behind a closing separator.
    Empty,
}

impl Role {
    /// Whether the column tells when a row was.
    pub(super) fn is_clock(self) -> bool {
        matches!(self, Self::Time(_) | Self::Clock(_) | Self::Index)
    }
}

/// The layout of one table.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub(super) separator: u8,
    /// Decimal mark.
    pub(super) point: u8,
    pub(super) roles: Vec<Role>,
    pub(super) channels: Vec<Channel>,
    /// Where the first row begins in the head.
    pub(super) body: usize,
    /// Line number of the first row.
    pub(super) line: u64,
    /// Nanoseconds between samples where the rows carry no time.
    pub(super) step_ns: Option<f64>,
    /// Instant of the sample with number 0, in nanoseconds.
    pub(super) start_ns: f64,
    /// Whether the times were taken as seconds though nothing says so.
    pub(super) assumed: bool,
    /// Time between two rows in nanoseconds, where it is steady.
    pub(super) steady_ns: Option<i64>,
}

/// Whether these first bytes are a table of samples, for the recognition of files.
pub(in crate::source) fn is_table(head: &[u8]) -> bool {
    let lines = lines(head);
    let Some(body) = Body::find(&lines, 2) else { return false };
    // Rows that are none may be damage; many of them make it a log with some numbers in it.
    if body.others * 10 > body.rows.len().max(10) {
        return false;
    }
    let Ok(header) = Header::find(&lines, &body) else {
        // A header whose names do not fit is told of when the table is read.
        return body.rows.len() > 1 && body.grows() && has_time(&lines, &body);
    };
    match header {
        Some(header) => {
            let timed = header.names.iter().any(|name| name.is_time() || name.is_index());
            let levels = body.rows.iter().flatten().all(|cell| cell::level(cell, b'.').is_some());
            (timed && !body.rows.is_empty()) || levels || header.step_ns.is_some()
        }
        None => {
            let others_are_samples = (1..body.fields).all(|i| {
                let mut column = body.rows.iter().filter_map(|row| row.get(i));
                column.clone().all(|cell| cell::level(cell, b'.').is_some())
                    || column.all(|cell| cell.iter().any(|b| matches!(b, b'.' | b',')))
            });
            body.rows.len() > 1 && body.grows() && others_are_samples
        }
    }
}

/// Whether these first bytes are rows of levels and numbers, be they samples or not.
pub(in crate::source) fn may_be_table(head: &[u8]) -> bool {
    let lines = lines(head);
    Body::find(&lines, 2)
        .is_some_and(|body| body.rows.len() > 1 && body.others * 10 <= body.rows.len().max(10))
}

/// The channels that these first bytes would have as a table.
pub(in crate::source) fn channel_names(head: &[u8]) -> Vec<String> {
    let layout = Layout::find(head, None).or_else(|_| Layout::find(head, Some(1.0)));
    layout.map_or_else(
        |_| Vec::new(),
        |layout| layout.channels.into_iter().map(|channel| channel.name).collect(),
    )
}

/// Whether the line above the rows names a time.
fn has_time(lines: &[Line<'_>], body: &Body<'_>) -> bool {
    let mut above = lines.get(..body.first).unwrap_or_default().iter().rev();
    above.find(|line| !line.is_blank()).is_some_and(|line| {
        let names = line.without_comment(body.separator).fields(body.separator);
        names.iter().any(|name| Name::parse(name).is_time())
    })
}

impl Layout {
    /// Finds the layout; `rate_hz` is the sample rate that the caller knows.
    ///
    /// # Errors
    /// `Input` with line and help: no rows, no time column, decimal comma between commas, no unit.
    pub(super) fn find(head: &[u8], rate_hz: Option<f64>) -> Result<Self> {
        let lines = lines(head);
        let least = if rate_hz.is_some() { 1 } else { 2 };
        let body = Body::find(&lines, least).ok_or_else(|| no_rows(&lines))?;
        if body.fields > COLUMNS {
            return Err(Error::input(format!("the table has {} columns, more than {COLUMNS}", body.fields))
                .help("export only the channels of the control paths"));
        }
        let first = lines.get(body.first);
        let line = first.map_or(1, |line| line.number);
        let header = Header::find(&lines, &body)?;
        body.refuse_marks(line)?;
        let mut layout = Self {
            separator: body.separator,
            point: body.point(),
            roles: Vec::new(),
            channels: Vec::new(),
            body: first.map_or(0, |line| line.offset),
            line,
            step_ns: rate_hz.map(|rate| 1e9 / rate),
            start_ns: 0.0,
            assumed: false,
            steady_ns: None,
        };
        if rate_hz.is_none()
            && let Some(header) = &header
        {
            layout.step_ns = header.step_ns;
            layout.start_ns = header.start_ns.unwrap_or(0.0);
        }
        let above = lines.get(..body.first).unwrap_or_default();
        let names = header.as_ref().map(|header| header.names.as_slice()).unwrap_or_default();
        let clock = layout.clock(&body, names, above)?;
        for column in 0..body.fields {
            let name = names.get(column);
            let role = match clock {
                Some((at, role)) if at == column => role,
                _ if name.is_some_and(|name| name.is_start() || name.is_increment())
                    && layout.step_ns.is_some() =>
                {
                    Role::Skip
                }
                Some(clock) if name.is_some_and(|name| name.is_time() || name.is_index()) => {
                    layout.same_time(&body, names, clock, column)?
                }
                _ => layout.channel(&body, column, name)?,
            };
            layout.roles.push(role);
        }
        layout.steady_ns = layout.steady(&body, clock);
        if layout.channels.is_empty() {
            return Err(Error::input("the table has a time column and nothing beside it")
                .line(line, None)
                .help("export at least one channel with it"));
        }
        Ok(layout)
    }

    /// Whether each row carries its time or its number.
    pub(super) fn is_timed(&self) -> bool {
        self.roles.iter().any(|role| role.is_clock())
    }

    /// The column that carries the time; `None` when the rows are counted.
    fn clock(
        &mut self,
        body: &Body<'_>,
        names: &[Name],
        above: &[Line<'_>],
    ) -> Result<Option<(usize, Role)>> {
        let mut timed = names.iter().enumerate().filter(|(_, name)| name.is_time());
        let unit = |name: &Name| matches!(name.time_unit, Stated::Unit(_));
        // Of several, one that names its unit.
        if let Some((at, _)) = timed.clone().find(|(_, name)| unit(name)).or_else(|| timed.next()) {
            return self.time_role(body, at, names.get(at), above).map(|role| Some((at, role)));
        }
        let axis = |name: &Name| self.step_ns.is_some() && name.is_axis();
        if let Some(at) = names.iter().position(|name| name.is_index() || axis(name)) {
            return if self.rated(above)? { Ok(Some((at, Role::Index))) } else { Err(self.no_time(true)) };
        }
        let unnamed = names.first().is_none_or(|name| name.text.trim().is_empty());
        if unnamed && body.fields > 1 && body.grows() {
            return self.time_role(body, 0, None, above).map(|role| Some((0, role)));
        }
        if self.rated(above)? { Ok(None) } else { Err(self.no_time(false)) }
    }

    /// Whether the time between two samples is known, be it from a line above the rows.
    fn rated(&mut self, above: &[Line<'_>]) -> Result<bool> {
        for line in above {
            if self.step_ns.is_some() {
                break;
            }
            let rate = stated_rate(line.text).map_err(|error| error.line(line.number, None))?;
            self.step_ns = rate.map(|rate| 1e9 / rate);
        }
        Ok(self.step_ns.is_some())
    }

    fn time_role(
        &mut self,
        body: &Body<'_>,
        at: usize,
        name: Option<&Name>,
        above: &[Line<'_>],
    ) -> Result<Role> {
        match name.map(|name| &name.time_unit) {
            Some(Stated::Unit(TimeUnit { power, times: 1 })) => return Ok(Role::Time(*power)),
            Some(Stated::Unit(unit)) => return Ok(Role::Clock(*unit)),
            Some(Stated::Unknown(unit)) => {
                let what = format!("`{}` is no unit of time that is known", quote(unit.as_bytes()));
                return Err(Error::input(what)
                    .line(self.line.saturating_sub(1).max(1), None)
                    .help("write s, ms, us, ns or min into the header of the time column, as `Time [us]`"));
            }
            Some(Stated::Nothing) | None => {}
        }
        let fraction = |cell: &&[u8]| cell.iter().any(|b| matches!(b, b'.' | b',' | b'e' | b'E'));
        if body.rows.iter().filter_map(|row| row.get(at)).any(fraction) {
            self.assumed = true;
            return self.plausible(body, at).map(|()| Role::Time(9));
        }
        if self.rated(above)? {
            return Ok(Role::Index);
        }
        Err(Error::input("the time column holds whole numbers and names no unit")
            .line(self.line, Some(1))
            .help(
                "write the unit into the header, as `Time [us]`, or give the sample rate (--sample-rate HZ)",
            ))
    }

    /// Refuses times of no named unit that are too far apart for seconds.
    fn plausible(&self, body: &Body<'_>, at: usize) -> Result<()> {
        let cells = body.rows.iter().filter_map(|row| row.get(at));
        let times: Vec<i64> =
            cells.filter_map(|cell| cell::time(cell, TimeUnit::SECOND, self.point)).collect();
        let gaps = times.windows(2).filter_map(|pair| match pair {
            [a, b] if b > a => Some(b - a),
            _ => None,
        });
        let mut gaps: Vec<i64> = gaps.collect();
        gaps.sort_unstable();
        // The middle one: two channels may change at nearly the same time.
        match gaps.get(gaps.len() / 2).copied() {
            Some(middle) if middle >= FAR_APART => Err(Error::input(format!(
                "the time column names no unit, and in seconds half of its rows would be {} s apart or more",
                Nanoseconds(middle)
            ))
            .line(self.line, None)
            .help("write the unit into the header of the time column, as `Time [ms]`, or `Time [s]`")),
            _ => Ok(()),
        }
    }

    /// A second time column, or a sample number beside the time: passed over where it tells the same.
    fn same_time(
        &self,
        body: &Body<'_>,
        names: &[Name],
        clock: (usize, Role),
        column: usize,
    ) -> Result<Role> {
        let (at, role) = clock;
        let name = names.get(column);
        if name.is_some_and(Name::is_index) {
            return Ok(Role::Skip);
        }
        let scale = |role: Role| match role {
            Role::Time(power) => 10f64.powi(power),
            #[allow(clippy::cast_precision_loss)]
            Role::Clock(unit) => unit.times as f64 * 10f64.powi(unit.power),
            _ => self.step_ns.unwrap_or(1.0),
        };
        let other = match name.map(|name| &name.time_unit) {
            Some(Stated::Unit(unit)) => Some(Role::Clock(*unit)),
            _ => None,
        };
        let times = |column: usize, role: Role| -> Vec<f64> {
            let cells = body.rows.iter().filter_map(|row| cell::number(row.get(column)?, self.point));
            cells.map(|number| number * scale(role)).collect()
        };
        let (ours, theirs) = (times(at, role), times(column, other.unwrap_or(role)));
        let since = |times: &[f64], i: usize| Some(times.get(i)? - times.first()?);
        let last = |times: &[f64]| since(times, times.len().saturating_sub(1)).unwrap_or(0.0);
        let span = last(&ours);
        // Where the other names no unit it may have any.
        let scale = if other.is_none() && last(&theirs) > 0.0 { span / last(&theirs) } else { 1.0 };
        // Rounded to the digits that an export prints; a constant offset is another zero of the same clock.
        let close = |i: usize| match (since(&ours, i), since(&theirs, i)) {
            (Some(a), Some(b)) => (a - b * scale).abs() <= 1e-3 * span,
            _ => false,
        };
        if ours.len() == theirs.len() && (0..ours.len()).all(close) {
            return Ok(Role::Skip);
        }
        let text = |at: usize| names.get(at).map_or_else(String::new, |name| quote(name.text.as_bytes()));
        Err(Error::input(format!(
            "the time columns `{}` and `{}` tell different times",
            text(at),
            text(column)
        ))
        .line(self.line, None)
        .help("export the channels of each time base into a file of their own, or remove one time column"))
    }

    /// The time between two rows of the head, where it is steady but for the digits that the export prints.
    fn steady(&self, body: &Body<'_>, clock: Option<(usize, Role)>) -> Option<i64> {
        let Some((at, role)) = clock else { return whole_step(self.step_ns?) };
        let (unit, exact) = match role {
            Role::Time(power) => (TimeUnit { power, times: 1 }, false),
            Role::Clock(unit) => (unit, false),
            _ => (TimeUnit { power: 0, times: 1 }, true),
        };
        let cells = body.rows.iter().filter_map(|row| row.get(at));
        let times: Vec<i64> = cells.filter_map(|cell| cell::time(cell, unit, self.point)).collect();
        if exact {
            // Sample numbers in a row; of those that leave some out each stands for a change.
            let each = times.windows(2).all(|pair| matches!(pair, [a, b] if b.checked_sub(*a) == Some(1)));
            return if each { whole_step(self.step_ns?) } else { None };
        }
        let gaps = times.windows(2).map(|pair| match pair {
            [a, b] => b.saturating_sub(*a),
            _ => 0,
        });
        let count = i64::try_from(times.len()).ok()?;
        let mean = times.last()?.checked_sub(*times.first()?)? / (count - 1).max(1);
        let (least, most) = gaps.fold((i64::MAX, 0), |(least, most), gap| (least.min(gap), most.max(gap)));
        let steady = count >= STEADY && least > 0 && most - least <= (mean / 4).max(2);
        steady.then_some(mean)
    }

    fn no_time(&self, indexed: bool) -> Error {
        let what = if indexed {
            "the rows carry sample numbers but no time"
        } else {
            "the table has no time column"
        };
        Error::input(what).line(self.line, None).help(
            "give the sample rate (--sample-rate HZ), or export with a time column whose header names the unit, as `Time [s]`",
        )
    }

    /// What a column other than the time holds.
    fn channel(&mut self, body: &Body<'_>, column: usize, name: Option<&Name>) -> Result<Role> {
        let cells = || body.rows.iter().filter_map(|row| row.get(column)).filter(|cell| !cell.is_empty());
        if cells().next().is_none() && name.is_none_or(|name| name.text.is_empty()) {
            return Ok(Role::Empty);
        }
        let number = u16::try_from(self.channels.len()).unwrap_or(u16::MAX);
        let volts = name.and_then(|name| name.volts);
        let words = || cells().all(|cell| cell::number(cell, self.point).is_none());
        let logic =
            (volts.is_none() || words()) && cells().all(|cell| cell::level(cell, self.point).is_some());
        if !logic && let Some(cell) = cells().find(|cell| cell::number(cell, self.point).is_none()) {
            return Err(Error::input(format!("`{}` is neither a level nor a number", quote(cell)))
                .line(self.line, None)
                .help("a column holds levels (0 1, L H, True False) or volts, not both"));
        }
        let text = match name {
            Some(name) if !name.text.is_empty() => name.text.clone(),
            _ => format!("CH{number}"),
        };
        self.channels.push(Channel { name: text, analog: !logic });
        Ok(if logic { Role::Logic(number) } else { Role::Analog(number, volts.unwrap_or(1.0)) })
    }
}

#[allow(clippy::cast_possible_truncation)]
fn whole_step(step_ns: f64) -> Option<i64> {
    (1.0..9.2e18).contains(&step_ns).then(|| step_ns.round() as i64)
}

fn no_rows(lines: &[Line<'_>]) -> Error {
    let mut rest = lines.iter();
    let Some((line, separator)) = rest.find_map(|line| Some((line, separator_of_names(line)?))) else {
        return Error::input("no rows of samples were found").help(
            "expected lines such as `0.000125,1,0`: a time and one level or voltage a channel, with `,`, `;` or tab \
             between them",
        );
    };
    let row = rest.find(|line| !line.is_blank());
    let Some((row, cell)) = row.and_then(|row| {
        let cell =
            row.without_comment(separator).fields(separator).into_iter().find(|cell| !is_cell(cell))?;
        Some((row, String::from_utf8_lossy(cell.get(..40).unwrap_or(cell)).into_owned()))
    }) else {
        return Error::input("the table has a header and no rows")
            .line(line.number, None)
            .help("the capture seems to be empty; export it again");
    };
    let bits = cell.starts_with("0x") || cell.starts_with("0X") || cell.ends_with(['h', 'H']);
    let number = cell.starts_with(|c: char| c.is_ascii_digit() || c == '-');
    let error =
        Error::input(format!("a cell is neither a number nor a level: `{cell}`")).line(row.number, None);
    let date = cell.split(['-', '.', '/']).filter(|part| !part.is_empty()).count() == 3;
    error.help(if cell.contains(':') || date && number {
        "export times as seconds, not as dates or times of day; leave a column of dates out"
    } else if bits {
        "export each bit of the bus as a channel of its own"
    } else if cell.contains([' ', '|']) && number {
        "export with `,`, `;` or tab between the fields; the unit goes into the header, as `Time [us]`, and plain \
         numbers into the rows, without marks between thousands"
    } else {
        "expected lines such as `0.000125,1,0`: a time and one level or voltage a channel"
    })
}

/// The separator by which a line holds the name of a time column, and the most names.
fn separator_of_names(line: &Line<'_>) -> Option<u8> {
    let named = |s: &u8| line.fields(*s).iter().any(|name| Name::parse(name).is_time());
    [b',', b';', b'\t'].into_iter().filter(named).max_by_key(|s| line.fields(*s).len())
}
