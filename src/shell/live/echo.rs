//! Takes the loudspeaker's sound out of the microphone's, given both: so that the crew is heard while the program speaks.
//!
//! A partitioned adaptive filter in the frequency domain (overlap-save, power-normalised), twice: one that learns all the
//! time and one that is used. What was learnt is taken over only when it is better, and thrown away when it is worse, so
//! that two voices at once spoil nothing. Where there is nothing to gain the microphone's sound passes unchanged.

use std::collections::VecDeque;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::shell::capture::{Block, RATE_HZ};

/// Samples handled at a time: 32 ms.
const CHUNK: usize = 512;
const BINS: usize = CHUNK + 1;
/// Chunks of the loudspeaker's sound that still count: 0.4 s from loudspeaker to microphone.
const PARTS: usize = 12;
/// How fast it learns, 0 to 1.
const PACE: f32 = 0.5;
/// The loudspeaker is silent below this mean power (-80 dBFS).
const SILENT: f32 = 1e-8;
/// The microphone waits no longer than this for the loudspeaker's sound to arrive, samples.
const PATIENCE: usize = 1_600;
/// The echo counts as taken out from a tenth of its power on; what was reached counts half as much 2 s later. Our own
/// choice, no source.
const WORKS: f32 = 10.0;
const FADES: f32 = 0.989;
/// Sound of the loudspeaker that is kept, samples.
const KEPT: usize = 4 * RATE_HZ as usize;

type Spectrum = Vec<Complex<f32>>;

/// A stream's samples with their places on the common time line (samples since the machine started).
#[derive(Default)]
struct Line {
    samples: VecDeque<f32>,
    /// Place of the first one.
    first: u64,
}

impl Line {
    fn push(&mut self, block: &Block) {
        let place = block.at_ms * u64::from(RATE_HZ) / 1000;
        if !block.follows || self.samples.is_empty() {
            self.samples.clear();
            self.first = place;
        }
        self.samples.extend(&block.samples);
    }

    fn end(&self) -> u64 {
        self.first + self.samples.len() as u64
    }

    /// A chunk from `place` on; silence where nothing is known.
    fn chunk(&self, place: u64) -> Vec<f32> {
        (0..CHUNK as u64)
            .map(|i| {
                (place + i).checked_sub(self.first).and_then(|at| self.samples.get(at as usize)).copied().unwrap_or(0.0)
            })
            .collect()
    }

    fn forget_before(&mut self, place: u64) {
        let gone = place.saturating_sub(self.first).min(self.samples.len() as u64);
        self.samples.drain(..gone as usize);
        self.first += gone;
    }
}

pub struct Canceller {
    microphone: Line,
    loudspeaker: Line,
    /// The block that the next output continues.
    follows: bool,
    filter: Filter,
}

impl Default for Canceller {
    fn default() -> Canceller {
        Canceller { microphone: Line::default(), loudspeaker: Line::default(), follows: false, filter: Filter::new() }
    }
}

impl Canceller {
    /// What the loudspeaker plays; comes back: what the microphone heard and was waiting for it.
    pub fn loudspeaker(&mut self, block: &Block) -> Vec<Block> {
        self.loudspeaker.push(block);
        let end = self.loudspeaker.end();
        self.loudspeaker.forget_before(end.saturating_sub(KEPT as u64));
        self.ready()
    }

    /// Nothing is known of the loudspeaker any more: the microphone does not wait for it.
    pub fn loudspeaker_lost(&mut self) -> Vec<Block> {
        self.loudspeaker.samples.clear();
        self.ready()
    }

    /// True when the loudspeaker's sound was lately taken out so well that no word of it is left.
    pub fn works(&self) -> bool {
        !self.loudspeaker.samples.is_empty() && self.filter.reached > WORKS
    }

    /// What the microphone hears; comes back, a little later, without what the loudspeaker played.
    pub fn microphone(&mut self, block: Block) -> Vec<Block> {
        let mut out = Vec::new();
        if !block.follows {
            out.extend(self.rest());
            self.filter.forget_sound();
            self.follows = false;
        }
        self.microphone.push(&block);
        out.extend(self.ready());
        out
    }

    /// What still waits, at the end.
    pub fn finish(&mut self) -> Vec<Block> {
        self.loudspeaker.samples.clear();
        let mut out = self.ready();
        out.extend(self.rest());
        out
    }

    fn ready(&mut self) -> Vec<Block> {
        let mut out = Vec::new();
        while self.microphone.samples.len() >= CHUNK {
            let ready = self.loudspeaker.end() >= self.microphone.first + CHUNK as u64;
            if !ready && self.microphone.samples.len() < PATIENCE && !self.loudspeaker.samples.is_empty() {
                break;
            }
            out.push(self.chunk());
        }
        out
    }

    fn chunk(&mut self) -> Block {
        let place = self.microphone.first;
        let heard = self.microphone.chunk(place);
        let samples = self.filter.run(&self.loudspeaker.chunk(place), heard);
        self.microphone.forget_before(place + CHUNK as u64);
        self.block(place, samples)
    }

