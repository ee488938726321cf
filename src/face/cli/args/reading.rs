//! How capture files are to be read.

use clap::Args;

/// How capture files are read.
#[derive(Clone, Debug, Args)]
pub struct Reading {
    /// Chassis; the protocol files are tried and the choice is shown when left out
    #[arg(long, value_name = "NAME")]
    pub chassis: Option<String>,
    /// Which channel of a CSV or VCD file carries which signal; may be repeated
    #[arg(long, value_name = "CHANNEL=SIGNAL")]
    pub wire: Vec<String>,
    /// Samples per second of a CSV file that has no time column
    #[arg(long, value_name = "HZ")]
    pub sample_rate: Option<f64>,
    /// Threshold between low and high of analog channels; found from their two levels when left out
    #[arg(long, value_name = "VOLTS", allow_negative_numbers = true)]
    pub threshold: Option<f64>,
}
