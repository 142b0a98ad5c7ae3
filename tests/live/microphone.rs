//! The microphone: it is found or refused, and whatever happens to it is told within two seconds.

use std::time::Duration;

use crate::rig::{MICROPHONE, Program, Rig, write_wav};
use crate::world;
use thirdhand::shell::clock::instant;

/// Noise 20 dB below the loudest for so long, 16 kHz: a room that is never silent.
fn noise(rig: &Rig) -> std::path::PathBuf {
    hiss(rig, 20, 8)
}

/// Noise so many times quieter than the loudest.
pub fn hiss(rig: &Rig, seconds: usize, quieter: i16) -> std::path::PathBuf {
    let path = rig.path(&format!("noise-{quieter}.wav"));
    let mut x = 1u32;
    let noise = (0..16_000 * seconds).map(|_| {
        x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        ((x >> 16) as i16) / quieter
    });
    write_wav(&path, noise);
    path
}

fn is(state: &'static str) -> impl Fn(&serde_json::Value) -> bool {
    move |e| e["microphone"] == state
}

fn is_loud(e: &serde_json::Value) -> bool {
    e["level_dbfs"].as_f64().is_some_and(|level| level > -40.0)
}

#[test]
fn a_device_that_is_not_there_is_refused_with_those_that_are() {
    let Some((rig, _turn)) = world("microphone: refused") else { return };
    let output = rig
        .command(super::rig::program())
        .args(["devices", "--meter", "--device", "headset"])
        .output()
        .expect("the program starts");
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1));
    assert!(text.contains("no microphone `headset`") && text.contains("pulseaudio:microphone.monitor"), "{text}");
}

#[test]
fn the_device_named_is_the_one_that_is_heard() {
    let Some((rig, _turn)) = world("microphone: named") else { return };
    // The default is the loudspeaker's monitor: what is played into the microphone is heard only if the name is honoured.
    assert!(rig.pactl(&["set-default-source", "loudspeaker.monitor"]));
    let _noise = rig.play_in_background(&noise(&rig));
    let mut meter = Program::start(&rig, &["devices", "--meter", "--json", "--device", "microphone.monitor"]);
    meter.wait(10, "sound", is_loud);
}

#[test]
fn a_muted_suspended_or_killed_source_is_told_within_two_seconds_and_so_is_its_return() {
    let Some((mut rig, _turn)) = world("microphone: watched") else { return };
    let playing = rig.play_in_background(&noise(&rig));
    let mut meter = Program::start(&rig, &["devices", "--meter", "--json", "--seconds", "120"]);
    meter.wait(10, "sound", is_loud);
    let source = format!("{MICROPHONE}.monitor");
    let cases: [(&str, [&str; 3], [&str; 3]); 2] = [
        ("muted", ["set-source-mute", &source, "1"], ["set-source-mute", &source, "0"]),
        ("lost", ["suspend-sink", MICROPHONE, "1"], ["suspend-sink", MICROPHONE, "0"]),
    ];
    for (state, bad, good) in cases {
        assert!(rig.pactl(&bad));
        let since = instant();
        meter.wait(10, state, is(state));
        assert!(since.elapsed() < Duration::from_millis(2_500), "{state}: told after {:?}", since.elapsed());
        assert!(rig.pactl(&good));
        meter.wait(20, "back", is("back"));
    }
    rig.kill_pulse();
    let since = instant();
    meter.wait(10, "lost", is("lost"));
    assert!(since.elapsed() < Duration::from_millis(2_500), "killed: told after {:?}", since.elapsed());
    drop(playing);
    rig.start_pulse().expect("the sound server starts again");
    meter.wait(20, "back", is("back"));
    let _noise = rig.play_in_background(&noise(&rig));
    meter.wait(20, "sound", is_loud);
}

/// PulseAudio moves a stream to another source without a word when its own is removed.
#[test]
fn a_named_microphone_that_is_unplugged_is_not_replaced_by_another() {
    let Some((rig, _turn)) = world("microphone: unplugged") else { return };
    let module = rig.load("module-null-sink", &["sink_name=headset", "rate=16000", "channels=1"]);
    let mut meter =
        Program::start(&rig, &["devices", "--meter", "--json", "--seconds", "120", "--device", "headset.monitor"]);
    meter.wait(10, "sound", |e| e.get("level_dbfs").is_some());
    assert!(rig.pactl(&["unload-module", &module]));
    let since = instant();
    meter.wait(10, "lost", is("lost"));
    assert!(since.elapsed() < Duration::from_millis(2_500), "told after {:?}", since.elapsed());
    let _module = rig.load("module-null-sink", &["sink_name=headset", "rate=16000", "channels=1"]);
    meter.wait(20, "back", is("back"));
}

/// PulseAudio then names what the loudspeaker plays as the default microphone: the program would hear itself alone.
#[test]
fn a_default_microphone_that_is_unplugged_is_not_replaced_by_what_the_loudspeaker_plays() {
    let Some((rig, _turn)) = world("microphone: default unplugged") else { return };
    let module = rig.load("module-null-sink", &["sink_name=headset", "rate=16000", "channels=1"]);
    assert!(rig.pactl(&["set-default-source", "headset.monitor"]));
    let mut meter = Program::start(&rig, &["devices", "--meter", "--json", "--seconds", "120"]);
    meter.wait(10, "sound", |e| e.get("level_dbfs").is_some());
    assert!(rig.pactl(&["unload-module", &module]) && rig.pactl(&["set-default-source", "loudspeaker.monitor"]));
    meter.wait(10, "lost", is("lost"));
    rig.until(3_000, || !meter.lines.is_empty()).expect_err("nothing is heard while there is no microphone");
    let _module = rig.load("module-null-sink", &["sink_name=headset", "rate=16000", "channels=1"]);
    assert!(rig.pactl(&["set-default-source", "headset.monitor"]));
    meter.wait(20, "back", is("back"));
}

/// The machine sleeps and wakes (SIGSTOP, SIGCONT): what was not heard is told.
#[test]
fn a_program_that_was_stopped_says_that_it_heard_nothing() {
    let Some((rig, _turn)) = world("microphone: stopped") else { return };
    let _noise = rig.play_in_background(&noise(&rig));
    let mut meter = Program::start(&rig, &["devices", "--meter", "--json", "--seconds", "120"]);
    meter.wait(10, "sound", is_loud);
    meter.signal("STOP");
    rig.until(3_000, || false).expect_err("three seconds pass");
    meter.signal("CONT");
    let since = instant();
    meter.wait(10, "lost", is("lost"));
    meter.wait(10, "back", is("back"));
    assert!(since.elapsed() < Duration::from_millis(2_500), "told after {:?}", since.elapsed());
}
