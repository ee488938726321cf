//! decode
