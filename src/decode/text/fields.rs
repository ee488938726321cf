//! The captured fields of one line, by what they mean.

use crate::base::Name;
use crate::decode::chassis::Pattern;
use crate::decode::protocol::Role;
use crate::decode::shape;

/// What one placeholder captured.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Captured<'a> {
    /// As printed, without padding.
    pub(super) text: &'a [u8],
    /// Its number, nanoseconds for seconds, 0 for text.
    pub(super) number: i64,
}

/// What one line captured.
#[derive(Debug)]
pub(super) struct Fields<'a> {
    pattern: &'a Pattern,
    line: &'a [u8],
    slots: [shape::Captured; shape::MOST_PLACEHOLDERS],
}

impl<'a> Fields<'a> {
    /// The fields of a line that has the pattern's shape, not yet read.
    #[inline]
    pub(super) fn new(pattern: &'a Pattern, line: &'a [u8]) -> Self {
        Self { pattern, line, slots: [shape::Captured::default(); shape::MOST_PLACEHOLDERS] }
    }

    /// Fields that were read otherwise; the slots point into `line`.
    pub(super) fn given(
        pattern: &'a Pattern,
        line: &'a [u8],
        slots: [shape::Captured; shape::MOST_PLACEHOLDERS],
    ) -> Self {
        Self { pattern, line, slots }
    }

    /// The record.
    pub(super) fn pattern(&self) -> &'a Pattern {
        self.pattern
    }

    /// Reads the line. Fails with the reason when a number is too large.
    #[inline]
    pub(super) fn read(&mut self) -> Result<(), Name> {
        shape::read(&self.pattern.steps, self.line, &mut self.slots).map_err(|misread| {
            let name = self.pattern.shape.placeholders().nth(misread.placeholder).map_or("", |p| &p.name);
            Name::from(format!("the number in `{name}` is too large"))
        })?;
        self.cut_bits();
        Ok(())
    }

    /// Reads a line that may have another shape; `false` if it has, or if a number is too large.
    #[inline]
    pub(super) fn read_whole(&mut self) -> bool {
        let fits = shape::read_whole(&self.pattern.shape.parts, self.line, &mut self.slots);
        self.cut_bits();
        fits
    }

    /// Fills in the numbers that are bits of captured ones.
    #[inline]
    fn cut_bits(&mut self) {
        for (i, bits) in self.pattern.bits.iter().enumerate() {
            let mut cut = self.slots.get(bits.of).copied().unwrap_or_default();
            cut.number = cut.number >> bits.shift & bits.mask;
            let at = self.pattern.placeholders + i;
            if let Some(slot) = self.slots.get_mut(at) {
                *slot = cut;
            }
        }
    }

    /// The placeholder with this role.
    #[inline]
    pub(super) fn get(&self, role: Role) -> Option<Captured<'a>> {
        let placeholder = self.pattern.by_role.get(role as usize).copied().flatten()?;
        Some(self.nth(usize::from(placeholder)))
    }

    /// A reading in counts; one with decimals is in volts, and its counts are millivolts.
    #[inline]
    pub(super) fn counts(&self, placeholder: usize) -> Captured<'a> {
        let mut captured = self.nth(placeholder);
        if self.pattern.volts >> placeholder & 1 == 1 {
            captured.number /= 1_000_000;
        }
        captured
    }

    /// The reading of a record that names its line.
    #[inline]
    pub(super) fn reading(&self) -> Option<Captured<'a>> {
        let placeholder = self.pattern.by_role.get(Role::Counts as usize).copied().flatten()?;
        Some(self.counts(usize::from(placeholder)))
    }

    /// The placeholder with this index.
    #[inline]
    pub(super) fn nth(&self, placeholder: usize) -> Captured<'a> {
        let slot = self.slots.get(placeholder).copied().unwrap_or_default();
        Captured {
            text: self.line.get(slot.start as usize..slot.end as usize).unwrap_or_default(),
            number: slot.number,
        }
    }
}
