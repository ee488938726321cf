//! The job folder: steps, stages, captures, prompts; the manifest.
