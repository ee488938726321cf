//! How much the recorder holds, and for how long.

use crate::base::Nanoseconds;

/// What a group keeps to.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// A segment is closed at so many bytes; 64 MiB.
    pub segment_bytes: u64,
    /// Or after so much capture time; 24 h.
    pub segment_age: Nanoseconds,
    /// Whether closed segments are packed.
    pub pack: bool,
    /// The oldest closed segments of running captures are removed when all segments of all of them are more
    /// than this; `None` keeps everything. Summed segments only, never the current one, and never before the
    /// recording says so.
    pub keep_bytes: Option<u64>,
    /// Buffer of each port in bytes; 4 MiB, which is 13 s at 3 Mbit/s.
    pub buffer_bytes: usize,
    /// The disk is low when it is full sooner than so many hours; 48.
    pub warn_hours: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            segment_bytes: 64 << 20,
            segment_age: Nanoseconds(24 * 3600 * Nanoseconds::SECOND.0),
            pack: true,
            keep_bytes: None,
            buffer_bytes: 4 << 20,
            warn_hours: 48.0,
        }
    }
}
