//! Decodes a capture with one protocol file:
//!
//!     cargo run --example decode -- protocols/chassis/birch.toml captures/birch/plain-lf.log

#![allow(clippy::print_stdout, reason = "a program for a terminal")]

use std::path::Path;
use std::sync::Arc;

use straykey::base::Error;
use straykey::decode::chassis::Chassis;
use straykey::decode::folder::read;

fn main() -> straykey::base::Result<()> {
    let mut paths = std::env::args().skip(1);
    let mut path = || paths.next().ok_or_else(|| Error::usage("give a protocol file and a capture"));
    let (file, capture) = (path()?, path()?);
    let chassis = Arc::new(Chassis::parse(Path::new(&file), &read(Path::new(&file))?)?);
    let bytes =
        std::fs::read(&capture).map_err(|e| Error::io("cannot read the capture", Path::new(&capture), e))?;
    let mut decoder = chassis.begin(capture.as_str().into());
    let mut events = Vec::new();
    decoder.push(None, 0, &bytes, &mut events);
    decoder.finish(&mut events);
    for event in &events {
        println!("{:.3} s {} {:?}", event.t.seconds(), event.kind.word(), event.key);
    }
    Ok(())
}
