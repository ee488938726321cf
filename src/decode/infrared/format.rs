//! One declared format: what its file says, compiled, with every mistake shown at its place.
//!
//! ```toml
//! [format]
//! name       = "nec"
//! version    = 1
//! about      = "what it is"
//! source     = "where the facts come from"
//! carrier_hz = 38_000
//! unit_us    = 562.5
//! leader     = [16, 8]                     # mark, space, in units; absent when there is none
//! coding     = { kind = "pulse-distance", zero = [1, 1], one = [1, 3] }
//! #            { kind = "pulse-width", zero = [1, 1], one = [2, 1] }: no mark after the last bit
//! #            { kind = "biphase", one = "mark-space" }: or "space-mark"; 0 is the opposite
//! order      = "lsb"                       # the first bit of a field on air is its least significant; or "msb"
//! layout     = "AAAAAAAA aaaaaaaa CCCCCCCC cccccccc"
//! address    = "A"                         # letters and constant bits, joined, most significant first
//! command    = "C"
//! toggle     = "T"                         # a field of one bit, absent when there is none
//! check      = ["a = not A", "c = not C"]  # all must hold
//! one_of     = []                          # further checks of which one should hold; else the frame is unchecked
//! doubt      = []                          # frames that meet one of these are trusted only when seen twice
//! repeat     = { frame = "short", leader = [16, 4], period_us = 110_000 }
//! #            frame = "whole" | "short" | "bare" (without the leader) | "either" (whole or short)
//! quiet_us   = 3_000                       # shortest space that ends a frame
//! pause_us   = 40_000                      # between the two parts of a layout with `|`
//! tolerance  = 0.4                         # timing error allowed after the fit, in units
//! clock      = 0.1                         # relative clock error allowed
//! shares     = [{ format = "other", reason = "why it may claim a frame of this one" }]
//! ```

use std::ops::Range;
use std::path::Path;

use serde::Deserialize;
use toml::Spanned;

use crate::base::{Error, Name};
use crate::decode::file;
use crate::decode::infrared::coding::{Air, Coding};
use crate::decode::infrared::layout::{Check, Layout, Operand};

/// A frame of fewer redundant bits than this proves nothing by itself.
pub(crate) const CHECKED_BITS: u32 = 8;

/// How a held key is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RepeatForm {
    /// The frame again.
    Whole,
    /// A short frame without a code.
    Short,
    /// The frame without its leader.
    Bare,
    /// The frame again, or a short frame.
    Either,
}

#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct DeclaredRepeat {
    pub(crate) frame: RepeatForm,
    pub(crate) leader: Option<[f64; 2]>,
    #[serde(default)]
    pub(crate) bits: u8,
    pub(crate) period_us: f64,
}

#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
enum DeclaredCoding {
    PulseDistance { zero: [f64; 2], one: [f64; 2] },
    PulseWidth { zero: [f64; 2], one: [f64; 2] },
    Biphase { one: Halves },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
enum Halves {
    MarkSpace,
    SpaceMark,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
enum Order {
    Lsb,
    Msb,
}

/// Another format that may claim a frame of this one.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Shared {
    /// Its name.
    pub format: String,
    /// Why that cannot be helped.
    pub reason: String,
}

#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Declared {
    #[schemars(with = "String")]
    name: Spanned<String>,
    version: u32,
    about: String,
    source: String,
    #[schemars(with = "f64")]
    carrier_hz: Spanned<f64>,
    #[schemars(with = "f64")]
    unit_us: Spanned<f64>,
    leader: Option<[f64; 2]>,
    #[schemars(with = "DeclaredCoding")]
    coding: Spanned<DeclaredCoding>,
    order: Order,
    #[schemars(with = "String")]
    layout: Spanned<String>,
    #[schemars(with = "Option<String>")]
    address: Option<Spanned<String>>,
    #[schemars(with = "String")]
    command: Spanned<String>,
    #[schemars(with = "Option<String>")]
    toggle: Option<Spanned<String>>,
    #[serde(default)]
    #[schemars(with = "Vec<String>")]
    check: Vec<Spanned<String>>,
    #[serde(default)]
    #[schemars(with = "Vec<String>")]
    one_of: Vec<Spanned<String>>,
    #[serde(default)]
    #[schemars(with = "Vec<String>")]
    doubt: Vec<Spanned<String>>,
    #[schemars(with = "DeclaredRepeat")]
    repeat: Spanned<DeclaredRepeat>,
    #[schemars(with = "f64")]
    quiet_us: Spanned<f64>,
    #[schemars(with = "Option<f64>")]
    pause_us: Option<Spanned<f64>>,
    #[schemars(with = "f64")]
    tolerance: Spanned<f64>,
    #[serde(default = "ten_percent")]
    clock: f64,
    #[serde(default)]
    shares: Vec<Shared>,
}

