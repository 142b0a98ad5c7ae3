//! Raw PCM on stdin, from `parec`, `arecord`, a radio, a file: another microphone.

use std::io::Read;

use anyhow::{Result, bail};
use crossbeam_channel::Sender;

use super::{Block, CaptureEvent, Pcm, RATE_HZ, SampleClock};
use crate::shell::clock::boot_ms;
use crate::shell::segment::resample::Resampler;

/// Frames taken at a time: 20 ms.
const BLOCKS_PER_SECOND: u32 = 50;

/// # Errors
/// A rate or a number of channels that cannot be.
pub fn start(format: Pcm, events: Sender<CaptureEvent>) -> Result<String> {
    if !(4_000..=384_000).contains(&format.rate_hz) {
        bail!("a rate of {} Hz cannot be; 4000 to 384000 can", format.rate_hz);
    }
    if !(1..=32).contains(&format.channels) {
        bail!("{} channels cannot be; 1 to 32 can", format.channels);
    }
    let resampler = Resampler::new(format.rate_hz)?;
    std::thread::Builder::new().name("stdin".into()).spawn(move || {
        read(&mut std::io::stdin().lock(), format, resampler, &events);
        let _ = events.send(CaptureEvent::Ended);
    })?;
    Ok(format!("PCM on stdin, {} Hz, {} channel(s)", format.rate_hz, format.channels))
}

/// Blocks when the listener is behind: a pipe waits, it loses nothing.
fn read(input: &mut dyn Read, format: Pcm, mut resampler: Resampler, events: &Sender<CaptureEvent>) {
    let frame = usize::from(format.channels) * 2;
    let mut bytes = vec![0u8; frame * (format.rate_hz / BLOCKS_PER_SECOND) as usize];
    let (mut clock, start_ms, mut counted) = (SampleClock::default(), boot_ms(), 0u64);
    loop {
        let length = fill(input, &mut bytes);
        let mono = mono(&bytes[..length - length % frame], format.channels);
        let Ok(samples) = resampler.push(&mono) else { return };
        if !samples.is_empty() {
            let (at_ms, follows) = if format.own_clock {
                (start_ms + counted * 1000 / u64::from(RATE_HZ), counted > 0)
            } else {
                clock.stamp(samples.len(), boot_ms())
            };
            counted += samples.len() as u64;
            if events.send(CaptureEvent::Sound(Block { at_ms, follows, samples })).is_err() {
                return;
            }
        }
        if length < bytes.len() {
            return;
        }
    }
}

/// Reads until `bytes` is full or the input has ended.
fn fill(input: &mut dyn Read, bytes: &mut [u8]) -> usize {
    let mut length = 0;
    while length < bytes.len() {
        match input.read(&mut bytes[length..]) {
            Ok(0) => break,
            Ok(n) => length += n,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(_) => break,
        }
    }
    length
}

fn mono(bytes: &[u8], channels: u16) -> Vec<f32> {
    let sample = |b: &[u8]| f32::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0;
    bytes
        .chunks_exact(2 * usize::from(channels))
        .map(|frame| frame.chunks_exact(2).map(sample).sum::<f32>() / f32::from(channels))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stereo_at_48_khz_becomes_mono_at_16_khz_on_its_own_clock() {
        let format = Pcm { rate_hz: 48_000, channels: 2, own_clock: true };
        let bytes: Vec<u8> = (0..48_000i32)
            .flat_map(|i| [((i as f32 * 0.05).sin() * 9_000.0) as i16, 0])
            .flat_map(i16::to_le_bytes)
            .collect();
        let (events, happened) = crossbeam_channel::unbounded();
        read(&mut bytes.as_slice(), format, Resampler::new(48_000).unwrap(), &events);
        drop(events);
        let blocks: Vec<Block> = happened
            .iter()
            .map(|e| match e {
                CaptureEvent::Sound(block) => block,
                other => panic!("{other:?}"),
            })
            .collect();
        let total: usize = blocks.iter().map(|b| b.samples.len()).sum();
        assert!((15_000..=16_000).contains(&total), "{total}");
        let span = blocks.last().unwrap().at_ms - blocks[0].at_ms;
        assert!((900..1_000).contains(&span), "{span}");
        let peak = blocks.iter().flat_map(|b| &b.samples).fold(0f32, |a, s| a.max(s.abs()));
        assert!((0.11..0.16).contains(&peak), "half of 9000/32768: {peak}");
    }

    #[test]
    fn half_a_sample_at_the_end_is_dropped() {
        let (events, happened) = crossbeam_channel::unbounded();
        let pcm = Pcm { own_clock: true, ..Pcm::default() };
        read(&mut [1u8, 0, 2].as_slice(), pcm, Resampler::new(RATE_HZ).unwrap(), &events);
        drop(events);
        let sounds: Vec<_> = happened.iter().collect();
        assert!(matches!(&sounds[..], [CaptureEvent::Sound(b)] if b.samples.len() == 1), "{sounds:?}");
    }
}
