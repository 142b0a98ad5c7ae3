//! Whether the ear still tells anything: it tells the level four times a second while sound comes.
//!
//! The microphone's watchdog sees no more than that sound comes in. What becomes of it is seen here: an ear that hangs is as
//! deaf as a microphone that is gone, and nobody would be told.

/// News of the ear is missed after so long, milliseconds: more than a busy machine takes, and than a microphone that starts.
const MISSED_MS: u64 = 4_000;
/// The loop that looks was itself held up, or the machine slept: what the ear told meanwhile is still to be taken.
const HELD_UP_MS: u64 = 1_500;
/// After so long the service manager is told no more that the program is alive, and starts it anew.
const GIVEN_UP_MS: u64 = 10_000;

pub struct Attention {
    /// When the ear last told anything, or could not have.
    last_ms: u64,
    looked_ms: u64,
    missing: bool,
}

impl Attention {
    pub fn new(now_ms: u64) -> Attention {
        Attention { last_ms: now_ms, looked_ms: now_ms, missing: false }
    }

    /// The ear has told something; true when it had been missed.
    pub fn came(&mut self, now_ms: u64) -> bool {
        self.last_ms = now_ms;
        std::mem::take(&mut self.missing)
    }

    /// True once, when news of it is missed. `excused`: it is known why none come.
    pub fn missed(&mut self, now_ms: u64, excused: bool) -> bool {
        let held_up = now_ms.saturating_sub(std::mem::replace(&mut self.looked_ms, now_ms)) >= HELD_UP_MS;
        if held_up || excused {
            self.last_ms = now_ms;
        }
        let missed = now_ms.saturating_sub(self.last_ms) >= MISSED_MS;
        missed && !std::mem::replace(&mut self.missing, true)
    }

    pub fn is_paid(&self, now_ms: u64) -> bool {
        now_ms.saturating_sub(self.last_ms) < GIVEN_UP_MS
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Looks every half a second, as the loop does, and where it was missed.
    fn missed(attention: &mut Attention, from_ms: u64, to_ms: u64, excused: bool) -> Vec<u64> {
        (from_ms..=to_ms).step_by(500).filter(|now| attention.missed(*now, excused)).collect()
    }

    #[test]
    fn an_ear_that_hangs_is_missed_once_and_its_return_is_noticed() {
        let mut attention = Attention::new(0);
        assert_eq!(missed(&mut attention, 500, 30_000, false), [MISSED_MS]);
        assert!(!attention.is_paid(30_000));
        assert!(attention.came(30_100) && !attention.came(30_200) && attention.is_paid(30_200));
        assert_eq!(missed(&mut attention, 30_500, 40_000, false), [34_500]);
    }

    #[test]
    fn while_no_sound_can_come_nothing_is_missed_and_after_sleep_the_ear_has_its_time() {
        let mut attention = Attention::new(0);
        assert_eq!(missed(&mut attention, 500, 60_000, true), [0; 0]);
        assert!(!attention.missed(3_600_000, false), "the machine slept");
        assert_eq!(missed(&mut attention, 3_600_500, 3_603_500, false), [0; 0]);
    }
}
