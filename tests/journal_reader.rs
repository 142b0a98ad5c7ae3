//! The reader on bytes that nobody wrote: it never panics, never writes, and never calls damage whole.
//!
//! `THIRDHAND_CASES` sets how many records are tried (`make soak` tries many); `fuzz/` has the same for a fuzzer.

use std::path::PathBuf;

use proptest::prelude::*;
use thirdhand::core::chain;
use thirdhand::shell::journal::fakes::Disk;
use thirdhand::shell::journal::{EVENTS, Journal, inspect};

const FIXTURE: &[u8] = include_bytes!("records/v1/events.jsonl");

/// One thing done to a record.
#[derive(Clone, Debug)]
enum Damage {
    Flip { at: prop::sample::Index, mask: u8 },
    Cut { at: prop::sample::Index },
    Insert { at: prop::sample::Index, bytes: Vec<u8> },
    DropLine { line: prop::sample::Index },
    Double { line: prop::sample::Index },
    Swap { line: prop::sample::Index },
}

fn damage() -> impl Strategy<Value = Damage> {
    let at = any::<prop::sample::Index>;
    prop_oneof![
        (at(), 1u8..=255).prop_map(|(at, mask)| Damage::Flip { at, mask }),
        at().prop_map(|at| Damage::Cut { at }),
        (at(), prop::collection::vec(any::<u8>(), 1..40)).prop_map(|(at, bytes)| Damage::Insert { at, bytes }),
        at().prop_map(|line| Damage::DropLine { line }),
        at().prop_map(|line| Damage::Double { line }),
        at().prop_map(|line| Damage::Swap { line }),
    ]
}

fn apply(bytes: &mut Vec<u8>, damage: &Damage) {
    if bytes.is_empty() {
        return;
    }
    let mut lines: Vec<Vec<u8>> = bytes.split_inclusive(|b| *b == b'\n').map(<[u8]>::to_vec).collect();
    match damage {
        Damage::Flip { at, mask } => {
            let at = at.index(bytes.len());
            bytes[at] ^= mask;
            return;
        }
        Damage::Cut { at } => return bytes.truncate(at.index(bytes.len())),
        Damage::Insert { at, bytes: new } => {
            let at = at.index(bytes.len());
            bytes.splice(at..at, new.iter().copied());
            return;
        }
        Damage::DropLine { line } => drop(lines.remove(line.index(lines.len()))),
        Damage::Double { line } => {
            let at = line.index(lines.len());
            lines.insert(at, lines[at].clone());
        }
        Damage::Swap { line } if lines.len() > 1 => {
            let at = line.index(lines.len() - 1);
            lines.swap(at, at + 1);
        }
        Damage::Swap { .. } => {}
    }
    *bytes = lines.concat();
}

/// What must hold of any bytes: the reader agrees with the chain, what it proves is what was written, and taking the
/// record up again either changes nothing or loses nothing.
fn holds(bytes: &[u8]) -> Result<(), TestCaseError> {
    let verdict = chain::check(bytes);
    let proven = &bytes[..verdict.bytes as usize];
    if FIXTURE.starts_with(&proven[..proven.len().min(200)]) {
        prop_assert!(FIXTURE.starts_with(proven), "something that was never written was called proven");
    }
    prop_assert_eq!(verdict.whole(), !bytes.is_empty() && proven.len() == bytes.len());
    let disk = Disk::default();
    disk.put(EVENTS, bytes);
    match Journal::take_up(Box::new(disk.clone()), PathBuf::from(EVENTS)) {
        Err(_) => prop_assert_eq!(disk.file(EVENTS).unwrap(), bytes),
        Ok(resumed) => {
            let mut kept = disk.file(EVENTS).unwrap();
            prop_assert_eq!(chain::check(&kept).bytes, kept.len() as u64);
            if let Some((_, side)) = resumed.set_aside {
                kept.extend(disk.file(&side).unwrap());
            }
            prop_assert_eq!(kept, bytes);
        }
    }
    Ok(())
}

fn cases() -> u32 {
    std::env::var("THIRDHAND_CASES").ok().and_then(|text| text.parse().ok()).unwrap_or(400)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_damage_to_a_record_is_noticed(all in prop::collection::vec(damage(), 1..4)) {
        let mut bytes = FIXTURE.to_vec();
        all.iter().for_each(|damage| apply(&mut bytes, damage));
        holds(&bytes)?;
    }

    #[test]
    fn any_bytes_can_be_read(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        holds(&bytes)?;
    }

    #[test]
    fn any_json_under_a_good_chain_can_be_read(texts in prop::collection::vec("[ -~é]{0,60}", 1..6)) {
        // Lines that a newer version, or nobody, wrote: the chain holds, the events may mean nothing to us.
        let mut head = chain::START.to_string();
        let mut bytes = Vec::new();
        for (seq, text) in (1..).zip(&texts) {
            let json = serde_json::json!({"seq": seq, "kind": text, "at": text, text.as_str(): text}).to_string();
            let (line, hash) = chain::seal(&head, &json);
            bytes.extend_from_slice(line.as_bytes());
            bytes.push(b'\n');
            head = hash;
        }
        let place = tempfile::tempdir().unwrap();
        std::fs::write(place.path().join(EVENTS), &bytes).unwrap();
        let record = inspect(place.path()).unwrap();
        prop_assert_eq!(record.events.len() + record.unknown.len(), record.lines as usize);
    }
}

/// Records of every format ever written stay readable, to the last event and its words.
#[test]
fn old_records_are_read_whole() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/records");
    let mut read = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if !path.is_dir() {
            continue;
        }
        let record = inspect(&path).unwrap();
        assert!(record.warnings().is_empty(), "{}: {:?}", path.display(), record.warnings());
        assert!(record.closed());
        read += 1;
    }
    assert!(read >= 1);
}

#[test]
fn a_line_without_end_is_not_read_into_memory() {
    let place = tempfile::tempdir().unwrap();
    std::fs::write(place.path().join(EVENTS), vec![b'x'; 5 << 20]).unwrap();
    let record = inspect(place.path()).unwrap();
    assert!(record.bad.is_some() && record.events.is_empty());
}
