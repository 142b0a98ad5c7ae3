//! `thirdhand verify`, as a person runs it, and the same chain checked with ordinary tools.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

fn verify(record: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_thirdhand")).arg("verify").arg(record).output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// Every record of this format in the tree, oldest version first: a new version must read them all.
fn fixture() -> Vec<u8> {
    fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/records/v1/events.jsonl")).unwrap()
}

/// The fixture, changed, in a folder of its own.
fn with(change: impl FnOnce(&mut Vec<u8>)) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let mut bytes = fixture();
    change(&mut bytes);
    fs::write(dir.path().join("events.jsonl"), bytes).unwrap();
    dir
}

#[test]
fn a_whole_record_is_0_as_folder_and_as_file() {
    let dir = with(|_| {});
    for path in [dir.path().to_path_buf(), dir.path().join("events.jsonl")] {
        let output = verify(&path);
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        assert!(said(&output).contains("whole"));
    }
}

#[test]
fn a_torn_tail_is_1_and_named() {
    let dir = with(|bytes| bytes.truncate(bytes.len() - 1));
    let output = verify(dir.path());
    assert_eq!(output.status.code(), Some(1));
    assert!(said(&output).contains("torn tail"), "{}", said(&output));
}

#[test]
fn a_missing_closed_is_said_and_is_0() {
    let dir = with(|bytes| {
        let last = bytes[..bytes.len() - 1].iter().rposition(|b| *b == b'\n').unwrap();
        bytes.truncate(last + 1);
    });
    let output = verify(dir.path());
    assert_eq!(output.status.code(), Some(0));
    assert!(said(&output).contains("not closed"), "{}", said(&output));
}

#[test]
fn the_first_bad_event_is_named_with_line_and_byte() {
    let mut at = 0;
    let dir = with(|bytes| {
        let ends: Vec<usize> = bytes.iter().enumerate().filter(|(_, b)| **b == b'\n').map(|(at, _)| at).collect();
        at = ends[1] + 1;
        bytes[at + 30] ^= 1;
        // A second one, later: the first is the one named.
        bytes[ends[3] + 40] ^= 1;
    });
    let output = verify(dir.path());
    assert_eq!(output.status.code(), Some(1));
    assert!(said(&output).contains(&format!("event 3 (line 3, byte {at})")), "{}", said(&output));
}

#[test]
fn nothing_there_is_one_clear_line_and_1() {
    let empty = tempfile::tempdir().unwrap();
    let no_events = with(|bytes| bytes.clear());
    for path in [empty.path().join("none"), empty.path().to_path_buf(), no_events.path().to_path_buf()] {
        let output = verify(&path);
        assert_eq!(output.status.code(), Some(1));
        assert_eq!(said(&output).lines().count(), 1, "{}", said(&output));
    }
    assert_eq!(Command::new(env!("CARGO_BIN_EXE_thirdhand")).arg("verify").output().unwrap().status.code(), Some(2));
}

#[test]
fn the_chain_can_be_checked_with_ordinary_tools() {
    let docs = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/docs/record.md")).unwrap();
    let script = docs.split("```sh\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    let run = |dir: &Path| Command::new("bash").arg("-c").arg(script).current_dir(dir).output().unwrap();
    let dir = with(|_| {});
    let output = run(dir.path());
    assert!(output.status.success(), "{}", said(&output));
    let bad = with(|bytes| bytes[40] ^= 1);
    let output = run(bad.path());
    assert!(said(&output).contains("line 1 is bad"), "{}", said(&output));
}

/// Follows docs/record.md: sign the last hash, then show that a record that grew still holds it and a changed one does not.
#[test]
fn the_last_hash_can_be_signed_with_ssh_keygen() {
    if Command::new("ssh-keygen").arg("-?").output().is_err() {
        eprintln!("skipped the_last_hash_can_be_signed_with_ssh_keygen: no ssh-keygen here");
        return;
    }
    let dir = with(|_| {});
    let json: serde_json::Value = {
        let output =
            Command::new(env!("CARGO_BIN_EXE_thirdhand")).args(["verify", "--json"]).arg(dir.path()).output().unwrap();
        serde_json::from_slice(&output.stdout).unwrap()
    };
    let work = tempfile::tempdir().unwrap();
    let head = json["head"].as_str().unwrap();
    fs::write(work.path().join("head.txt"), format!("{head}\n")).unwrap();
    let sh = |line: &str| {
        let output = Command::new("bash").arg("-ec").arg(line).current_dir(work.path()).output().unwrap();
        (output.status.success(), said(&output))
    };
    let (signed, why) =
        sh("ssh-keygen -q -t ed25519 -N '' -f key && ssh-keygen -Y sign -f key -n thirdhand-record head.txt \
        && echo \"name $(cut -d' ' -f1,2 key.pub)\" > allowed_signers");
    assert!(signed, "{why}");
    let check = "ssh-keygen -Y verify -f allowed_signers -I name -n thirdhand-record -s head.txt.sig < head.txt";
    assert!(sh(check).0, "{}", sh(check).1);
    assert!(!sh(&format!("echo other > head.txt; {check}")).0, "another head was accepted");

    let contains = |dir: &Path| {
        Command::new(env!("CARGO_BIN_EXE_thirdhand"))
            .args(["verify", "--contains", head])
            .arg(dir)
            .output()
            .unwrap()
            .status
            .code()
    };
    assert_eq!(contains(dir.path()), Some(0));
    let shorter = with(|bytes| {
        let last = bytes[..bytes.len() - 1].iter().rposition(|b| *b == b'\n').unwrap();
        bytes.truncate(last + 1);
    });
    assert_eq!(contains(shorter.path()), Some(1), "a line was cut off after signing");
}
