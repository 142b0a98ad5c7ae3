//! Short sounds, computed: so that silence is never ambiguous, and no sound is taken for another device's.
//!
//! Our own design. They are soft taps of a low, damped wooden timbre (a struck bar: one partial and a weak inharmonic
//! one), 60 to 90 ms each: nothing sustained, nothing repeated in bursts of three or five as in the alarm signals of
//! IEC 60601-1-8, no sweep, no beep above 700 Hz as pagers, defibrillators and monitors use.
//!
//! | sound | shape |
//! |---|---|
//! | heard | one tap |
//! | not understood | two taps, the second lower |
//! | warning | two taps, the second higher and louder |

use super::Earcon;

/// Sample rate of the sounds, hertz.
pub const RATE_HZ: u32 = 48_000;

/// One tap: start in milliseconds, pitch in hertz, loudness from 0 to 1.
struct Tap {
    at_ms: u32,
    hertz: f32,
    gain: f32,
}

fn taps(earcon: Earcon) -> Vec<Tap> {
    let tap = |at_ms, hertz, gain| Tap { at_ms, hertz, gain };
    match earcon {
        Earcon::Heard => vec![tap(0, 392.0, 0.16)],
        Earcon::NotUnderstood => vec![tap(0, 330.0, 0.25), tap(110, 220.0, 0.25)],
        Earcon::Warning => vec![tap(0, 330.0, 0.3), tap(110, 494.0, 0.4)],
    }
}

/// The sound, mono, -1 to 1.
pub fn samples(earcon: Earcon) -> Vec<f32> {
    const TAP_MS: u32 = 90;
    let taps = taps(earcon);
    let end_ms = taps.iter().map(|t| t.at_ms + TAP_MS).max().unwrap_or(0);
    let count = |ms: u32| (ms * RATE_HZ / 1000) as usize;
    let mut sound = vec![0.0; count(end_ms)];
    for tap in taps {
        let start = count(tap.at_ms);
        for (i, out) in sound[start..start + count(TAP_MS)].iter_mut().enumerate() {
            let t = i as f32 / RATE_HZ as f32;
            let attack = (t / 0.003).min(1.0);
            let wave =
                |ratio: f32, decay: f32| (std::f32::consts::TAU * tap.hertz * ratio * t).sin() * (-t * decay).exp();
            *out += tap.gain * attack * (wave(1.0, 45.0) + 0.25 * wave(2.76, 90.0));
        }
    }
    sound
}

/// Plays earcons on a thread of its own, which may hang with the sound server without anybody waiting for it.
#[cfg(feature = "mic")]
pub fn chime() -> Option<super::speaker::Chime> {
    let (send, wanted) = crossbeam_channel::bounded::<Earcon>(2);
    std::thread::Builder::new().name("earcon".into()).spawn(move || player::run(&wanted)).ok()?;
    Some(Box::new(move |earcon| {
        let _ = send.try_send(earcon);
    }))
}

#[cfg(feature = "mic")]
mod player {
    use std::time::Duration;

    use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
    use cpal::{BufferSize, StreamConfig};
    use crossbeam_channel::{Receiver, bounded};

    use super::{Earcon, RATE_HZ, samples};

    pub fn run(wanted: &Receiver<Earcon>) {
        for earcon in wanted {
            // A sound that cannot be played is no reason for anything: words and screen say the same.
            let _ = play(samples(earcon));
        }
    }

    fn play(sound: Vec<f32>) -> Result<(), cpal::Error> {
        let Some(device) = cpal::default_host().default_output_device() else { return Ok(()) };
        let config = StreamConfig { channels: 1, sample_rate: RATE_HZ, buffer_size: BufferSize::Fixed(RATE_HZ / 50) };
        let (done, played) = bounded::<()>(1);
        let length = Duration::from_millis(sound.len() as u64 * 1000 / u64::from(RATE_HZ));
        let mut at = 0;
        let stream = device.build_output_stream(
            config,
            move |out: &mut [f32], _: &cpal::OutputCallbackInfo| {
                for sample in out.iter_mut() {
                    *sample = sound.get(at).copied().unwrap_or(0.0);
                    at += 1;
                }
                // Two buffers later the last of it has sounded.
                if at > sound.len() + 2 * out.len() {
                    let _ = done.try_send(());
                }
            },
            |_| {},
            Some(Duration::from_secs(2)),
        )?;
        stream.play()?;
        let _ = played.recv_timeout(length + Duration::from_secs(1));
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sound_is_short_soft_and_not_like_another() {
        let all = [Earcon::Heard, Earcon::NotUnderstood, Earcon::Warning];
        for earcon in all {
            let sound = samples(earcon);
            assert!(sound.len() < RATE_HZ as usize / 4, "{earcon:?} is longer than a quarter of a second");
            let peak = sound.iter().fold(0f32, |a, s| a.max(s.abs()));
            assert!((0.05..0.6).contains(&peak), "{earcon:?}: peak {peak}");
            let last = sound.last().copied().unwrap_or(1.0).abs();
            assert!(last < 0.02, "{earcon:?} ends with a click: {last}");
        }
        for (i, a) in all.iter().enumerate() {
            for b in &all[i + 1..] {
                assert_ne!(samples(*a), samples(*b));
            }
        }
    }
}
