//! Chassis files, shapes, ladders, binary records.

mod shipped;
