//! Manifests of jobs: no text makes the build panic or leave half a job, and what is built can be read.
#![no_main]

use libfuzzer_sys::fuzz_target;
use straykey::timeline::job::{Job, build};

fuzz_target!(|text: &str| {
    let folder = tempfile::tempdir().unwrap();
    let inside = folder.path().join("inside");
    std::fs::create_dir(&inside).unwrap();
    let (manifest, job) = (inside.join("job.toml"), folder.path().join("job"));
    std::fs::write(&manifest, text).unwrap();
    std::fs::write(inside.join("a.log"), "[1.000] keyscan: line=KEY1 adc=0x3ff\n").unwrap();
    match build(&manifest, &job) {
        Ok(built) => {
            drop(built);
            assert_eq!(Job::open(&job).unwrap().remarks(), Vec::<String>::new());
        }
        Err(error) => {
            assert!(!error.to_string().is_empty());
            assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "half a job is left");
        }
    }
});
