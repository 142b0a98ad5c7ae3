//! The journal on real file systems: one writer, private folders, and (as root) a disk that is full and one that turns
//! read-only. What needs root is skipped elsewhere, by name.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use chrono::DateTime;
use thirdhand::core::encounter::Input;
use thirdhand::core::event::{Body, Event, Heard, Note, Outcome, Priority, Purpose};
use thirdhand::core::time::Moment;
use thirdhand::core::utterance::Transcript;
use thirdhand::shell::app::{self, Call, Show};
use thirdhand::shell::clock::instant;
use thirdhand::shell::data::DataSet;
use thirdhand::shell::journal::{FaultKind, Journal, UNMATCHED, inspect};
use thirdhand::shell::speak::{self, VoiceKind};

fn event(seq: u64, body: Body) -> Event {
    let at = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    Event { seq, when: Moment::new(seq, at), body, from: None }
}

fn note(seq: u64, len: usize) -> Event {
    event(seq, Body::Note(Note { text: "x".repeat(len), who: None }))
}

fn unmatched(seq: u64, text: &str) -> Event {
    let heard = Heard {
        text: Some(text.into()),
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

#[test]
fn there_is_one_writer_and_the_second_is_told_who_it_is() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("call");
    let mut first = Journal::create(&dir).unwrap();
    first.append(&[note(1, 10)]).unwrap();
    let second = format!("{:#}", Journal::resume(&dir).err().unwrap());
    assert!(second.contains(&format!("process {}", std::process::id())), "{second}");
    assert!(second.contains("end that one first"), "{second}");
    let third = format!("{:#}", Journal::create(&dir).err().unwrap());
    assert!(third.contains("being written"), "{third}");
    // Readers are not disturbed and do not disturb.
    assert_eq!(inspect(&dir).unwrap().lines, 1);
    first.append(&[note(2, 10)]).unwrap();
    assert_eq!(inspect(&dir).unwrap().lines, 2);
    drop(first);
    assert_eq!(Journal::resume(&dir).unwrap().record.lines, 2);
    let again = format!("{:#}", Journal::create(&dir).err().unwrap());
    assert!(again.contains("not empty"), "{again}");
}

#[test]
fn folders_and_files_are_their_owners_alone() {
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("call");
    // A folder that was there before, open to all.
    fs::create_dir(&dir).unwrap();
    fs::set_permissions(&dir, fs::Permissions::from_mode(0o777)).unwrap();
    let mut journal = Journal::create(&dir).unwrap();
    journal.append(&[note(1, 10), unmatched(2, "where did the dog go")]).unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&dir), 0o700);
    let files: Vec<PathBuf> = fs::read_dir(&dir).unwrap().map(|entry| entry.unwrap().path()).collect();
    assert!(files.len() >= 2);
    for file in files {
        assert_eq!(mode(&file), 0o600, "{}", file.display());
    }
}

#[test]
fn unmatched_words_lie_apart_and_can_be_dropped() {
    let place = tempfile::tempdir().unwrap();
    for salted in [false, true] {
        let dir = place.path().join(format!("call-{salted}"));
        let journal = Journal::create(&dir).unwrap();
        let mut journal = if salted { journal.salted() } else { journal };
        journal.append(&[unmatched(1, "where did the dog go"), note(2, 3)]).unwrap();
        let text = |dir: &Path| match &inspect(dir).unwrap().events[0].body {
            Body::Heard(heard) => heard.text.clone(),
            _ => unreachable!(),
        };
        assert!(!fs::read_to_string(dir.join("events.jsonl")).unwrap().contains("dog"));
        assert_eq!(text(&dir).as_deref(), Some("where did the dog go"));
        // Words that are not the ones that were heard are not shown.
        let side = fs::read_to_string(dir.join(UNMATCHED)).unwrap();
        fs::write(dir.join(UNMATCHED), side.replace("dog", "cat")).unwrap();
        assert_eq!(text(&dir), None);
        fs::remove_file(dir.join(UNMATCHED)).unwrap();
        assert_eq!(text(&dir), None);
        let record = inspect(&dir).unwrap();
        assert_eq!((record.lines, record.bad), (2, None));
    }
}

/// A file system of our own, taken down again at the end.
struct Mount {
    place: tempfile::TempDir,
}

impl Mount {
    /// `None` where this may not be done.
    fn new(test: &str, prepare: &str) -> Option<Mount> {
        let mount = Mount { place: tempfile::tempdir().unwrap() };
        fs::create_dir(mount.path()).unwrap();
        if let Err(why) = mount.sh(prepare) {
            eprintln!("skipped {test}: needs root and mount ({})", why.trim());
            return None;
        }
        Some(mount)
    }

    fn path(&self) -> PathBuf {
        self.place.path().join("m")
    }

    fn sh(&self, line: &str) -> Result<String, String> {
        let output = Command::new("bash").arg("-ec").arg(line).current_dir(self.place.path()).output().unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        if output.status.success() { Ok(text(&output.stdout)) } else { Err(text(&output.stderr)) }
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        let _ = self.sh("umount m 2>/dev/null || umount -l m");
    }
}

