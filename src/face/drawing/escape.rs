//! One door for foreign text into markup.

use crate::timeline::mask::mask_text;

/// How foreign text gets into markup.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Door {
    /// As it is.
    #[default]
    Open,
    /// What is likely private is masked: for what leaves the bench.
    Masking,
}

impl Door {
    /// A text that is to be cut, or written elsewhere than into markup.
    pub fn plain(self, text: &str) -> String {
        match self {
            Self::Open => text.to_owned(),
            Self::Masking => mask_text(text).0,
        }
    }

    /// A text as markup.
    pub fn text(self, text: &str) -> String {
        match self {
            Self::Open => escape(text),
            Self::Masking => escape(&mask_text(text).0),
        }
    }

    /// The first `most` characters of a label, with an ellipsis when there are more. Masked before it is cut: half a number
    /// is not known for one.
    pub fn clip(self, text: &str, most: usize) -> String {
        let text = self.plain(text);
        if text.chars().count() <= most {
            return text;
        }
        text.chars().take(most.saturating_sub(1)).chain(['…']).collect()
    }
}

/// Longest foreign text in one place, characters; the rest is replaced by an ellipsis.
const LONGEST: usize = 600;

/// Foreign text made inert for HTML text and quoted attributes, in HTML and in SVG.
///
/// The five characters with a meaning become references. Control characters and those that turn or hide their
/// neighbours (bidirectional controls, zero width) are shown as `<U+202E>`, so that a log line cannot look like
/// something else. Line ends and tabs become blanks. Cut after 600 characters.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 8);
    for (i, c) in text.chars().enumerate() {
        if i == LONGEST {
            out.push('…');
            break;
        }
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' | '\r' => out.push(' '),
            c if !is_inert(c) => {
                out.push_str(&format!("&lt;U+{:04X}&gt;", u32::from(c)));
            }
            c => out.push(c),
        }
    }
    out
}

/// Whether a character shows itself and leaves its neighbours alone.
pub fn is_inert(c: char) -> bool {
    !c.is_control()
        && !matches!(c,
        '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
        | '\u{2060}'..='\u{206f}' | '\u{fe00}'..='\u{fe0f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}'
        | '\u{e0000}'..='\u{e0fff}')
}
