//! The journal on media that fail: the supply lost at every sync in turn, every call failing in turn, a record cut at
//! every byte. What was announced as recorded must be there afterwards.

use std::io::ErrorKind;
use std::path::PathBuf;

use chrono::DateTime;
use thirdhand::core::chain;
use thirdhand::core::event::{Body, Event, Heard, Note, Opened, Outcome};
use thirdhand::core::time::Moment;
use thirdhand::shell::journal::fakes::{Disk, Keep, Plan};
use thirdhand::shell::journal::{EVENTS, FaultKind, Journal, UNMATCHED};

fn event(seq: u64, body: Body) -> Event {
    let at = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    Event { seq, when: Moment::new(0, at).plus_ms(seq * 700), body, from: None }
}

fn note(seq: u64) -> Event {
    event(seq, Body::Note(Note { text: format!("remark {seq}"), who: None }))
}

fn unmatched(seq: u64) -> Event {
    let heard = Heard {
        text: Some(format!("chatter {seq}")),
        text_sha256: None,
        confidence: 0.4,
        outcome: Outcome::Unmatched,
        audio_ms: 900,
        commands: vec![],
        speech: None,
        audio: None,
    };
    event(seq, Body::Heard(heard))
}

/// A call in six inputs of one to three events each, two of them unmatched speech.
fn inputs() -> Vec<Vec<Event>> {
    let opened = event(1, Body::Opened(Opened { format: "thirdhand-record-1".into(), ..Opened::default() }));
    vec![
        vec![opened],
        vec![note(2), note(3)],
        vec![unmatched(4)],
        vec![note(5), unmatched(6), note(7)],
        vec![note(8)],
        vec![note(9), note(10)],
    ]
}

fn path() -> PathBuf {
    PathBuf::from("a-record").join(EVENTS)
}

fn begin(disk: &Disk) -> Option<Journal> {
    Journal::begin(Box::new(disk.clone()), path()).ok()
}

/// Writes the call until the first fault; the last event that was announced as recorded.
fn write_until_fault(disk: &Disk) -> u64 {
    let Some(mut journal) = begin(disk) else { return 0 };
    let mut announced = 0;
    for batch in inputs() {
        if journal.append(&batch).is_err() {
            break;
        }
        announced = batch.last().unwrap().seq;
    }
    announced
}

#[test]
fn nothing_announced_is_lost_when_the_supply_goes_at_any_sync() {
    let whole = Disk::default();
    assert_eq!(write_until_fault(&whole), 10);
    let syncs = whole.syncs();
    assert!(syncs >= 7, "one sync an input, one for the new file: {syncs}");
    for at in 1..=syncs {
        for keep in [Keep::Nothing, Keep::Half, Keep::All, Keep::Zeros] {
            let disk = Disk::new(Plan { lost_at_sync: Some(at), ..Plan::default() });
            let announced = write_until_fault(&disk);
            let found = disk.after_power_loss(keep);
            let Some(bytes) = found.file(EVENTS) else {
                assert_eq!(announced, 0);
                continue;
            };
            let resumed = Journal::take_up(Box::new(found.clone()), path())
                .unwrap_or_else(|e| panic!("sync {at}, {keep:?}: {e:#}"));
            let (mut journal, record) = (resumed.journal, resumed.record);
            assert!(record.lines >= announced, "sync {at}, {keep:?}: {announced} announced, {} found", record.lines);
            // The tail that did not stand is in the side file, byte for byte.
            if let Some((torn, side)) = resumed.set_aside {
                assert_eq!(found.file(&side).unwrap(), bytes[torn.byte as usize..]);
            }
            // And the record goes on from there.
            journal.append(&[note(record.lines + 1)]).unwrap();
            assert!(chain::check(&found.file(EVENTS).unwrap()).whole());
        }
    }
}

/// Lines of unmatched words that are on the medium.
fn words(disk: &Disk) -> usize {
    disk.file(UNMATCHED).map_or(0, |bytes| bytes.split(|b| *b == b'\n').filter(|line| line.ends_with(b"}")).count())
}

#[test]
fn every_call_failing_in_turn_loses_nothing_once_the_medium_is_back() {
    let whole = Disk::default();
    write_until_fault(&whole);
    let expected = whole.file(EVENTS).unwrap();
    for error in [ErrorKind::StorageFull, ErrorKind::ReadOnlyFilesystem, ErrorKind::Other] {
        for first in 1..=whole.calls() + 4 {
            for many in [1, 2, 3, 5, 8] {
                let failing = Some((first, first + many));
                let disk = Disk::new(Plan { failing, error: Some(error), lost_at_sync: None });
                let Some(mut journal) = begin(&disk) else { continue };
                for batch in inputs() {
                    // The caller announces the fault and goes on with the call.
                    let _ = journal.append(&batch);
                }
                for _ in 0..10 {
                    let _ = journal.retry();
                }
                let which = format!("calls {first} to {} failing with {error:?}", first + many - 1);
                assert_eq!(journal.pending_bytes(), 0, "{which}: still waiting");
                let lasting = disk.after_power_loss(Keep::Nothing);
                assert!(lasting.file(EVENTS).unwrap() == expected, "{which}: the medium holds something else");
                assert_eq!(words(&lasting), 2, "{which}: words lost");
            }
        }
    }
}

