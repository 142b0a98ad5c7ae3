//! What the program says: it reaches the loudspeaker, it is told when it begins and ends, and it survives its servers.

use serde_json::json;

use crate::rig::Program;
use crate::world;

#[test]
fn what_is_said_reaches_the_loudspeaker_and_a_warning_cuts_off_a_reminder() {
    let Some((mut rig, _turn)) = world("voice: loudspeaker") else { return };
    rig.start_speech().expect("speech-dispatcher starts");
    let ear = rig.ear();
    let mut say = Program::start(&rig, &["say", "--json"]);
    say.type_line("Warning. Systolic ninety over fifty.");
    say.wait(10, "begin", |e| e == &json!({ "event": "started", "id": 1 }));
    say.wait(20, "end", |e| e == &json!({ "event": "finished", "id": 1, "end": "done" }));
    let first = ear.loud_ms();
    assert!((1_500..5_000).contains(&first), "{first} ms of sound for a sentence of about 2.7 s");

    say.type_line("reminder: vital signs are due now, and this is a rather long way to say it");
    say.wait(10, "begin of the reminder", |e| e == &json!({ "event": "started", "id": 2 }));
    say.type_line("high: hold the medication");
    say.wait(5, "the reminder is cut off", |e| e == &json!({ "event": "finished", "id": 2, "end": "interrupted" }));
    say.wait(10, "the warning", |e| e == &json!({ "event": "finished", "id": 3, "end": "done" }));
    say.close_stdin();
    let (status, _) = say.end(20);
    assert_eq!(status, Some(0));
}

#[test]
fn a_warning_is_told_by_its_sound_before_its_words() {
    let Some((mut rig, _turn)) = world("voice: warning") else { return };
    rig.start_speech().expect("speech-dispatcher starts");
    let ear = rig.ear();
    let mut say = Program::start(&rig, &["say", "--json"]);
    say.type_line("high: one");
    say.wait(10, "a word", |e| e == &json!({ "event": "finished", "id": 1, "end": "done" }));
    assert!(!say.seen.iter().any(|e| e["event"] == "earcon"), "it was no warning: {:?}", say.seen);
    let before = ear.heard().len();
    say.type_line("warning: hold the medication");
    say.wait(10, "its sound", |e| e["event"] == "earcon");
    say.wait(10, "its words", |e| e == &json!({ "event": "finished", "id": 2, "end": "done" }));
    let sound: Vec<f32> = ear.heard()[before..].iter().map(|s| f32::from(*s) / 32_768.0).collect();
    let begin = sound.iter().position(|s| s.abs() > 0.02).expect("it sounds");
    let share = thirdhand::shell::speak::earcon::share(&sound[begin..begin + 3_200], 16_000);
    assert!(share > 0.5, "the first 0.2 s are an earcon by {share:.2}");
    assert_eq!(say.end(20).0, Some(0));
}

#[test]
fn a_killed_speech_server_does_not_take_the_sentence_with_it() {
    let Some((mut rig, _turn)) = world("voice: speech server killed") else { return };
    rig.start_speech().expect("speech-dispatcher starts");
    let ear = rig.ear();
    let mut say = Program::start(&rig, &["say", "--json"]);
    say.type_line("high: hold the nitroglycerin, ask about the other drug");
    say.wait(10, "begin", |e| e["event"] == "started");
    rig.kill_speech();
    say.type_line("high: the second warning");
    say.wait(15, "the spare voice", |e| e["event"] == "voice" && e["state"] == "fallback");
    say.wait(20, "first", |e| e == &json!({ "event": "finished", "id": 1, "end": "done" }));
    say.wait(20, "second", |e| e == &json!({ "event": "finished", "id": 2, "end": "done" }));
    assert!(ear.loud_ms() > 3_000, "{} ms of sound", ear.loud_ms());
    assert_eq!(say.end(20).0, Some(0));
}

/// Without a sound server nothing can speak: it is said so, the sentence waits, and is spoken when the server is back.
#[test]
fn a_sentence_waits_for_a_sound_server_that_was_killed() {
    let Some((mut rig, _turn)) = world("voice: sound server killed") else { return };
    rig.start_speech().expect("speech-dispatcher starts");
    rig.kill_pulse();
    rig.kill_speech();
    let mut say = Program::start(&rig, &["say", "--json"]);
    say.type_line("high: hold the medication");
    say.wait(15, "the loss is told", |e| e["event"] == "voice" && e["state"] == "lost");
    rig.start_pulse().expect("the sound server starts again");
    let ear = rig.ear();
    say.wait(30, "the sentence", |e| e == &json!({ "event": "finished", "id": 1, "end": "done" }));
    assert!(ear.loud_ms() > 500, "{} ms of sound", ear.loud_ms());
    assert_eq!(say.end(20).0, Some(0));
}
