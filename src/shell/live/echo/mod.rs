//! Takes the loudspeaker's sound out of the microphone's, given both: so that the crew is heard while the program speaks.
//!
//! While the loudspeaker sounds, the microphone's sound is held back, a second and a half at a time; the way from one to
//! the other is learnt from the stretch itself: the delay by correlation, the rest by least squares, which the crew's words
//! hardly disturb; and the stretch is let go without it. So nobody waits until something was learnt. Two devices' clocks
//! drift apart, and their sound jumps (`course`): that is taken out first. An adaptive filter, which this was before, fell
//! behind by the drift, to a gain of 1 dB where this has 20. Where the microphone does not hear the loudspeaker its sound passes unchanged
//! and at once.

mod filter;
pub mod line;
pub mod spectrum;
mod way;

use std::collections::VecDeque;

use filter::Filter;
use line::Line;
use spectrum::power;
use way::Equations;

use super::course::Course;
use crate::core::utterance::Whose;
use crate::shell::capture::{Block, RATE_HZ};

/// Samples handled at a time: 32 ms.
const CHUNK: usize = 512;
/// The loudspeaker is silent below this mean power (-80 dBFS).
const SILENT: f32 = 1e-8;
/// The microphone waits no longer than this for the loudspeaker's sound to arrive, samples.
const PATIENCE: usize = 1_600;
/// Sound of the loudspeaker that is kept, samples.
const KEPT: usize = 12 * RATE_HZ as usize;
/// What is held back is looked at each time that so much more of it has come, samples.
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
/// Samples of the loudspeaker's sound before a stretch that still count in it.
const LEAD: usize = TAPS;
/// And behind it, for what is between two samples.
const REACH: u64 = 2;

/// A room is silent so long after the loudspeaker, samples: 100 ms is more than taps know of.
const FADES: usize = RATE_HZ as usize / 10;
/// What became of the sound is remembered for so long, chunks: longer than any utterance lasts.
const REMEMBERED: usize = 30 * RATE_HZ as usize / CHUNK;
/// Sound of which no more than this share is left was ours, of which more than that is left was somebody else's: ours alone
/// leaves 0.01 to 0.1, the crew as loud as we are half.
const OURS_LEAVES: f32 = 0.2;
const THEIRS_LEAVES: f32 = 0.35;

/// Somebody is heard above this mean power (-50 dBFS), and says nothing in fewer chunks (128 ms).
const AUDIBLE: f32 = 1e-5;
const SYLLABLE: usize = 4;

/// What is left where only we spoke is silenced, or it would be taken for speech and run together with the crew's words: a
/// chunk of which, with those so near to it, no more is left than so many times what is left at least (the fifth part of
/// the stretch that was taken out best), and no more than this share.
const AROUND_CHUNK: usize = 3;
const TIMES_THE_LEAST: f32 = 4.0;
const SILENCED_BELOW: f32 = 0.12;

/// The microphone's sound that is held back since the loudspeaker sounds.
#[derive(Default)]
struct Held {
    samples: Vec<f32>,
    /// Place of the first one.
    from: u64,
    /// Samples of the loudspeaker's sound so far, and of its pause since.
    sounding: usize,
    pause: usize,
    /// Samples held when the way was last looked for.
    looked: usize,
}

/// A chunk that was let go.
struct Past {
    place: u64,
    heard: f32,
    /// What is left of it; `None` where the loudspeaker's sound may be in it, and nobody knew how to take it out.
    left: Option<f32>,
    /// The loudspeaker sounded.
    sounds: bool,
}

