//! A stream of sound with its place in time, read between its samples too.

use std::collections::VecDeque;

use crate::shell::capture::{Block, RATE_HZ};

/// A stream's samples with their places on the common time line (samples since the machine started).
#[derive(Default)]
pub struct Line {
    samples: VecDeque<f32>,
    /// Place of the first one.
    first: u64,
}

impl Line {
    pub fn push(&mut self, block: &Block) {
        let place = block.at_ms * u64::from(RATE_HZ) / 1000;
        if !block.follows || self.samples.is_empty() {
            self.samples.clear();
            self.first = place;
        }
        self.samples.extend(&block.samples);
    }

    pub(super) fn is_empty(&self) -> bool {
        self.samples.is_empty()
    }

    pub(super) fn len(&self) -> usize {
        self.samples.len()
    }

    pub(super) fn into_samples(self) -> Vec<f32> {
        self.samples.into()
    }

    /// Place of the first sample.
    pub(super) fn first(&self) -> u64 {
        self.first
    }

    /// Place behind the last sample.
    pub(super) fn end(&self) -> u64 {
        self.first + self.samples.len() as u64
    }

    /// `len` samples from `place` on; silence where nothing is known.
    pub fn stretch(&self, place: u64, len: usize) -> Vec<f32> {
        (0..len as u64)
            .map(|i| {
                (place + i).checked_sub(self.first).and_then(|at| self.samples.get(at as usize)).copied().unwrap_or(0.0)
            })
            .collect()
    }

    /// The sound between two samples, by the cubic through the four around it (Catmull and Rom's).
    pub fn at(&self, place: f64) -> f32 {
        let (whole, part) = (place.floor(), place.fract() as f32);
        let sample = |i: i64| -> f32 {
            let at = whole as i64 + i - self.first as i64;
            usize::try_from(at).ok().and_then(|at| self.samples.get(at)).copied().unwrap_or(0.0)
        };
        let [a, b, c, d] = [sample(-1), sample(0), sample(1), sample(2)];
        b + 0.5 * part * (c - a + part * (2.0 * a - 5.0 * b + 4.0 * c - d + part * (3.0 * (b - c) + d - a)))
    }

    pub(super) fn put_back(&mut self, samples: &[f32]) {
        samples.iter().rev().for_each(|s| self.samples.push_front(*s));
        self.first -= samples.len() as u64;
    }

    pub(super) fn forget_before(&mut self, place: u64) {
        let gone = place.saturating_sub(self.first).min(self.samples.len() as u64);
        self.samples.drain(..gone as usize);
        self.first += gone;
    }
}
