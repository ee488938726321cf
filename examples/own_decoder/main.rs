//! A decoder that no protocol file can express, in the same timeline as the others:
//!
//!     cargo run --example own_decoder -- CAPTURE

#![allow(clippy::print_stdout, reason = "a program for a terminal")]

mod linden;

use std::path::Path;
use std::sync::Arc;

use straykey::base::{Error, Result};
use straykey::decode::chassis::Chassis;
use straykey::decode::infrared::Formats;
use straykey::decode::library::Library;
use straykey::timeline::{Options, Protocols, decode_path};

fn main() -> Result<()> {
    let capture = std::env::args().nth(1).ok_or_else(|| Error::usage("give a capture"))?;
    let file = Chassis::parse(Path::new("linden.toml"), include_str!("linden.toml"))?;
    let mut library = Library::shipped()?;
    library.put(file.decoded_by(linden::begin));
    let protocols = Protocols { library: Arc::new(library), formats: Formats::shipped()? };
    let options = Options { chassis: Some("linden".to_owned()), ..Options::default() };
    let summary = decode_path(Path::new(&capture), &protocols, &options, &mut |event| {
        println!("{:.3} s {} {:?}", event.t.seconds(), event.kind.word(), event.key);
        Ok(())
    })?;
    println!("{} events", summary.events);
    Ok(())
}
