//! The order in which sentences are said: a value without a clock, a thread or an engine.
//!
//! Rules: high priority cuts off lower ones; medium and low wait while the crew talks, but not for ever; among equals
//! the older goes first; the same words are said once; newer words about the same thing replace those still waiting;
//! what has expired is not said; a warning that was cut off is said again, a reminder is not.

use super::{End, Utterance, VoiceEvent};
use crate::core::event::Priority;

/// Sentences waiting at most; when more come, the lowest and oldest goes.
pub const WAITING_MAX: usize = 32;
/// Medium and low sentences wait no longer than this for the crew to pause, milliseconds.
pub const PAUSE_WAIT_MAX_MS: u64 = 8_000;
/// A moment is quiet when nobody has spoken for so long, milliseconds: longer than the pause between two sentences of a
/// talk. A sentence may wait for that, but not for ever. Our own choice, no source.
pub const QUIET_MS: u64 = 3_000;
pub const QUIET_WAIT_MAX_MS: u64 = 60_000;
/// After a "quiet" a warning that was not said to its end waits so long, milliseconds. Our own choice, no source.
pub const HUSHED_MS: u64 = 10_000;
/// A sentence that was cut off so often is given up, or two warnings could cut each other off for ever.
const CUTS_MAX: u32 = 3;

/// What the speaker has to do next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Start saying this.
    Say(Utterance),
    /// Cut off what is being said; ask again when the engine has stopped.
    Cut,
    /// Nothing before this moment, or before something happens.
    Wait(Option<u64>),
}

struct Waiting {
    utterance: Utterance,
    queued_ms: u64,
    /// Order of arrival; one that was cut off keeps its own.
    order: u64,
    cuts: u32,
    /// Not said before.
    from_ms: u64,
}

/// Sentences waiting, and the one being said. All times are milliseconds on one stopwatch.
#[derive(Default)]
pub struct Queue {
    waiting: Vec<Waiting>,
    saying: Option<Waiting>,
    cutting: bool,
    talking: bool,
    /// Somebody has spoken since the last look, and until when somebody did.
    spoke: bool,
    spoken_ms: u64,
    arrivals: u64,
    events: Vec<VoiceEvent>,
}

impl Queue {
    pub fn push(&mut self, utterance: Utterance, now_ms: u64) {
        if self.is_said_or_waits(&utterance) {
            return self.finish(utterance.id, End::Replaced);
        }
        self.replace_older(&utterance);
        if self.waiting.len() >= WAITING_MAX {
            self.shed();
        }
        self.arrivals += 1;
        self.waiting.push(Waiting { utterance, queued_ms: now_ms, order: self.arrivals, cuts: 0, from_ms: 0 });
    }

    /// Withdraws everything; the sentence being said is to be cut off by the caller.
    pub fn clear(&mut self) {
        for waiting in std::mem::take(&mut self.waiting) {
            self.finish(waiting.utterance.id, End::Withdrawn);
        }
        if let Some(saying) = &mut self.saying {
            saying.utterance.again_if_cut = false;
            self.cutting = true;
        }
    }

    /// Silence, to be made by the caller: warnings wait for a while, all else is withdrawn.
    pub fn hush(&mut self, now_ms: u64) {
        let warns = |w: &Waiting| w.utterance.priority == Priority::High && w.utterance.again_if_cut;
        let (kept, gone): (Vec<Waiting>, Vec<Waiting>) = std::mem::take(&mut self.waiting).into_iter().partition(warns);
        self.waiting = kept;
        gone.into_iter().for_each(|waiting| self.finish(waiting.utterance.id, End::Withdrawn));
        if let Some(saying) = &mut self.saying {
            saying.utterance.again_if_cut = warns(saying);
            self.cutting = true;
        }
        self.waiting.iter_mut().chain(&mut self.saying).for_each(|warning| warning.from_ms = now_ms + HUSHED_MS);
    }

    pub fn withdraw(&mut self, id: u64) {
        if let Some(at) = self.waiting.iter().position(|w| w.utterance.id == id) {
            self.waiting.remove(at);
            self.finish(id, End::Withdrawn);
        }
    }

    pub fn crew_speaking(&mut self, talking: bool) {
        self.talking = talking;
        self.spoke = true;
    }

    /// The sentence being said, if any.
    pub fn saying(&self) -> Option<&Utterance> {
        self.saying.as_ref().map(|w| &w.utterance)
    }

    pub fn is_idle(&self) -> bool {
        self.saying.is_none() && self.waiting.is_empty()
    }

    /// The engine began to sound.
    pub fn started(&mut self) {
        if let Some(saying) = &self.saying {
            self.events.push(VoiceEvent::Started { id: saying.utterance.id });
        }
    }