fn ten_percent() -> f64 {
    0.1
}

/// One declared infrared format.
#[derive(Clone, Debug)]
pub struct Format {
    pub(crate) name: Name,
    pub(crate) decoder: Name,
    pub(crate) about: String,
    pub(crate) source: String,
    pub(crate) carrier_hz: f64,
    pub(crate) air: Air,
    pub(crate) layout: Layout,
    pub(crate) address: Option<Operand>,
    pub(crate) command: Operand,
    pub(crate) toggle: Option<usize>,
    pub(crate) checks: Vec<Check>,
    pub(crate) one_of: Vec<Check>,
    pub(crate) doubts: Vec<Check>,
    pub(crate) form: RepeatForm,
    /// Leader in nanoseconds and bits of the short repeat frame.
    pub(crate) short: Option<([f64; 2], u8)>,
    /// From frame to frame of a held key, nanoseconds.
    pub(crate) period: i64,
    /// Between the parts, nanoseconds.
    pub(crate) pause: i64,
    pub(crate) shares: Vec<Shared>,
}

impl Format {
    /// Name and version, as events carry it: `nec@1`.
    pub fn decoder(&self) -> &Name {
        &self.decoder
    }

    /// Its name, as in `format` of an event.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What it is, in words.
    pub fn about(&self) -> &str {
        &self.about
    }

    /// Where its facts come from.
    pub fn source(&self) -> &str {
        &self.source
    }

    /// Carrier in hertz.
    pub fn carrier_hz(&self) -> f64 {
        self.carrier_hz
    }

    /// Time unit in microseconds.
    pub fn unit_us(&self) -> f64 {
        self.air.unit / 1e3
    }

    /// Timing error allowed for one mark or space after clock and stretch are fitted, in microseconds.
    pub fn tolerance_us(&self) -> f64 {
        self.air.tolerance / 1e3
    }

    /// Relative clock error allowed.
    pub fn clock_limit(&self) -> f64 {
        self.air.clock
    }

    /// Bits on air.
    pub fn bits(&self) -> u8 {
        self.layout.bits
    }

    /// From frame to frame of a held key, in microseconds.
    pub fn period_us(&self) -> f64 {
        self.period as f64 / 1e3
    }

    /// Width of address and command in bits.
    pub fn widths(&self) -> (u32, u32) {
        let address = self.address.as_ref().map_or(0, |address| address.width(&self.layout));
        (address, self.command.width(&self.layout))
    }

    /// Whether the format has a toggle bit.
    pub fn has_toggle(&self) -> bool {
        self.toggle.is_some()
    }

    /// Redundant bits in a frame: constant bits and checks that always apply.
    pub fn redundancy(&self) -> u32 {
        self.layout.constants() + self.checks.iter().map(|check| check.strength(&self.layout)).sum::<u32>()
    }

    /// Whether one frame proves itself. Where it does not, a key counts from its second equal frame.
    pub fn is_checked(&self) -> bool {
        self.redundancy() >= CHECKED_BITS
    }

    /// Formats that may claim a frame of this one, at the limits of timing.
    pub fn shares(&self) -> &[Shared] {
        &self.shares
    }

    /// Compiles a declaration.
    ///
    /// # Errors
    /// `Input`, pointing at the mistake.
    pub(crate) fn compile(path: &Path, text: &str, declared: Declared) -> Result<Self, Error> {
        let place = Place { path, text };
        let name = name(place, &declared.name)?;
        let layout = layout(place, &declared)?;
        let operand = |field: &Spanned<String>| {
            Operand::parse(field.get_ref(), &layout).map_err(|what| place.wrong(field.span(), &what, None))
        };
        let check = |check: &Spanned<String>| {
            Check::parse(check.get_ref(), &layout).map_err(|what| place.wrong(check.span(), &what, None))
        };
        let checks = |list: &[Spanned<String>]| list.iter().map(check).collect::<Result<Vec<Check>, Error>>();
        let air = air(place, &declared, &layout)?;
        let unit = air.unit;
        let pause = pause(place, &declared, &layout, &air)?;
        let repeat = repeat(place, &declared.repeat, air.leader.is_some())?;
        Ok(Self {
            decoder: format!("{name}@{}", declared.version).into(),
            name,
            carrier_hz: *declared.carrier_hz.get_ref(),
            air,
            address: declared.address.as_ref().map(operand).transpose()?,
            command: operand(&declared.command)?,
            toggle: declared.toggle.as_ref().map(|field| toggle(place, &layout, field)).transpose()?,
            checks: checks(&declared.check)?,
            one_of: checks(&declared.one_of)?,
            doubts: checks(&declared.doubt)?,
            form: repeat.frame,
            short: repeat.leader.map(|leader| (leader.map(|length| length * unit), repeat.bits)),
            period: nanoseconds(repeat.period_us),
            pause,
            layout,
            about: declared.about,
            source: declared.source,
            shares: declared.shares,
        })
    }
}

