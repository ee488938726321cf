//! Drawings in SVG that more than one face shows, and the shapes that they are made of.
//!
//! What enters are values of [`crate::bench`]; what leaves is markup in which every foreign text is inert. A
//! drawing has a title and a description for those who hear it, and says nothing by colour alone. In a page its
//! classes take the page's style; by itself it carries its own ([`Theme`]).

mod escape;
mod ladder;
pub mod svg;

pub use escape::{Door, escape, is_inert};
pub use ladder::{Theme, Width, ladder_svg};
