//! Masking as the bytes come: whole lines at once, and long ones with an overlap, so that no cut halves a name.

use crate::timeline::mask::find::{Span, candidate};
use crate::timeline::mask::value::blot;
use crate::timeline::mask::{Private, Text, view};

/// A line longer than this is masked in stretches.
const LONGEST: usize = 64 << 10;
/// Stretches of a long line overlap by this on either side: a label with its value is shorter.
const OVERLAP: usize = 4 << 10;
/// So many commands are remembered.
const MOST_TYPED: usize = 256;
/// Lines that a private key has at most: one that never ends is none.
const LONGEST_KEY: u32 = 400;

/// Takes bytes and gives them masked, as many as it took, somewhat later.
#[derive(Debug)]
pub struct Masker {
    text: Text,
    /// Bytes as they came: of the line that has not ended, and what of it was given already.
    raw: Vec<u8>,
    given: usize,
    line: u64,
    /// Lines left in which a private key may go on; 0 outside of one.
    key: u32,
    /// Commands that were typed, and where in each its first word ends: a console echoes them.
    typed: Vec<(Vec<u8>, usize)>,
}

impl Masker {
    /// Nothing taken yet.
    pub fn new(text: Text) -> Self {
        Self { text, raw: Vec::new(), given: 0, line: 1, key: 0, typed: Vec::new() }
    }

    /// A command was typed into the set's console; where the set repeats it, its words go as they do in the remark.
    pub fn typed(&mut self, command: &[u8]) {
        let command = command.trim_ascii();
        let word = command.iter().position(u8::is_ascii_whitespace);
        if let Some(end) = word.filter(|_| self.typed.len() < MOST_TYPED) {
            self.typed.push((command.to_vec(), end));
        }
    }

    /// Takes bytes; what is whole is put to `out`. `found` is told each string with its line, counted from 1.
    pub fn feed(&mut self, bytes: &[u8], out: &mut Vec<u8>, found: &mut dyn FnMut(Private, u64)) {
        self.raw.extend_from_slice(bytes);
        let begun = self.raw.len() - bytes.len();
        if let Some(end) = memchr::memrchr(b'\n', &self.raw[begun..]) {
            let whole = begun + end + 1;
            self.mask(whole, out, found);
            self.raw.drain(..whole);
            self.given = 0;
        }
        while self.raw.len() - self.given > LONGEST + OVERLAP {
            let upto = self.given + LONGEST;
            self.stretch(upto, out, found);
        }
    }

    /// Gives what was held back, though its line has not ended. What comes next may still belong to it.
    pub fn release(&mut self, out: &mut Vec<u8>, found: &mut dyn FnMut(Private, u64)) {
        self.stretch(self.raw.len(), out, found);
    }

    /// Gives all that is left.
    pub fn finish(&mut self, out: &mut Vec<u8>, found: &mut dyn FnMut(Private, u64)) {
        self.mask(self.raw.len(), out, found);
        self.raw.clear();
        self.given = 0;
    }

    /// Gives the unended line up to a place, and keeps enough of it to know what goes on behind.
    fn stretch(&mut self, upto: usize, out: &mut Vec<u8>, found: &mut dyn FnMut(Private, u64)) {
        let end = (upto + OVERLAP).min(self.raw.len());
        let key = self.key;
        let mut copy = self.raw[..end].to_vec();
        self.mask_line(self.given, &mut copy, upto, found);
        // The line has not ended, so it is counted once, at its end.
        self.key = key.max(self.key);
        out.extend_from_slice(&copy[self.given..upto]);
        let forget = upto.saturating_sub(OVERLAP);
        self.raw.drain(..forget);
        self.given = upto - forget;
    }

    /// Masks whole lines up to `whole`, of which the first may have been given in part.
    fn mask(&mut self, whole: usize, out: &mut Vec<u8>, found: &mut dyn FnMut(Private, u64)) {
        let mut copy = self.raw[..whole].to_vec();
        let mut at = 0;
        while at < copy.len() {
            // Where nothing is private, nothing is looked at twice.
            let close = self.key > 0 || !self.typed.is_empty();
            let next = if close { Some(at + 1) } else { candidate(&copy, at) };
            let Some(hit) = next else { break };
            // The automaton says where the hit ends; its line may have begun before.
            let first = memchr::memrchr(b'\n', &copy[at..hit - 1]).map_or(at, |n| at + n + 1);
            let last = memchr::memchr(b'\n', &copy[hit - 1..]).map_or(copy.len(), |n| hit + n);
            let before = memchr::memchr_iter(b'\n', &copy[at..first]).count() as u64;
            self.line += before;
            let limit = last - first;
            let given = if first == 0 { self.given } else { 0 };
            self.mask_line(given, &mut copy[first..last], limit, found);
            self.line += 1;
            at = last;
        }
        self.line += memchr::memchr_iter(b'\n', &copy[at.min(copy.len())..]).count() as u64;
        out.extend_from_slice(&copy[self.given.min(copy.len())..]);
    }

    /// Masks one line. What ends before `given` was told already; what begins behind `upto` is told later.
    fn mask_line(&mut self, given: usize, line: &mut [u8], upto: usize, found: &mut dyn FnMut(Private, u64)) {
        let numbers =
            line.first().is_some_and(|byte| byte.is_ascii_digit() || matches!(byte, b'-' | b'+' | b'.'));
        if self.text == Text::Table && numbers {
            return;
        }
        let spans = view::spans(line, &mut |text| {
            let mut spans = self.key_lines(text);
            spans.extend(self.echoes(text));
            spans
        });
        for span in spans {
            blot(&mut line[span.from..span.to], span.keeps_form);
            if span.to > given && span.from < upto {
                found(span.kind, self.line);
            }
        }
    }

    /// What was typed, where the set repeats it.
    fn echoes(&self, line: &[u8]) -> Vec<Span> {
        let of = |(command, word): &(Vec<u8>, usize)| {
            let (word, length) = (*word, command.len());
            memchr::memmem::find_iter(line, command)
                .map(move |at| Span {
                    from: at + word,
                    to: at + length,
                    kind: Private::Secret,
                    keeps_form: false,
                })
                .collect::<Vec<_>>()
        };
        self.typed.iter().flat_map(of).collect()
    }

    /// The lines of a private key (RFC 7468), whatever stands before them on a line.
    fn key_lines(&mut self, line: &[u8]) -> Vec<Span> {
        let find = |word: &[u8]| memchr::memmem::find(line, word);
        let begin = find(b"PRIVATE KEY-----").filter(|_| find(b"-----BEGIN ").is_some()).map(|n| n + 16);
        if begin.is_none() && self.key == 0 {
            return Vec::new();
        }
        let from = begin.unwrap_or(0);
        let end = memchr::memmem::find(&line[from..], b"-----END").map(|n| from + n);
        self.key = match (begin, end) {
            (_, Some(_)) => 0,
            (Some(_), None) => LONGEST_KEY,
            (None, None) => self.key - 1,
        };
        // Words of base64, so that a stamp before them stays.
        let is = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'+' | b'/' | b'=');
        let mut all = Vec::new();
        let mut at = from;
        let end = end.unwrap_or(line.len());
        while at < end {
            let length = line[at..end].iter().take_while(|byte| is(**byte)).count();
            if length >= 8 || begin.is_some() && length > 0 {
                all.push(Span { from: at, to: at + length, kind: Private::Secret, keeps_form: false });
            }
            at += length.max(1);
        }
        all
    }
}
