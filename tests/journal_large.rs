//! A record of 100,000 events: verified in a memory smaller than the record, read, shown and amended in seconds.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use thirdhand::core::chain;
use thirdhand::shell::clock::instant;

const EVENTS: u64 = 100_000;

/// An invented call that never ends: the same pulse, said again and again.
fn write_record(dir: &Path) {
    let mut head = chain::START.to_string();
    let mut text = String::new();
    for seq in 1..=EVENTS {
        let ms = seq * 700;
        let at = format!(
            "2027-03-{:02}T{:02}:{:02}:{:02}.{:03}-05:00",
            1 + ms / 86_400_000,
            ms / 3_600_000 % 24,
            ms / 60_000 % 60,
            ms / 1000 % 60,
            ms % 1000
        );
        let payload = match seq {
            1 => r#""opened","opened":{"format":"thirdhand-record-1","version":"0.1.0","data":"built-in","data_digest":"","model":"text","purpose":"training"}}"#.to_string(),
            EVENTS => r#""closed","closed":{"reason":"end_of_input"}}"#.to_string(),
            seq if seq % 2 == 0 => r#""heard","heard":{"text":"pulse one eighteen irregular and weak","confidence":0.93,"outcome":"matched","audio_ms":1900}}"#.to_string(),
            seq => format!(r#""finding","finding":{{"finding":"pulse","rate_per_min":{},"rhythm":"irregular"}},"from":{}}}"#, 60 + seq % 80, seq - 1),
        };
        let (line, hash) = chain::seal(&head, &format!(r#"{{"seq":{seq},"at":"{at}","mono_ms":{ms},"kind":{payload}"#));
        writeln!(text, "{line}").unwrap();
        head = hash;
    }
    fs::write(dir.join("events.jsonl"), text).unwrap();
}

#[test]
fn a_record_of_100_000_events_opens_verifies_and_reviews_in_seconds() {
    let place = tempfile::tempdir().unwrap();
    write_record(place.path());
    let bytes = fs::metadata(place.path().join("events.jsonl")).unwrap().len();
    assert!(bytes > 20_000_000);
    let run = |limit: &str, args: &str| {
        let begun = instant();
        let line = format!("ulimit -d {limit}; exec \"$0\" {args}");
        let output = Command::new("bash")
            .args(["-c", &line, env!("CARGO_BIN_EXE_thirdhand")])
            .current_dir(place.path())
            .output()
            .unwrap();
        assert!(output.status.success(), "{args}: {}", String::from_utf8_lossy(&output.stderr));
        let took = begun.elapsed();
        eprintln!("{args}: {took:?}");
        took
    };
    // Kilobytes; less than the record itself, so it cannot be in memory. (The reader takes a few hundred.)
    run("16384", "verify .");
    // Debug build on a shared machine: these bounds only catch what grows with the square (figures: `make bench`).
    for args in ["review . > /dev/null", "amend . --note x --who 'A. Example'"] {
        let took = run("unlimited", args);
        assert!(took < Duration::from_secs(120), "{args} took {took:?}");
    }
}
