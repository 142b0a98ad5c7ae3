//! Takes the loudspeaker's sound out of the microphone's, given both: so that the crew is heard while the program speaks.
//!
//! A partitioned adaptive filter in the frequency domain (overlap-save, power-normalised), twice: one that learns all the
//! time and one that is used. What was learnt is taken over only when it is better, and thrown away when it is worse, so
//! that two voices at once spoil nothing. Where there is nothing to gain the microphone's sound passes unchanged.
//!
//! Learning takes a second or two of sound, and the crew may talk over the very first words. So the first sound is held
//! back until the way from loudspeaker to microphone is known from it: the delay by correlation, the rest by least
//! squares over a second or two, which the crew's words hardly disturb. Then the stretch is cleaned as a whole. This happens once, and
//! again when a stream was cut, because the two streams' clocks agree only as far as each was stamped when it began.
//!
//! Two devices' clocks drift apart (40 parts in a million with PulseAudio's loopback: measured), and the way drifts with
//! them, faster than the filters learn. Where they were seen to fall behind, all sound of the loudspeaker is held back and
//! cleaned in such stretches.

use std::collections::VecDeque;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, FftNum, RealFftPlanner, RealToComplex};

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
/// choice, no source. Longer than that (8 s were tried) the words of the crew right behind ours were not cut from what is
/// left of ours, and were lost with them as an echo.
const WORKS: f32 = 10.0;
const FADES: f32 = 0.989;
/// Sound of the loudspeaker that is kept, samples.
const KEPT: usize = 12 * RATE_HZ as usize;
/// The first sound is looked at each time that so much more of it has come, samples.
const LOOK_EVERY: usize = 3 * RATE_HZ as usize / 2;
/// It is held back no longer than this, and no longer than the loudspeaker's pause after it, samples.
const HELD_MAX: usize = 8 * RATE_HZ as usize;
const HELD_PAUSE: usize = 2 * RATE_HZ as usize / 5;
/// Less of the loudspeaker's sound teaches nothing, samples.
const TEACHES: usize = RATE_HZ as usize / 2;
/// That the microphone does not hear the loudspeaker is sure after so much of it, samples.
const SURE: usize = 2 * RATE_HZ as usize;
/// Taps of the way that are computed from a stretch: its beginning, 64 ms, where nearly all of the sound is. What the
/// crew says over it disturbs the result in proportion to its length.
const TAPS: usize = 2 * CHUNK;
/// They are computed anew for each second, from that and half a second to either side: the way drifts.
const WINDOW: usize = RATE_HZ as usize;
const AROUND: usize = WINDOW / 2;
/// Noise that is assumed besides, as part of the loudspeaker's power.
const RIDGE: f64 = 1e-3;
/// The microphone hears the loudspeaker so early or late at most, against their stamps, samples: stamps may be off by
/// what the machine was late when a stream began.
const EARLIEST: i64 = -(RATE_HZ as i64) * 2 / 5;
const LATEST: i64 = RATE_HZ as i64 * 4 / 5;
/// Once known, the way's delay is made this short, samples: room for what correlates before its peak.
const MARGIN: i64 = 160;
/// A peak of the correlation counts from so many times its spread on: noise alone reaches 4.5 among so many places.
const STANDS_OUT: f32 = 7.0;
/// What `reached` is where the way was learnt from a stretch.
const LEARNT: f32 = 2.0 * WORKS;

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
        self.stretch(place, CHUNK)
    }

    fn stretch(&self, place: u64, len: usize) -> Vec<f32> {
        (0..len as u64)
            .map(|i| {
                (place + i).checked_sub(self.first).and_then(|at| self.samples.get(at as usize)).copied().unwrap_or(0.0)
            })
            .collect()
    }

    fn put_back(&mut self, samples: &[f32]) {
        samples.iter().rev().for_each(|s| self.samples.push_front(*s));
        self.first -= samples.len() as u64;
    }

    fn forget_before(&mut self, place: u64) {
        let gone = place.saturating_sub(self.first).min(self.samples.len() as u64);
        self.samples.drain(..gone as usize);
        self.first += gone;
    }
}

