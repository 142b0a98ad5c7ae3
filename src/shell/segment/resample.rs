//! Any sample rate to 16 kHz: whole clips, and streams chunk by chunk.

use anyhow::{Result, anyhow};
use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Fft, FixedSync, Resampler as _};

use crate::shell::wav::RATE_HZ;

/// Frames handed to the transform at a time, about.
const CHUNK: usize = 1024;

/// Resamples a clip; start-up delay is trimmed, so times stay right.
///
/// # Errors
/// The rate is 0.
pub fn whole(samples: &[f32], rate_hz: u32) -> Result<Vec<f32>> {
    if rate_hz == RATE_HZ || samples.is_empty() {
        return Ok(samples.to_vec());
    }
    let mut fft = Fft::<f32>::new(rate_hz as usize, RATE_HZ as usize, CHUNK, 1, FixedSync::Both).map_err(cannot)?;
    let input = InterleavedSlice::new(samples, 1, samples.len()).map_err(cannot)?;
    Ok(fft.process_all(&input, samples.len(), None).map_err(cannot)?.take_data())
}

/// A stream of one rate on its way to 16 kHz. Mono in, mono out.
pub struct Resampler {
    /// None where the rate is right already.
    fft: Option<Fft<f32>>,
    waiting: Vec<f32>,
    /// Output frames still to be dropped: the transform's own delay.
    delay: usize,
}

impl Resampler {
    /// # Errors
    /// The rate is 0.
    pub fn new(rate_hz: u32) -> Result<Resampler> {
        if rate_hz == RATE_HZ {
            return Ok(Resampler { fft: None, waiting: Vec::new(), delay: 0 });
        }
        let fft = Fft::<f32>::new(rate_hz as usize, RATE_HZ as usize, CHUNK, 1, FixedSync::Both).map_err(cannot)?;
        let delay = fft.output_delay();
        Ok(Resampler { fft: Some(fft), waiting: Vec::new(), delay })
    }

    /// What `samples` complete, at 16 kHz; the rest waits for the next call.
    ///
    /// # Errors
    /// Never with mono samples; the library's complaint otherwise.
    pub fn push(&mut self, samples: &[f32]) -> Result<Vec<f32>> {
        let Some(fft) = &mut self.fft else { return Ok(samples.to_vec()) };
        self.waiting.extend_from_slice(samples);
        let mut output = Vec::new();
        let mut used = 0;
        while self.waiting.len() - used >= fft.input_frames_next() {
            let chunk = fft.input_frames_next();
            let input = InterleavedSlice::new(&self.waiting[used..used + chunk], 1, chunk).map_err(cannot)?;
            output.extend(fft.process(&input, None).map_err(cannot)?.take_data());
            used += chunk;
        }
        self.waiting.drain(..used);
        let dropped = self.delay.min(output.len());
        self.delay -= dropped;
        output.drain(..dropped);
        Ok(output)
    }
}

fn cannot(error: impl std::fmt::Display) -> anyhow::Error {
    anyhow!("the sound cannot be resampled: {error}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_and_a_clip_give_the_same_samples() {
        let tone: Vec<f32> = (0..48_000).map(|i| (i as f32 * 0.05).sin() * 0.3).collect();
        let clip = whole(&tone, 48_000).unwrap();
        let mut stream = Resampler::new(48_000).unwrap();
        let mut output = Vec::new();
        for chunk in tone.chunks(341) {
            output.extend(stream.push(chunk).unwrap());
        }
        assert!(output.len() > 14_000, "{}", output.len());
        for (i, (a, b)) in output.iter().zip(&clip).enumerate() {
            assert!((a - b).abs() < 1e-4, "sample {i}: {a} and {b}");
        }
    }
}
