//! Counts, volts and ohms as types that do not mix.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A raw number from an analog-to-digital converter.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Counts(pub u32);

/// Electrical potential in volts.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Volts(pub f64);

/// Electrical resistance in ohms.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Ohms(pub f64);