/// How well the way from loudspeaker to microphone is known.
#[derive(Clone, Copy, PartialEq)]
enum Way {
    Unknown,
    /// The microphone's sound is held back since the loudspeaker sounds.
    Held {
        /// Samples of the loudspeaker's sound so far, and of its pause since.
        sounding: usize,
        pause: usize,
        /// Samples held when the way was last looked for.
        looked: usize,
    },
    /// It was looked for: found, or there is none.
    Known,
}

pub struct Canceller {
    microphone: Line,
    loudspeaker: Line,
    /// The block that the next output continues.
    follows: bool,
    filter: Filter,
    way: Way,
    /// What is held back, from the first chunk of the loudspeaker's sound on, and its place.
    held: Vec<f32>,
    held_from: u64,
    /// The loudspeaker's sound counts as so much later than it is stamped, samples.
    shift: i64,
    /// It was looked for, in sound enough, and the microphone does not hear it: a headset.
    apart: bool,
    /// The microphone hears it, at `shift`.
    found: bool,
    /// The filters fall behind: what is heard over the loudspeaker is held back and cleaned in stretches.
    drifts: bool,
}

/// How what was held back is let go.
#[derive(Clone, Copy, PartialEq)]
enum Release {
    AsHeard,
    /// Without the loudspeaker's sound, by the way as it was last known.
    Cleaned,
    /// The same by the way as it is learnt from what was held.
    Relearnt,
}

impl Default for Canceller {
    fn default() -> Canceller {
        Canceller {
            microphone: Line::default(),
            loudspeaker: Line::default(),
            follows: false,
            filter: Filter::new(),
            way: Way::Unknown,
            held: Vec::new(),
            held_from: 0,
            shift: 0,
            apart: false,
            found: false,
            drifts: false,
        }
    }
}

impl Canceller {
    /// What the loudspeaker plays; comes back: what the microphone heard and was waiting for it.
    pub fn loudspeaker(&mut self, block: &Block) -> Vec<Block> {
        let mut out = Vec::new();
        if !block.follows && !self.loudspeaker.samples.is_empty() {
            out.extend(self.learn_anew());
        }
        self.loudspeaker.push(block);
        let end = self.loudspeaker.end();
        self.loudspeaker.forget_before(end.saturating_sub(KEPT as u64));
        out.extend(self.ready());
        out
    }

    /// Nothing is known of the loudspeaker any more: the microphone does not wait for it.
    pub fn loudspeaker_lost(&mut self) -> Vec<Block> {
        let mut out = self.learn_anew();
        self.loudspeaker.samples.clear();
        out.extend(self.ready());
        out
    }

    /// True when the loudspeaker's sound was lately taken out so well that no word of it is left.
    pub fn works(&self) -> bool {
        !self.loudspeaker.samples.is_empty() && self.filter.reached > WORKS
    }

    /// True when nothing of the loudspeaker reaches the microphone.
    pub fn apart(&self) -> bool {
        !self.loudspeaker.samples.is_empty() && self.apart
    }

    /// What the microphone hears; comes back, a little later, without what the loudspeaker played.
    pub fn microphone(&mut self, block: Block) -> Vec<Block> {
        let mut out = Vec::new();
        if !block.follows {
            out.extend(self.learn_anew());
            out.extend(self.rest());
            self.follows = false;
        }
        self.microphone.push(&block);
        out.extend(self.ready());
        out
    }

    /// What still waits, at the end.
    pub fn finish(&mut self) -> Vec<Block> {
        let mut out = self.loudspeaker_lost();
        out.extend(self.rest());
        out
    }

    /// The way is not known any more: what was held back for it is let go.
    fn learn_anew(&mut self) -> Vec<Block> {
        let held = self.release(Release::AsHeard);
        self.way = Way::Unknown;
        self.filter = Filter::new();
        self.shift = 0;
        self.apart = false;
        self.found = false;
        self.drifts = false;
        held
    }

