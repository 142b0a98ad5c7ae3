//! The journal's thread: warnings do not wait for a slow disk, "recorded" does, and troubles are told once.

use std::io;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Duration;

use chrono::DateTime;
use thirdhand::core::chain;
use thirdhand::core::event::{Body, Event, Note};
use thirdhand::core::time::Moment;
use thirdhand::shell::clock::instant;
use thirdhand::shell::journal::fakes::{Disk, Keep, Plan};
use thirdhand::shell::journal::{
    EVENTS, FaultKind, Journal, Report, Storage, Store, Urgency, WARNING_WAIT, Writer, Written,
};

const LONG: Duration = Duration::from_secs(30);

fn note(seq: u64) -> Event {
    let at = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    let body = Body::Note(Note { text: format!("remark {seq}"), who: None });
    Event { seq, when: Moment::new(seq * 10, at), body, from: None }
}

/// A disk whose syncs wait for a word from the test: one word, one sync.
struct Slow {
    disk: Disk,
    words: Receiver<()>,
}

impl Storage for Slow {
    fn read(&mut self, name: &str) -> io::Result<Option<Vec<u8>>> {
        self.disk.read(name)
    }
    fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.disk.append(name, bytes)
    }
    fn truncate(&mut self, name: &str, len: u64) -> io::Result<()> {
        self.disk.truncate(name, len)
    }
    fn sync(&mut self, name: &str) -> io::Result<()> {
        self.words.recv().map_err(io::Error::other)?;
        self.disk.sync(name)
    }
    fn rename(&mut self, from: &str, to: &str) -> io::Result<()> {
        self.disk.rename(from, to)
    }
}

fn slow_disk() -> (Disk, Slow, Sender<()>) {
    let (say, words) = channel();
    let disk = Disk::default();
    // The sync of the new, empty file.
    say.send(()).unwrap();
    (disk.clone(), Slow { disk, words }, say)
}

fn start(storage: Box<dyn Storage>) -> (Writer, Receiver<Report>) {
    let journal = Journal::begin(storage, PathBuf::from("a-record").join(EVENTS)).unwrap();
    let (report, reports) = channel();
    (Writer::start(journal, move |r| report.send(r).unwrap_or(())).unwrap(), reports)
}

#[test]
fn a_warning_waits_at_most_150_ms_for_a_slow_disk() {
    let (disk, slow, say) = slow_disk();
    let (writer, _reports) = start(Box::new(slow));
    writer.append(vec![note(1)]).unwrap();
    let begun = instant();
    assert_eq!(writer.wait(1, WARNING_WAIT), Written::Late);
    let waited = begun.elapsed();
    assert!(waited >= Duration::from_millis(140) && waited < Duration::from_millis(400), "{waited:?}");
    assert_eq!(writer.recorded(), 0, "nothing is called recorded before its sync returned");
    say.send(()).unwrap();
    assert_eq!(writer.wait(1, LONG), Written::Recorded);
    assert_eq!(chain::check(&disk.after_power_loss(Keep::Nothing).file(EVENTS).unwrap()).lines, 1);
}

#[test]
fn a_fast_disk_holds_nothing_up() {
    let (writer, _reports) = start(Box::new(Disk::default()));
    for seq in 1..=50 {
        writer.append(vec![note(seq)]).unwrap();
        assert_eq!(writer.wait(seq, LONG), Written::Recorded);
    }
    assert_eq!(writer.finish(LONG), Written::Recorded);
}

