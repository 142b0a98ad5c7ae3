//! The only reader of time. `SystemClock` asks the machine; `SimClock` is told, for `replay` and tests.

use std::sync::{Arc, Mutex};

use chrono::{DateTime, FixedOffset, Local, TimeDelta};
use rustix::time::{ClockId, clock_gettime};

use crate::core::time::Moment;

/// Tells the moment since a record was opened.
pub trait Clock: Send + Sync {
    /// The moment now: stopwatch since this clock was made, and the wall clock.
    fn now(&self) -> Moment;
}

/// The machine's clocks; the stopwatch is `CLOCK_BOOTTIME`, which counts suspend.
pub struct SystemClock {
    origin_ms: u64,
}

impl SystemClock {
    /// A stopwatch that starts now at zero.
    pub fn start() -> SystemClock {
        SystemClock { origin_ms: boot_ms() }
    }

    /// A stopwatch that already stands at `mono_ms` (a record that goes on after a restart).
    pub fn resume_at(mono_ms: u64) -> SystemClock {
        SystemClock { origin_ms: boot_ms().saturating_sub(mono_ms) }
    }
}

impl Clock for SystemClock {
    fn now(&self) -> Moment {
        Moment::new(boot_ms().saturating_sub(self.origin_ms), wall_now())
    }
}

/// Milliseconds on the machine's stopwatch that counts suspend.
pub fn boot_ms() -> u64 {
    let t = clock_gettime(ClockId::Boottime);
    u64::try_from(t.tv_sec).unwrap_or(0) * 1000 + u64::try_from(t.tv_nsec).unwrap_or(0) / 1_000_000
}

/// The wall clock with the local offset.
#[allow(clippy::disallowed_methods)] // this is the one room that may
pub fn wall_now() -> DateTime<FixedOffset> {
    Local::now().fixed_offset()
}

/// Whether a time server has set the wall clock, as far as that costs one look at a file (systemd-timesyncd).
pub fn verified_now() -> bool {
    std::path::Path::new("/run/systemd/timesync/synchronized").exists()
}

/// Whether a time server has set the wall clock, by whatever means; may run a program.
pub fn verified() -> bool {
    let ask =
        || std::process::Command::new("timedatectl").args(["show", "--property=NTPSynchronized", "--value"]).output();
    verified_now() || ask().is_ok_and(|output| output.stdout.trim_ascii() == b"yes")
}

/// For measuring durations (benchmarks, deadlines of other threads).
#[allow(clippy::disallowed_methods)] // this is the one room that may
pub fn instant() -> std::time::Instant {
    std::time::Instant::now()
}

/// A clock that is told what time it is.
#[derive(Clone)]
pub struct SimClock {
    start: DateTime<FixedOffset>,
    state: Arc<Mutex<SimState>>,
}

struct SimState {
    mono_ms: u64,
    step_ms: i64,
}

impl SimClock {
    pub fn starting(start: DateTime<FixedOffset>) -> SimClock {
        SimClock { start, state: Arc::new(Mutex::new(SimState { mono_ms: 0, step_ms: 0 })) }
    }

    /// Moves the stopwatch to `mono_ms`; it never goes back.
    pub fn set(&self, mono_ms: u64) {
        let mut state = self.state.lock().unwrap_or_else(|e| e.into_inner());
        state.mono_ms = state.mono_ms.max(mono_ms);
    }

    /// Steps the wall clock by `ms` without touching the stopwatch.
    pub fn step_wall(&self, ms: i64) {
        self.state.lock().unwrap_or_else(|e| e.into_inner()).step_ms += ms;
    }

    /// The moment that this clock shows at `mono_ms`.
    pub fn at(&self, mono_ms: u64) -> Moment {
        let step = self.state.lock().unwrap_or_else(|e| e.into_inner()).step_ms;
        let ms = i64::try_from(mono_ms).unwrap_or(i64::MAX).saturating_add(step);
        Moment::new(mono_ms, self.start + TimeDelta::milliseconds(ms))
    }
}

impl Clock for SimClock {
    fn now(&self) -> Moment {
        let mono_ms = self.state.lock().unwrap_or_else(|e| e.into_inner()).mono_ms;
        self.at(mono_ms)
    }
}
