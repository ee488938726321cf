//! The captured fields of one line, by what they mean.

use crate::base::Name;
use crate::decode::chassis::Pattern;
use crate::decode::protocol::Role;
use crate::decode::shape::{self, Captured};

/// Most readings in one record.
pub(super) const MOST_READINGS: usize = 8;

/// What one line captured.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Fields<'a> {
    by_role: [Option<Captured<'a>>; Role::ALL.len()],
    by_placeholder: [Captured<'a>; shape::MOST_PLACEHOLDERS],
}

impl<'a> Fields<'a> {
    /// Reads a line that has the pattern's shape.
    ///
    /// Fails with the reason when a number is too large.
    #[inline]
    pub(super) fn read(pattern: &Pattern, line: &'a [u8]) -> Result<Self, Name> {
        let mut fields = Self::default();
        shape::read(&pattern.steps, line, |i, captured| {
            if let Some(slot) = fields.by_placeholder.get_mut(i) {
                *slot = captured;
            }
            if let Some(Some(role)) = pattern.roles.get(i)
                && let Some(slot) = fields.by_role.get_mut(*role as usize)
            {
                *slot = Some(captured);
            }
        })
        .map_err(|misread| {
            let name = pattern.shape.placeholders().nth(misread.placeholder).map_or("", |p| &p.name);
            Name::from(format!("the number in `{name}` is too large"))
        })?;
        Ok(fields)
    }

    /// The placeholder with this role.
    #[inline]
    pub(super) fn get(&self, role: Role) -> Option<Captured<'a>> {
        self.by_role.get(role as usize).copied().flatten()
    }

    /// The placeholder with this index.
    #[inline]
    pub(super) fn nth(&self, placeholder: usize) -> Captured<'a> {
        self.by_placeholder.get(placeholder).copied().unwrap_or_default()
    }
}
