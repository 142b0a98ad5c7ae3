//! A sentence of the crew's that was cut in two where our own words began or ended.
//!
//! The cut keeps our words out of the crew's; but the crew may have talked right across it. So the pieces are kept until
//! it is known what each means. Where one of the crew's means nothing certain, all are recognised once more as one.

use std::ops::Range;

use crate::shell::segment::Segment;

/// A pause no longer than this within one sentence, milliseconds: what two pieces have between them. Our own choice.
const BETWEEN_MS: u64 = 480;
/// Nothing longer is put together, milliseconds.
const LONGEST_MS: u64 = 15_000;

/// What an utterance means by itself.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sense {
    /// Words of ours.
    pub ours: bool,
    /// All of it is understood and nothing in doubt.
    pub certain: bool,
    pub findings: usize,
}

/// The pieces of what may be one sentence, and what was heard in each: `H`.
pub struct Pieces<H> {
    whole: Option<Segment>,
    /// Where each begins, and what was heard once that is known.
    heard: Vec<(u64, Option<(Sense, H)>)>,
    /// The last was cut at a turn of ours: another may follow.
    open: bool,
}

impl<H> Default for Pieces<H> {
    fn default() -> Pieces<H> {
        Pieces { whole: None, heard: Vec::new(), open: false }
    }
}

/// What is to be done with pieces that are complete.
#[derive(Debug, PartialEq)]
pub enum Decision<H> {
    /// They are as good as they will get.
    Tell(Vec<H>),
    /// They may mean more as one: more than so many findings, or as many; if not, they stay as they are.
    Join(Segment, usize, Vec<H>),
}

impl<H> Pieces<H> {
    /// An utterance has ended; `at_turn` when it was cut because words of ours began or ended. True if it is kept as a
    /// piece, whose words are to be `learnt`.
    pub fn ended(&mut self, segment: &Segment, at_turn: bool) -> bool {
        match &mut self.whole {
            Some(whole) if self.open && follows(whole, &(segment.start_ms..segment.end_ms)) => join(whole, segment),
            None if at_turn => self.whole = Some(segment.clone()),
            _ => return false,
        }
        self.heard.push((segment.start_ms, None));
        self.open = at_turn;
        true
    }

    pub fn is_empty(&self) -> bool {
        self.whole.is_none()
    }

    /// Whether the utterance that begins at `start_ms` is one of them.
    pub fn has(&self, start_ms: u64) -> bool {
        self.heard.iter().any(|(start, heard)| *start == start_ms && heard.is_none())
    }

    pub fn learnt(&mut self, start_ms: u64, sense: Sense, heard: H) {
        if let Some((_, known)) = self.heard.iter_mut().find(|(start, known)| *start == start_ms && known.is_none()) {
            *known = Some((sense, heard));
        }
    }

    /// Once no more pieces can follow and all are known: what to do with them. `now_ms` is how far was heard, `hearing`
    /// where the crew's words of now are.
    pub fn decided(&mut self, now_ms: u64, hearing: Option<Range<u64>>) -> Option<Decision<H>> {
        let whole = self.whole.as_ref()?;
        let follows = hearing.map_or(now_ms.saturating_sub(whole.end_ms) <= BETWEEN_MS, |next| follows(whole, &next));
        if (self.open && follows) || self.heard.iter().any(|(_, heard)| heard.is_none()) {
            return None;
        }
        let Pieces { whole, heard, .. } = std::mem::take(self);
        let (senses, heard): (Vec<Sense>, Vec<H>) = heard.into_iter().filter_map(|(_, heard)| heard).unzip();
        let poor = senses.iter().any(|sense| !sense.ours && !sense.certain);
        let findings = senses.iter().map(|sense| sense.findings).sum();
        match whole {
            Some(whole) if senses.len() > 1 && poor => Some(Decision::Join(whole, findings, heard)),
            _ => Some(Decision::Tell(heard)),
        }
    }

    /// What was heard so far, when it cannot be gone on with.
    pub fn given_up(&mut self) -> Vec<H> {
        let Pieces { heard, .. } = std::mem::take(self);
        heard.into_iter().filter_map(|(_, heard)| heard).map(|(_, heard)| heard).collect()
    }
}

