//! The live path in a sound world of its own (a private PulseAudio, a private speech-dispatcher): what is played into
//! the virtual microphone is heard, what the program says reaches the virtual loudspeaker, and every device may die.
//!
//! Where a program or the model is missing, the test says so by name and is skipped.

#![cfg(all(feature = "mic", feature = "voice"))]

#[path = "live/rig.rs"]
mod rig;

#[path = "live/call.rs"]
mod call;
#[path = "tools/counted.rs"]
mod counted;
#[path = "live/faults.rs"]
mod faults;
#[path = "live/latency.rs"]
mod latency;
#[path = "live/listening.rs"]
mod listening;
#[path = "live/microphone.rs"]
mod microphone;
#[path = "live/over_ours.rs"]
mod over_ours;
#[path = "live/said.rs"]
mod said;
#[path = "live/soak.rs"]
mod soak;
#[path = "live/voice.rs"]
mod voice;

use std::sync::{Mutex, MutexGuard};

/// Sound is played in real time: one test at a time, or a busy machine makes all of them late.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

pub fn world(test: &str) -> Option<(rig::Rig, MutexGuard<'static, ()>)> {
    let turn = ONE_AT_A_TIME.lock().unwrap_or_else(|e| e.into_inner());
    match rig::Rig::start() {
        Ok(rig) => Some((rig, turn)),
        Err(missing) => {
            eprintln!("{test}: skipped: {missing}");
            None
        }
    }
}
