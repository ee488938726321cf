//! The index of a job, rebuildable from its raw captures and its step log.
