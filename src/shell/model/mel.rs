//! The mel filterbank that Whisper was trained with, computed rather than carried.
//!
//! Slaney's mel scale (Auditory Toolbox, 1998): linear below 1 kHz, logarithmic above; triangular filters, each
//! normalised to unit area. 16 kHz sound, 400-point transform. The same as `librosa.filters.mel(sr=16000, n_fft=400)`.

pub const N_FFT: usize = 201;
const RATE_HZ: f64 = 16_000.0;

const LINEAR_HZ_PER_MEL: f64 = 200.0 / 3.0;
const BREAK_HZ: f64 = 1000.0;
const BREAK_MEL: f64 = BREAK_HZ / LINEAR_HZ_PER_MEL;

fn log_step() -> f64 {
    6.4f64.ln() / 27.0
}

fn mel_of(hz: f64) -> f64 {
    if hz < BREAK_HZ { hz / LINEAR_HZ_PER_MEL } else { BREAK_MEL + (hz / BREAK_HZ).ln() / log_step() }
}

fn hz_of(mel: f64) -> f64 {
    if mel < BREAK_MEL { mel * LINEAR_HZ_PER_MEL } else { BREAK_HZ * (log_step() * (mel - BREAK_MEL)).exp() }
}

/// `n_mels` rows of [`N_FFT`] weights.
pub fn filterbank(n_mels: usize) -> Vec<f32> {
    let top = mel_of(RATE_HZ / 2.0);
    let edges: Vec<f64> = (0..n_mels + 2).map(|i| hz_of(top * i as f64 / (n_mels + 1) as f64)).collect();
    let mut bank = Vec::with_capacity(n_mels * N_FFT);
    for filter in edges.windows(3) {
        let (low, centre, high) = (filter[0], filter[1], filter[2]);
        let area = 2.0 / (high - low);
        for bin in 0..N_FFT {
            let hz = bin as f64 * RATE_HZ / 2.0 / (N_FFT - 1) as f64;
            let height = ((hz - low) / (centre - low)).min((high - hz) / (high - centre)).max(0.0);
            bank.push((height * area) as f32);
        }
    }
    bank
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_is_slaneys() {
        assert!((mel_of(1000.0) - 15.0).abs() < 1e-12);
        assert!((hz_of(mel_of(5000.0)) - 5000.0).abs() < 1e-9);
        let bank = filterbank(80);
        assert_eq!(bank.len(), 80 * N_FFT);
        // Value of librosa.filters.mel(sr=16000, n_fft=400, n_mels=80)[0][1], from memory of Whisper's mel_filters.
        assert!((bank[1] - 0.024_862_59).abs() < 1e-6, "{}", bank[1]);
    }
}
