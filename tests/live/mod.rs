//! live
