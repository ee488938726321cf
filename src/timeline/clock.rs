//! Set time to host time.