#[test]
fn a_full_disk_keeps_events_in_memory_until_there_is_room() {
    let name = "a_full_disk_keeps_events_in_memory_until_there_is_room";
    let Some(mount) = Mount::new(name, "mount -t tmpfs -o size=256k none m") else { return };
    let dir = mount.path().join("call");
    let mut journal = Journal::create(&dir).unwrap();
    journal.append(&[note(1, 100)]).unwrap();
    mount.sh("dd if=/dev/zero of=m/filler bs=4k 2>/dev/null || true").unwrap();
    for seq in 2..=12 {
        // Some may still fit into the page that the file has; a long one does not.
        let fault = journal.append(&[note(seq, 9_000)]).unwrap_err();
        assert_eq!(fault.kind, FaultKind::Full, "{fault}");
    }
    // What a reader finds meanwhile is whole up to what was confirmed.
    let record = inspect(&dir).unwrap();
    assert_eq!((record.lines, record.bad), (1, None));
    mount.sh("rm m/filler").unwrap();
    journal.retry().unwrap();
    journal.append(&[note(13, 10)]).unwrap();
    let record = inspect(&dir).unwrap();
    assert_eq!((record.lines, record.bad, record.torn), (13, None, None));
}

#[test]
fn a_disk_that_turns_read_only_is_told_and_written_when_it_is_back() {
    let name = "a_disk_that_turns_read_only_is_told_and_written_when_it_is_back";
    let prepare = "truncate -s 8M disk && mkfs.ext4 -q disk && mount -o loop,errors=remount-ro disk m \
                   && test -w /sys/fs/ext4/$(basename $(findmnt -no SOURCE m))/trigger_fs_error";
    let Some(mount) = Mount::new(name, prepare) else { return };
    let dir = mount.path().join("call");
    let mut journal = Journal::create(&dir).unwrap();
    journal.append(&[note(1, 100)]).unwrap();
    // The kernel finds the file system damaged and turns it read-only, as with a card that is going bad.
    mount.sh("echo 1 > /sys/fs/ext4/$(basename $(findmnt -no SOURCE m))/trigger_fs_error").unwrap();
    let fault = journal.append(&[note(2, 100)]).unwrap_err();
    assert!(matches!(fault.kind, FaultKind::ReadOnly | FaultKind::Failed), "{fault}");
    // Taken out: nothing of ours keeps it busy.
    mount.sh("umount m").unwrap();
    assert_eq!(journal.append(&[note(3, 100)]).unwrap_err().kind, FaultKind::Gone);
    // Mended and put back.
    mount.sh("e2fsck -fp disk >&2 || test $? -le 1; mount -o loop disk m").unwrap();
    journal.retry().unwrap();
    drop(journal);
    let record = inspect(&dir).unwrap();
    assert_eq!((record.lines, record.bad, record.torn), (3, None, None));
    mount.sh("umount m; mount -o loop disk m").unwrap();
    assert_eq!(inspect(&dir).unwrap().lines, 3);
}

/// The whole program but sound: on a full disk the warning is spoken all the same, and the record has it later.
#[test]
fn a_warning_is_spoken_though_the_disk_is_full() {
    let name = "a_warning_is_spoken_though_the_disk_is_full";
    let Some(mount) = Mount::new(name, "mount -t tmpfs -o size=256k none m") else { return };
    let knowledge = app::knowledge(&DataSet::built_in()).unwrap();
    let (events, _told) = crossbeam_channel::unbounded();
    let voice = speak::open(speak::Settings::of(VoiceKind::None), events);
    let at = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    let when = |seconds: u64| Moment::new(0, at).plus_ms(seconds * 1000);
    let opened = app::opened(&DataSet::built_in(), "text", Purpose::Training);
    let dir = mount.path().join("call");
    let call = Call::open(&knowledge, &dir, opened, voice, Show::Nothing, when(0)).unwrap();
    let mut call = call.on_a_thread().unwrap();
    let say = |call: &mut Call, seconds: u64, words: &str| {
        let heard = Input::Heard { transcript: Transcript::script(words), spoken_at: when(seconds) };
        call.feed_through(heard, when(seconds))
    };
    assert_eq!(say(&mut call, 5, "allergic to aspirin").fault, None);
    mount.sh("dd if=/dev/zero of=m/filler bs=4k 2>/dev/null || true").unwrap();
    // Speech of every sort until the page that the file still has is full too.
    let full = (6..200).find(|seconds| say(&mut call, *seconds, "lung sounds clear on both sides").fault.is_some());
    let full = full.expect("the disk never filled up");
    let begun = instant();
    let fed = say(&mut call, full + 1, "about to give aspirin three twenty four");
    let took = begun.elapsed();
    assert_eq!(fed.fault.map(|fault| fault.kind), Some(FaultKind::Full));
    assert!(fed.speeches.iter().any(|speech| speech.priority == Priority::High), "no warning: {:?}", fed.speeches);
    assert!(took < Duration::from_millis(1500), "the warning waited {took:?}");
    mount.sh("rm m/filler").unwrap();
    assert!(call.settle_disk(Duration::from_secs(30)));
    let record = inspect(&dir).unwrap();
    assert_eq!((record.bad, record.torn), (None, None));
    let warned = record.events.iter().any(|event| matches!(&event.body, Body::Advice(a) if a.about == "aspirin"));
    assert!(warned, "what was said while the disk was full is in the record");
}
