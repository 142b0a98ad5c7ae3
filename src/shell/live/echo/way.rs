//! The way from the loudspeaker to the microphone, learnt from a stretch of both by least squares.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use super::TAPS;
use super::spectrum::spectrum;

/// Noise that is assumed besides, as part of the loudspeaker's power.
const RIDGE: f64 = 1e-3;

/// The normal equations of the way in a stretch of sound: of the taps whose sound, taken from what was heard, leaves the
/// least.
pub(super) struct Equations {
    /// Autocorrelation of what was played, each lag; of the whole stretch, so that the matrix is a Toeplitz one.
    auto: Vec<f64>,
    /// Correlation with what was heard, each tap.
    cross: Vec<f64>,
    /// Energy of what was heard.
    heard: f64,
    samples: usize,
}

impl Equations {
    /// `played` begins `TAPS - 1` before `heard`.
    pub(super) fn of(played: &[f32], heard: &[f32]) -> Equations {
        let mut auto = correlate(played, played, TAPS);
        // Of lag `TAPS - 1 - k` is what came `k` before.
        let mut cross = correlate(heard, played, TAPS);
        cross.reverse();
        if let Some(power) = auto.first_mut() {
            *power = *power * (1.0 + RIDGE) + 1e-9;
        }
        let energy = heard.iter().map(|s| f64::from(*s).powi(2)).sum();
        Equations { auto, cross, heard: energy, samples: heard.len() }
    }

    /// By Levinson's recursion.
    pub(super) fn solved(&self) -> Vec<f32> {
        let Equations { auto, cross, .. } = self;
        let (mut taps, mut back) = (vec![cross[0] / auto[0]], vec![1.0 / auto[0]]);
        for (n, wanted) in cross.iter().enumerate().skip(1) {
            let off: f64 = back.iter().enumerate().map(|(i, b)| auto[i + 1] * b).sum();
            let scale = 1.0 / (1.0 - off * off);
            // `back` reversed is the forward vector: the matrix is symmetric.
            let forward: Vec<f64> = back.iter().rev().copied().chain([0.0]).collect();
            let shifted: Vec<f64> = [0.0].into_iter().chain(back.iter().copied()).collect();
            back = shifted.iter().zip(&forward).map(|(s, f)| scale * (s - off * f)).collect();
            let missing: f64 = wanted - taps.iter().enumerate().map(|(i, t)| auto[n - i] * t).sum::<f64>();
            taps.push(0.0);
            taps.iter_mut().zip(&back).for_each(|(t, b)| *t += missing * b);
        }
        taps.into_iter().map(|t| t as f32).collect()
    }

    /// The energy that `taps` leave.
    pub(super) fn left(&self, taps: &[f32]) -> f64 {
        let both: f64 = taps.iter().zip(&self.cross).map(|(t, c)| f64::from(*t) * c).sum();
        let own = correlate(taps, taps, taps.len());
        let two_sided = own.iter().zip(&self.auto).map(|(o, a)| 2.0 * o * a).sum::<f64>() - own[0] * self.auto[0];
        self.heard - 2.0 * both + two_sided
    }

    /// True if the stretch is explained by `fresh` taps, which were made for it, better than by those of `before`, beyond
    /// what any taps made for it would do: where the crew talks, those of before are the truer ones. (Twice the number of
    /// taps: Akaike's criterion.)
    pub(super) fn tell_apart(&self, before: &[f32], fresh: &[f32]) -> bool {
        let worth = 1.0 + 2.0 * TAPS as f64 / self.samples as f64;
        self.left(before) > self.left(fresh) * worth
    }
}

/// Sums of `short[n] * long[n + lag]` for each lag below `lags`.
fn correlate(short: &[f32], long: &[f32], lags: usize) -> Vec<f64> {
    let size = (short.len() + long.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
    let spectrum = |samples: &[f32]| spectrum(&*forward, samples.iter().map(|s| f64::from(*s)).collect());
    let mut both: Vec<Complex<f64>> = spectrum(short).iter().zip(spectrum(long)).map(|(s, l)| s.conj() * l).collect();
    for end in [0, size / 2] {
        both[end].im = 0.0;
    }
    let mut out = inverse.make_output_vec();
    let _ = inverse.process(&mut both, &mut out);
    out.iter().take(lags).map(|sum| sum / size as f64).collect()
}
