//! A real process killed at random moments, again and again on the same record: nothing that it announced may be
//! missing. (A lost supply is another test: `journal_faults.rs`.)
//!
//! `THIRDHAND_KILLS` sets how many (200; `make soak`: 1,000), `THIRDHAND_SEED` repeats a run.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use chrono::DateTime;
use thirdhand::core::event::{Body, Event, Note};
use thirdhand::core::time::Moment;
use thirdhand::shell::journal::{Journal, inspect};

const CHILD: &str = "THIRDHAND_KILL_CHILD";

/// Marsaglia's xorshift64: enough to choose moments, and a seed repeats them.
struct Random(u64);

impl Random {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % limit
    }
}

fn number(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

fn note(seq: u64, len: usize) -> Event {
    let at = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    let body = Body::Note(Note { text: "x".repeat(len), who: None });
    Event { seq, when: Moment::new(seq, at), body, from: None }
}

/// The child: takes the record up (or begins it) and appends until it is killed, announcing what was recorded.
#[test]
fn child() {
    let Some(dir) = std::env::var_os(CHILD).map(PathBuf::from) else { return };
    let mut journal = match Journal::resume(&dir) {
        Ok(resumed) => resumed.journal,
        Err(_) => Journal::create(&dir).unwrap(),
    };
    let mut random = Random(journal.next_seq() * 7919 + 1);
    let mut out = std::io::stdout();
    loop {
        let first = journal.next_seq();
        let many = 1 + random.below(3);
        let events: Vec<Event> = (first..first + many)
            // Mostly an event's usual size; sometimes one so long that a kill can cut it.
            .map(|seq| note(seq, if random.below(12) == 0 { 60_000 } else { random.below(300) as usize }))
            .collect();
        journal.append(&events).unwrap();
        if writeln!(out, "recorded {}", journal.next_seq() - 1).and_then(|()| out.flush()).is_err() {
            return;
        }
    }
}

fn spawn(dir: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "child", "--nocapture", "--test-threads=1"])
        .env(CHILD, dir)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Kills the child after a random number of announcements and a random while more; the last it announced.
fn kill_at_random(child: &mut Child, random: &mut Random) -> u64 {
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
    let mut announced = 0;
    let mut wait_for = random.below(12);
    let mut note = |line: String| {
        let seq = line.strip_prefix("recorded ").and_then(|seq| seq.parse::<u64>().ok());
        announced = announced.max(seq.unwrap_or(0));
        seq.is_some()
    };
    while wait_for > 0 {
        match lines.next() {
            Some(line) => wait_for -= u64::from(note(line)),
            None => panic!("the child ended by itself"),
        }
    }
    (0..random.below(2_000_000)).for_each(|_| std::hint::spin_loop());
    child.kill().unwrap();
    child.wait().unwrap();
    // What it had announced before it died still lies in the pipe.
    for line in lines {
        note(line);
    }
    announced
}

#[test]
fn nothing_announced_is_missing_after_kills_at_random_moments() {
    let kills = number("THIRDHAND_KILLS", 200);
    let seed = number("THIRDHAND_SEED", u64::from(std::process::id()) + 1);
    eprintln!("seed {seed}");
    let mut random = Random(seed);
    let (mut torn, mut appended) = (0, 0);
    let mut place = tempfile::tempdir().unwrap();
    for kill in 0..kills {
        if kill % 5 == 0 {
            place = tempfile::tempdir().unwrap();
        }
        let dir = place.path().join("call");
        let announced = kill_at_random(&mut spawn(&dir), &mut random);
        let Ok(record) = inspect(&dir) else {
            assert_eq!(announced, 0, "kill {kill}, seed {seed}: no record, but {announced} was announced");
            // Killed between making the folder and the file in it: an empty folder may be taken again.
            let _ = std::fs::remove_dir_all(&dir);
            continue;
        };
        assert_eq!(record.bad, None, "kill {kill}, seed {seed}");
        assert!(record.lines >= announced, "kill {kill}, seed {seed}: {announced} announced, {} there", record.lines);
        torn += u64::from(record.torn.is_some());
        appended += announced;
    }
    eprintln!("{kills} kills, {torn} torn tails, events announced at the kills {appended}");
    assert!(appended > kills, "the children hardly wrote: this test shows nothing");
}

/// The whole program, killed in the middle of a call: what it showed is in the record.
#[test]
fn nothing_shown_is_missing_after_the_program_is_killed() {
    let kills = number("THIRDHAND_KILLS", 200) / 10;
    let mut random = Random(number("THIRDHAND_SEED", u64::from(std::process::id()) + 1));
    let place = tempfile::tempdir().unwrap();
    let script = place.path().join("long.call");
    let lines: String = (0..4000).map(|n| format!("{:02}:{:02} pulse {}\n", n / 60, n % 60, 60 + n % 60)).collect();
    std::fs::write(&script, lines).unwrap();
    for kill in 0..kills {
        let dir = place.path().join(format!("call-{kill}"));
        let mut child = Command::new(env!("CARGO_BIN_EXE_thirdhand"))
            .args(["replay", "--voice", "none", "--json", "--record"])
            .args([&dir, &script])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let mut shown: Vec<String> = lines.by_ref().take(random.below(300) as usize).collect();
        child.kill().unwrap();
        child.wait().unwrap();
        shown.extend(lines);
        // The last line may have been cut off in the pipe.
        shown.pop_if(|line| !line.ends_with("\"}"));
        let text = std::fs::read_to_string(dir.join("events.jsonl")).unwrap_or_default();
        let recorded: Vec<&str> = text.lines().collect();
        assert!(recorded.len() >= shown.len(), "kill {kill}: {} shown, {} recorded", shown.len(), recorded.len());
        for (shown, recorded) in shown.iter().zip(recorded) {
            assert_eq!(shown[shown.len() - 66..], recorded[recorded.len() - 66..], "kill {kill}: another event");
        }
    }
}