#[test]
fn a_full_disk_is_told_once_kept_in_memory_and_written_when_there_is_room() {
    let disk = Disk::default();
    let (writer, reports) = start(Box::new(disk.clone()));
    writer.append(vec![note(1)]).unwrap();
    assert_eq!(writer.wait(1, LONG), Written::Recorded);
    disk.plan(Plan { failing: Some((0, u64::MAX)), error: Some(io::ErrorKind::StorageFull), lost_at_sync: None });
    for seq in 2..=5 {
        writer.append(vec![note(seq)]).unwrap();
        match writer.wait(seq, LONG) {
            Written::Failed(fault) => assert_eq!(fault.kind, FaultKind::Full),
            other => panic!("{other:?}"),
        }
    }
    match reports.recv_timeout(LONG).unwrap() {
        Report::Trouble(fault) => assert_eq!(fault.kind, FaultKind::Full),
        other => panic!("{other:?}"),
    }
    assert!(reports.try_recv().is_err(), "the same trouble is told once");
    disk.mend();
    // Nothing new is said: the writer tries by itself.
    assert_eq!(reports.recv_timeout(LONG).unwrap(), Report::Back { seq: 5 });
    assert_eq!(writer.wait(5, LONG), Written::Recorded);
    assert_eq!(writer.finish(LONG), Written::Recorded);
    assert_eq!(chain::check(&disk.after_power_loss(Keep::Nothing).file(EVENTS).unwrap()).lines, 5);
}

#[test]
fn a_disk_that_hangs_does_not_take_all_memory() {
    let (_disk, slow, say) = slow_disk();
    let (writer, _reports) = start(Box::new(slow));
    let mut taken = 0;
    let refused = (1..100_000).find_map(|seq| match writer.append(vec![note(seq)]) {
        Ok(()) => {
            taken = seq;
            None
        }
        Err(fault) => Some(fault),
    });
    assert_eq!(refused.unwrap().kind, FaultKind::MemoryFull);
    (0..taken).for_each(|_| say.send(()).unwrap());
    assert_eq!(writer.wait(taken, LONG), Written::Recorded);
}

#[test]
fn what_waits_at_the_end_is_reported_as_not_written() {
    let disk = Disk::default();
    let (writer, _reports) = start(Box::new(disk.clone()));
    disk.plan(Plan {
        failing: Some((0, u64::MAX)),
        error: Some(io::ErrorKind::ReadOnlyFilesystem),
        lost_at_sync: None,
    });
    writer.append(vec![note(1)]).unwrap();
    match writer.finish(LONG) {
        Written::Failed(fault) => assert_eq!(fault.kind, FaultKind::ReadOnly),
        other => panic!("{other:?}"),
    }
}

fn store(storage: Box<dyn Storage>) -> Store {
    let journal = Journal::begin(storage, PathBuf::from("a-record").join(EVENTS)).unwrap();
    Store::direct(journal).on_a_thread().unwrap()
}

#[test]
fn a_live_call_waits_for_a_slow_disk_once_and_says_so() {
    let (_disk, slow, say) = slow_disk();
    let mut store = store(Box::new(slow));
    let begun = instant();
    let fault = store.append(&[note(1)], Urgency::Warning).unwrap();
    assert_eq!(fault.kind, FaultKind::Slow);
    // While the disk is behind, ordinary events wait no longer than a warning, and none is lost.
    assert_eq!(store.append(&[note(2)], Urgency::Ordinary).unwrap().kind, FaultKind::Slow);
    assert!(begun.elapsed() < Duration::from_millis(700), "{:?}", begun.elapsed());
    assert_eq!((store.recorded(), store.settled()), (0, false));
    (0..2).for_each(|_| say.send(()).unwrap());
    assert!(store.settle(LONG));
    say.send(()).unwrap();
    assert_eq!(store.append(&[note(3)], Urgency::Ordinary), None);
    assert_eq!(store.recorded(), 3);
}

#[test]
fn a_live_call_on_a_full_disk_goes_on_and_is_written_when_there_is_room() {
    let disk = Disk::default();
    let mut store = store(Box::new(disk.clone()));
    assert_eq!(store.append(&[note(1)], Urgency::Ordinary), None);
    disk.plan(Plan { failing: Some((0, u64::MAX)), error: Some(io::ErrorKind::StorageFull), lost_at_sync: None });
    for seq in 2..=4 {
        assert_eq!(store.append(&[note(seq)], Urgency::Warning).unwrap().kind, FaultKind::Full);
    }
    assert!(!store.settled());
    disk.mend();
    assert!(store.settle(LONG), "the thread tries again by itself");
    assert_eq!(chain::check(&disk.after_power_loss(Keep::Nothing).file(EVENTS).unwrap()).lines, 4);
}
