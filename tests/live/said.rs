//! What is said is what was meant: the sound at the loudspeaker, recognised, is nearest to the sentence of the advice among
//! all sentences of its kind.

use serde_json::Value;

use crate::listening::{first_words, start, words};
use crate::rig::{Rig, Scene, scene, write_wav};

/// The words as they are compared: numbers as their digits but for zeros, so that `82` is "eighty two".
fn compared(text: &str) -> Vec<String> {
    let lower = text.to_lowercase();
    let words = lower.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
    let spelled = |word: &str| match thirdhand::core::number_words::value(word) {
        Some(number) => number.to_string(),
        None => word.to_string(),
    };
    let parts = |word: String| match word.chars().all(|c| c.is_ascii_digit()) {
        true => word.chars().filter(|c| *c != '0').map(String::from).collect(),
        false => vec![word],
    };
    words.map(spelled).flat_map(parts).collect()
}

/// Words of `meant` found in `heard`, in order: the longest common row, as a share of both.
fn likeness(meant: &[String], heard: &[String]) -> f64 {
    let mut row = vec![0usize; heard.len() + 1];
    for word in meant {
        let mut diagonal = 0;
        for (at, other) in heard.iter().enumerate() {
            let above = row[at + 1];
            row[at + 1] = if word == other { diagonal + 1 } else { above.max(row[at]) };
            diagonal = above;
        }
    }
    2.0 * row[heard.len()] as f64 / (meant.len() + heard.len()) as f64
}

fn recognised(rig: &Rig, model: &std::path::Path, sound: &[i16]) -> String {
    let path = rig.path("said.wav");
    write_wav(&path, sound.iter().copied());
    let output = rig
        .command(super::rig::program())
        .args(["transcribe", "--json", "--model"])
        .arg(model)
        .arg(&path)
        .output()
        .expect("the program starts");
    let line: Value = serde_json::from_slice(&output.stdout).expect("a line of JSON");
    line["text"].as_str().expect("a text").to_string()
}

#[test]
fn spoken_advice_is_recognised_back_as_the_sentence_that_was_meant() {
    let Some(Scene { _turn, rig, model, ear }) = scene("said: advice") else { return };
    let mut listen = start(&rig, &model, &rig.path("call"), &[]);
    first_words(&rig, &ear);
    let mut meant: Vec<String> = Vec::new();
    let mut heard: Vec<String> = Vec::new();
    for text in [
        "blood pressure eighty two over fifty",
        "oxygen saturation eighty eight percent on room air",
        "third hand, repeat the vitals",
    ] {
        rig.until(60_000, || ear.quiet_ms() > 4_000).expect("all has been said");
        let from = ear.heard().len();
        rig.play(&words(&rig.path(""), text));
        let spoken = listen.wait(60, "something is said", |e| e["kind"] == "spoken")["spoken"]["target"].clone();
        let advice = listen.seen.iter().find(|e| e["seq"] == spoken).expect("it is in the record");
        meant.push(advice["advice"]["say"].as_str().expect("words").to_string());
        let sound = ear.heard();
        // A person hears a sentence, and not the silence before it.
        let begin = from + sound[from..].iter().position(|s| s.abs() > 1_000).expect("it sounds").saturating_sub(3_200);
        heard.push(recognised(&rig, &model, &sound[begin..]));
    }
    listen.signal("INT");
    assert_eq!(listen.end(180).0, Some(0));
    for (n, heard) in heard.iter().enumerate() {
        let heard_words = compared(heard);
        let alike: Vec<f64> = meant.iter().map(|meant| likeness(&compared(meant), &heard_words)).collect();
        assert!(alike[n] > 0.6, "`{}` came back as `{heard}`: {:.2}", meant[n], alike[n]);
        let other = alike.iter().enumerate().filter(|(other, _)| *other != n).map(|(_, alike)| *alike);
        assert!(other.fold(0.0, f64::max) < alike[n], "`{heard}` is as near to another of {meant:#?}: {alike:.2?}");
    }
}
