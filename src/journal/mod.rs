//! What was delivered, kept for ever.
