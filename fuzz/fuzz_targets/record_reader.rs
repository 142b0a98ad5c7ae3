//! Any bytes as a record: the reader never panics, what it calls proven is the chain's, and taking the record up again
//! either changes nothing or loses nothing. `tests/journal_reader.rs` asks the same of made damage in every test run.
#![no_main]

use std::path::PathBuf;

use libfuzzer_sys::fuzz_target;
use thirdhand::core::chain;
use thirdhand::shell::journal::fakes::Disk;
use thirdhand::shell::journal::{EVENTS, Journal};

fuzz_target!(|bytes: &[u8]| {
    let verdict = chain::check(bytes);
    let proven = usize::try_from(verdict.bytes).unwrap();
    assert_eq!(verdict.whole(), !bytes.is_empty() && proven == bytes.len());
    let disk = Disk::default();
    disk.put(EVENTS, bytes);
    match Journal::take_up(Box::new(disk.clone()), PathBuf::from(EVENTS)) {
        Err(_) => assert_eq!(disk.file(EVENTS).unwrap(), bytes),
        Ok(resumed) => {
            let mut kept = disk.file(EVENTS).unwrap();
            assert_eq!(chain::check(&kept).bytes, kept.len() as u64);
            if let Some((_, side)) = resumed.set_aside {
                kept.extend(disk.file(&side).unwrap());
            }
            assert_eq!(kept, bytes);
        }
    }
});
