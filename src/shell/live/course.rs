//! Where in the loudspeaker's sound the microphone's sound is: the delay, how it drifts, and where it jumps.
//!
//! Two devices' clocks drift apart (40 to 320 parts in a million with PulseAudio's loopback, measured), and a sound server
//! drops a few milliseconds of one of them or puts some in (jumps of 18 to 480 samples, at times two in one second).

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use super::echo::line::Line;
use super::echo::spectrum::{power, spectrum};
use crate::shell::capture::RATE_HZ;

/// The delay is measured in pieces so long, one each so many samples.
const PIECE: usize = RATE_HZ as usize / 2;
const HOP: usize = PIECE / 2;
/// A peak of the correlation counts from so many times its spread on: noise alone reaches 4.5 among so many places. So
/// near to the delay of the piece before, samples, it counts from less on.
const STANDS_OUT: f32 = 7.0;
const NEAR: i64 = 80;
const STANDS_OUT_NEAR: f32 = 4.5;
/// A greater drift is an error, samples a sample; a greater difference of one piece and the next is a jump, samples.
const DRIFT_MAX: f64 = 0.001;
const JUMP: f64 = DRIFT_MAX * HOP as f64 + 1.0;
/// Where it jumps is told to so many samples.
const GRAIN: usize = 64;
/// The microphone hears the loudspeaker so early or late at most, against their stamps, samples: stamps may be off by
/// what the machine was late when a stream began.
const EARLIEST: i64 = -(RATE_HZ as i64) * 2 / 5;
const LATEST: i64 = RATE_HZ as i64 * 4 / 5;
/// Once known, the way's delay is made this short, samples: room for what correlates before its peak.
const MARGIN: f64 = 160.0;

/// From a place on, the place in the loudspeaker's sound is so much later, and so much more for each sample after `at`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Alignment {
    shift: f64,
    at: u64,
    drift: f64,
}

impl Alignment {
    fn played_at(&self, place: u64) -> f64 {
        place as f64 + self.shift + self.drift * (place as f64 - self.at as f64)
    }
}

/// The alignments of a stretch, each with the place that it holds from.
#[derive(Clone, Debug, PartialEq)]
pub struct Course(Vec<(u64, Alignment)>);

impl Default for Course {
    fn default() -> Course {
        Course(vec![(0, Alignment::default())])
    }
}

/// Pieces in a row whose delays differ by no more than a drift: (middle, delay) of each.
type Run = Vec<(f64, f64)>;

impl Course {
    /// Of what the microphone `heard` from the place `from` on. `None`: it does not hear the loudspeaker, or nobody knows it.
    pub fn of(loudspeaker: &Line, from: u64, heard: &[f32], before: Option<&Course>) -> Option<Course> {
        let whole = delay(loudspeaker, from, heard, None);
        // The crew may be far louder: it is where it was.
        let expected = whole.or_else(|| before.map(|course| MARGIN - (course.played_at(from) - from as f64)))?;
        let mut last = expected;
        let mut delays = Vec::new();
        for at in (0..(heard.len() + 1).saturating_sub(PIECE)).step_by(HOP) {
            if let Some(delay) = delay(loudspeaker, from + at as u64, &heard[at..at + PIECE], Some(last)) {
                delays.push(((at + PIECE / 2) as f64, delay));
                last = delay;
            }
        }
        let runs = runs(&delays);
        let drift = drift(&runs).or_else(|| before.map(|course| -course.last().drift)).unwrap_or(0.0);
        let of_run = |run: &Run| {
            let mean = run.iter().map(|(x, y)| y - drift * x).sum::<f64>() / run.len() as f64;
            Alignment { shift: MARGIN - mean, at: from, drift: -drift }
        };
        let alignments: Vec<Alignment> = runs.iter().map(of_run).collect();
        Some(match alignments.as_slice() {
            [] => Course(vec![(from, Alignment { shift: MARGIN - expected, at: from, drift: 0.0 })]),
            [one] => Course(vec![(from, *one)]),
            several => Course(switched(loudspeaker, from, heard, several)),
        })
    }

    pub fn played_at(&self, place: u64) -> f64 {
        let at = self.0.partition_point(|(from, _)| *from <= place).saturating_sub(1);
        self.0.get(at).map_or(place as f64, |(_, alignment)| alignment.played_at(place))
    }

    /// How much later than the microphone's the loudspeaker's sound is wanted, samples.
    pub fn ahead(&self) -> usize {
        self.last().shift.max(0.0) as usize
    }

    fn last(&self) -> Alignment {
        self.0.last().map(|(_, last)| *last).unwrap_or_default()
    }
}

fn runs(delays: &[(f64, f64)]) -> Vec<Run> {
    delays.chunk_by(|a, b| (a.1 - b.1).abs() <= JUMP * (b.0 - a.0) / HOP as f64).map(<[_]>::to_vec).collect()
}

/// The slope that all runs have, by least squares.
fn drift(runs: &[Run]) -> Option<f64> {
    let (mut both, mut spread) = (0.0, 0.0);
    for run in runs {
        let mean = |of: &dyn Fn(&(f64, f64)) -> f64| run.iter().map(of).sum::<f64>() / run.len() as f64;
        let (x, y) = (mean(&|p| p.0), mean(&|p| p.1));
        both += run.iter().map(|p| (p.0 - x) * (p.1 - y)).sum::<f64>();
        spread += run.iter().map(|p| (p.0 - x).powi(2)).sum::<f64>();
    }
    (spread > 0.0).then_some(both / spread).filter(|drift| drift.abs() <= DRIFT_MAX)
}

