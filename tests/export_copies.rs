//! `thirdhand export --for` and `--encrypt` on the record of an invented call.

use std::process::{Command, Output};

const RECORD: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/records/v1");

fn export(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_thirdhand")).args(["export", RECORD]).args(args).output().unwrap()
}

fn text(args: &[&str]) -> String {
    let output = export(args);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn each_reader_sees_what_is_for_them() {
    let copy = |reader: &str| text(&["--format", "jsonl", "--for", reader]);
    assert!(copy("crew").contains("where the dog went"), "the crew sees everything");
    let hospital = copy("hospital");
    assert!(hospital.contains("\"rate_per_min\":118") && hospital.contains("\"kind\":\"corrected\""));
    for kind in ["heard", "advice", "note", "device"] {
        assert!(!hospital.contains(&format!("\"kind\":\"{kind}\"")), "{kind} is not for the hospital");
    }
    assert!(copy("quality").contains("\"kind\":\"advice\""));
    let teaching = copy("teaching");
    for word in ["Example", "Medic 4", "2027", "dog"] {
        assert!(!teaching.contains(word), "`{word}` in the teaching copy");
    }
}

#[test]
fn every_format_takes_a_reader() {
    for format in ["fhir", "csv", "json", "ndjson", "jsonl"] {
        let copy = text(&["--format", format, "--for", "teaching"]);
        assert!(!copy.contains("2027") && !copy.contains("Example"), "{format}: {copy}");
    }
    assert_eq!(export(&["--format", "csv", "--for", "anybody"]).status.code(), Some(2));
}

#[test]
fn an_encrypted_export_opens_with_the_key_and_holds_no_plain_word() {
    let place = tempfile::tempdir().unwrap();
    let key = place.path().join("key");
    match Command::new("age-keygen").arg("-o").arg(&key).output() {
        Ok(made) if made.status.success() => {}
        _ => {
            eprintln!("skipped an_encrypted_export_opens_with_the_key_and_holds_no_plain_word: no age here");
            return;
        }
    }
    let lines = std::fs::read_to_string(&key).unwrap();
    let public = lines.lines().find_map(|line| line.strip_prefix("# public key: ")).unwrap();
    for format in ["jsonl", "ndjson"] {
        let output = export(&["--format", format, "--encrypt", public]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        assert!(!output.stdout.windows(7).any(|w| w == b"aspirin"));
        let sealed = place.path().join("sealed");
        std::fs::write(&sealed, output.stdout).unwrap();
        let opened = Command::new("age").arg("-d").arg("-i").arg(&key).arg(&sealed).output().unwrap();
        assert_eq!(String::from_utf8(opened.stdout).unwrap(), text(&["--format", format]));
    }
    assert_eq!(export(&["--format", "csv", "--encrypt", "age1nonsense"]).status.code(), Some(1));
}
