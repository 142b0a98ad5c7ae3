//! What time it is for a live call: the machine's, or that of the samples when sound comes faster or slower than it
//! was recorded (a pipe).

use std::sync::atomic::{AtomicU64, Ordering};

use chrono::{DateTime, FixedOffset, TimeDelta};

use crate::shell::clock::{boot_ms, wall_now};

pub enum Time {
    Machine,
    Samples { start_ms: u64, start: DateTime<FixedOffset>, now_ms: AtomicU64 },
}

impl Time {
    pub fn of_samples() -> Time {
        let start_ms = boot_ms();
        Time::Samples { start_ms, start: wall_now(), now_ms: AtomicU64::new(start_ms) }
    }

    /// Milliseconds on the stopwatch that sound is stamped with.
    pub fn now_ms(&self) -> u64 {
        match self {
            Time::Machine => boot_ms(),
            Time::Samples { now_ms, .. } => now_ms.load(Ordering::Relaxed),
        }
    }

    /// The wall clock at `at_ms` on that stopwatch.
    pub fn wall(&self, at_ms: u64) -> DateTime<FixedOffset> {
        let signed = |ms: u64| i64::try_from(ms).unwrap_or(i64::MAX);
        match self {
            Time::Machine => wall_now() + TimeDelta::milliseconds(signed(at_ms) - signed(boot_ms())),
            Time::Samples { start_ms, start, .. } => {
                *start + TimeDelta::milliseconds(signed(at_ms) - signed(*start_ms))
            }
        }
    }

    /// Sound was heard up to `at_ms`: that is what time it is, where sound is the clock.
    pub fn heard_up_to(&self, at_ms: u64) {
        if let Time::Samples { now_ms, .. } = self {
            now_ms.fetch_max(at_ms, Ordering::Relaxed);
        }
    }

    pub fn is_machine(&self) -> bool {
        matches!(self, Time::Machine)
    }
}
