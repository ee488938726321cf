//! remote
