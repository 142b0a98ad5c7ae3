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

/// A tap's two partials: pitch as a multiple of the tap's, loudness, decay a second.
const PARTIALS: [(f32, f32, f32); 2] = [(1.0, 1.0, 45.0), (2.76, 0.25, 90.0)];
const TAP_MS: u32 = 90;

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
    let taps = taps(earcon);
    let end_ms = taps.iter().map(|t| t.at_ms + TAP_MS).max().unwrap_or(0);
    let count = |ms: u32| (ms * RATE_HZ / 1000) as usize;
    let mut sound = vec![0.0; count(end_ms)];
    for tap in taps {
        let start = count(tap.at_ms);
        for (i, out) in sound[start..start + count(TAP_MS)].iter_mut().enumerate() {
            let t = i as f32 / RATE_HZ as f32;
            let attack = (t / 0.003).min(1.0);
            let wave = |(ratio, gain, decay): (f32, f32, f32)| {
                gain * (std::f32::consts::TAU * tap.hertz * ratio * t).sin() * (-t * decay).exp()
            };
            *out += tap.gain * attack * PARTIALS.map(wave).iter().sum::<f32>();
        }
    }
    sound
}

/// Share of the energy of `heard` (mono, `rate_hz`) that one of the earcons accounts for, 0 to 1, wherever it begins.
///
/// Each partial may have any loudness and phase (a loudspeaker and a room change both): the share is that of the
/// projection on damped sines and cosines.
pub fn share(heard: &[f32], rate_hz: u32) -> f32 {
    let energy: f32 = heard.iter().map(|s| s * s).sum();
    if energy <= 0.0 {
        return 0.0;
    }
    let step = (rate_hz / 1000).max(1) as usize;
    let all = [Earcon::Heard, Earcon::NotUnderstood, Earcon::Warning];
    let best = all.into_iter().flat_map(|earcon| {
        let waves = waves(earcon, rate_hz);
        (0..heard.len()).step_by(step).map(move |at| projected(heard, at, &waves)).collect::<Vec<f32>>()
    });
    best.fold(0.0, f32::max) / energy
}

/// Energy of `heard` from `at` on along `waves`.
fn projected(heard: &[f32], at: usize, waves: &[(usize, Vec<f32>)]) -> f32 {
    let along = |(start, wave): &(usize, Vec<f32>)| {
        let from = heard.get(at + start..).unwrap_or_default();
        from.iter().zip(wave).map(|(a, b)| a * b).sum::<f32>().powi(2)
    };
    waves.iter().map(along).sum()
}

/// The damped sines and cosines of an earcon's partials, each with its start in samples, each of unit energy and a pair
/// at right angles.
fn waves(earcon: Earcon, rate_hz: u32) -> Vec<(usize, Vec<f32>)> {
    let count = |ms: u32| (ms * rate_hz / 1000) as usize;
    let mut waves = Vec::new();
    for tap in taps(earcon) {
        for (ratio, _, decay) in PARTIALS {
            let wave = |shape: fn(f32) -> f32| -> Vec<f32> {
                let at = |i: usize| i as f32 / rate_hz as f32;
                (0..count(TAP_MS))
                    .map(|i| shape(std::f32::consts::TAU * tap.hertz * ratio * at(i)) * (-at(i) * decay).exp())
                    .collect()
            };
            let sine = unit(wave(f32::sin));
            let cosine = wave(f32::cos);
            let common: f32 = sine.iter().zip(&cosine).map(|(a, b)| a * b).sum();
            let upright = unit(cosine.iter().zip(&sine).map(|(c, s)| c - common * s).collect());
            waves.extend([(count(tap.at_ms), sine), (count(tap.at_ms), upright)]);
        }
    }
    waves
}

fn unit(mut wave: Vec<f32>) -> Vec<f32> {
    let length = wave.iter().map(|s| s * s).sum::<f32>().sqrt().max(f32::MIN_POSITIVE);
    wave.iter_mut().for_each(|s| *s /= length);
    wave
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
        let Ok(host) = crate::shell::sound::host() else { return Ok(()) };
        let Some(device) = host.default_output_device() else { return Ok(()) };
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

    /// As the microphone hears it: quieter, later, with the echo of a wall, resampled, over a little noise.
    fn in_a_room(earcon: Earcon) -> Vec<f32> {
        let dry: Vec<f32> = samples(earcon).iter().step_by(3).map(|s| 0.3 * s).collect();
        let mut noise = 1u32;
        (0..9_600)
            .map(|i: usize| {
                let at = |delay: usize| i.checked_sub(delay).and_then(|i| dry.get(i)).copied().unwrap_or(0.0);
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                at(3_000) + 0.3 * at(3_130) + ((noise >> 8) as f32 / (1u32 << 24) as f32 - 0.5) * 0.004
            })
            .collect()
    }

    #[test]
    fn an_earcon_is_known_again_in_a_room() {
        for earcon in [Earcon::Heard, Earcon::NotUnderstood, Earcon::Warning] {
            let share = share(&in_a_room(earcon), 16_000);
            assert!(share > 0.7, "{earcon:?}: {share}");
        }
    }

    /// A voiced syllable of 300 ms at the pitch of a person, with harmonics: nearly the hardest speech there is for this.
    #[test]
    fn a_short_word_is_not_an_earcon() {
        for pitch in [100.0, 110.0, 196.0, 220.0, 330.0] {
            let word: Vec<f32> = (0..4_800)
                .map(|i| {
                    let t = i as f32 / 16_000.0;
                    let swell = (std::f32::consts::PI * t / 0.3).sin();
                    (1..8).map(|h| swell * (std::f32::consts::TAU * pitch * h as f32 * t).sin() / h as f32).sum()
                })
                .collect();
            let share = share(&word, 16_000);
            assert!(share < 0.35, "{pitch} Hz: {share}");
        }
        assert_eq!(share(&[0.0; 100], 16_000), 0.0);
    }
}
