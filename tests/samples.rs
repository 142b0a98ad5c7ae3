//! The sample calls from their sound, by the real model, held against the same calls from their scripts.
//!
//! `tests/samples/NAME.txt` says of each finding of the script how the sound of `samples/NAME.wav` gives it: `heard`,
//! `asked` (it stands unconfirmed, and the crew is asked about it) or `lost` (what was said came out as not understood, and
//! the crew hears that); and which rules speak from the sound too. Better than the file says is no failure; worse is, and
//! so is anything recorded as certain that nobody said. A line `said` with a rule that must speak. Needs `make model`.
#![cfg(feature = "whisper")]

#[path = "tools/counted.rs"]
mod counted;

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use counted::{Counted, findings, without_certainty};
use serde_json::Value as Json;

/// What a call gives.
struct Outcome {
    findings: Counted,
    rules: Vec<String>,
}

fn replayed(sample: &str) -> Outcome {
    let dir = tempfile::tempdir().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_thirdhand"))
        .args(["replay", &format!("samples/{sample}"), "--json", "--voice", "none", "--record"])
        .arg(dir.path().join("record"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{sample}: {}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let events: Vec<Json> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let rules = events.iter().filter_map(|event| event["advice"]["rule"].as_str().map(str::to_string)).collect();
    Outcome { findings: findings(&events), rules }
}

/// What the file expects: word, rest of the line.
fn expected(name: &str) -> Vec<(String, String)> {
    let path = Path::new("tests/samples").join(format!("{name}.txt"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let lines = text.lines().filter(|line| !line.trim().is_empty() && !line.starts_with('#'));
    lines
        .map(|line| (line, line.split_once(' ').unwrap_or_else(|| panic!("{}: `{line}`", path.display()))))
        .map(|(line, (word, rest))| match word {
            "said" => (word.to_string(), rest.to_string()),
            "heard" | "asked" | "lost" => {
                let finding =
                    serde_json::from_str(rest).unwrap_or_else(|e| panic!("{}: `{line}`: {e}", path.display()));
                (word.to_string(), without_certainty(&finding).0)
            }
            _ => panic!("{}: `{word}` is none of heard, asked, lost, said", path.display()),
        })
        .collect()
}

fn holds(name: &str) {
    let (script, sound) = (replayed(&format!("{name}.call")), replayed(&format!("{name}.wav")));
    let mut wrong = Vec::new();
    let mut wanted: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    let mut listed: BTreeMap<&str, usize> = BTreeMap::new();
    let expected = expected(name);
    for (word, what) in &expected {
        match word.as_str() {
            "said" if sound.rules.contains(what) => {}
            "said" => wrong.push(format!("`{what}` does not speak from the sound; these do: {:?}", sound.rules)),
            _ => {
                *listed.entry(what).or_default() += 1;
                let (times, surely) = wanted.entry(what).or_default();
                *times += usize::from(word != "lost");
                *surely += usize::from(word == "heard");
            }
        }
    }
    for (finding, (times, _)) in &script.findings {
        if listed.remove(finding.as_str()).unwrap_or(0) != *times {
            wrong.push(format!("the script gives {times} of this, the file has another number: {finding}"));
        }
    }
    wrong.extend(listed.keys().map(|finding| format!("the script does not give this: {finding}")));
    for (finding, (times, surely)) in wanted {
        let (has, has_surely) = sound.findings.get(finding).copied().unwrap_or_default();
        if has < times || has_surely < surely {
            wrong
                .push(format!("{times} ({surely} without a question) expected, {has} ({has_surely}) there: {finding}"));
        }
    }
    for (finding, (_, surely)) in &sound.findings {
        let said = script.findings.get(finding).map_or(0, |(times, _)| *times);
        if *surely > said {
            wrong.push(format!("certain, and nobody said it: {finding}"));
        }
    }
    assert!(wrong.is_empty(), "{name}:\n{}", wrong.join("\n"));
}

#[test]
fn the_chest_pain_from_its_sound() {
    holds("chest-pain");
}

#[test]
fn the_ladder_fall_from_its_sound() {
    holds("ladder-fall");
}
