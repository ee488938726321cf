//! Likely private strings in text, masked in place: the length stays, so that every offset still fits.
//!
//! | found by | what |
//! | --- | --- |
//! | what stands before it (`find`) | network names, pass words and keys, serial numbers, accounts, names of hosts and devices, numbers to call, places |
//! | its form alone (`form`) | hardware and internet addresses, mail, UUID, telephone numbers, coordinates, tokens, private keys |
//! | behind an encoding (`view`) | the same with `%40`, `\x40`, `&#64;`, in UTF-16, in base64 and in hexadecimal |
//!
//! Patterns find what is likely, not all that is private: whoever hands a log on looks it through. The list of
//! labels is ours, from common practice; no source.

mod find;
mod form;
mod line;
mod private;
mod stream;
mod value;
mod view;

pub use crate::timeline::mask::line::{Masked, mask_command, mask_line, mask_text};
pub use crate::timeline::mask::private::{Private, Tally, Text};

pub use crate::timeline::mask::line::mask_stream;
pub use stream::Masker;
