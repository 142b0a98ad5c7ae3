//! Numbers for the sentences that the program says of itself, and which of them newer ones make stale: "microphone lost"
//! is no news once it hears again.

/// What was said last of each device.
#[derive(Default)]
pub struct News {
    count: u64,
    last: Vec<(String, u64)>,
}

impl News {
    /// The number of sentence `id`, and that of an earlier one about the same device, not to be said any more if it still
    /// waits. `live.microphone.lost` is about `live.microphone`; what has no device (`live.listening`) stays.
    pub fn next(&mut self, id: &str) -> (u64, Option<u64>) {
        self.count += 1;
        let device = id.rsplit_once('.').map(|(device, _)| device).filter(|device| device.contains('.'));
        let Some(device) = device else { return (self.count, None) };
        let stale = self.last.iter().position(|(known, _)| known == device).map(|at| self.last.remove(at).1);
        self.last.push((device.to_string(), self.count));
        (self.count, stale)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::event::Priority;
    use crate::shell::speak::{Queue, Step, Utterance};

    /// The sound server died and came back before a word could be said.
    #[test]
    fn what_is_over_is_not_said_any_more() {
        let (mut news, mut queue) = (News::default(), Queue::default());
        for id in ["live.listening", "live.microphone.lost", "live.voice.fallback", "live.microphone.back"] {
            let (number, stale) = news.next(id);
            stale.into_iter().for_each(|stale| queue.withdraw(stale));
            queue.push(Utterance::new(number, id, Priority::Medium), 0);
        }
        let mut said = Vec::new();
        while let Step::Say(utterance) = queue.next(0) {
            said.push(utterance.text);
            queue.ended(crate::shell::speak::End::Done);
        }
        assert_eq!(said, ["live.listening", "live.voice.fallback", "live.microphone.back"]);
    }
}
