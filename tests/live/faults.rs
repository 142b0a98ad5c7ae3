//! A device that fails in the midst of a call: it is told aloud and in the record within two seconds, it comes back without a
//! hand, and the call goes on.

use std::time::Duration;

use serde_json::Value;
use thirdhand::shell::clock::instant;

use crate::listening::{first_words, is_finding, start, told, verify, words};
use crate::rig::{Ear, MICROPHONE, Program, Rig, Scene, scene};

/// Two seconds, and what a busy machine takes to tell a test of it.
const TOLD_WITHIN: Duration = Duration::from_millis(2_500);

fn is(kind: &'static str, what: &'static str, state: &'static str) -> impl Fn(&Value) -> bool {
    move |e| e[kind]["what"] == what && e[kind]["state"] == state
}

/// Waits until a device's trouble is in the record, no longer than it may take.
fn recorded(listen: &mut Program, what: &'static str, state: &'static str) {
    let since = instant();
    listen.wait(20, state, is("device", what, state));
    assert!(since.elapsed() < TOLD_WITHIN, "{what} {state}: recorded after {:?}", since.elapsed());
}

fn hears(rig: &Rig, listen: &mut Program, text: &str, finding: &'static str) {
    rig.play(&words(&rig.path(""), text));
    listen.wait(60, finding, is_finding(finding));
}

fn closes(rig: &Rig, listen: Program) {
    listen.signal("INT");
    let (status, seen) = listen.end(180);
    assert_eq!(status, Some(0), "{}", told(&seen));
    verify(rig, &rig.path("call"));
}

fn spoken_within(rig: &Rig, ear: &Ear, before: u64) {
    let since = instant();
    rig.until(20_000, || ear.loud_ms() > before + 300).expect("it is said aloud");
    assert!(since.elapsed() < TOLD_WITHIN, "said after {:?}", since.elapsed());
}

#[test]
fn a_source_muted_or_suspended_in_a_call_is_told_aloud_and_recorded_and_heard_again() {
    let Some(Scene { _turn, rig, model, ear }) = scene("faults: source") else { return };
    let mut listen = start(&rig, &model, &rig.path("call"), &[]);
    first_words(&rig, &ear);
    let _hiss = rig.play_in_background(&crate::microphone::hiss(&rig, 240, 2_000));
    let source = format!("{MICROPHONE}.monitor");
    let cases = [
        ("muted", ["set-source-mute", &source, "1"], ["set-source-mute", &source, "0"], "pulse eighty eight", "pulse"),
        (
            "lost",
            ["suspend-sink", MICROPHONE, "1"],
            ["suspend-sink", MICROPHONE, "0"],
            "blood pressure one twenty over eighty",
            "blood_pressure",
        ),
    ];
    for (state, bad, good, text, finding) in cases {
        rig.until(30_000, || ear.quiet_ms() > 1_500).expect("a pause");
        let before = ear.loud_ms();
        assert!(rig.pactl(&bad));
        recorded(&mut listen, "microphone", state);
        spoken_within(&rig, &ear, before);
        assert!(rig.pactl(&good));
        listen.wait(20, "back", is("recovered", "microphone", "back"));
        hears(&rig, &mut listen, text, finding);
    }
    closes(&rig, listen);
}

/// A radio behind the pipe has died, and the pipe is open: no microphone reports anything.
#[test]
fn an_input_that_gives_nothing_is_told_aloud_and_heard_again_when_it_gives() {
    let Some(Scene { _turn, rig, model, ear }) = scene("faults: pipe") else { return };
    let mut listen = start(&rig, &model, &rig.path("call"), &["--device", "-"]);
    let source = format!("{MICROPHONE}.monitor");
    let mut radio = rig
        .command("parec")
        .args(["-d", &source, "--rate=16000", "--channels=1", "--format=s16le", "--raw", "--latency-msec=20"])
        .stdout(listen.take_stdin())
        .spawn()
        .expect("parec starts");
    let signal =
        |name: &str| rig.command("kill").args([name, &radio.id().to_string()]).status().is_ok_and(|s| s.success());
    first_words(&rig, &ear);
    let before = ear.loud_ms();
    assert!(signal("-STOP"));
    listen.wait(20, "nothing comes", is("device", "ear", "behind"));
    spoken_within(&rig, &ear, before);
    assert!(signal("-CONT"));
    listen.wait(30, "it hears", is("recovered", "ear", "back"));
    hears(&rig, &mut listen, "pulse eighty eight", "pulse");
    let _ = radio.kill();
    let _ = radio.wait();
    let (status, seen) = listen.end(180);
    assert_eq!(status, Some(0), "{}", told(&seen));
}

#[test]
fn a_speech_server_killed_in_a_call_takes_no_warning_with_it() {
    let Some(Scene { _turn, mut rig, model, ear }) = scene("faults: speech server") else { return };
    let mut listen = start(&rig, &model, &rig.path("call"), &[]);
    first_words(&rig, &ear);
    rig.kill_speech();
    rig.play(&words(&rig.path(""), "blood pressure eighty two over fifty"));
    let advice = listen.wait(60, "a warning", |e| e["kind"] == "advice");
    listen.wait(60, "it is said", |e| e["kind"] == "spoken" && e["spoken"]["target"] == advice["seq"]);
    let fallback = is("device", "voice", "fallback");
    assert!(listen.seen.iter().any(fallback), "{}", told(&listen.seen));
    rig.start_speech().expect("speech-dispatcher starts again");
    listen.wait(60, "the better voice is back", is("recovered", "voice", "back"));
    closes(&rig, listen);
}

#[test]
fn a_sound_server_killed_in_a_call_is_recorded_and_the_call_goes_on_when_it_is_back() {
    let Some(Scene { _turn, mut rig, model, ear }) = scene("faults: sound server") else { return };
    let mut listen = start(&rig, &model, &rig.path("call"), &[]);
    first_words(&rig, &ear);
    hears(&rig, &mut listen, "blood pressure one twenty over eighty", "blood_pressure");
    rig.kill_pulse();
    recorded(&mut listen, "microphone", "lost");
    // The voice finds out by the sentence that it does not get to say.
    listen.wait(20, "the voice is lost too", is("device", "voice", "lost"));
    rig.start_pulse().expect("the sound server starts again");
    let ear = rig.ear();
    listen.wait(30, "back", is("recovered", "microphone", "back"));
    // It does not wait for its own next attempt.
    spoken_within(&rig, &ear, 0);
    hears(&rig, &mut listen, "oxygen saturation eighty eight percent on room air", "oxygen_saturation");
    let advice = listen.wait(60, "a warning", |e| e["kind"] == "advice");
    listen.wait(60, "it is said", |e| e["kind"] == "spoken" && e["spoken"]["target"] == advice["seq"]);
    assert!(ear.loud_ms() > 500, "{} ms of sound", ear.loud_ms());
    closes(&rig, listen);
}