    /// The engine is silent: `end` is what it says about the sentence.
    pub fn ended(&mut self, end: End) {
        self.spoke = true;
        let cut = std::mem::take(&mut self.cutting);
        let Some(mut saying) = self.saying.take() else { return };
        let again = saying.utterance.again_if_cut && saying.cuts + 1 < CUTS_MAX;
        match end {
            End::Interrupted if cut && again => {
                saying.cuts += 1;
                self.waiting.push(saying);
            }
            end => self.finish(saying.utterance.id, end),
        }
    }

    /// Nothing could say the sentence: it waits again, with its own place and age.
    pub fn put_back(&mut self) {
        self.cutting = false;
        self.waiting.extend(self.saying.take());
    }

    /// Fails what has waited `wait_ms` for a voice; returns when the next one will have.
    pub fn fail_older(&mut self, now_ms: u64, wait_ms: u64) -> Option<u64> {
        self.expire(now_ms);
        let old = |w: &Waiting| now_ms >= w.queued_ms.saturating_add(wait_ms);
        let failed: Vec<u64> = self.waiting.iter().filter(|w| old(w)).map(|w| w.utterance.id).collect();
        self.waiting.retain(|w| !old(w));
        failed.into_iter().for_each(|id| self.finish(id, End::Failed));
        self.waiting.iter().map(|w| w.queued_ms.saturating_add(wait_ms)).min()
    }

    /// What to do now.
    pub fn next(&mut self, now_ms: u64) -> Step {
        self.expire(now_ms);
        if std::mem::take(&mut self.spoke) {
            self.spoken_ms = now_ms;
        }
        let Some(best) = self.best(now_ms) else {
            return Step::Wait(self.wake_ms(now_ms));
        };
        match &self.saying {
            Some(_) if self.cutting => Step::Wait(None),
            Some(saying) if self.waiting[best].utterance.priority > saying.utterance.priority => {
                if self.waiting[best].utterance.priority == Priority::High {
                    self.cutting = true;
                    Step::Cut
                } else {
                    Step::Wait(self.wake_ms(now_ms))
                }
            }
            Some(_) => Step::Wait(self.wake_ms(now_ms)),
            None => {
                let chosen = self.waiting.remove(best);
                let utterance = chosen.utterance.clone();
                self.saying = Some(chosen);
                Step::Say(utterance)
            }
        }
    }

    /// Events since the last call.
    pub fn drain(&mut self) -> Vec<VoiceEvent> {
        std::mem::take(&mut self.events)
    }

    /// Index of the sentence whose turn it is, if one may be said now.
    fn best(&self, now_ms: u64) -> Option<usize> {
        let may = |w: &Waiting| match w.utterance.at_quiet {
            _ if now_ms < w.from_ms => false,
            true => now_ms >= self.quiet_ms(w),
            false => {
                w.utterance.priority == Priority::High || !self.talking || now_ms >= w.queued_ms + PAUSE_WAIT_MAX_MS
            }
        };
        self.waiting
            .iter()
            .enumerate()
            .filter(|(_, w)| may(w))
            .min_by_key(|(_, w)| (std::cmp::Reverse(w.utterance.priority), w.order))
            .map(|(at, _)| at)
    }

    /// When the moment of a sentence that waits for quiet comes, if nothing happens before.
    fn quiet_ms(&self, w: &Waiting) -> u64 {
        let at_last = w.queued_ms.saturating_add(QUIET_WAIT_MAX_MS);
        if self.talking { at_last } else { at_last.min(self.spoken_ms.saturating_add(QUIET_MS)) }
    }

    fn wake_ms(&self, now_ms: u64) -> Option<u64> {
        let expiry = |w: &Waiting| w.utterance.expires_ms.map(|ms| w.queued_ms.saturating_add(ms));
        let pause = |w: &Waiting| match w.utterance.at_quiet {
            true => self.saying.is_none().then(|| self.quiet_ms(w)),
            false => self.talking.then_some(w.queued_ms.saturating_add(PAUSE_WAIT_MAX_MS)),
        };
        let hushed = |w: &Waiting| (w.from_ms > now_ms).then_some(w.from_ms);
        self.waiting.iter().flat_map(|w| [expiry(w), pause(w), hushed(w)]).flatten().min()
    }

    fn expire(&mut self, now_ms: u64) {
        let gone = |w: &Waiting| w.utterance.expires_ms.is_some_and(|ms| now_ms >= w.queued_ms.saturating_add(ms));
        let expired: Vec<u64> = self.waiting.iter().filter(|w| gone(w)).map(|w| w.utterance.id).collect();
        self.waiting.retain(|w| !gone(w));
        expired.into_iter().for_each(|id| self.finish(id, End::Expired));
    }