#[derive(Default)]
pub struct Canceller {
    microphone: Line,
    loudspeaker: Line,
    /// The block that the next output continues.
    follows: bool,
    filter: Filter,
    held: Option<Held>,
    course: Course,
    /// The microphone hears the loudspeaker, by `course`.
    found: bool,
    /// The way as it was last learnt.
    taps: Option<Vec<f32>>,
    /// It was looked for, in sound enough, and the microphone does not hear it: a headset.
    apart: bool,
    past: VecDeque<Past>,
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

impl Canceller {
    /// What the loudspeaker plays; comes back: what the microphone heard and was waiting for it.
    pub fn loudspeaker(&mut self, block: &Block) -> Vec<Block> {
        let mut out = Vec::new();
        if !block.follows && !self.loudspeaker.is_empty() {
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
        self.loudspeaker = Line::default();
        out.extend(self.ready());
        out
    }

    /// True when nothing of the loudspeaker reaches the microphone.
    pub fn apart(&self) -> bool {
        !self.loudspeaker.is_empty() && self.apart
    }

    /// Who spoke from `from_ms` to `to_ms`, as far as what is left of the sound tells.
    pub fn whose(&self, from_ms: u64, to_ms: u64) -> Whose {
        if self.apart() {
            return Whose::Theirs;
        }
        let place = |ms: u64| ms * u64::from(RATE_HZ) / 1000;
        let within = |past: &&Past| past.place + CHUNK as u64 > place(from_ms) && past.place < place(to_ms);
        let (mut heard, mut left) = (0.0, 0.0);
        for past in self.past.iter().filter(within) {
            let Some(of_it) = past.left else { return Whose::Unknown };
            heard += past.heard;
            left += of_it;
        }
        match left / heard {
            share if share <= OURS_LEAVES => Whose::Ours,
            share if share > THEIRS_LEAVES => Whose::Theirs,
            _ => Whose::Unknown,
        }
    }

    /// True when somebody else than we spoke for a syllable or more from `from_ms` to `to_ms`, or may have.
    pub fn may_be_somebody(&self, from_ms: u64, to_ms: u64) -> bool {
        self.heard_beside_us(from_ms, to_ms, true)
    }

    /// True when the sound tells that somebody else than we spoke.
    pub fn somebody(&self, from_ms: u64, to_ms: u64) -> bool {
        self.heard_beside_us(from_ms, to_ms, false)
    }

    /// `unknown` is the answer where nobody knew how to take our words out.
    fn heard_beside_us(&self, from_ms: u64, to_ms: u64, unknown: bool) -> bool {
        let place = |ms: u64| ms * u64::from(RATE_HZ) / 1000;
        let within = |past: &&Past| past.place >= place(from_ms) && past.place < place(to_ms);
        let theirs =
            |past: &&Past| past.left.map_or(unknown, |left| left > AUDIBLE && left > THEIRS_LEAVES * past.heard);
        self.past.iter().filter(within).filter(theirs).count() >= SYLLABLE
    }

    /// True when nothing of the loudspeaker can be in what was heard from `from_ms` to `to_ms`: the way to the microphone is
    /// known, and it was silent for a while before and all along.
    pub fn silent(&self, from_ms: u64, to_ms: u64) -> bool {
        let place = |ms: u64| ms * u64::from(RATE_HZ) / 1000;
        let (from, to) = (place(from_ms).saturating_sub(FADES as u64), place(to_ms));
        let within = |past: &&Past| past.place + CHUNK as u64 > from && past.place < to;
        let known = self.past.front().is_some_and(|first| first.place <= from);
        self.found && known && self.past.iter().filter(within).all(|past| !past.sounds)
    }

    fn remember(&mut self, past: Past) {
        self.past.push_back(past);
        if self.past.len() > REMEMBERED {
            self.past.pop_front();
        }
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
        let held = self.let_go(Release::AsHeard);
        self.filter = Filter::default();
        self.taps = None;
        self.course = Course::default();
        (self.found, self.apart) = (false, false);
        held
    }

    fn ready(&mut self) -> Vec<Block> {
        let mut out = Vec::new();
        while self.microphone.len() >= CHUNK {
            if !self.is_told(self.microphone.first()) && self.microphone.len() < self.patience() {
                break;
            }
            out.extend(self.chunk());
        }
        out
    }

    /// Whether all that was played to the chunk at this place of the microphone's is known, or nobody will tell.
    fn is_told(&self, place: u64) -> bool {
        let end = self.loudspeaker.end();
        self.loudspeaker.is_empty() || end > self.played_at(place + CHUNK as u64) + REACH
    }

    fn patience(&self) -> usize {
        PATIENCE + self.course.ahead()
    }

    /// Where in the loudspeaker's sound the microphone's place is.
    fn played_at(&self, place: u64) -> u64 {
        self.course.played_at(place).max(0.0) as u64
    }

    fn chunk(&mut self) -> Vec<Block> {
        let place = self.microphone.first();
        let heard = self.microphone.stretch(place, CHUNK);
        let sounds = power(&self.loudspeaker.stretch(self.played_at(place), CHUNK)) >= SILENT;
        let told = self.is_told(place);
        self.microphone.forget_before(place + CHUNK as u64);
        // What is held back and not told is put back to wait; what has waited long enough must not be held again.
        if self.held.is_none() && sounds && told && !self.apart {
            self.held = Some(Held { from: place, ..Held::default() });
        }
        match &mut self.held {
            Some(held) => {
                held.take(heard, sounds);
                self.look_at_held()
            }
            None => {
                let heard_power = power(&heard);
                let left = (self.found && told).then_some(heard_power);
                self.remember(Past { place, heard: heard_power, left, sounds });
                vec![self.block(place, heard)]
            }
        }
    }

    fn look_at_held(&mut self) -> Vec<Block> {
        let Some(held) = &mut self.held else { return Vec::new() };
        let over = held.pause >= HELD_PAUSE || held.samples.len() >= HELD_MAX;
        if over && held.sounding < TEACHES {
            return self.let_go(if self.found { Release::Cleaned } else { Release::AsHeard });
        }
        if !over && held.samples.len() < held.looked + LOOK_EVERY {
            return Vec::new();
        }
        held.looked = held.samples.len();
        let long = held.looked >= 2 * LOOK_EVERY;
        let enough = held.sounding >= SURE && power(&held.samples) >= SILENT;
        if self.look() {
            self.found = true;
            return self.let_go(Release::Relearnt);
        }
        if !over && !long {
            return Vec::new();
        }
        self.apart = enough;
        self.let_go(Release::AsHeard)
    }

    /// Looks for the delay in what is held, how it drifts and jumps. False: the microphone does not hear the loudspeaker.
    fn look(&mut self) -> bool {
        let Some(held) = &self.held else { return false };
        let before = self.found.then_some(&self.course);
        let Some(course) = Course::of(&self.loudspeaker, held.from, &held.samples, before) else { return false };
        self.course = course;
        true
    }

    /// The way as it was around the second that begins at `at` in what is held: as it was before, unless it has changed.
    /// `played` begins `LEAD` samples before what is held.
    fn learn_around(&mut self, held: &Held, played: &[f32], at: usize) {
        let (from, to) = (at.saturating_sub(AROUND), (at + WINDOW + AROUND).min(held.samples.len()));
        let equations = Equations::of(&played[LEAD + from + 1 - TAPS..LEAD + to], &held.samples[from..to]);
        let fresh = equations.solved();
        let changed = self.taps.as_ref().is_none_or(|taps| equations.tell_apart(taps, &fresh));
        if changed {
            self.filter.set(&fresh);
            self.taps = Some(fresh);
        }
    }

    /// What was played to a stretch of the microphone's sound and `LEAD` samples before it, without the drift.
    fn aligned(&self, from: u64, len: usize) -> Vec<f32> {
        let begin = from.saturating_sub(LEAD as u64);
        (0..(len + LEAD) as u64).map(|i| self.loudspeaker.at(self.course.played_at(begin + i))).collect()
    }

    /// Lets go of what is held back.
    fn let_go(&mut self, how: Release) -> Vec<Block> {
        let Some(held) = self.held.take() else { return Vec::new() };
        let played = self.aligned(held.from, held.samples.len());
        played[..LEAD].chunks(CHUNK).for_each(|chunk| self.filter.take(chunk));
        let mut cleaned = Vec::new();
        for (n, heard) in held.samples.chunks(CHUNK).enumerate() {
            let at = n * CHUNK;
            let place = held.from + at as u64;
            if !self.is_told(place) {
                // What was played then is still to be told: it waits as all that is heard does.
                self.microphone.put_back(&held.samples[at..]);
                break;
            }
            if how == Release::Relearnt && at % WINDOW < CHUNK {
                self.learn_around(&held, &played, at);
            }
            let played = &played[LEAD + at..LEAD + at + CHUNK];
            let left = (how != Release::AsHeard).then(|| self.filter.clean(played, heard));
            let sounds = power(played) >= SILENT;
            self.remember(Past { place, heard: power(heard), left: left.as_deref().map(power), sounds });
            cleaned.push((place, power(heard), left.unwrap_or_else(|| heard.to_vec())));
        }
        silence_ours(&mut cleaned);
        cleaned.into_iter().map(|(place, _, samples)| self.block(place, samples)).collect()
    }

    /// What is left of a stream that was cut.
    fn rest(&mut self) -> Option<Block> {
        let place = self.microphone.first();
        let samples = std::mem::take(&mut self.microphone).into_samples();
        (!samples.is_empty()).then(|| self.block(place, samples))
    }

    fn block(&mut self, place: u64, samples: Vec<f32>) -> Block {
        let follows = std::mem::replace(&mut self.follows, true);
        Block { at_ms: place * 1000 / u64::from(RATE_HZ), follows, samples }
    }
}

impl Held {
    fn take(&mut self, heard: Vec<f32>, sounds: bool) {
        self.samples.extend(heard);
        (self.sounding, self.pause) =
            if sounds { (self.sounding + CHUNK, 0) } else { (self.sounding, self.pause + CHUNK) };
    }
}

/// Silences the chunks (place, power as heard, what is left) in which nobody but us spoke.
fn silence_ours(cleaned: &mut [(u64, f32, Vec<f32>)]) {
    let powers: Vec<(f32, f32)> = cleaned.iter().map(|(_, heard, left)| (*heard, power(left))).collect();
    let shares: Vec<f32> = (0..powers.len())
        .map(|n| {
            let near = &powers[n.saturating_sub(AROUND_CHUNK)..(n + AROUND_CHUNK + 1).min(powers.len())];
            let (heard, left) = near.iter().fold((0.0, 0.0), |sum, of| (sum.0 + of.0, sum.1 + of.1));
            left / heard
        })
        .collect();
    let mut sorted = shares.clone();
    sorted.sort_by(f32::total_cmp);
    let Some(least) = sorted.get(sorted.len() / 5) else { return };
    let limit = (TIMES_THE_LEAST * least).min(SILENCED_BELOW);
    for ((_, _, samples), _) in cleaned.iter_mut().zip(&shares).filter(|(_, share)| **share <= limit) {
        samples.iter_mut().for_each(|sample| *sample *= 0.01);
    }
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
        feed(&mut Canceller::default(), played, heard)
    }

