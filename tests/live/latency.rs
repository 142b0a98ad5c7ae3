//! From the end of speech to the first sound of spoken advice, through the sound server. A measurement, run by
//! `make bench` on a release build: `cargo test --release --test live latency -- --ignored --nocapture`.

use std::io::BufRead;
use std::process::Stdio;

use serde_json::Value;

use crate::listening::{first_words, words};
use crate::rig::{Scene, scene};

/// 95 of 100 must be below this, milliseconds.
const TARGET_MS: f64 = 700.0;
const ROUNDS: usize = 20;

#[test]
#[ignore = "a measurement: needs a quiet machine and a release build"]
fn latency_from_the_end_of_speech_to_the_first_sound() {
    let Some(Scene { _turn, rig, model, ear }) = scene("latency") else { return };
    let mut child = rig
        .command(super::rig::program())
        .args(["listen", "--json", "--timings", "--record"])
        .arg(rig.path("call"))
        .arg("--model")
        .arg(&model)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let (send, timings) = crossbeam_channel::unbounded();
    let stderr = child.stderr.take().expect("it is piped");
    std::thread::spawn(move || {
        for line in std::io::BufReader::new(stderr).lines().map_while(Result::ok) {
            if let Ok(line) = serde_json::from_str::<Value>(&line) {
                let _ = send.send(line["timing"].clone());
            }
        }
    });
    first_words(&rig, &ear);
    // A question to the tool is answered each time it is asked; a limit that is crossed is told once.
    let said = |n: usize| match n {
        0 => "blood pressure eighty two over fifty",
        _ => "third hand, last pressure",
    };
    let mut measured: Vec<Value> = Vec::new();
    for n in 0..ROUNDS {
        rig.play(&words(&rig.path(""), said(n)));
        match timings.recv_timeout(std::time::Duration::from_secs(15)) {
            Ok(timing) => measured.push(timing),
            Err(_) => eprintln!("round {n}: nothing was spoken"),
        }
        // Until it has finished: its own voice is not what is measured.
        let mut last = 0;
        let _ = rig.until(8_000, || std::mem::replace(&mut last, ear.loud_ms()) == ear.loud_ms() && last > 0);
        rig.until(2_500, || false).expect_err("a pause");
    }
    let _ = child.kill();
    let _ = child.wait();
    assert!(measured.len() >= ROUNDS / 2, "only {} of {ROUNDS} were answered", measured.len());
    for part in ["pause", "recognition_after_pause", "understanding_and_decision", "sync", "synthesis", "total"] {
        let mut values: Vec<f64> = measured.iter().filter_map(|m| m[part].as_f64()).collect();
        values.sort_by(f64::total_cmp);
        let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
        println!("{part:<28} median {:>7.1} ms   p95 {:>7.1} ms", at(0.5), at(0.95));
        if part == "total" {
            let verdict = if at(0.95) <= TARGET_MS { "within" } else { "BEYOND" };
            println!("{:<28} {verdict} the target of {TARGET_MS} ms at p95, {} rounds", "", values.len());
        }
    }
}