    /// What is left of a stream that was cut.
    fn rest(&mut self) -> Option<Block> {
        let place = self.microphone.first;
        let samples: Vec<f32> = self.microphone.samples.drain(..).collect();
        (!samples.is_empty()).then(|| self.block(place, samples))
    }

    fn block(&mut self, place: u64, samples: Vec<f32>) -> Block {
        let follows = std::mem::replace(&mut self.follows, true);
        Block { at_ms: place * 1000 / u64::from(RATE_HZ), follows, samples }
    }
}

struct Filter {
    forward: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
    /// Spectra of the loudspeaker's sound, newest first, each over two chunks.
    played: VecDeque<Spectrum>,
    last: Vec<f32>,
    /// Smoothed power of the loudspeaker's sound, each bin.
    power: Vec<f32>,
    learning: Vec<Spectrum>,
    used: Vec<Spectrum>,
    /// Smoothed power: of the microphone, of what each filter leaves.
    heard: f32,
    learning_left: f32,
    used_left: f32,
    /// How many times less sound was left than there was, at best, lately: two voices at once hide it for a while.
    reached: f32,
    /// Chunk of the learnt filter that is trimmed next.
    trim: usize,
}

impl Filter {
    fn new() -> Filter {
        let mut planner = RealFftPlanner::new();
        let silent = || vec![Complex::default(); BINS];
        Filter {
            forward: planner.plan_fft_forward(2 * CHUNK),
            back: planner.plan_fft_inverse(2 * CHUNK),
            played: (0..PARTS).map(|_| silent()).collect(),
            last: vec![0.0; CHUNK],
            power: vec![0.0; BINS],
            learning: (0..PARTS).map(|_| silent()).collect(),
            used: (0..PARTS).map(|_| silent()).collect(),
            heard: 0.0,
            learning_left: 0.0,
            used_left: 0.0,
            reached: 1.0,
            trim: 0,
        }
    }

    /// The sound before a gap means nothing after it; what was learnt of the room stays.
    fn forget_sound(&mut self) {
        self.last.fill(0.0);
        for spectrum in &mut self.played {
            spectrum.fill(Complex::default());
        }
    }

    fn run(&mut self, played: &[f32], heard: Vec<f32>) -> Vec<f32> {
        self.take(played);
        let sounding: f32 = self.power.iter().sum::<f32>() / (2.0 * CHUNK as f32).powi(2);
        if sounding < SILENT {
            return heard;
        }
        let learning_left = subtract(&heard, &self.apply(&self.learning));
        let used_left = subtract(&heard, &self.apply(&self.used));
        smooth(&mut self.heard, power(&heard));
        smooth(&mut self.learning_left, power(&learning_left));
        smooth(&mut self.used_left, power(&used_left));
        self.learn(&learning_left);
        self.choose();
        self.reached = (self.reached * FADES).max(self.heard / self.used_left.max(SILENT));
        if self.used_left < self.heard { used_left } else { heard }
    }

    fn take(&mut self, played: &[f32]) {
        let both: Vec<f32> = self.last.iter().chain(played).copied().collect();
        self.last.copy_from_slice(played);
        let spectrum = self.spectrum(both);
        for (power, bin) in self.power.iter_mut().zip(&spectrum) {
            *power = 0.8 * *power + 0.2 * bin.norm_sqr();
        }
        self.played.pop_back();
        self.played.push_front(spectrum);
    }

    fn spectrum(&self, mut samples: Vec<f32>) -> Spectrum {
        let mut out = self.forward.make_output_vec();
        // The lengths are right by construction, so this cannot fail.
        let _ = self.forward.process(&mut samples, &mut out);
        out
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
    fn apply(&self, filter: &[Spectrum]) -> Vec<f32> {
        let mut sum = vec![Complex::default(); BINS];
        for (part, played) in filter.iter().zip(&self.played) {
            for (out, (w, x)) in sum.iter_mut().zip(part.iter().zip(played)) {
                *out += w * x;
            }
        }
        self.samples(sum).split_off(CHUNK)
    }

    fn learn(&mut self, left: &[f32]) {
        let padded: Vec<f32> = std::iter::repeat_n(0.0, CHUNK).chain(left.iter().copied()).collect();
        let error = self.spectrum(padded);
        let floor = self.power.iter().sum::<f32>() / BINS as f32 * 0.01 + 1e-6;
        let step: Spectrum =
            error.iter().zip(&self.power).map(|(e, p)| e * (PACE / (PARTS as f32 * (p + floor)))).collect();
        for (part, played) in self.learning.iter_mut().zip(&self.played) {
            for (w, (x, s)) in part.iter_mut().zip(played.iter().zip(&step)) {
                *w += x.conj() * s;
            }
        }
        // The second half of each part must be zero in time: one part is trimmed a chunk, in turn.
        let mut taps = self.samples(self.learning[self.trim].clone());
        taps[CHUNK..].fill(0.0);
        self.learning[self.trim] = self.spectrum(taps);
        self.trim = (self.trim + 1) % PARTS;
    }

    fn choose(&mut self) {
        if self.learning_left < 0.8 * self.used_left && self.learning_left < self.heard {
            self.used.clone_from(&self.learning);
            self.used_left = self.learning_left;
        } else if self.learning_left > 2.0 * self.used_left.min(self.heard) {
            self.learning.clone_from(&self.used);
            self.learning_left = self.used_left;
        }
    }
}

fn subtract(a: &[f32], b: &[f32]) -> Vec<f32> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}