    /// Both streams, 20 ms at a time, from 1,000 ms on; what comes back of the microphone's.
    fn feed(canceller: &mut Canceller, played: &[f32], heard: &[f32]) -> Vec<f32> {
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

    /// Loudspeaker and microphone on clocks of their own: 40 and 320 parts in a million apart, as PulseAudio's loopback is.
    #[test]
    fn the_crews_words_over_ours_are_cleared_when_the_clocks_drift_apart() {
        [40e-6, -320e-6].into_iter().for_each(cleared_at_a_drift);
    }

    fn cleared_at_a_drift(drift: f64) {
        let seconds = 16;
        let played = voice(seconds, 1, 0.7);
        let steady = room(&played, 0.5);
        let drifted = |i: usize| {
            let place = (i as f64 * (1.0 - drift)).min((steady.len() - 1) as f64);
            let (before, part) = (place as usize, place.fract() as f32);
            steady[before] * (1.0 - part) + steady.get(before + 1).copied().unwrap_or(0.0) * part
        };
        cleared(&played, (0..steady.len()).map(drifted).collect(), &format!("a drift of {drift}"));
    }

    /// A sound server drops some of what it hands on, or puts some in; what is left after is not all of our words.
    #[test]
    fn the_crews_words_over_ours_are_cleared_when_the_sound_jumps() {
        let played = voice(16, 1, 0.7);
        let mut echo = room(&played, 0.5);
        let second = RATE_HZ as usize;
        for at in [13 * second + 4_000, 14 * second + 9_000] {
            echo.drain(at..at + 60);
        }
        let more: Vec<f32> = echo[12 * second - 300..12 * second].to_vec();
        echo.splice(12 * second..12 * second, more);
        echo.resize(played.len(), 0.0);
        cleared(&played, echo, "jumps");
    }

    /// In the last four seconds the crew talks over us.
    fn cleared(played: &[f32], echo: Vec<f32>, what: &str) {
        let mut crew: Vec<f32> = voice(played.len() / RATE_HZ as usize, 77, 0.4).iter().map(|s| s * 0.5).collect();
        let from = played.len() - 4 * RATE_HZ as usize;
        crew[..from].fill(0.0);
        let heard: Vec<f32> = echo.iter().zip(&crew).map(|(a, b)| a + b).collect();
        let left = through(played, &heard);
        let error: Vec<f32> = left[from..].iter().zip(&crew[from..]).map(|(a, b)| a - b).collect();
        let before = db(power(&crew[from..]), power(&echo[from..]));
        let after = db(power(&crew[from..left.len()]), power(&error));
        assert!(after > before + 8.0, "{what}: the crew stands out by {after:.1} dB instead of {before:.1}");
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

    /// Words of the crew's in the midst of ours stand alone: what is left of ours before and behind them is no sound at all.
    #[test]
    fn what_is_left_of_ours_beside_the_crews_words_is_silent() {
        let second = RATE_HZ as usize;
        let played = voice(12, 1, 0.7);
        // 9 dB quieter than we are.
        let mut crew: Vec<f32> = voice(12, 77, 0.7).iter().map(|s| s * 0.18).collect();
        crew[..9 * second].fill(0.0);
        crew[10 * second..].fill(0.0);
        let heard: Vec<f32> = room(&played, 0.5).iter().zip(&crew).map(|(a, b)| a + b).collect();
        let left = through(&played, &heard);
        let level = |from: usize, to: usize| db(power(&left[from * second / 10..to * second / 10]), power(&heard));
        assert!(level(75, 85) < -40.0, "before: {:.1} dB", level(75, 85));
        assert!(level(90, 100) > -14.0, "the words: {:.1} dB", level(90, 100));
        let error: Vec<f32> = (9 * second..10 * second).map(|i| left[i] - crew[i]).collect();
        let stands_out = db(power(&crew[9 * second..10 * second]), power(&error));
        assert!(stands_out > 6.0, "the crew stands out by {stands_out:.1} dB");
    }

    #[test]
    fn what_is_left_of_the_sound_tells_who_spoke() {
        let second = RATE_HZ as usize;
        let mut played = voice(12, 1, 0.7);
        played[9 * second..].fill(0.0);
        let mut crew: Vec<f32> = voice(12, 77, 0.4).iter().map(|s| s * 0.5).collect();
        crew[..4 * second].fill(0.0);
        crew[7 * second..10 * second].fill(0.0);
        let whose = |heard: &[f32], ranges: &[(u64, u64)]| -> Vec<Whose> {
            let mut canceller = Canceller::default();
            feed(&mut canceller, &played, heard);
            ranges.iter().map(|(from, to)| canceller.whose(1_000 + from, 1_000 + to)).collect()
        };
        let ranges = [(1_800, 3_800), (4_200, 6_800), (10_200, 11_800), (60_000, 61_000)];
        let mixed: Vec<f32> = room(&played, 0.5).iter().zip(&crew).map(|(a, b)| a + b).collect();
        assert_eq!(whose(&mixed, &ranges), [Whose::Ours, Whose::Theirs, Whose::Theirs, Whose::Unknown]);
        let mut canceller = Canceller::default();
        assert!(!canceller.may_be_somebody(1_800, 3_800), "nothing was heard");
        feed(&mut canceller, &played, &mixed);
        let somebody = ranges.map(|(from, to)| canceller.somebody(1_000 + from, 1_000 + to));
        assert_eq!(somebody, [false, true, true, false]);
        assert_eq!(whose(&crew, &ranges[1..2]), [Whose::Theirs], "a headset");
        assert_eq!(
            whose(&vec![0.0; crew.len()], &ranges[..2]),
            [Whose::Unknown; 2],
            "a muted microphone tells nothing"
        );
    }

    /// Our words in the air are known to the hundredth of a second, which what a voice reports of its begin and end is not.
    #[test]
    fn where_the_loudspeaker_was_silent_is_known() {
        let second = RATE_HZ as usize;
        let mut played = voice(12, 1, 0.7);
        played[6 * second..9 * second].fill(0.0);
        let heard: Vec<f32> = room(&played, 0.5).iter().zip(&voice(12, 77, 0.4)).map(|(a, b)| a + 0.3 * b).collect();
        let mut canceller = Canceller::default();
        let at = |from: u64, to: u64| (1_000 + from, 1_000 + to);
        let silent = |canceller: &Canceller, (from, to): (u64, u64)| canceller.silent(from, to);
        assert!(!silent(&canceller, at(6_500, 8_500)), "nothing is known yet");
        feed(&mut canceller, &played, &heard);
        assert!(silent(&canceller, at(6_250, 8_800)));
        for over in [at(5_800, 8_800), at(6_050, 8_800), at(6_500, 9_300), at(1_000, 2_000)] {
            assert!(!silent(&canceller, over), "{over:?}");
        }
        let mut apart = Canceller::default();
        feed(&mut apart, &played, &voice(12, 77, 0.4));
        assert!(!silent(&apart, at(6_500, 8_500)), "no way is known");
    }

    #[test]
    fn a_headset_is_told_from_a_loudspeaker_and_from_a_microphone_that_is_muted() {
        let played = voice(4, 1, 0.7);
        let crew = voice(4, 77, 0.4);
        let echo: Vec<f32> = room(&played, 0.3).iter().zip(&crew).map(|(a, b)| a + b).collect();
        for (heard, apart) in [(crew, true), (echo, false), (vec![0.0; played.len()], false)] {
            let mut canceller = Canceller::default();
            feed(&mut canceller, &played, &heard);
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

    /// The sound server hands nothing on of what the loudspeaker plays for two seconds, in the midst of our words: the crew is
    /// heard all the same. (The ear once turned over and over what it held back, for ever.)
    #[test]
    fn nobody_waits_for_a_loudspeaker_whose_sound_ceases_to_come() {
        let (done, all) = crossbeam_channel::bounded(1);
        std::thread::spawn(move || done.send([46, 49, 52].map(heard_though_nothing_comes_from)));
        let left = all.recv_timeout(std::time::Duration::from_secs(60)).expect("it comes to an end");
        assert!(left.iter().all(|waiting| *waiting <= PATIENCE), "{left:?} samples still wait");
    }

    /// Samples of the microphone's that did not come back, where nothing came of what was played from this block on.
    fn heard_though_nothing_comes_from(block_no: usize) -> usize {
        let played = voice(3, 1, 0.7);
        let heard = room(&played, 0.5);
        let mut canceller = Canceller::default();
        let mut out = Vec::new();
        for (n, (p, h)) in played.chunks(320).zip(heard.chunks(320)).enumerate().take(block_no + 90) {
            let block =
                |samples: &[f32]| Block { at_ms: 1_000 + 20 * n as u64, follows: n > 0, samples: samples.to_vec() };
            if n < block_no {
                out.extend(canceller.loudspeaker(&block(p)));
            }
            out.extend(canceller.microphone(block(h)));
        }
        (block_no + 90) * 320 - out.iter().map(|b| b.samples.len()).sum::<usize>()
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
