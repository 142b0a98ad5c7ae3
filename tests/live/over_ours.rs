//! What the crew asks of the program while it speaks, over a loudspeaker that the microphone hears: it falls silent when
//! told so, and a command begun over its last words is one command.

use serde_json::Value;
use thirdhand::shell::clock::instant;

use crate::listening::{first_words, is_finding, start, told, words, words_come_back};
use crate::rig::{Ear, Program, Rig, Scene, scene};

/// A call with something to read back; what was recorded is all that the crew ever measures here.
fn with_vitals(rig: &Rig, model: &std::path::Path, ear: &Ear) -> Program {
    let mut listen = start(rig, model, &rig.path("call"), &[]);
    first_words(rig, ear);
    let said = [
        ("blood pressure one thirty eight over eighty", "blood_pressure"),
        ("pulse eighty eight", "pulse"),
        ("oxygen saturation ninety six percent on room air", "oxygen_saturation"),
    ];
    for (text, finding) in said {
        rig.play(&words(&rig.path(""), text));
        listen.wait(60, finding, is_finding(finding));
    }
    listen
}

/// Asks for the vital signs and waits until they are being told; the advice's number.
fn asked_for_vitals(rig: &Rig, listen: &mut Program, ear: &Ear) -> Value {
    rig.until(60_000, || ear.quiet_ms() > 2_000).expect("a pause");
    rig.play(&words(&rig.path(""), "third hand, repeat the vitals"));
    let advice = listen.wait(60, "the vital signs", |e| e["kind"] == "advice");
    let before = ear.loud_ms();
    rig.until(60_000, || ear.loud_ms() > before + 300).expect("they are being told");
    advice["seq"].clone()
}

fn ended(listen: &mut Program, target: &Value) -> Value {
    listen.wait(60, "it ends", |e| e["kind"] == "spoken" && e["spoken"]["target"] == *target)["spoken"]["reason"]
        .clone()
}

fn three_findings_and_no_more(listen: Program) {
    listen.signal("INT");
    let (status, seen) = listen.end(180);
    assert_eq!(status, Some(0));
    assert_eq!(seen.iter().filter(|e| e["kind"] == "finding").count(), 3, "{}", told(&seen));
}

#[test]
fn a_quiet_over_the_programs_words_silences_it() {
    let Some(Scene { _turn, mut rig, model, ear }) = scene("over ours: quiet") else { return };
    words_come_back(&mut rig, "-12dB");
    let mut listen = with_vitals(&rig, &model, &ear);
    let quiet = words(&rig.path(""), "quiet");
    for after_ms in [500, 2_000, 3_500] {
        let target = asked_for_vitals(&rig, &mut listen, &ear);
        rig.until(after_ms, || false).expect_err("the word falls somewhere else each time");
        rig.play(&quiet);
        // Said again, as by anybody who was not heard: of some twenty single words at this loudness one was not.
        rig.until(1_500, || false).expect_err("a breath");
        rig.play(&quiet);
        assert_eq!(ended(&mut listen, &target), "interrupted", "{after_ms} ms:\n{}", told(&listen.seen));
    }
    three_findings_and_no_more(listen);
}

/// Nobody asked for silence: what comes back of the program's own words never cuts it off.
#[test]
fn the_programs_own_words_do_not_silence_it() {
    let Some(Scene { _turn, mut rig, model, ear }) = scene("over ours: not quiet") else { return };
    words_come_back(&mut rig, "-6dB");
    let mut listen = with_vitals(&rig, &model, &ear);
    for _ in 0..3 {
        let target = asked_for_vitals(&rig, &mut listen, &ear);
        assert_eq!(ended(&mut listen, &target), Value::Null, "{}", told(&listen.seen));
    }
    three_findings_and_no_more(listen);
}

#[test]
fn a_command_begun_over_the_programs_last_words_is_one_command() {
    let Some(Scene { _turn, mut rig, model, ear }) = scene("over ours: command") else { return };
    words_come_back(&mut rig, "-12dB");
    let mut listen = with_vitals(&rig, &model, &ear);
    let target = asked_for_vitals(&rig, &mut listen, &ear);
    let begun = instant();
    ended(&mut listen, &target);
    let took_ms = begun.elapsed().as_millis() as u64;
    let target = asked_for_vitals(&rig, &mut listen, &ear);
    let begun = instant();
    // "Third hand" is said before it ends, the rest of it after.
    rig.until(took_ms.saturating_sub(500), || false).expect_err("all but the last words");
    rig.play(&words(&rig.path(""), "third hand, read back the vitals"));
    assert!(begun.elapsed().as_millis() as u64 > took_ms);
    assert_eq!(ended(&mut listen, &target), Value::Null);
    listen.wait(60, "they are told again", |e| e["kind"] == "advice");
    three_findings_and_no_more(listen);
}