fn power(samples: &[f32]) -> f32 {
    samples.iter().map(|s| s * s).sum::<f32>() / samples.len().max(1) as f32
}

fn smooth(value: &mut f32, new: f32) {
    *value = 0.9 * *value + 0.1 * new;
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Something like speech: coloured noise in syllables.
    fn voice(seconds: usize, seed: u32, pole: f32) -> Vec<f32> {
        let (mut x, mut y) = (seed, 0.0f32);
        (0..seconds * RATE_HZ as usize)
            .map(|i| {
                x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = (x >> 8) as f32 / (1u32 << 24) as f32 - 0.5;
                y = pole * y + noise * (1.0 - pole);
                let syllable = if (i / 2_400) % 3 == 2 { 0.02 } else { 1.0 };
                y * syllable
            })
            .collect()
    }

    /// The loudspeaker's sound on its way: delayed by 105 ms, quieter, with a reflection.
    fn room(played: &[f32], gain: f32) -> Vec<f32> {
        let at = |i: usize, delay: usize| if i >= delay { played[i - delay] } else { 0.0 };
        (0..played.len()).map(|i| gain * at(i, 1_680) + 0.3 * gain * at(i, 2_100)).collect()
    }

    fn through(played: &[f32], heard: &[f32]) -> Vec<f32> {
        let mut canceller = Canceller::default();
        let mut out = Vec::new();
        for (n, (p, h)) in played.chunks(320).zip(heard.chunks(320)).enumerate() {
            let block =
                |samples: &[f32]| Block { at_ms: 1_000 + 20 * n as u64, follows: n > 0, samples: samples.to_vec() };
            out.extend(canceller.loudspeaker(&block(p)).into_iter().flat_map(|b| b.samples));
            out.extend(canceller.microphone(block(h)).into_iter().flat_map(|b| b.samples));
        }
        out
    }

    fn db(a: f32, b: f32) -> f32 {
        10.0 * (a / b.max(1e-12)).log10()
    }

    #[test]
    fn our_own_words_all_but_vanish() {
        for gain in [0.5, 0.1] {
            let played = voice(6, 1, 0.7);
            let heard = room(&played, gain);
            let left = through(&played, &heard);
            let last = left.len() - 2 * RATE_HZ as usize;
            let gained = db(power(&heard[last..left.len()]), power(&left[last..]));
            assert!(gained > 15.0, "gain {gain}: only {gained:.1} dB less");
        }
    }

    #[test]
    fn the_crews_words_over_ours_stay_as_they_are() {
        let played = voice(8, 1, 0.7);
        let echo = room(&played, 0.5);
        let mut crew = voice(8, 77, 0.4);
        crew[..5 * RATE_HZ as usize].fill(0.0);
        let heard: Vec<f32> = echo.iter().zip(&crew).map(|(a, b)| a + b).collect();
        let left = through(&played, &heard);
        let from = 6 * RATE_HZ as usize;
        let error: Vec<f32> = left[from..].iter().zip(&crew[from..]).map(|(a, b)| a - b).collect();
        let before = db(power(&crew[from..]), power(&echo[from..]));
        let after = db(power(&crew[from..left.len()]), power(&error));
        assert!(after > before + 8.0, "the crew stands out by {after:.1} dB instead of {before:.1}");
    }

    #[test]
    fn with_a_silent_loudspeaker_nothing_changes() {
        let crew = voice(2, 5, 0.5);
        let left = through(&vec![0.0; crew.len()], &crew);
        assert_eq!(left[..], crew[..left.len()]);
        assert!(crew.len() - left.len() < PATIENCE);
    }

    #[test]
    fn a_gap_loses_no_sample_and_is_marked() {
        let mut canceller = Canceller::default();
        let block = |at_ms, follows| Block { at_ms, follows, samples: vec![0.1; 320] };
        let mut out = canceller.microphone(block(1_000, false));
        out.extend(canceller.microphone(block(1_020, true)));
        out.extend(canceller.microphone(block(9_000, false)));
        out.extend(canceller.microphone(block(9_020, true)));
        let starts: Vec<(u64, bool)> = out.iter().map(|b| (b.at_ms, b.follows)).collect();
        assert_eq!(starts, [(1_000, false), (1_032, true), (9_000, false)]);
        assert_eq!(out.iter().map(|b| b.samples.len()).sum::<usize>(), 640 + 512);
    }
}