fn follows(whole: &Segment, next: &Range<u64>) -> bool {
    next.start.saturating_sub(whole.end_ms) <= BETWEEN_MS && next.end.saturating_sub(whole.start_ms) <= LONGEST_MS
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

    /// One cut at a turn, from 1 to 2 s, and another that begins at `start_ms`.
    fn two(start_ms: u64, senses: [Sense; 2]) -> Pieces<char> {
        let mut pieces = Pieces::default();
        assert!(pieces.ended(&segment(1_000, 2_000, 0.1), true));
        assert!(pieces.ended(&segment(start_ms, 3_000, 0.2), false));
        pieces.learnt(1_000, senses[0], 'a');
        assert!(!pieces.has(1_000) && pieces.has(start_ms));
        assert_eq!(pieces.decided(3_000, None), None, "the second is not known yet");
        pieces.learnt(start_ms, senses[1], 'b');
        pieces
    }

    const NOTHING: Sense = Sense { ours: false, certain: false, findings: 0 };
    const SOME: Sense = Sense { findings: 1, ..NOTHING };
    const CERTAIN: Sense = Sense { certain: true, ..SOME };
    const OURS: Sense = Sense { ours: true, ..NOTHING };

    /// What is recognised once more, and how many findings it must have.
    fn joined(mut pieces: Pieces<char>) -> Option<(Segment, usize)> {
        match pieces.decided(3_000, None) {
            Some(Decision::Join(whole, findings, heard)) if heard == ['a', 'b'] => Some((whole, findings)),
            Some(Decision::Tell(heard)) if heard == ['a', 'b'] => None,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_sentence_cut_in_two_is_recognised_as_one_where_a_half_means_nothing_certain() {
        for senses in [[NOTHING, NOTHING], [SOME, NOTHING], [CERTAIN, NOTHING], [OURS, NOTHING], [SOME, CERTAIN]] {
            let (whole, findings) = joined(two(2_000, senses)).expect("one of the crew's is poor");
            assert_eq!((whole.from_ms, whole.start_ms, whole.end_ms), (968, 1_000, 3_000));
            assert_eq!(whole.samples.len(), samples_in(3_032 - 968), "what both hold is there once");
            assert_eq!(whole.samples[samples_in(1_000)], 0.2);
            assert_eq!(findings, senses[0].findings + senses[1].findings);
        }
        for senses in [[OURS, CERTAIN], [CERTAIN, CERTAIN], [CERTAIN, OURS]] {
            assert_eq!(joined(two(2_000, senses)), None, "{senses:?}");
        }
    }

    #[test]
    fn what_neither_half_holds_is_silent() {
        let (whole, _) = joined(two(2_400, [NOTHING; 2])).expect("both mean nothing");
        assert_eq!(whole.samples.len(), samples_in(3_032 - 968));
        assert_eq!(whole.samples[samples_in(2_200 - 968)], 0.0);
    }

    #[test]
    fn what_is_said_after_a_pause_or_was_never_cut_is_another_sentence() {
        let mut pieces = Pieces::default();
        assert!(!pieces.ended(&segment(1_000, 2_000, 0.1), false));
        assert!(pieces.ended(&segment(3_000, 4_000, 0.1), true));
        pieces.learnt(3_000, NOTHING, 'a');
        assert_eq!(pieces.decided(4_000 + BETWEEN_MS, None), None, "a piece may follow");
        let later = segment(4_001 + BETWEEN_MS, 6_000, 0.1);
        assert_eq!(pieces.decided(4_600, Some(later.start_ms..later.end_ms)), Some(Decision::Tell(vec!['a'])));
        assert!(!pieces.ended(&later, false));
        let mut pieces = Pieces::default();
        pieces.ended(&segment(1_000, 2_000, 0.1), true);
        pieces.learnt(1_000, SOME, 'a');
        assert_eq!(pieces.decided(2_001 + BETWEEN_MS, None), Some(Decision::Tell(vec!['a'])));
    }

    #[test]
    fn three_pieces_are_one_sentence_when_the_crew_talks_from_before_to_after_ours() {
        let mut pieces = Pieces::default();
        for (start_ms, heard) in [(1_000, 'a'), (2_000, 'b')] {
            pieces.ended(&segment(start_ms, start_ms + 1_000, 0.1), true);
            pieces.learnt(start_ms, NOTHING, heard);
        }
        let third = segment(3_000, 4_000, 0.3);
        assert_eq!(pieces.decided(3_900, Some(third.start_ms..third.end_ms)), None, "the crew is still talking");
        pieces.ended(&third, false);
        pieces.learnt(3_000, NOTHING, 'c');
        let Some(Decision::Join(whole, 0, heard)) = pieces.decided(4_000, None) else { panic!("not joined") };
        assert_eq!((whole.start_ms, whole.end_ms, heard), (1_000, 4_000, vec!['a', 'b', 'c']));
    }
}
