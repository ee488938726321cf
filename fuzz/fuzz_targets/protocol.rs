//! Chassis files: no text makes the parser or the checks panic, and a file that is taken can be used.
#![no_main]

use std::path::Path;
use std::sync::Arc;

use libfuzzer_sys::fuzz_target;
use straykey::decode::chassis::Chassis;
use straykey::decode::check::check;
use straykey::decode::example;
use straykey::decode::show::show;
use straykey::decode::text::TextDecoder;

fuzz_target!(|text: &str| {
    let path = Path::new("fuzz.toml");
    match Chassis::parse(path, text) {
        Ok(chassis) => {
            let chassis = Arc::new(chassis);
            let _ = (show(&chassis, &|_| String::new()), example::run(&chassis));
            let mut events = Vec::new();
            let mut decoder = TextDecoder::new(chassis, "fuzz".into());
            decoder.push(None, 0, text.as_bytes(), &mut events);
            decoder.finish(&mut events);
            // Looking for overlaps is the slow part; small files are enough for it.
            if text.len() < 2_000 {
                let _ = check(path, text);
            }
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
});
