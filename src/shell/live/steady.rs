//! What the state of the voice or the recogniser is once it has settled: a loss is told at once, a return only when it has
//! lasted.
//!
//! An engine that opens and cannot speak comes and goes every few seconds; each time it would be recorded and announced. A
//! recogniser that is behind would hear the announcement of it come back, and be behind again.

/// A return counts when it has lasted so long, milliseconds: longer than a sentence takes to fail (2 s). Our own choice.
const LASTS_MS: u64 = 5_000;

pub type State = &'static str;

pub struct Steady {
    /// As last told.
    told: State,
    /// A better state, its detail, and since when.
    better: Option<(State, String, u64)>,
}

impl Default for Steady {
    fn default() -> Steady {
        Steady { told: "back", better: None }
    }
}

impl Steady {
    /// The state has changed: what is to be told now.
    pub fn changed(&mut self, state: State, detail: &str, now_ms: u64) -> Option<(State, String)> {
        self.better = None;
        if rank(state) > rank(self.told) {
            self.better = Some((state, detail.to_string(), now_ms));
            return None;
        }
        let worse = rank(state) < rank(self.told);
        self.told = state;
        worse.then(|| (state, detail.to_string()))
    }

    /// What has lasted, and is to be told now.
    pub fn lasting(&mut self, now_ms: u64) -> Option<(State, String)> {
        let (state, detail, _) = self.better.take_if(|(.., since)| now_ms.saturating_sub(*since) >= LASTS_MS)?;
        self.told = state;
        Some((state, detail))
    }
}

/// How much there is: nothing, the spare one, the better one.
fn rank(state: State) -> u8 {
    match state {
        "lost" | "behind" => 0,
        "fallback" => 1,
        _ => 2,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_loss_is_told_at_once_and_a_return_when_it_has_lasted() {
        let mut voice = Steady::default();
        assert_eq!(voice.changed("lost", "killed", 1_000), Some(("lost", "killed".into())));
        assert_eq!(voice.changed("back", "it answers", 2_000), None);
        assert_eq!(voice.lasting(1_999 + LASTS_MS), None);
        assert_eq!(voice.lasting(2_000 + LASTS_MS), Some(("back", "it answers".into())));
        assert_eq!(voice.lasting(60_000), None, "once");
        assert_eq!(voice.changed("fallback", "hangs", 61_000), Some(("fallback", "hangs".into())));
    }

    #[test]
    fn a_voice_that_comes_and_goes_is_lost_once() {
        let mut voice = Steady::default();
        let mut told = 0;
        for n in 0..20 {
            let now_ms = n * 4_000;
            told += usize::from(voice.changed("lost", "hangs", now_ms).is_some());
            told += usize::from(voice.changed("back", "opened", now_ms + 1_000).is_some());
            told += usize::from(voice.lasting(now_ms + 3_900).is_some());
        }
        assert_eq!(told, 1);
    }
}
