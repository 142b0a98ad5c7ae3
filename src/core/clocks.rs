//! Two clocks watched against each other: steps, drift, daylight saving, and the offset to the dispatch clock.
//!
//! Timers run on the stopwatch, so nothing here moves one. A step of the wall clock is told as an event, so that
//! whoever reads the times later knows which of them to believe.

use chrono::{DateTime, FixedOffset, NaiveTime, TimeDelta, Timelike};

use super::event::Trouble;
use super::time::{Moment, rfc3339};

/// The wall clock differing from the stopwatch by more than this since the last look is a step, milliseconds. (NTP
/// slews at most 500 ppm, 1.8 s an hour: adjtimex(2). Looks are seconds apart.)
const STEP_MS: i64 = 1500;

/// The wall clock having gone this far from the stopwatch since the last report is told as drift, milliseconds.
const DRIFT_MS: i64 = 5000;

/// Compares the clocks from one moment to the next.
#[derive(Clone, Debug)]
pub struct ClockWatch {
    last: Moment,
    /// Wall minus stopwatch at the last report.
    told: TimeDelta,
}

impl ClockWatch {
    /// Watching begins at `now`.
    pub fn from(now: Moment) -> ClockWatch {
        ClockWatch { last: now, told: lead(now) }
    }

    /// What the clocks did since the last look, if it should be recorded (`device`, `what` = `clock`).
    pub fn look(&mut self, now: Moment) -> Option<Trouble> {
        let (before, since_told) = (self.last, ms(lead(now) - self.told));
        let stepped = ms(lead(now) - lead(before));
        self.last = now;
        let trouble = |state: &str, detail: String| {
            Some(Trouble { what: "clock".into(), state: state.into(), detail: Some(detail) })
        };
        if stepped.abs() >= STEP_MS {
            self.told = lead(now);
            return trouble("stepped", format!("by {} s, to {}", seconds(stepped), rfc3339(&now.at)));
        }
        if since_told.abs() >= DRIFT_MS {
            self.told = lead(now);
            return trouble("drifted", format!("by {} s against the stopwatch", seconds(since_told)));
        }
        if before.at.offset() != now.at.offset() {
            return trouble("offset_changed", format!("from {} to {}", before.at.offset(), now.at.offset()));
        }
        None
    }
}

/// Wall clock minus stopwatch, as an instant: constant while both run alike.
fn lead(moment: Moment) -> TimeDelta {
    let wall = TimeDelta::milliseconds(moment.at.timestamp_millis());
    wall - TimeDelta::milliseconds(i64::try_from(moment.mono_ms).unwrap_or(i64::MAX / 2))
}

fn ms(delta: TimeDelta) -> i64 {
    delta.num_milliseconds()
}

fn seconds(ms: i64) -> String {
    format!("{:+}.{}", ms / 1000, (ms % 1000).abs() / 100)
}

/// A wall clock before the day this program was written has no battery, or was never set.
pub fn plausible(at: &DateTime<FixedOffset>) -> bool {
    // 2026-11-01T00:00:00Z (`date -u -d 2026-11-01 +%s`).
    at.timestamp() >= 1_793_491_200
}

/// The dispatch clock minus ours, seconds, when dispatch says `time` (`HH:MM` or `HH:MM:SS`) at `now`: the nearest such
/// time within twelve hours. With minutes only, it is known to half a minute.
pub fn dispatch_offset(now: &DateTime<FixedOffset>, time: &str) -> Option<i64> {
    let minutes_only = time.matches(':').count() == 1;
    let format = if minutes_only { "%H:%M" } else { "%H:%M:%S" };
    let said = NaiveTime::parse_from_str(time, format).ok()?;
    let ours = i64::from(now.time().num_seconds_from_midnight());
    let theirs = i64::from(said.num_seconds_from_midnight());
    let day = 86_400;
    let difference = (theirs - ours + day / 2).rem_euclid(day) - day / 2;
    // `14:02` lasts a minute: within it the clocks agree as far as anybody can tell.
    if minutes_only && (-59..=0).contains(&difference) { Some(0) } else { Some(difference) }
}