    fn ready(&mut self) -> Vec<Block> {
        let mut out = Vec::new();
        while self.microphone.samples.len() >= CHUNK {
            let ready = self.loudspeaker.end() >= self.played_at(self.microphone.first + CHUNK as u64);
            if !ready && self.microphone.samples.len() < self.patience() && !self.loudspeaker.samples.is_empty() {
                break;
            }
            out.extend(self.chunk());
        }
        out
    }

    fn patience(&self) -> usize {
        PATIENCE + usize::try_from(self.shift).unwrap_or(0)
    }

    /// Where in the loudspeaker's sound the microphone's place is.
    fn played_at(&self, place: u64) -> u64 {
        place.saturating_add_signed(self.shift)
    }

    fn chunk(&mut self) -> Vec<Block> {
        let place = self.microphone.first;
        let heard = self.microphone.chunk(place);
        let played = self.loudspeaker.chunk(self.played_at(place));
        self.microphone.forget_before(place + CHUNK as u64);
        let sounds = power(&played) >= SILENT;
        self.drifts |= sounds && self.way == Way::Known && self.found && self.filter.reached <= WORKS;
        match self.way {
            Way::Unknown if sounds => self.begin_to_hold(place, heard),
            Way::Known if sounds && self.drifts => self.begin_to_hold(place, heard),
            Way::Held { .. } => self.hold(heard, sounds),
            Way::Unknown | Way::Known => {
                let samples = self.filter.run(&played, heard);
                vec![self.block(place, samples)]
            }
        }
    }

    fn begin_to_hold(&mut self, place: u64, heard: Vec<f32>) -> Vec<Block> {
        self.held_from = place;
        self.way = Way::Held { sounding: 0, pause: 0, looked: 0 };
        self.hold(heard, true)
    }

    fn hold(&mut self, heard: Vec<f32>, sounds: bool) -> Vec<Block> {
        self.held.extend(heard);
        let Way::Held { mut sounding, mut pause, mut looked } = self.way else { return Vec::new() };
        (sounding, pause) = if sounds { (sounding + CHUNK, 0) } else { (sounding, pause + CHUNK) };
        let over = pause >= HELD_PAUSE || self.held.len() >= HELD_MAX;
        if over && sounding < TEACHES {
            return if self.found { self.let_go(Release::Cleaned) } else { self.learn_anew() };
        }
        if over || self.held.len() >= looked + LOOK_EVERY {
            looked = self.held.len();
            match self.look() {
                // Too short, or the crew talks over it: there is more to learn from in a moment.
                Some(left) if left > 1.0 / WORKS && !over && !self.drifts => {}
                Some(_) => {
                    self.found = true;
                    return self.let_go(Release::Relearnt);
                }
                None if looked < 2 * LOOK_EVERY && !over => {}
                None => {
                    self.apart = sounding >= SURE && power(&self.held) >= SILENT;
                    return self.let_go(Release::AsHeard);
                }
            }
        }
        self.way = Way::Held { sounding, pause, looked };
        Vec::new()
    }

    fn let_go(&mut self, how: Release) -> Vec<Block> {
        self.way = Way::Known;
        self.release(how)
    }

    /// Learns the way from what is held; which part of the last second's power is left then. `None`: the microphone does
    /// not hear the loudspeaker.
    fn look(&mut self) -> Option<f32> {
        let before = self.held_from.saturating_add_signed(-LATEST);
        let played = self.loudspeaker.stretch(before, self.held.len() + (LATEST - EARLIEST) as usize);
        match delay(&played, &self.held) {
            Some(delay) => self.shift = MARGIN - delay,
            // The crew may be far louder: it is where it was.
            None if self.found => {}
            None => return None,
        }
        self.filter = Filter::new();
        self.filter.reached = LEARNT;
        let last = self.held.len().saturating_sub(WINDOW);
        self.filter.set(&self.taps_around(last));
        Some(self.left_since(last))
    }

