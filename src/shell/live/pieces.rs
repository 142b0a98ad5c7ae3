//! A sentence of the crew's that was cut in two where our own words began or ended.
//!
//! The cut keeps our words out of the crew's; but the crew may have talked right across it, and then neither half makes
//! sense. So the halves are kept until it is known what became of them, and recognised once more as one when nothing did.

use crate::shell::segment::Segment;

/// A pause no longer than this within one sentence, milliseconds: what two pieces have between them. Our own choice.
const BETWEEN_MS: u64 = 480;
/// Nothing longer is put together, milliseconds.
const LONGEST_MS: u64 = 15_000;

/// What became of a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fate {
    Unknown,
    /// No words, or words that made no sense.
    Lost,
    /// A finding, or words of ours.
    Understood,
}

/// The pieces of what may be one sentence.
#[derive(Default)]
pub struct Pieces {
    whole: Option<Segment>,
    /// Where each begins, and what became of it.
    fates: Vec<(u64, Fate)>,
    /// The last was cut at a turn of ours: another may follow.
    open: bool,
}

impl Pieces {
    /// An utterance has ended; `at_turn` when it was cut because words of ours began or ended.
    pub fn ended(&mut self, segment: &Segment, at_turn: bool) {
        let follows = self.open && self.whole.as_ref().is_some_and(|whole| follows(whole, segment));
        match &mut self.whole {
            Some(whole) if follows => join(whole, segment),
            _ if at_turn => {
                self.fates.clear();
                self.whole = Some(segment.clone());
            }
            _ => return self.forget(),
        }
        self.fates.push((segment.start_ms, Fate::Unknown));
        self.open = at_turn;
    }

    /// What became of the utterance that began at `start_ms`.
    pub fn learnt(&mut self, start_ms: u64, lost: bool) {
        let fate = if lost { Fate::Lost } else { Fate::Understood };
        self.fates.iter_mut().filter(|(start, _)| *start == start_ms).for_each(|(_, known)| *known = fate);
    }

    /// The sentence as one, once, when all of its pieces were lost. `hearing` is what the crew is saying now: it may be
    /// the next piece.
    pub fn take_lost(&mut self, hearing: Option<&Segment>) -> Option<Segment> {
        let lost = self.fates.len() > 1 && self.fates.iter().all(|(_, fate)| *fate == Fate::Lost);
        let whole =
            self.whole.take_if(|whole| lost && !(self.open && hearing.is_some_and(|next| follows(whole, next))));
        if whole.is_some() {
            self.forget();
        }
        whole
    }

    pub fn forget(&mut self) {
        *self = Pieces::default();
    }
}

fn follows(whole: &Segment, next: &Segment) -> bool {
    next.start_ms.saturating_sub(whole.end_ms) <= BETWEEN_MS && next.end_ms.saturating_sub(whole.start_ms) <= LONGEST_MS
}

/// Puts `next` behind `whole`: what both hold once, what neither holds as silence.
fn join(whole: &mut Segment, next: &Segment) {
    let at = samples_in(next.from_ms.saturating_sub(whole.from_ms));
    whole.samples.resize(at, 0.0);
    whole.samples.extend(&next.samples);
    whole.end_ms = next.end_ms;
}

fn samples_in(ms: u64) -> usize {
    ms as usize * crate::shell::capture::RATE_HZ as usize / 1000
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An utterance whose words last from `start_ms` to `end_ms`, with 32 ms of sound before and after them.
    fn segment(start_ms: u64, end_ms: u64, level: f32) -> Segment {
        let from_ms = start_ms - 32;
        Segment { samples: vec![level; samples_in(end_ms + 32 - from_ms)], from_ms, start_ms, end_ms }
    }

    fn cut_at(start_ms: u64) -> (Pieces, Segment) {
        let mut pieces = Pieces::default();
        pieces.ended(&segment(1_000, 2_000, 0.1), true);
        let next = segment(start_ms, 3_000, 0.2);
        pieces.ended(&next, false);
        (pieces, next)
    }

    #[test]
    fn a_sentence_cut_in_two_of_which_neither_half_made_sense_is_whole_again_once() {
        let (mut pieces, _) = cut_at(2_000);
        pieces.learnt(1_000, true);
        assert_eq!(pieces.take_lost(None), None, "the second half is not known yet");
        pieces.learnt(2_000, true);
        let whole = pieces.take_lost(None).expect("the last half ended by itself: no need to wait for silence");
        assert_eq!((whole.from_ms, whole.start_ms, whole.end_ms), (968, 1_000, 3_000));
        assert_eq!(whole.samples.len(), samples_in(3_032 - 968), "what both hold is there once");
        assert_eq!(whole.samples[samples_in(1_000)], 0.2);
        assert_eq!(pieces.take_lost(None), None);
    }

    #[test]
    fn what_neither_half_holds_is_silent() {
        let (mut pieces, _) = cut_at(2_400);
        pieces.learnt(1_000, true);
        pieces.learnt(2_400, true);
        let whole = pieces.take_lost(None).expect("both were lost");
        assert_eq!(whole.samples.len(), samples_in(3_032 - 968));
        assert_eq!(whole.samples[samples_in(2_200 - 968)], 0.0);
    }

    #[test]
    fn a_half_that_made_sense_is_not_recognised_twice() {
        let (mut pieces, _) = cut_at(2_000);
        pieces.learnt(1_000, true);
        pieces.learnt(2_000, false);
        assert_eq!(pieces.take_lost(None), None);
    }

    #[test]
    fn what_is_said_after_a_pause_or_was_never_cut_is_another_sentence() {
        let (mut pieces, _) = cut_at(2_000 + BETWEEN_MS + 1);
        pieces.learnt(1_000, true);
        pieces.learnt(2_000 + BETWEEN_MS + 1, true);
        assert_eq!(pieces.take_lost(None), None);
        let mut pieces = Pieces::default();
        pieces.ended(&segment(1_000, 2_000, 0.1), false);
        pieces.ended(&segment(2_000, 3_000, 0.1), true);
        pieces.learnt(1_000, true);
        pieces.learnt(2_000, true);
        assert_eq!(pieces.take_lost(None), None);
    }

    #[test]
    fn three_pieces_are_one_sentence_when_the_crew_talks_from_before_to_after_ours() {
        let mut pieces = Pieces::default();
        pieces.ended(&segment(1_000, 2_000, 0.1), true);
        pieces.ended(&segment(2_000, 3_000, 0.2), true);
        [1_000, 2_000].into_iter().for_each(|start| pieces.learnt(start, true));
        let third = segment(3_000, 4_000, 0.3);
        assert_eq!(pieces.take_lost(Some(&third)), None, "the crew is still talking");
        pieces.ended(&third, false);
        pieces.learnt(3_000, true);
        let fourth = segment(4_100, 5_000, 0.3);
        assert_eq!(pieces.take_lost(Some(&fourth)).map(|whole| (whole.start_ms, whole.end_ms)), Some((1_000, 4_000)));
    }
}