/// The event that puts a dispatch offset into the record: `device`, `clock`, `dispatch_offset`, detail in seconds.
pub fn dispatch_event(now: &DateTime<FixedOffset>, time: &str) -> Option<Trouble> {
    let offset = dispatch_offset(now, time)?;
    let detail = format!("{offset:+} s (dispatch said {time})");
    Some(Trouble { what: "clock".into(), state: "dispatch_offset".into(), detail: Some(detail) })
}

/// The dispatch clock minus ours, seconds, as such an event holds it.
pub fn offset_of(trouble: &Trouble) -> Option<i64> {
    if trouble.what != "clock" || trouble.state != "dispatch_offset" {
        return None;
    }
    trouble.detail.as_deref()?.split(' ').next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<FixedOffset> {
        DateTime::parse_from_rfc3339(text).unwrap()
    }

    fn states(steps: &[(u64, &str)]) -> Vec<String> {
        let mut moments = steps.iter().map(|(mono, wall)| Moment::new(*mono, at(wall)));
        let mut watch = ClockWatch::from(moments.next().unwrap());
        moments.filter_map(|now| watch.look(now)).map(|t| format!("{} {}", t.state, t.detail.unwrap())).collect()
    }

    #[test]
    fn clocks_that_agree_are_not_mentioned() {
        assert!(states(&[(0, "2027-03-01T14:00:00-05:00"), (60_000, "2027-03-01T14:01:00.400-05:00")]).is_empty());
    }

    #[test]
    fn a_step_is_told_once_and_names_both() {
        let told = states(&[
            (0, "2027-03-01T14:00:00-05:00"),
            (1_000, "2027-03-01T14:10:01-05:00"),
            (2_000, "2027-03-01T14:10:02-05:00"),
        ]);
        assert_eq!(told, ["stepped by +600.0 s, to 2027-03-01T14:10:01.000-05:00"]);
    }

    #[test]
    fn slow_drift_adds_up() {
        let told = states(&[
            (0, "2027-03-01T14:00:00-05:00"),
            (1_000_000, "2027-03-01T14:16:41.300-05:00"),
            (2_000_000, "2027-03-01T14:33:22.600-05:00"),
            (3_000_000, "2027-03-01T14:50:03.900-05:00"),
            (4_000_000, "2027-03-01T15:06:45.200-05:00"),
        ]);
        assert_eq!(told, ["drifted by +5.2 s against the stopwatch"]);
    }

    #[test]
    fn daylight_saving_is_no_step() {
        // 2027-03-14, 02:00 local in the United States: the offset goes from -05:00 to -04:00.
        let told = states(&[(0, "2027-03-14T01:59:59-05:00"), (1_000, "2027-03-14T03:00:00-04:00")]);
        assert_eq!(told, ["offset_changed from -05:00 to -04:00"]);
    }

    #[test]
    fn a_machine_that_slept_did_not_step() {
        // The stopwatch counts suspend.
        assert!(states(&[(0, "2027-03-01T14:00:00-05:00"), (3_600_000, "2027-03-01T15:00:00-05:00")]).is_empty());
    }

    #[test]
    fn the_dispatch_clock_is_the_nearest_such_time() {
        let now = at("2027-03-01T14:02:37-05:00");
        assert_eq!(dispatch_offset(&now, "14:02"), Some(0));
        assert_eq!(dispatch_offset(&now, "14:05"), Some(143));
        assert_eq!(dispatch_offset(&now, "14:02:30"), Some(-7));
        let midnight = at("2027-03-01T23:59:30-05:00");
        assert_eq!(dispatch_offset(&midnight, "00:01"), Some(90));
        assert_eq!(dispatch_offset(&now, "25:00"), None);
        assert_eq!(offset_of(&dispatch_event(&now, "14:05").unwrap()), Some(143));
    }

    #[test]
    fn a_dead_battery_shows() {
        assert!(!plausible(&at("1970-01-01T00:03:00+00:00")));
        assert!(plausible(&at("2027-03-01T14:00:00-05:00")));
    }
}
