//! Takes the loudspeaker's sound out of the microphone's, the way from one to the other being known.

use std::collections::VecDeque;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::spectrum::{power, spectrum};
use super::{CHUNK, TAPS};

const BINS: usize = CHUNK + 1;
/// Chunks of the loudspeaker's sound that still count.
const PARTS: usize = TAPS / CHUNK;

type Spectrum = Vec<Complex<f32>>;

/// What the loudspeaker's sound becomes on its way to the microphone, and takes it out: a convolution by overlap-save.
pub(super) struct Filter {
    forward: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
    /// Spectra of the loudspeaker's sound, newest first, each over two chunks.
    played: VecDeque<Spectrum>,
    last: Vec<f32>,
    way: Vec<Spectrum>,
    /// Smoothed power of the microphone's sound, and of what is left of it.
    heard: f32,
    left: f32,
}

impl Default for Filter {
    fn default() -> Filter {
        let mut planner = RealFftPlanner::new();
        let silent = || vec![Complex::default(); BINS];
        Filter {
            forward: planner.plan_fft_forward(2 * CHUNK),
            back: planner.plan_fft_inverse(2 * CHUNK),
            played: (0..PARTS).map(|_| silent()).collect(),
            last: vec![0.0; CHUNK],
            way: (0..PARTS).map(|_| silent()).collect(),
            heard: 0.0,
            left: 0.0,
        }
    }
}

impl Filter {
    pub(super) fn take(&mut self, played: &[f32]) {
        let both: Vec<f32> = self.last.iter().chain(played).copied().collect();
        self.last.copy_from_slice(played);
        self.played.pop_back();
        self.played.push_front(spectrum(&*self.forward, both));
    }

    fn samples(&self, mut spectrum: Spectrum) -> Vec<f32> {
        let mut out = self.back.make_output_vec();
        // A real signal's first and last bin are real; rounding must not say otherwise.
        spectrum[0].im = 0.0;
        spectrum[BINS - 1].im = 0.0;
        let _ = self.back.process(&mut spectrum, &mut out);
        out.iter().map(|s| s / (2.0 * CHUNK as f32)).collect()
    }

    /// What the loudspeaker's sound becomes on its way to the microphone.
    fn echo(&self) -> Vec<f32> {
        let mut sum = vec![Complex::default(); BINS];
        for (part, played) in self.way.iter().zip(&self.played) {
            for (out, (w, x)) in sum.iter_mut().zip(part.iter().zip(played)) {
                *out += w * x;
            }
        }
        self.samples(sum).split_off(CHUNK)
    }

    /// What is known of the way from now on.
    pub(super) fn set(&mut self, taps: &[f32]) {
        for (n, part) in self.way.iter_mut().enumerate() {
            *part = spectrum(&*self.forward, taps.iter().skip(n * CHUNK).take(CHUNK).copied().collect());
        }
    }

    /// Takes out what was played.
    pub(super) fn clean(&mut self, played: &[f32], heard: &[f32]) -> Vec<f32> {
        self.take(played);
        let left = subtract(heard, &self.echo());
        smooth(&mut self.heard, power(heard));
        smooth(&mut self.left, power(&left));
        if self.left < self.heard { left } else { heard.to_vec() }
    }
}

fn subtract(a: &[f32], b: &[f32]) -> Vec<f32> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}

fn smooth(value: &mut f32, new: f32) {
    *value = 0.9 * *value + 0.1 * new;
}
