//! Kept sound: one file an utterance, named by its event, whole, private, and gone by `purge` without a trace in the chain.
#![cfg(feature = "whisper")]

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Command, Output};

fn run(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_thirdhand")).args(args).output().unwrap()
}

/// The first seconds of the sample call.
fn beginning(dir: &Path, seconds: usize) -> String {
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/chest-pain.wav");
    let mut reader = hound::WavReader::open(sample).unwrap();
    let spec = reader.spec();
    let path = dir.join("beginning.wav");
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    let many = seconds * spec.sample_rate as usize * usize::from(spec.channels);
    for sample in reader.samples::<i32>().take(many) {
        writer.write_sample(sample.unwrap()).unwrap();
    }
    writer.finalize().unwrap();
    path.to_str().unwrap().to_string()
}

#[test]
fn replay_keeps_the_sound_it_heard_and_purge_takes_it_away() {
    let dir = tempfile::tempdir().unwrap();
    let wav = beginning(dir.path(), 10);
    let record = dir.path().join("call");
    let record = record.to_str().unwrap();
    let output = run(&["replay", &wav, "--voice", "none", "--keep-audio", "--record", record]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));

    let events = fs::read_to_string(Path::new(record).join("events.jsonl")).unwrap();
    let heard: Vec<serde_json::Value> = events
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .filter(|event| event["kind"] == "heard")
        .collect();
    assert!(heard.len() >= 2, "too little was heard for a test: {events}");
    let mut named = BTreeSet::new();
    for event in &heard {
        let name = event["heard"]["audio"].as_str().unwrap_or_else(|| panic!("no sound is named: {event}"));
        let path = Path::new(record).join(name);
        let sound = hound::WavReader::open(&path).unwrap();
        let length = 1000 * u64::from(sound.duration()) / u64::from(sound.spec().sample_rate);
        assert!(length + 50 >= event["heard"]["audio_ms"].as_u64().unwrap(), "{event}: {length} ms");
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        named.insert(name.to_string());
    }
    assert_eq!(named.len(), heard.len(), "two utterances share a file");

    assert!(run(&["purge", record, "--yes"]).status.success());
    assert!(!Path::new(record).join("audio").exists(), "the sound is still there");
    assert!(run(&["verify", record]).status.success(), "the chain minds the sound's absence");

    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/chest-pain.call");
    let output =
        run(&["replay", script.to_str().unwrap(), "--keep-audio", "--record", dir.path().join("x").to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("a script has no sound"));
    assert!(!dir.path().join("x").exists(), "a refused replay leaves no record behind");
}
