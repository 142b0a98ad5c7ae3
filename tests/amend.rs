//! `thirdhand amend` and `thirdhand purge`, as a person runs them on the record of an invented call.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use thirdhand::core::event::{Body, Event};
use thirdhand::core::finding::{Field, Kind};
use thirdhand::core::ledger::Ledger;
use thirdhand::shell::journal::inspect;

struct Call {
    place: tempfile::TempDir,
}

/// What a run printed and how it ended.
struct Ran {
    code: Option<i32>,
    out: String,
    err: String,
}

impl Call {
    fn new() -> Call {
        let place = tempfile::tempdir().unwrap();
        let call = Call { place };
        fs::create_dir(call.dir()).unwrap();
        for file in ["events.jsonl", "unmatched.jsonl"] {
            let from = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/records/v1/").to_string() + file;
            fs::copy(from, call.dir().join(file)).unwrap();
        }
        call
    }

    fn dir(&self) -> PathBuf {
        self.place.path().join("call")
    }

    fn run(&self, command: &str, args: &[&str], answers: &str) -> Ran {
        let mut child = Command::new(env!("CARGO_BIN_EXE_thirdhand"))
            .arg(command)
            .arg(self.dir())
            .args(args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        // A program that needs no answers may have ended already.
        let _ = child.stdin.take().unwrap().write_all(answers.as_bytes());
        let output = child.wait_with_output().unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Ran { code: output.status.code(), out: text(&output.stdout), err: text(&output.stderr) }
    }

    fn amend(&self, args: &[&str]) -> Ran {
        self.run("amend", args, "")
    }

    fn done(&self, args: &[&str]) -> Ran {
        let ran = self.amend(args);
        assert_eq!(ran.code, Some(0), "{args:?}: {}", ran.err);
        self.whole();
        ran
    }

    fn refused(&self, args: &[&str], why: &str) {
        let before = fs::read(self.dir().join("events.jsonl")).unwrap();
        let ran = self.amend(args);
        assert_eq!(ran.code, Some(1), "{args:?}: {} {}", ran.out, ran.err);
        assert!(ran.err.contains(why), "{args:?}: {}", ran.err);
        assert_eq!(fs::read(self.dir().join("events.jsonl")).unwrap(), before, "refused, but something was written");
    }

    fn whole(&self) {
        let record = inspect(&self.dir()).unwrap();
        assert_eq!((record.bad, record.torn), (None, None));
    }

    fn events(&self) -> Vec<Event> {
        inspect(&self.dir()).unwrap().events
    }
}

const WHO: [&str; 4] = ["--who", "A. Example", "--why", "the monitor's memory shows it"];

fn with<'a>(args: &[&'a str]) -> Vec<&'a str> {
    args.iter().copied().chain(WHO).collect()
}

#[test]
fn a_correction_is_appended_and_what_was_there_stays() {
    let call = Call::new();
    let before = fs::read(call.dir().join("events.jsonl")).unwrap();
    call.done(&with(&["--event", "5", "--set", "rate_per_min=112"]));
    let after = fs::read(call.dir().join("events.jsonl")).unwrap();
    assert!(after.starts_with(&before));
    let events = call.events();
    let ledger = Ledger::fold(&events);
    let entry = ledger.find(5).unwrap();
    assert_eq!(entry.finding.int(Field::RatePerMin), Some(112));
    // 18 as first heard, 118 as corrected aloud during the call: both are kept.
    let old: Vec<_> = entry.replaced.iter().map(|(old, _)| old.int(Field::RatePerMin).unwrap()).collect();
    assert_eq!(old, [18, 118]);
    assert!(events.iter().any(|event| matches!(&event.body, Body::Recovered(t) if t.state == "reopened")));
    let mono: Vec<u64> = events.iter().map(|event| event.when.mono_ms).collect();
    assert!(mono.is_sorted(), "the stopwatch never goes back");
}

#[test]
fn words_are_understood_as_they_are_at_the_patients_side() {
    let call = Call::new();
    call.done(&with(&["--event", "5", "--to", "pulse one twelve regular"]));
    let ledger = Ledger::fold(&call.events());
    assert_eq!(ledger.find(5).unwrap().finding.int(Field::RatePerMin), Some(112));
    call.refused(&with(&["--event", "5", "--to", "zigzag"]), "not understood");
}

#[test]
fn json_out_is_the_lines_as_written() {
    let call = Call::new();
    let ran = call.done(&with(&["--event", "12", "--take-back", "--json"]));
    let record = fs::read_to_string(call.dir().join("events.jsonl")).unwrap();
    assert!(record.ends_with(&ran.out), "{}", ran.out);
    assert_eq!(ran.out.lines().count(), 2);
    assert!(!Ledger::fold(&call.events()).find(12).unwrap().stands());
}

#[test]
fn a_late_entry_keeps_both_times() {
    let call = Call::new();
    call.done(&["--add", "pulse ninety six", "--at", "14:10", "--who", "B. Example"]);
    let events = call.events();
    let entry = Ledger::fold(&events).entries().last().unwrap().clone();
    assert_eq!(entry.finding.kind(), Kind::Pulse);
    assert_eq!(entry.finding.text(Field::HappenedAt), Some("2027-03-01T14:10:00.000-05:00"));
    let note = events.iter().find(|event| Some(event.seq) == entry.from).unwrap();
    assert!(matches!(&note.body, Body::Note(note) if note.who.as_deref() == Some("B. Example")));
}

