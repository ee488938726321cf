//! Infrared: declared formats, all at once, over marks and spaces.