/// A file under compilation, to point at.
#[derive(Clone, Copy)]
struct Place<'a> {
    path: &'a Path,
    text: &'a str,
}

impl Place<'_> {
    fn wrong(self, span: Range<usize>, what: &str, expected: Option<&str>) -> Error {
        file::mistake(self.path, self.text, span, what, expected)
    }
}

fn name(place: Place<'_>, declared: &Spanned<String>) -> Result<Name, Error> {
    let name = declared.get_ref();
    let plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    if name.is_empty() || !name.bytes().all(plain) {
        let expected = Some("expected lower-case letters, digits and hyphens");
        return Err(place.wrong(declared.span(), "the format's name is not a plain word", expected));
    }
    Ok(name.as_str().into())
}

fn layout(place: Place<'_>, declared: &Declared) -> Result<Layout, Error> {
    let layout = Layout::parse(declared.layout.get_ref(), declared.order == Order::Lsb);
    layout.map_err(|(at, what)| {
        // Behind the opening quotation mark.
        let start = declared.layout.span().start + 1 + at;
        let expected = Some("letters name fields; 0, 1, ( ) and | have their own meaning");
        place.wrong(start..start + 1, &what, expected)
    })
}

fn toggle(place: Place<'_>, layout: &Layout, declared: &Spanned<String>) -> Result<usize, Error> {
    let mut letters = declared.get_ref().chars();
    let field = letters.next().and_then(|letter| layout.field(letter));
    match field {
        Some(field) if letters.next().is_none() && layout.width(field) == 1 => Ok(field),
        _ => Err(place.wrong(declared.span(), "the toggle is not a field of one bit", None)),
    }
}

fn repeat<'a>(
    place: Place<'_>,
    declared: &'a Spanned<DeclaredRepeat>,
    has_leader: bool,
) -> Result<&'a DeclaredRepeat, Error> {
    let repeat = declared.get_ref();
    let short = matches!(repeat.frame, RepeatForm::Short | RepeatForm::Either);
    if short != repeat.leader.is_some() || !(10_000.0..1e6).contains(&repeat.period_us) {
        let expected = Some("a leader for short frames only; a period of 10 000 to 1 000 000 µs");
        return Err(place.wrong(declared.span(), "the repeat is not complete", expected));
    }
    if repeat.bits > 8 {
        return Err(place.wrong(declared.span(), "a short frame has 8 bits at most", None));
    }
    if repeat.frame == RepeatForm::Bare && !has_leader {
        return Err(place.wrong(declared.span(), "a format without leader has no bare repeat", None));
    }
    Ok(repeat)
}

/// Pause between the parts, nanoseconds; 0 where there is one part.
fn pause(place: Place<'_>, declared: &Declared, layout: &Layout, air: &Air) -> Result<i64, Error> {
    let span = declared.layout.span();
    match (&declared.pause_us, layout.bits - layout.first_part) {
        (None, 0) => Ok(0),
        (Some(pause), 0) => Err(place.wrong(
            pause.span(),
            "a frame of one part has no pause",
            Some("expected a | in the layout"),
        )),
        (_, second) if second != layout.first_part => {
            Err(place.wrong(span, "the two parts have different lengths", None))
        }
        (None, _) => Err(place.wrong(span, "a frame of two parts needs pause_us", None)),
        (Some(pause), _) if (f64::from(air.quiet) * 1.5..1e9).contains(&(pause.get_ref() * 1e3)) => {
            Ok(nanoseconds(*pause.get_ref()))
        }
        (Some(pause), _) => {
            let expected = "expected at least one and a half times quiet_us, and a second at most";
            Err(place.wrong(pause.span(), "no such pause", Some(expected)))
        }
    }
}

/// Microseconds to whole nanoseconds; the callers' ranges are far below the limits of an integer.
fn nanoseconds(micros: f64) -> i64 {
    (micros * 1e3).round() as i64
}