#[test]
fn a_failed_sync_is_never_trusted_again_on_that_file() {
    let disk = Disk::default();
    let mut journal = begin(&disk).unwrap();
    let inputs = inputs();
    journal.append(&inputs[0]).unwrap();
    // The sync of the next append fails, once.
    let next = disk.calls() + 2;
    disk.plan(Plan { failing: Some((next, next + 1)), error: Some(ErrorKind::Other), lost_at_sync: None });
    assert_eq!(journal.append(&inputs[1]).unwrap_err().kind, FaultKind::Failed);
    assert_eq!(disk.after_power_loss(Keep::Nothing).file(EVENTS).map(|b| chain::check(&b).lines), Some(1));
    journal.retry().unwrap();
    let lasting = disk.after_power_loss(Keep::Nothing).file(EVENTS).unwrap();
    assert_eq!(chain::check(&lasting).lines, 3, "a later sync of the old file would have said yes, and held zeros");
}

#[test]
fn another_record_in_our_place_is_never_written_over() {
    let disk = Disk::default();
    let mut journal = begin(&disk).unwrap();
    let inputs = inputs();
    journal.append(&inputs[0]).unwrap();
    let next = disk.calls() + 1;
    disk.plan(Plan { failing: Some((next, next + 1)), error: Some(ErrorKind::NotFound), lost_at_sync: None });
    assert_eq!(journal.append(&inputs[1]).unwrap_err().kind, FaultKind::Gone);
    let ours = disk.after_power_loss(Keep::Nothing).file(EVENTS).unwrap();
    let (line, _) = chain::seal(chain::START, r#"{"seq":1,"another":"record"}"#);
    let theirs = format!("{line}\n").into_bytes();
    disk.put(EVENTS, &theirs);
    assert_eq!(journal.retry().unwrap_err().kind, FaultKind::Foreign);
    assert_eq!(disk.file(EVENTS).unwrap(), theirs);
    disk.put(EVENTS, &ours);
    journal.retry().unwrap();
    assert_eq!(chain::check(&disk.file(EVENTS).unwrap()).lines, 3);
}

#[test]
fn a_record_cut_at_any_byte_is_taken_up_again_with_the_tail_set_aside() {
    let disk = Disk::default();
    write_until_fault(&disk);
    let bytes = disk.file(EVENTS).unwrap();
    for len in 0..bytes.len() {
        let cut = Disk::default();
        cut.put(EVENTS, &bytes[..len]);
        let resumed = Journal::take_up(Box::new(cut.clone()), path()).unwrap();
        let stands = bytes[..len].iter().filter(|b| **b == b'\n').count() as u64;
        assert_eq!(resumed.record.lines, stands);
        assert_eq!(resumed.set_aside.is_some(), len > 0 && bytes[len - 1] != b'\n', "cut at {len}");
        let mut kept = cut.file(EVENTS).unwrap();
        if let Some((_, side)) = resumed.set_aside {
            kept.extend(cut.file(&side).unwrap());
        }
        assert_eq!(kept, bytes[..len], "cut at {len}: bytes were lost");
    }
}

#[test]
fn damage_that_is_no_torn_tail_is_refused_and_left_as_it_is() {
    let disk = Disk::default();
    write_until_fault(&disk);
    let bytes = disk.file(EVENTS).unwrap();
    let second = bytes.iter().position(|b| *b == b'\n').unwrap() + 30;
    let mut damaged = bytes.clone();
    damaged[second] ^= 1;
    let found = Disk::default();
    found.put(EVENTS, &damaged);
    let error = Journal::take_up(Box::new(found.clone()), path()).err().unwrap().to_string();
    assert!(error.contains("event 2 (line 2"), "{error}");
    assert_eq!(found.file(EVENTS).unwrap(), damaged);
}

#[test]
fn memory_is_bounded_while_the_medium_takes_nothing() {
    let disk = Disk::default();
    let mut journal = begin(&disk).unwrap();
    disk.plan(Plan { failing: Some((0, u64::MAX)), error: Some(ErrorKind::StorageFull), lost_at_sync: None });
    let text = "x".repeat(900_000);
    let mut refused = 0;
    for _ in 0..100 {
        let next = journal.next_seq();
        match journal.append(&[event(next, Body::Note(Note { text: text.clone(), who: None }))]) {
            Err(fault) if fault.kind == FaultKind::MemoryFull => refused += 1,
            other => assert_eq!(other.unwrap_err().kind, FaultKind::Full),
        }
    }
    assert!(refused > 10);
    assert!(journal.pending_bytes() < thirdhand::shell::journal::MAX_PENDING + 1_000_000);
    disk.mend();
    journal.retry().unwrap();
    assert!(chain::check(&disk.file(EVENTS).unwrap()).whole());
}
