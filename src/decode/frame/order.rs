//! Order of bytes and bits.

use serde::Deserialize;

/// Order of bytes and bits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Order {
    /// Most significant first.
    #[default]
    Big,
    /// Least significant first.
    Little,
}