/// The timing of a declaration, in nanoseconds.
fn air(place: Place<'_>, declared: &Declared, layout: &Layout) -> Result<Air, Error> {
    let wrong = |span, what: &str, expected| Err(place.wrong(span, what, Some(expected)));
    let carrier = *declared.carrier_hz.get_ref();
    if !(20_000.0..=500_000.0).contains(&carrier) {
        return wrong(declared.carrier_hz.span(), "no such carrier", "expected 20 000 to 500 000 Hz");
    }
    let unit = *declared.unit_us.get_ref() * 1e3;
    if !(50e3..=5e6).contains(&unit) {
        return wrong(declared.unit_us.span(), "no such unit", "expected 50 to 5 000 µs");
    }
    let coding = coding(declared, layout, unit);
    if hides_its_beginning(declared, layout, &coding) {
        let expected = "expected a constant bit first, and behind a leader one that begins with a mark";
        return wrong(declared.layout.span(), "the beginning of a frame cannot be found", expected);
    }
    let (difference, longest) = match coding {
        Coding::Pair { zero, one, .. } => {
            ((zero[0] + zero[1] - one[0] - one[1]).abs() / 2.0, zero[1].max(one[1]))
        }
        Coding::Biphase { .. } => (unit / 2.0, 3.0 * unit),
    };
    let tolerance = *declared.tolerance.get_ref() * unit;
    let clock = declared.clock;
    if !(tolerance > 0.0 && tolerance < difference && (0.0..=0.25).contains(&clock)) {
        let expected = "expected less than half of what tells 0 from 1; a clock error of 0.25 at most";
        return wrong(declared.tolerance.span(), "no such tolerance", expected);
    }
    if !is_possible(declared, layout, &coding, unit) {
        let expected = "expected marks and spaces of 1 µs to 60 ms, and 60 bits of two halves at most";
        return wrong(declared.coding.span(), "no such coding", expected);
    }
    let quiet = *declared.quiet_us.get_ref() * 1e3;
    if !(longest * (1.0 + clock) < quiet && quiet <= 20e6) {
        let expected = "expected more than the longest space between bits, and 20 000 µs at most";
        return wrong(declared.quiet_us.span(), "no such quiet time", expected);
    }
    Ok(Air {
        unit,
        leader: declared.leader.map(|leader| leader.map(|length| length * unit)),
        coding,
        quiet: quiet as u32,
        tolerance,
        clock,
        stretch: [-5e9 / carrier, 6e9 / carrier],
    })
}

/// Whether all lengths are within what a frame can have, and bits of two halves fit into the row of their halves.
fn is_possible(declared: &Declared, layout: &Layout, coding: &Coding, unit: f64) -> bool {
    let leader = declared.leader.into_iter().chain(declared.repeat.get_ref().leader).flatten();
    let lengths = match coding {
        Coding::Pair { zero, one, .. } => [*zero, *one].concat(),
        Coding::Biphase { .. } => vec![unit],
    };
    let halves = 2 * (u32::from(layout.bits) + layout.double.count_ones());
    lengths.into_iter().chain(leader.map(|n| n * unit)).all(|length| (1e3..60e6).contains(&length))
        && (halves <= 120 || matches!(coding, Coding::Pair { .. }))
}

/// Bits of two halves need a first bit that is known, and behind a leader one that begins with a mark.
fn hides_its_beginning(declared: &Declared, layout: &Layout, coding: &Coding) -> bool {
    match (coding, layout.first_bit()) {
        (Coding::Biphase { .. }, None) => true,
        (Coding::Biphase { one_mark_first, .. }, Some(first)) => {
            declared.leader.is_some() && first != *one_mark_first
        }
        (Coding::Pair { .. }, _) => false,
    }
}

fn coding(declared: &Declared, layout: &Layout, unit: f64) -> Coding {
    let scale = |pair: [f64; 2]| pair.map(|length| length * unit);
    let pair = |zero, one, end_mark| Coding::Pair { zero: scale(zero), one: scale(one), end_mark };
    match *declared.coding.get_ref() {
        DeclaredCoding::PulseDistance { zero, one } => pair(zero, one, true),
        DeclaredCoding::PulseWidth { zero, one } => pair(zero, one, false),
        DeclaredCoding::Biphase { one } => {
            let one_mark_first = one == Halves::MarkSpace;
            let unseen = declared.leader.is_none() && layout.first_bit() != Some(one_mark_first);
            Coding::Biphase { one_mark_first, double: layout.double, bits: layout.first_part, unseen }
        }
    }
}
