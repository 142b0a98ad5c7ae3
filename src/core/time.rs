//! Moments as values. Nothing here can read a clock: `shell::clock` hands moments in.

use chrono::{DateTime, FixedOffset, TimeDelta};
use serde::{Deserialize, Serialize};

/// One moment on both clocks: the stopwatch that counts suspend, and the wall clock with its offset.
///
/// Timers and ages use `mono_ms`; the wall clock is for people and may step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment {
    /// Milliseconds since the record was opened; never goes back within one record.
    pub mono_ms: u64,
    /// Wall clock with its offset from UTC.
    pub at: DateTime<FixedOffset>,
}

impl Moment {
    pub fn new(mono_ms: u64, at: DateTime<FixedOffset>) -> Moment {
        Moment { mono_ms, at }
    }

    /// The moment `ms` milliseconds later on both clocks.
    pub fn plus_ms(self, ms: u64) -> Moment {
        Moment {
            mono_ms: self.mono_ms.saturating_add(ms),
            at: self.at + TimeDelta::milliseconds(ms.min(i64::MAX as u64) as i64),
        }
    }

    /// The moment `ms` milliseconds earlier on both clocks (the stopwatch stops at zero).
    pub fn minus_ms(self, ms: u64) -> Moment {
        Moment {
            mono_ms: self.mono_ms.saturating_sub(ms),
            at: self.at - TimeDelta::milliseconds(ms.min(i64::MAX as u64) as i64),
        }
    }

    /// Milliseconds from `earlier` to this, zero if it is not earlier.
    pub fn since_ms(self, earlier: Moment) -> u64 {
        self.mono_ms.saturating_sub(earlier.mono_ms)
    }
}

/// RFC 3339 with milliseconds and numeric offset, as every event carries it.
pub fn rfc3339(at: &DateTime<FixedOffset>) -> String {
    at.format("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string()
}

/// `serde(with = "core::time::wall")` for a wall-clock field.
pub mod wall {
    use super::*;
    use serde::{Deserializer, Serializer};

    pub fn serialize<S: Serializer>(at: &DateTime<FixedOffset>, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&rfc3339(at))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<DateTime<FixedOffset>, D::Error> {
        let text = String::deserialize(d)?;
        DateTime::parse_from_rfc3339(&text).map_err(serde::de::Error::custom)
    }
}
