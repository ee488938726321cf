//! The ladder of a job's chassis as a drawing: windows, nominal levels, and what was read.

use crate::base::Result;
use crate::face::drawing::{Theme, ladder_svg};
use crate::face::findings::{Loaded, key_windows};
use crate::timeline::Protocols;

/// The drawing, `None` where there is no ladder.
///
/// # Errors
/// `Machine` when the disk fails; `Usage` when the job's chassis is not known.
pub fn draw(loaded: &Loaded, protocols: &Protocols, dark: bool) -> Result<Option<String>> {
    let theme = if dark { Theme::Dark } else { Theme::Light };
    Ok(ladder_svg(&key_windows(loaded, protocols)?, theme))
}
