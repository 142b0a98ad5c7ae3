//! Minutes on end through the sound server: the sample calls over and over, in real time, and memory does not grow with them.
//!
//! `make test` takes three minutes, `make soak` ten (`THIRDHAND_SOAK_MINUTES`).

use std::path::PathBuf;
use std::time::Duration;

use thirdhand::shell::clock::instant;

use crate::listening::{first_words, model, resident_kb, resident_with_children_kb, start, told};
use crate::world;

const MINUTES: u64 = 3;
/// What is learnt in the first minutes (buffers, the recogniser's cache) is no growth: it is measured from here on.
const WARM: Duration = Duration::from_secs(90);
/// The program may grow by so much, kB, and so much a minute; its recogniser by so much. Measured: 3,300 from the second to
/// the third minute, 300 a minute from the tenth on, the recogniser 1,000. All sound kept would be 3,800 a minute.
const GROWS: u64 = 5_000;
const GROWS_A_MINUTE: u64 = 1_000;
const RECOGNISER_GROWS: u64 = 25_000;
/// What it may take in all with its recogniser and the smallest model, kB.
const MOST: u64 = 300_000;

fn samples() -> Vec<PathBuf> {
    let dir = concat!(env!("CARGO_MANIFEST_DIR"), "/samples");
    let files = std::fs::read_dir(dir).expect("the sample calls are there").filter_map(|file| Some(file.ok()?.path()));
    let mut files: Vec<PathBuf> = files.filter(|file| file.extension().is_some_and(|e| e == "wav")).collect();
    files.sort();
    files
}

#[test]
fn minutes_through_the_sound_server_take_bounded_memory() {
    let Some((mut rig, _turn)) = world("soak") else { return };
    let Some(model) = model("soak") else { return };
    rig.start_speech().expect("speech-dispatcher starts");
    let minutes = std::env::var("THIRDHAND_SOAK_MINUTES").map_or(MINUTES, |n| n.parse().expect("a number"));
    let ear = rig.ear();
    let mut listen = start(&rig, &model, &rig.path("call"), &[]);
    first_words(&rig, &ear);
    let (since, pid) = (instant(), listen.pid());
    let size = || (resident_kb(pid), resident_with_children_kb(pid));
    let mut warm = None;
    for sample in samples().iter().cycle() {
        let playing = rig.play_in_background(sample);
        let over = || since.elapsed() >= Duration::from_secs(60 * minutes);
        // Looked at again and again: what is over may be the sample, the warming up, or the test.
        let ended = rig.until(60_000 * minutes, || {
            if warm.is_none() && since.elapsed() >= WARM {
                warm = Some(size());
            }
            over() || playing.ended()
        });
        ended.expect("a sample call is shorter");
        if over() {
            break;
        }
    }
    let (warm, last) = (warm.expect("it takes longer than to warm up"), size());
    let talked = (since.elapsed() - WARM).as_secs().div_ceil(60);
    listen.drain();
    assert!(listen.seen.iter().filter(|e| e["kind"] == "finding").count() >= 5 * minutes as usize);
    eprintln!("soak: {minutes} minutes, {warm:?} kB after the first {WARM:?}, {last:?} kB at the end");
    let most = GROWS + talked * GROWS_A_MINUTE;
    assert!(last.0 <= warm.0 + most, "the program grew from {} to {} kB in {talked} minutes", warm.0, last.0);
    let most = most + RECOGNISER_GROWS;
    assert!(last.1 <= warm.1 + most, "with its recogniser it grew from {} to {} kB", warm.1, last.1);
    let smallest = model.file_name().is_some_and(|name| name.to_string_lossy().contains("tiny"));
    assert!(!smallest || last.1 <= MOST, "with its recogniser it takes {} kB", last.1);
    listen.signal("INT");
    let (status, seen) = listen.end(180);
    assert_eq!(status, Some(0), "{}", told(&seen));
}
