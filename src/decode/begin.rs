//! Which decoder a chassis begins with: a program of its own, or the records of its file.

use std::sync::Arc;

use crate::base::Name;
use crate::decode::chassis::{Begin, Chassis};
use crate::decode::decoder::Decoder;
use crate::decode::text::TextDecoder;

impl Chassis {
    /// Has the bytes of this chassis decoded by a program instead of by the records of its file. Such a chassis is
    /// not recognised from a capture; it is named.
    pub fn decoded_by(mut self, begin: Begin) -> Self {
        self.own = Some(begin);
        self
    }

    /// A decoder for one capture: by the program behind the file where there is one, else by the file's records.
    pub fn begin(self: &Arc<Self>, capture: Name) -> Box<dyn Decoder> {
        match self.own {
            Some(begin) => begin(self, capture),
            None => Box::new(TextDecoder::new(Arc::clone(self), capture)),
        }
    }
}