    fn is_said_or_waits(&self, new: &Utterance) -> bool {
        let same = |w: &Waiting| w.utterance.text == new.text && w.utterance.priority >= new.priority;
        self.waiting.iter().any(same) || (!self.cutting && self.saying.as_ref().is_some_and(same))
    }

    /// Newer words about the same thing stand for older ones, but never for a more urgent sentence.
    fn replace_older(&mut self, new: &Utterance) {
        let older = |w: &Waiting| {
            w.utterance.text == new.text
                || (new.about.is_some()
                    && w.utterance.about == new.about
                    && w.utterance.priority <= new.priority
                    && !w.utterance.again_if_cut)
        };
        let gone: Vec<u64> = self.waiting.iter().filter(|w| older(w)).map(|w| w.utterance.id).collect();
        self.waiting.retain(|w| !older(w));
        gone.into_iter().for_each(|id| self.finish(id, End::Replaced));
    }

    fn shed(&mut self) {
        let lowest = self.waiting.iter().enumerate().min_by_key(|(_, w)| (w.utterance.priority, w.order));
        if let Some((at, _)) = lowest {
            let id = self.waiting.remove(at).utterance.id;
            self.finish(id, End::Expired);
        }
    }

    fn finish(&mut self, id: u64, end: End) {
        self.events.push(VoiceEvent::Finished { id, end });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Priority::{High, Low, Medium};

    fn say(queue: &mut Queue, id: u64, priority: Priority, now_ms: u64) {
        queue.push(Utterance::new(id, format!("sentence {id}"), priority), now_ms);
    }

    fn next_id(queue: &mut Queue, now_ms: u64) -> Option<u64> {
        match queue.next(now_ms) {
            Step::Say(utterance) => Some(utterance.id),
            _ => None,
        }
    }

    #[test]
    fn the_more_urgent_goes_first_and_among_equals_the_older() {
        let mut queue = Queue::default();
        for (id, priority) in [(1, Low), (2, Medium), (3, Medium), (4, High)] {
            say(&mut queue, id, priority, 0);
        }
        let mut order = Vec::new();
        while let Some(id) = next_id(&mut queue, 0) {
            order.push(id);
            queue.ended(End::Done);
        }
        assert_eq!(order, [4, 2, 3, 1]);
    }

    #[test]
    fn a_high_sentence_cuts_off_a_lower_one_which_is_said_again() {
        let mut queue = Queue::default();
        say(&mut queue, 1, Medium, 0);
        assert_eq!(next_id(&mut queue, 0), Some(1));
        say(&mut queue, 2, High, 10);
        assert_eq!(queue.next(10), Step::Cut);
        assert_eq!(queue.next(11), Step::Wait(None), "the engine has not stopped yet");
        queue.ended(End::Interrupted);
        assert_eq!(queue.drain(), [], "it is not finished: it will be said again");
        assert_eq!(next_id(&mut queue, 20), Some(2));
        queue.ended(End::Done);
        assert_eq!(next_id(&mut queue, 30), Some(1));
    }

    #[test]
    fn a_reminder_that_was_cut_off_is_not_said_again() {
        let mut queue = Queue::default();
        queue.push(Utterance::new(1, "vitals are due", Medium).reminder(60_000), 0);
        assert_eq!(next_id(&mut queue, 0), Some(1));
        say(&mut queue, 2, High, 10);
        assert_eq!(queue.next(10), Step::Cut);
        queue.ended(End::Interrupted);
        assert_eq!(queue.drain(), [VoiceEvent::Finished { id: 1, end: End::Interrupted }]);
    }

    #[test]
    fn a_reminder_no_longer_due_is_not_said() {
        let mut queue = Queue::default();
        queue.crew_speaking(true);
        queue.push(Utterance::new(1, "vitals are due", Medium).reminder(5_000), 0);
        assert_eq!(queue.next(0), Step::Wait(Some(5_000)));
        assert_eq!(queue.next(5_000), Step::Wait(None));
        assert_eq!(queue.drain(), [VoiceEvent::Finished { id: 1, end: End::Expired }]);
    }

    #[test]
    fn lower_sentences_wait_for_the_pause_but_not_for_ever_and_high_ones_do_not_wait() {
        let mut queue = Queue::default();
        queue.crew_speaking(true);
        say(&mut queue, 1, Medium, 0);
        assert_eq!(queue.next(100), Step::Wait(Some(PAUSE_WAIT_MAX_MS)));
        say(&mut queue, 2, High, 100);
        assert_eq!(next_id(&mut queue, 100), Some(2));
        queue.ended(End::Done);
        assert_eq!(next_id(&mut queue, 200), None);
        assert_eq!(next_id(&mut queue, PAUSE_WAIT_MAX_MS), Some(1));
    }

    #[test]
    fn a_sentence_for_a_quiet_moment_waits_until_nobody_has_spoken_for_a_while_but_not_for_ever() {
        let mut queue = Queue::default();
        queue.crew_speaking(true);
        assert_eq!(queue.next(1_000), Step::Wait(None));
        queue.push(Utterance::new(1, "not confirmed", Medium).when_quiet(), 1_000);
        queue.crew_speaking(false);
        assert_eq!(queue.next(4_000), Step::Wait(Some(4_000 + QUIET_MS)), "the crew goes on after a breath");
        queue.crew_speaking(true);
        queue.next(5_000);
        queue.crew_speaking(false);
        queue.push(Utterance::new(2, "also not confirmed", Medium).when_quiet(), 6_000);
        assert_eq!(queue.next(6_000), Step::Wait(Some(6_000 + QUIET_MS)));
        assert_eq!(next_id(&mut queue, 6_000 + QUIET_MS), Some(1));
        queue.ended(End::Done);
        assert_eq!(next_id(&mut queue, 11_000), None, "its answer is waited for");
        queue.crew_speaking(true);
        assert_eq!(queue.next(12_000), Step::Wait(Some(6_000 + QUIET_WAIT_MAX_MS)));
        assert_eq!(next_id(&mut queue, 6_000 + QUIET_WAIT_MAX_MS), Some(2), "nobody ever ceases to talk");
    }

    #[test]
    fn the_same_words_are_said_once_and_newer_words_replace_a_waiting_reminder() {
        let mut queue = Queue::default();
        queue.push(Utterance::new(1, "pulse is due", Low).reminder(60_000).about("recheck"), 0);
        queue.push(Utterance::new(2, "pulse is due", Low), 0);
        queue.push(Utterance::new(3, "pulse is overdue", Low).reminder(60_000).about("recheck"), 0);
        assert_eq!(
            queue.drain(),
            [VoiceEvent::Finished { id: 2, end: End::Replaced }, VoiceEvent::Finished { id: 1, end: End::Replaced }]
        );
        assert_eq!(next_id(&mut queue, 0), Some(3));
    }

    #[test]
    fn a_waiting_warning_is_never_replaced_by_other_words() {
        let mut queue = Queue::default();
        queue.push(Utterance::new(1, "hold the drug", High).about("nitroglycerin"), 0);
        queue.push(Utterance::new(2, "ask first", High).about("nitroglycerin"), 0);
        assert_eq!(next_id(&mut queue, 0), Some(1));
    }

    #[test]
    fn stop_withdraws_everything_and_nothing_comes_back() {
        let mut queue = Queue::default();
        say(&mut queue, 1, High, 0);
        assert_eq!(next_id(&mut queue, 0), Some(1));
        say(&mut queue, 2, High, 0);
        queue.clear();
        queue.ended(End::Interrupted);
        assert!(queue.is_idle());
        assert_eq!(
            queue.drain(),
            [
                VoiceEvent::Finished { id: 2, end: End::Withdrawn },
                VoiceEvent::Finished { id: 1, end: End::Interrupted }
            ]
        );
    }

    #[test]
    fn after_quiet_a_warning_comes_back_and_nothing_else_and_a_new_warning_does_not_wait() {
        let mut queue = Queue::default();
        say(&mut queue, 1, High, 0);
        assert_eq!(next_id(&mut queue, 0), Some(1));
        say(&mut queue, 2, Medium, 0);
        queue.hush(1_000);
        queue.ended(End::Interrupted);
        assert_eq!(queue.drain(), [VoiceEvent::Finished { id: 2, end: End::Withdrawn }]);
        assert_eq!(queue.next(1_000), Step::Wait(Some(1_000 + HUSHED_MS)));
        say(&mut queue, 3, High, 2_000);
        assert_eq!(next_id(&mut queue, 2_000), Some(3));
        queue.ended(End::Done);
        assert_eq!(next_id(&mut queue, 1_000 + HUSHED_MS), Some(1));
    }

    #[test]
    fn without_a_voice_a_sentence_waits_and_then_fails() {
        let mut queue = Queue::default();
        say(&mut queue, 1, High, 0);
        assert_eq!(next_id(&mut queue, 0), Some(1));
        queue.put_back();
        assert_eq!(queue.fail_older(100, 1_000), Some(1_000));
        assert_eq!(queue.fail_older(1_000, 1_000), None);
        assert_eq!(queue.drain(), [VoiceEvent::Finished { id: 1, end: End::Failed }]);
    }

    #[test]
    fn the_queue_is_bounded_and_sheds_the_least_urgent() {
        let mut queue = Queue::default();
        say(&mut queue, 0, Low, 0);
        for id in 1..=WAITING_MAX as u64 {
            say(&mut queue, id, High, 0);
        }
        assert_eq!(queue.drain(), [VoiceEvent::Finished { id: 0, end: End::Expired }]);
    }
}
