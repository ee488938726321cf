//! A count of hits for a table.

/// So many of so many.
#[derive(Clone, Copy, Default)]
pub(crate) struct Share {
    pub(crate) hit: u32,
    pub(crate) of: u32,
}

impl Share {
    pub(crate) fn take(&mut self, hit: bool) {
        self.hit += u32::from(hit);
        self.of += 1;
    }

    pub(crate) fn words(self) -> String {
        match self.of {
            0 => "–".to_owned(),
            of => format!("{} of {of} ({:.1} %)", self.hit, 100.0 * f64::from(self.hit) / f64::from(of)),
        }
    }
}