#[test]
fn times_of_the_call_can_be_set() {
    let call = Call::new();
    call.done(&["--time", "dispatched=13:52", "--time", "on_scene=14:00:30", "--who", "A. Example"]);
    let ledger = Ledger::fold(&call.events());
    let times: Vec<_> = ledger.of(Kind::Milestone, 1).filter_map(|e| e.finding.text(Field::HappenedAt)).collect();
    assert_eq!(times, ["2027-03-01T13:52:00.000-05:00", "2027-03-01T14:00:30.000-05:00"]);
    call.refused(&["--time", "lunch=12:00", "--who", "A. Example"], "dispatched");
    call.refused(&["--time", "on_scene=later", "--who", "A. Example"], "14:02");
}

#[test]
fn sign_off_closes_the_record_and_drops_unmatched_words() {
    let call = Call::new();
    assert!(call.dir().join("unmatched.jsonl").exists());
    call.done(&["--sign-off", "--who", "A. Example"]);
    assert!(!call.dir().join("unmatched.jsonl").exists());
    let wrong = with(&["--event", "5", "--take-back"]);
    call.refused(&wrong, "only addenda");
    call.done(&["--note", "the patient's daughter brought the list later", "--who", "A. Example"]);
    call.done(&["--add", "pulse ninety six", "--at", "14:10", "--who", "A. Example"]);
}

#[test]
fn words_are_kept_at_sign_off_when_asked() {
    let call = Call::new();
    call.done(&["--sign-off", "--keep-words", "--who", "A. Example"]);
    assert!(call.dir().join("unmatched.jsonl").exists());
}

#[test]
fn what_cannot_be_done_is_one_clear_line() {
    let call = Call::new();
    call.refused(&["--event", "5", "--take-back"], "--who");
    call.refused(&["--event", "5", "--take-back", "--who", "A. Example"], "--why");
    call.refused(&with(&["--event", "2", "--take-back"]), "event 2 is a `heard`");
    call.refused(&with(&["--event", "99", "--take-back"]), "no event 99");
    call.refused(&with(&["--event", "5", "--set", "rate_per_min=1180"]), "outside");
    call.refused(&with(&["--event", "5", "--finding", "{}"]), "no finding");
    assert_eq!(call.amend(&["--take-back"]).code, Some(2));
}

#[test]
fn guided_it_asks_for_what_who_and_why() {
    let call = Call::new();
    let answers =
        "5\npulse one twelve\nthe monitor shows it\nyes\nA. Example\ntime\ndispatched\n13:52\nsign off\nyes\n\n";
    let ran = call.run("amend", &[], answers);
    assert_eq!(ran.code, Some(0), "{}", ran.err);
    call.whole();
    let events = call.events();
    let ledger = Ledger::fold(&events);
    assert_eq!(ledger.find(5).unwrap().finding.int(Field::RatePerMin), Some(112));
    let corrected = events.iter().find_map(|event| match &event.body {
        Body::Corrected(c) if c.who.is_some() => Some(c),
        _ => None,
    });
    let corrected = corrected.unwrap();
    assert_eq!(corrected.why.as_deref(), Some("the monitor shows it"));
    assert!(matches!(&events.last().unwrap().body, Body::Closed(closed) if closed.reason == "signed_off"));
    assert!(ran.err.contains("(was pulse"), "what it replaced is shown: {}", ran.err);
    // Nobody there to answer: nothing happens.
    let ran = call.run("amend", &[], "");
    assert_eq!((ran.code, call.events().len()), (Some(0), events.len()));
}

#[test]
fn a_torn_tail_is_set_aside_and_noted() {
    let call = Call::new();
    let file = call.dir().join("events.jsonl");
    let mut bytes = fs::read(&file).unwrap();
    bytes.truncate(bytes.len() - 5);
    fs::write(&file, bytes).unwrap();
    call.done(&["--note", "torn", "--who", "A. Example"]);
    let torn =
        call.events().into_iter().any(|event| matches!(event.body, Body::Recovered(t) if t.state == "torn_tail"));
    assert!(torn);
    let aside =
        fs::read_dir(call.dir()).unwrap().any(|e| e.unwrap().file_name().to_string_lossy().starts_with("torn-"));
    assert!(aside);
}

#[test]
fn purge_shows_first_and_removes_when_told() {
    let call = Call::new();
    fs::create_dir(call.dir().join("audio")).unwrap();
    fs::write(call.dir().join("audio/000012000.wav"), [0; 44]).unwrap();
    let before = listing(&call.dir());
    let shown = call.run("purge", &[], "");
    assert!(
        shown.out.contains("would remove") && shown.out.contains("unmatched.jsonl") && shown.out.contains("44 bytes")
    );
    assert_eq!(listing(&call.dir()), before);
    let done = call.run("purge", &["--yes"], "");
    assert_eq!(done.code, Some(0), "{}", done.err);
    assert_eq!(listing(&call.dir()), ["events.jsonl"]);
    call.whole();
}

#[test]
fn purge_of_records_minds_age_sign_off_and_writers() {
    let call = Call::new();
    let all = call.place.path().to_str().unwrap().to_string();
    let purge = |args: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_thirdhand")).args(["purge", &all]).args(args).output().unwrap();
        (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
    };
    let (code, err) = purge(&["--record", "--yes"]);
    assert!(code == Some(0) && err.contains("never signed off"), "{err}");
    call.done(&["--sign-off", "--keep-words", "--who", "A. Example"]);
    let (code, err) = purge(&["--record", "--yes", "--older-than", "1"]);
    assert!(code == Some(0) && err.contains("not older"), "{err}");
    let held = thirdhand::shell::journal::Journal::resume(&call.dir()).unwrap();
    let (code, err) = purge(&["--yes"]);
    assert!(code == Some(1) && err.contains("being written"), "{err}");
    drop(held);
    assert!(call.dir().exists());
    assert_eq!(purge(&["--record", "--yes"]).0, Some(0));
    assert!(!call.dir().exists());
}

fn listing(dir: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(dir).unwrap().map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}
