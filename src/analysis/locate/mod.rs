//! Where the fault is, and the next test that tells most.
