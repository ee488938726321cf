//! Packs: no bytes make unpacking panic or leave something half behind, and what is taken is a job that is whole.
#![no_main]

use libfuzzer_sys::fuzz_target;
use straykey::timeline::job::unpack;

fuzz_target!(|bytes: &[u8]| {
    let folder = tempfile::tempdir().unwrap();
    let (pack, job) = (folder.path().join("a.pack"), folder.path().join("job"));
    std::fs::write(&pack, bytes).unwrap();
    match unpack(&pack, &job) {
        Ok(job) => assert_eq!(job.verify().unwrap(), Vec::<String>::new()),
        Err(error) => {
            assert!(!error.to_string().is_empty());
            // Nothing but the pack itself is left.
            assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
        }
    }
});