/// Where one alignment passes into the next: so that the loudspeaker's sound, made louder or quieter as a whole, differs least
/// from what was heard. One of them may hold nowhere.
fn switched(loudspeaker: &Line, from: u64, heard: &[f32], alignments: &[Alignment]) -> Vec<(u64, Alignment)> {
    let costs: Vec<Vec<f64>> = alignments.iter().map(|a| differences(loudspeaker, from, heard, a)).collect();
    let grains = costs.iter().map(Vec::len).min().unwrap_or(0);
    // The least sum up to each grain that ends with an alignment, and with which the grain before was.
    let mut sums = vec![0.0; alignments.len()];
    let mut came: Vec<Vec<usize>> = Vec::with_capacity(grains);
    for grain in 0..grains {
        let mut best = 0;
        let mut row = Vec::with_capacity(alignments.len());
        let before = sums.clone();
        for (n, cost) in costs.iter().enumerate() {
            if before[n] < before[best] {
                best = n;
            }
            sums[n] = before[best] + cost[grain];
            row.push(best);
        }
        came.push(row);
    }
    let mut now = (0..alignments.len()).min_by(|a, b| sums[*a].total_cmp(&sums[*b])).unwrap_or(0);
    let mut course = Vec::new();
    for (grain, row) in came.iter().enumerate().rev() {
        if row[now] != now {
            course.push((from + (grain * GRAIN) as u64, alignments[now]));
            now = row[now];
        }
    }
    course.push((from, alignments[now]));
    course.reverse();
    course
}

/// How much the sound as played, by an alignment and at the loudness that fits best, differs from what was heard in each
/// grain.
fn differences(loudspeaker: &Line, from: u64, heard: &[f32], alignment: &Alignment) -> Vec<f64> {
    let played: Vec<f32> =
        (0..heard.len() as u64).map(|i| loudspeaker.at(alignment.played_at(from + i) - MARGIN)).collect();
    let grains = heard.chunks(GRAIN).zip(played.chunks(GRAIN));
    let product = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(a, b)| f64::from(a * b)).sum::<f64>();
    // Where it holds the two are alike; elsewhere they tell nothing of the loudness.
    let alike = |(h, p): &(&[f32], &[f32])| product(h, p).abs() > 0.5 * (product(h, h) * product(p, p)).sqrt();
    let (both, power) =
        grains.clone().filter(alike).fold((0.0, 1e-12), |sum, (h, p)| (sum.0 + product(h, p), sum.1 + product(p, p)));
    let gain = both / power;
    grains.map(|(h, p)| product(h, h) - 2.0 * gain * product(h, p) + gain * gain * product(p, p)).collect()
}

/// By how many samples `heard`, which begins at the place `from`, is later than it is in the loudspeaker's sound: the place
/// where they correlate, each frequency counting the same, so that a voice's own repetition is not taken for it. `None`
/// where no place stands out, not even near to the one `expected`.
fn delay(loudspeaker: &Line, from: u64, heard: &[f32], expected: Option<f64>) -> Option<f64> {
    let played = loudspeaker.stretch(from.saturating_add_signed(-LATEST), heard.len() + (LATEST - EARLIEST) as usize);
    let places = correlated(played, heard.to_vec());
    // `heard` lies in `played` at `LATEST` less the delay.
    let candidates = &places[..(LATEST - EARLIEST) as usize];
    let spread = power(candidates).sqrt();
    let peak = |from: usize, to: usize, stands_out: f32| {
        let searched = candidates[from..to].iter().map(|c| c.abs()).enumerate();
        let (at, peak) = searched.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(at, peak)| (from + at, peak))?;
        let around = |i: usize| candidates.get(i).map_or(0.0, |c| c.abs());
        (spread > 0.0 && peak > stands_out * spread)
            .then(|| LATEST as f64 - at as f64 - top_of(around(at.wrapping_sub(1)), peak, around(at + 1)))
    };
    peak(0, candidates.len(), STANDS_OUT).or_else(|| {
        let at = LATEST - expected?.round() as i64;
        let within = |at: i64| at.clamp(0, candidates.len() as i64) as usize;
        peak(within(at - NEAR), within(at + NEAR), STANDS_OUT_NEAR)
    })
}

/// How well `heard` fits each place of `played`.
fn correlated(played: Vec<f32>, heard: Vec<f32>) -> Vec<f32> {
    let size = (played.len() + heard.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
    let (played, heard) = (spectrum(&*forward, played), spectrum(&*forward, heard));
    let mut both: Vec<Complex<f32>> = played.iter().zip(&heard).map(|(p, h)| p * h.conj()).collect();
    let floor = both.iter().map(|b| b.norm()).sum::<f32>() / both.len() as f32 * 1e-3 + 1e-12;
    both.iter_mut().for_each(|b| *b /= b.norm() + floor);
    both[0] = Complex::default();
    if let Some(last) = both.last_mut() {
        *last = Complex::default();
    }
    let mut places = inverse.make_output_vec();
    let _ = inverse.process(&mut both, &mut places);
    places
}

/// Where the top of the parabola through three neighbours is, from the middle one, which is the highest.
fn top_of(before: f32, peak: f32, after: f32) -> f64 {
    let bend = before - 2.0 * peak + after;
    if bend < 0.0 { f64::from(0.5 * (before - after) / bend) } else { 0.0 }
}
