//! The job folder: one set on the bench, from first look to hand-back.
//!
//! | in the folder | what |
//! | --- | --- |
//! | `job.toml` | which set, which chassis, what the complaint is |
//! | `raw/steps.journal` | the step log: steps, captures begun and ended, prompts, cautions read |
//! | `raw/NNNN-name.journal` | live captures, as [`journal`](crate::journal) describes |
//! | `raw/NNNN-name.journal/` | the same in segments, packed when closed, with their own `SHA256SUMS` |
//! | `raw/NNNN-name.*` | imported capture files, copied unaltered |
//! | `straykey.db` | the index ([`store`](crate::timeline::store)); may be deleted, is rebuilt from `raw/` |
//! | `SHA256SUMS` | sums of the captures and the step log, when the job was closed |
//! | `job.lock` | who works on the job; locked while somebody does |
//!
//! Steps and captures go through the step log, which is a journal: acknowledged means on disk. Its payloads
//! are JSON objects with the field `entry`. A stage is the stretch between two steps; the first stage is the
//! set as it came in, and stages are counted from 1.
//!
//! [`Job::pack`] writes a job into one file for another bench, [`unpack`] opens it there.
//!
//! One process at a time works on a job ([`Job::open`]); any number may look at it ([`Job::read`]).

mod capture;
mod folder;
mod log;
mod manifest;
mod model;
mod open;
mod pack;
mod provocation;
mod reference;
mod work;

pub use capture::{ALIVE_EVERY, CaptureWriter};
pub use manifest::{build, read_prompts};
pub use model::{
    CaptureOptions, CaptureRef, CaptureSource, Hands, JobInfo, PARTS, Prompt, Stage, Step, StepKind, Wires,
    check_part, check_signal,
};
pub use open::Job;
pub use pack::{LARGEST, PackOptions, Packed, unpack};
pub use provocation::{BlockBegun, Provocation, Spoiled};
pub use reference::JobReference;
