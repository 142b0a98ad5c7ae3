//! A whole call, played in real time into the virtual microphone over the noise of an engine, gives the findings of its
//! script: all of them, at most a few with a question, and none that nobody said.

use std::f32::consts::TAU;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::counted::{Counted, findings};
use crate::listening::{first_words, is_finding, start};
use crate::rig::{Rig, Scene, program, scene, write_wav};

const SCRIPT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/live/engine.call");
const RATE: usize = 16_000;
/// The engine is so much quieter than the voices, decibels.
const BELOW_SPEECH_DB: f32 = 12.0;
/// So many findings may come with a question: the small model is not sure of each over an engine.
const ASKED_MAX: usize = 4;

/// What each line of the script sounds like, at its time.
fn voices(dir: &Path) -> Vec<f32> {
    let script = std::fs::read_to_string(SCRIPT).expect("the script is there");
    let mut sound = Vec::new();
    for line in script.lines().filter(|line| !line.starts_with('#')) {
        let (words, voice) = line.split_once(" # ").map_or((line, "slt"), |(words, _)| (words, "rms"));
        let (time, words) = words.split_once(' ').unwrap_or((words, ""));
        let (minutes, seconds) = time.split_once(':').expect("a time");
        let seconds = minutes.parse::<usize>().expect("minutes") * 60 + seconds.parse::<usize>().expect("seconds");
        assert!(sound.len() <= seconds * RATE, "the line before `{words}` is too long for its time");
        sound.resize(seconds * RATE, 0.0);
        if !words.is_empty() {
            let wav = crate::listening::words_of(voice, dir, words);
            sound.extend(thirdhand::shell::wav::read(&wav).expect("flite writes WAV files").samples);
        }
    }
    sound
}

/// Brown noise and the hum of four cylinders: the power of both is 1.
fn engine(samples: usize) -> Vec<f32> {
    let mut random = 1u32;
    let mut brown = 0.0f32;
    let noise = (0..samples).map(|i| {
        random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        brown = 0.995 * brown + ((random >> 8) as f32 / 8_388_608.0 - 1.0) * 0.1;
        let hum: f32 = [55.0, 110.0, 165.0].map(|hz| (TAU * hz * i as f32 / RATE as f32).sin()).iter().sum();
        brown + 0.2 * hum
    });
    let noise: Vec<f32> = noise.collect();
    let level = (noise.iter().map(|s| s * s).sum::<f32>() / samples as f32).sqrt();
    noise.into_iter().map(|s| s / level).collect()
}

/// The level of speech where somebody speaks.
fn spoken_level(sound: &[f32]) -> f32 {
    let powers = sound.chunks(320).map(|c| c.iter().map(|s| s * s).sum::<f32>() / c.len() as f32);
    let loud: Vec<f32> = powers.filter(|power| *power > 1e-4).collect();
    (loud.iter().sum::<f32>() / loud.len() as f32).sqrt()
}

fn over_an_engine(dir: &Path) -> PathBuf {
    let mut sound = voices(dir);
    let level = spoken_level(&sound) * 10f32.powf(-BELOW_SPEECH_DB / 20.0);
    let engine = engine(sound.len());
    sound.iter_mut().zip(engine).for_each(|(sample, noise)| *sample += level * noise);
    let path = dir.join("call.wav");
    write_wav(&path, sound.into_iter().map(|sample| (sample.clamp(-1.0, 1.0) * 32_767.0) as i16));
    path
}

fn of_the_script(rig: &Rig) -> Counted {
    let output = rig
        .command(program())
        .args(["replay", SCRIPT, "--json", "--voice", "none", "--record"])
        .arg(rig.path("script"))
        .output()
        .expect("the program starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("JSON Lines");
    let events: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).expect("JSON Lines")).collect();
    findings(&events)
}

#[test]
fn a_call_over_an_engine_gives_the_findings_of_its_script() {
    let Some(Scene { _turn, rig, model, ear }) = scene("call over an engine") else { return };
    let script = of_the_script(&rig);
    let sound = over_an_engine(&rig.path(""));
    let mut listen = start(&rig, &model, &rig.path("call"), &[]);
    first_words(&rig, &ear);
    let before = ear.loud_ms();
    assert!(rig.play(&sound));
    listen.wait(60, "the end of the call", is_finding("milestone"));
    listen.signal("INT");
    let (status, seen) = listen.end(180);
    assert_eq!(status, Some(0));
    let live = findings(&seen);
    let times = |found: &Counted, name: &String| found.get(name).copied().unwrap_or_default();
    let lost: Vec<&String> =
        script.iter().filter(|(name, (n, _))| times(&live, name).0 < *n).map(|(name, _)| name).collect();
    assert!(lost.is_empty(), "lost: {lost:#?} of {live:#?}");
    let invented: Vec<&String> =
        live.iter().filter(|(name, (_, surely))| times(&script, name).0 < *surely).map(|(name, _)| name).collect();
    assert!(invented.is_empty(), "certain, and nobody said it: {invented:#?}");
    let asked: usize = live.values().map(|(times, surely)| times - surely).sum();
    assert!(asked <= ASKED_MAX, "{asked} findings with a question: {live:#?}");
    assert!(seen.iter().any(|e| e["kind"] == "spoken") && ear.loud_ms() > before + 500, "something is said meanwhile");
}
