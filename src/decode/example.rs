//! Runs the `[[example]]` blocks of a chassis file and shows the first difference.

use std::sync::Arc;

use crate::base::{Event, Result, write_event};
use crate::decode::Counters;
use crate::decode::chassis::Chassis;
use crate::decode::protocol::Example;
use crate::decode::recognise::decoded;
use crate::decode::shape;
use crate::decode::text::TextDecoder;
use crate::source::text::TextLog;
use crate::source::{ByteSource as _, Pulled};

/// What one example gave.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Which example of the file, counted from 1.
    pub number: usize,
    /// Line of the file on which its input stands, counted from 1.
    pub line: usize,
    /// Where its input stands in the file, in bytes.
    pub span: std::ops::Range<usize>,
    /// The first difference in words; `None` when the events are as stated.
    pub difference: Option<String>,
    /// What became of the example's lines.
    pub counters: Counters,
    /// What came out.
    pub events: Vec<Event>,
}

impl Outcome {
    /// Whether the events are as stated.
    pub fn is_right(&self) -> bool {
        self.difference.is_none()
    }
}

/// Runs every example, each on a decoder of its own, without arrival times.
pub fn run(chassis: &Arc<Chassis>) -> Vec<Outcome> {
    let examples = chassis.file().example.iter().enumerate();
    examples.map(|(i, example)| outcome(chassis, i + 1, example)).collect()
}

fn outcome(chassis: &Arc<Chassis>, number: usize, example: &Example) -> Outcome {
    let mut decoder = TextDecoder::new(Arc::clone(chassis), "example".into());
    let mut events = Vec::new();
    let (bytes, span) = input(example);
    let line = chassis.text.get(..span.start).unwrap_or_default().matches('\n').count() + 1;
    let bytes = match bytes {
        Ok(bytes) => bytes,
        Err(why) => {
            let counters = Counters::default();
            return Outcome { number, line, span, difference: Some(why), counters, events };
        }
    };
    match unstamped(chassis, example, bytes) {
        Ok(bytes) => decoder.push(None, 0, &bytes, &mut events),
        Err(error) => {
            let counters = Counters::default();
            return Outcome { number, line, span, difference: Some(error.to_string()), counters, events };
        }
    }
    decoder.finish(&mut events);
    let counters = decoder.counters();
    let difference = difference(example, &events, counters);
    Outcome { number, line, span, difference, counters, events }
}

/// What a log of these lines gives: examples and logs are to be taken alike.
fn unstamped(chassis: &Arc<Chassis>, example: &Example, bytes: Vec<u8>) -> Result<Vec<u8>> {
    if example.hex.is_some() {
        return Ok(bytes);
    }
    let mut log =
        TextLog::fitting(Box::new(std::io::Cursor::new(bytes)), &mut |lines| decoded(chassis, lines))?;
    let mut text = Vec::new();
    loop {
        match log.pull()? {
            Pulled::Chunk(chunk) => text.extend_from_slice(chunk.bytes),
            Pulled::End => return Ok(text),
            Pulled::Mark(_) | Pulled::Quiet(_) => {}
        }
    }
}

/// The bytes of an example, the last line ended, and where they stand in the file.
fn input(example: &Example) -> (std::result::Result<Vec<u8>, String>, std::ops::Range<usize>) {
    match (&example.input, &example.hex) {
        (Some(input), None) => {
            let mut bytes = input.get_ref().clone().into_bytes();
            if bytes.last() != Some(&b'\n') {
                bytes.push(b'\n');
            }
            (Ok(bytes), input.span())
        }
        (None, Some(hex)) => (from_hex(hex.get_ref()), hex.span()),
        (input, hex) => {
            let span = input.as_ref().or(hex.as_ref()).map_or(0..0, |text| text.span());
            (Err("an example has either `input` or `hex`".into()), span)
        }
    }
}

/// Bytes from pairs of hexadecimal digits; `#` begins a remark up to the end of the line.
fn from_hex(text: &str) -> std::result::Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    for word in text.lines().flat_map(|line| line.split('#').next().unwrap_or_default().split_whitespace()) {
        let pairs = word.as_bytes().chunks(2).map(|pair| {
            let value = shape::hex(pair).filter(|_| pair.len() == 2)?;
            u8::try_from(value).ok()
        });
        for byte in pairs {
            bytes.push(byte.ok_or_else(|| format!("`{word}` is no row of hexadecimal bytes"))?);
        }
    }
    Ok(bytes)
}

/// The first thing in which the events differ from those stated.
fn difference(example: &Example, events: &[Event], counters: Counters) -> Option<String> {
    for (i, stated) in example.events.iter().enumerate() {
        let Some(got) = events.get(i) else {
            return Some(format!(
                "event {} of {} did not come: {} {}",
                i + 1,
                example.events.len(),
                stated.path.word(),
                stated.kind.word()
            ));
        };
        if let Some((field, expected, came)) = stated.difference(got) {
            return Some(format!(
                "event {}: `{field}` should be {expected}, is {came}: {}",
                i + 1,
                shown(got)
            ));
        }
    }
    if let Some(more) = events.get(example.events.len()) {
        return Some(format!("one event more than stated: {}", shown(more)));
    }
    for (what, stated, got) in
        [("damaged", example.damaged, counters.damaged), ("not_mine", example.not_mine, counters.not_mine)]
    {
        if stated != got {
            return Some(format!("`{what}` should be {stated}, is {got}"));
        }
    }
    None
}

/// The event as it would be printed, without what is the same for all events of an example.
fn shown(event: &Event) -> String {
    let mut event = event.clone();
    event.capture = None;
    event.decoder = None;
    let mut text = Vec::new();
    write_event(&event, None, &mut text);
    String::from_utf8_lossy(&text).trim_end().to_owned()
}
