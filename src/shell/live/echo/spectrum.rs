//! What both the learning and the taking out need of a sound: its spectrum and its power.

use realfft::num_complex::Complex;
use realfft::{FftNum, RealToComplex};

/// The spectrum of `samples` and as much silence behind them as the transform is long.
pub fn spectrum<T: FftNum>(forward: &dyn RealToComplex<T>, mut samples: Vec<T>) -> Vec<Complex<T>> {
    samples.resize(forward.len(), T::zero());
    let mut out = forward.make_output_vec();
    // The lengths are right by construction, so this cannot fail.
    let _ = forward.process(&mut samples, &mut out);
    out
}

pub fn power(samples: &[f32]) -> f32 {
    samples.iter().map(|s| s * s).sum::<f32>() / samples.len().max(1) as f32
}