    /// The way as it was around the second that begins at `at` in what is held.
    fn taps_around(&self, at: usize) -> Vec<f32> {
        let (from, to) = (at.saturating_sub(AROUND), (at + WINDOW + AROUND).min(self.held.len()));
        let begin = self.played_at(self.held_from + from as u64).saturating_sub(TAPS as u64 - 1);
        let played = self.loudspeaker.stretch(begin, to - from + TAPS - 1);
        way(&played, &self.held[from..to])
    }

    /// Which part of the power of what is held since `from` is left, as the filter stands.
    fn left_since(&mut self, from: usize) -> f32 {
        self.filter.forget_sound();
        let (mut all, mut left) = (0.0, 0.0);
        let start = from - from % CHUNK;
        for at in (start..self.held.len()).step_by(CHUNK) {
            let played = self.loudspeaker.chunk(self.played_at(self.held_from + at as u64));
            self.filter.take(&played);
            // The first chunk lacks what was played before it.
            if at > start && at + CHUNK <= self.held.len() && power(&played) >= SILENT {
                let heard = &self.held[at..at + CHUNK];
                all += power(heard);
                left += power(&subtract(heard, &self.filter.apply(&self.filter.used)));
            }
        }
        left / all.max(SILENT)
    }

    /// Lets go of what is held back.
    fn release(&mut self, how: Release) -> Vec<Block> {
        self.filter.forget_sound();
        let mut out = Vec::new();
        for at in (0..self.held.len()).step_by(CHUNK) {
            let place = self.held_from + at as u64;
            let told = self.loudspeaker.end() >= self.played_at(place + CHUNK as u64);
            if at + CHUNK > self.held.len() || (!told && !self.loudspeaker.samples.is_empty()) {
                // What was played then is still to be told: it waits as all that is heard does.
                self.microphone.put_back(&self.held[at..]);
                break;
            }
            if how == Release::Relearnt && at % WINDOW < CHUNK {
                self.filter.set(&self.taps_around(at));
            }
            let heard = self.held[at..at + CHUNK].to_vec();
            let samples = match how {
                Release::AsHeard => heard,
                Release::Cleaned | Release::Relearnt => {
                    self.filter.clean(&self.loudspeaker.chunk(self.played_at(place)), heard)
                }
            };
            out.push(self.block(place, samples));
        }
        self.held.clear();
        out
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

/// By how many samples `heard` is later than it is in `played`, which begins `LATEST` samples before it: the place where
/// they correlate, each frequency counting the same, so that a voice's own repetition is not taken for it. `None` where no
/// place stands out.
fn delay(played: &[f32], heard: &[f32]) -> Option<i64> {
    let size = (played.len() + heard.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let forward = planner.plan_fft_forward(size);
    let inverse = planner.plan_fft_inverse(size);
    let (played, heard) = (spectrum(&*forward, played.to_vec()), spectrum(&*forward, heard.to_vec()));
    let mut both: Spectrum = played.iter().zip(&heard).map(|(p, h)| p * h.conj()).collect();
    let floor = both.iter().map(|b| b.norm()).sum::<f32>() / both.len() as f32 * 1e-3 + 1e-12;
    both.iter_mut().for_each(|b| *b /= b.norm() + floor);
    both[0] = Complex::default();
    if let Some(last) = both.last_mut() {
        *last = Complex::default();
    }
    let mut places = inverse.make_output_vec();
    let _ = inverse.process(&mut both, &mut places);
    // `heard` lies in `played` at `LATEST` less the delay.
    let candidates = &places[..(LATEST - EARLIEST) as usize];
    let spread = power(candidates).sqrt();
    let (at, peak) = candidates.iter().map(|c| c.abs()).enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
    (spread > 0.0 && peak > STANDS_OUT * spread).then(|| LATEST - at as i64)
}

/// The way as taps: those whose sound, taken from `heard`, leaves the least. `played` begins `TAPS - 1` before it.
///
/// The normal equations with the autocorrelation of the whole stretch (a Toeplitz matrix), solved by Levinson's recursion.
fn way(played: &[f32], heard: &[f32]) -> Vec<f32> {
    let auto = correlate(played, played, TAPS);
    // Of lag `TAPS - 1 - k` is what came `k` before.
    let mut cross = correlate(heard, played, TAPS);
    cross.reverse();
    let Some(power) = auto.first().map(|p| p * (1.0 + RIDGE) + 1e-9) else { return vec![0.0; TAPS] };
    let at = |lag: usize| if lag == 0 { power } else { auto[lag] };
    let (mut taps, mut back) = (vec![cross[0] / power], vec![1.0 / power]);
    for (n, wanted) in cross.iter().enumerate().skip(1) {
        let off: f64 = back.iter().enumerate().map(|(i, b)| at(i + 1) * b).sum();
        let scale = 1.0 / (1.0 - off * off);
        // `back` reversed is the forward vector: the matrix is symmetric.
        let forward: Vec<f64> = back.iter().rev().copied().chain([0.0]).collect();
        let shifted: Vec<f64> = [0.0].into_iter().chain(back.iter().copied()).collect();
        back = shifted.iter().zip(&forward).map(|(s, f)| scale * (s - off * f)).collect();
        let missing: f64 = wanted - taps.iter().enumerate().map(|(i, t)| at(n - i) * t).sum::<f64>();
        taps.push(0.0);
        taps.iter_mut().zip(&back).for_each(|(t, b)| *t += missing * b);
    }
    taps.into_iter().map(|t| t as f32).collect()
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

/// The spectrum of `samples` and as much silence behind them as the transform is long.
fn spectrum<T: FftNum>(forward: &dyn RealToComplex<T>, mut samples: Vec<T>) -> Vec<Complex<T>> {
    samples.resize(forward.len(), T::zero());
    let mut out = forward.make_output_vec();
    // The lengths are right by construction, so this cannot fail.
    let _ = forward.process(&mut samples, &mut out);
    out
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
        if self.sounding() < SILENT {
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
        let spectrum = spectrum(&*self.forward, both);
        for (power, bin) in self.power.iter_mut().zip(&spectrum) {
            *power = 0.8 * *power + 0.2 * bin.norm_sqr();
        }
        self.played.pop_back();
        self.played.push_front(spectrum);
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

    /// What is known of the way from now on.
    fn set(&mut self, taps: &[f32]) {
        for (n, part) in self.used.iter_mut().enumerate() {
            *part = spectrum(&*self.forward, taps.iter().skip(n * CHUNK).take(CHUNK).copied().collect());
        }
        self.learning.clone_from(&self.used);
    }

    /// Takes out what was played, without learning more.
    fn clean(&mut self, played: &[f32], heard: Vec<f32>) -> Vec<f32> {
        self.take(played);
        let left = subtract(&heard, &self.apply(&self.used));
        smooth(&mut self.heard, power(&heard));
        smooth(&mut self.used_left, power(&left));
        self.learning_left = self.used_left;
        if self.used_left < self.heard { left } else { heard }
    }

    /// Smoothed power of what the loudspeaker plays.
    fn sounding(&self) -> f32 {
        self.power.iter().sum::<f32>() / (2.0 * CHUNK as f32).powi(2)
    }

    fn learn(&mut self, left: &[f32]) {
        let padded: Vec<f32> = std::iter::repeat_n(0.0, CHUNK).chain(left.iter().copied()).collect();
        let error = spectrum(&*self.forward, padded);
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
        self.learning[self.trim] = spectrum(&*self.forward, taps);
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

    /// Loudspeaker and microphone on clocks of their own: 40 parts in a million apart, as PulseAudio's loopback is.
    #[test]
    fn the_crews_words_over_ours_are_cleared_when_the_clocks_drift_apart() {
        let seconds = 16;
        let played = voice(seconds, 1, 0.7);
        let steady = room(&played, 0.5);
        let drifted = |i: usize| {
            let place = i as f64 * (1.0 - 40e-6);
            let (before, part) = (place as usize, place.fract() as f32);
            steady[before] * (1.0 - part) + steady.get(before + 1).copied().unwrap_or(0.0) * part
        };
        let echo: Vec<f32> = (0..steady.len()).map(drifted).collect();
        let mut crew: Vec<f32> = voice(seconds, 77, 0.4).iter().map(|s| s * 0.5).collect();
        let from = (seconds - 4) * RATE_HZ as usize;
        crew[..from].fill(0.0);
        let heard: Vec<f32> = echo.iter().zip(&crew).map(|(a, b)| a + b).collect();
        let left = through(&played, &heard);
        let error: Vec<f32> = left[from..].iter().zip(&crew[from..]).map(|(a, b)| a - b).collect();
        let before = db(power(&crew[from..]), power(&echo[from..]));
        let after = db(power(&crew[from..left.len()]), power(&error));
        assert!(after > before + 8.0, "the crew stands out by {after:.1} dB instead of {before:.1}");
    }

    /// Nobody waits until the program has learnt how its words come back: the crew talks over the first of them.
    #[test]
    fn the_crews_words_over_our_very_first_are_cleared_too() {
        for (gain, late) in [(0.5, 0), (0.1, 4_000), (0.3, -6_000_i32)] {
            let mut played = voice(6, 1, 0.7);
            played[5 * RATE_HZ as usize..].fill(0.0);
            let mut echo = room(&played, gain);
            // The streams' stamps may disagree.
            match usize::try_from(late) {
                Ok(late) => echo.rotate_right(late),
                Err(_) => echo.rotate_left(late.unsigned_abs() as usize),
            }
            let mut crew: Vec<f32> = voice(6, 77, 0.4).iter().map(|s| s * gain * 0.7).collect();
            crew[..RATE_HZ as usize].fill(0.0);
            let heard: Vec<f32> = echo.iter().zip(&crew).map(|(a, b)| a + b).collect();
            let left = through(&played, &heard);
            let range = 3 * RATE_HZ as usize / 2..4 * RATE_HZ as usize;
            let error: Vec<f32> = range.clone().map(|i| left[i] - crew[i]).collect();
            let before = db(power(&crew[range.clone()]), power(&echo[range.clone()]));
            let after = db(power(&crew[range]), power(&error));
            assert!(
                after > before + 8.0,
                "{gain}, {late}: the crew stands out by {after:.1} dB instead of {before:.1}"
            );
        }
    }

    /// A headset: the microphone does not hear the loudspeaker, and what it hears is not held back for long.
    #[test]
    fn where_nothing_comes_back_nothing_is_changed_and_little_held_back() {
        let played = voice(4, 1, 0.7);
        let crew = voice(4, 77, 0.4);
        let left = through(&played, &crew);
        assert!(left.len() + PATIENCE > crew.len());
        let error: Vec<f32> = left.iter().zip(&crew).map(|(a, b)| a - b).collect();
        assert!(db(power(&crew), power(&error)) > 20.0);
        let mut canceller = Canceller::default();
        let block = |n: usize, samples: &[f32]| Block {
            at_ms: 1_000 + 20 * n as u64,
            follows: n > 0,
            samples: samples.to_vec(),
        };
        let first = played.chunks(320).zip(crew.chunks(320)).enumerate().position(|(n, (p, c))| {
            canceller.loudspeaker(&block(n, p));
            !canceller.microphone(block(n, c)).is_empty()
        });
        assert!(first.unwrap() < 4 * 50, "let go after {first:?} blocks of 20 ms");
    }

    #[test]
    fn a_headset_is_told_from_a_loudspeaker_and_from_a_microphone_that_is_muted() {
        let played = voice(4, 1, 0.7);
        let crew = voice(4, 77, 0.4);
        let echo: Vec<f32> = room(&played, 0.3).iter().zip(&crew).map(|(a, b)| a + b).collect();
        for (heard, apart) in [(crew, true), (echo, false), (vec![0.0; played.len()], false)] {
            let mut canceller = Canceller::default();
            for (n, (p, h)) in played.chunks(320).zip(heard.chunks(320)).enumerate() {
                let block =
                    |samples: &[f32]| Block { at_ms: 1_000 + 20 * n as u64, follows: n > 0, samples: samples.to_vec() };
                canceller.loudspeaker(&block(p));
                canceller.microphone(block(h));
            }
            assert_eq!(canceller.apart(), apart);
        }
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
