//! A sentence of the crew's that was cut in two where our own words began or ended.
//!
//! The cut keeps our words out of the crew's; but the crew may have talked right across it. So the pieces are kept until
//! it is known what each means. Where one of the crew's means nothing certain, all are recognised once more as one.

use std::ops::Range;

use crate::core::command::Command;
use crate::core::finding::{Field, Finding};
use crate::shell::segment::Segment;

/// A pause no longer than this within one sentence, milliseconds: what two pieces have between them. Our own choice.
const BETWEEN_MS: u64 = 480;
/// Nothing longer is put together, milliseconds.
const LONGEST_MS: u64 = 15_000;
/// Of what was said before the last piece so much is its sentence's, where all of it together made no sense, milliseconds.
/// Our own choice.
const BEGUN_MS: u64 = 2_000;

/// What an utterance means by itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sense {
    /// Words of ours.
    pub ours: bool,
    /// All of it is understood and nothing in doubt.
    pub certain: bool,
    pub findings: Vec<Finding>,
    pub commands: Vec<Command>,
    /// A question of the crew's.
    pub asks: bool,
}

impl Sense {
    /// Nothing that anybody would miss.
    pub fn is_nothing(&self) -> bool {
        self.findings.is_empty() && self.commands.is_empty() && !self.asks
    }

    /// How much is understood.
    fn count(&self) -> usize {
        self.findings.len() + self.commands.len()
    }
}

/// The pieces of what may be one sentence, and what was heard in each: `H`.
pub struct Pieces<H> {
    whole: Option<Segment>,
    heard: Vec<Piece<H>>,
    /// The last was cut at a turn of ours: another may follow.
    open: bool,
}

struct Piece<H> {
    span: Range<u64>,
    /// What was heard, once that is known.
    heard: Option<(Sense, H)>,
}

/// Pieces as they are apart.
#[derive(Debug, PartialEq)]
pub struct Apart<H> {
    pub heard: Vec<H>,
    /// Where the words of each are.
    pub spans: Vec<Range<u64>>,
    senses: Vec<Sense>,
    /// The last piece with only so much of those before as a begun sentence takes: words of ours may stand before it.
    pub tail: Option<Segment>,
}

impl<H> Apart<H> {
    /// Whether the pieces mean more as one: no fewer findings and commands, and not merely what one of them says for certain beside what
    /// was made of another.
    pub fn are_less_than(&self, one: &Sense) -> bool {
        let count = self.senses.iter().map(Sense::count).sum::<usize>();
        // Put together again all is in doubt, which makes it no other finding.
        let told: Vec<Finding> = one.findings.iter().map(without_doubt).collect();
        let holds = |sense: &Sense| {
            let commands = sense.commands.iter().all(|command| one.commands.contains(command));
            commands && sense.findings.iter().all(|finding| told.contains(finding))
        };
        let certain = |sense: &&Sense| sense.certain && !sense.ours && sense.count() > 0;
        let said_apart = self.senses.iter().filter(certain).any(holds);
        !one.ours && one.count() > 0 && one.count() >= count && !said_apart
    }
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
    /// They may mean more as one; if not, they stay as they are.
    Join(Segment, Apart<H>),
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
        self.heard.push(Piece { span: segment.start_ms..segment.end_ms, heard: None });
        self.open = at_turn;
        true
    }

    pub fn is_empty(&self) -> bool {
        self.whole.is_none()
    }

    /// Whether the utterance that begins at `start_ms` is one of them.
    pub fn has(&self, start_ms: u64) -> bool {
        self.heard.iter().any(|piece| piece.waits_for(start_ms))
    }

    pub fn learnt(&mut self, start_ms: u64, sense: Sense, heard: H) {
        if let Some(piece) = self.heard.iter_mut().find(|piece| piece.waits_for(start_ms)) {
            piece.heard = Some((sense, heard));
        }
    }

    /// Once no more pieces can follow and all are known: what to do with them. `now_ms` is how far was heard, `hearing`
    /// where the crew's words of now are.
    pub fn decided(&mut self, now_ms: u64, hearing: Option<Range<u64>>) -> Option<Decision<H>> {
        let whole = self.whole.as_ref()?;
        let follows = hearing.map_or(now_ms.saturating_sub(whole.end_ms) <= BETWEEN_MS, |next| follows(whole, &next));
        if (self.open && follows) || self.heard.iter().any(|piece| piece.heard.is_none()) {
            return None;
        }
        let Pieces { whole, heard, .. } = std::mem::take(self);
        let spans: Vec<Range<u64>> = heard.iter().map(|piece| piece.span.clone()).collect();
        let tail = whole.as_ref().zip(spans.last()).and_then(|(whole, last)| tail(whole, last));
        let (senses, heard): (Vec<Sense>, Vec<H>) = heard.into_iter().filter_map(|piece| piece.heard).unzip();
        let poor = senses.iter().any(|sense| !sense.ours && !sense.certain);
        match whole {
            Some(whole) if senses.len() > 1 && poor => {
                Some(Decision::Join(whole, Apart { heard, spans, senses, tail }))
            }
            _ => Some(Decision::Tell(heard)),
        }
    }

    /// What was heard so far, when it cannot be gone on with.
    pub fn given_up(&mut self) -> Vec<H> {
        let Pieces { heard, .. } = std::mem::take(self);
        heard.into_iter().filter_map(|piece| piece.heard).map(|(_, heard)| heard).collect()
    }
}

impl<H> Piece<H> {
    fn waits_for(&self, start_ms: u64) -> bool {
        self.span.start == start_ms && self.heard.is_none()
    }
}

fn tail(whole: &Segment, last: &Range<u64>) -> Option<Segment> {
    let from_ms = last.start.checked_sub(BEGUN_MS).filter(|from| *from > whole.start_ms)?;
    let samples = whole.samples.get(samples_in(from_ms - whole.from_ms)..)?.to_vec();
    Some(Segment { samples, from_ms, start_ms: from_ms, end_ms: whole.end_ms })
}

fn without_doubt(finding: &Finding) -> Finding {
    let mut finding = finding.clone();
    finding.remove(Field::Unconfirmed);
    finding
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
    use crate::core::finding::{Kind, Value};

    /// An utterance whose words last from `start_ms` to `end_ms`, with 32 ms of sound before and after them.
    fn segment(start_ms: u64, end_ms: u64, level: f32) -> Segment {
        let from_ms = start_ms - 32;
        Segment { samples: vec![level; samples_in(end_ms + 32 - from_ms)], from_ms, start_ms, end_ms }
    }

    /// One cut at a turn, from 1 to 2 s, and another that begins at `start_ms`.
    fn two(start_ms: u64, [first, second]: [Sense; 2]) -> Pieces<char> {
        let mut pieces = Pieces::default();
        assert!(pieces.ended(&segment(1_000, 2_000, 0.1), true));
        assert!(pieces.ended(&segment(start_ms, 3_000, 0.2), false));
        pieces.learnt(1_000, first, 'a');
        assert!(!pieces.has(1_000) && pieces.has(start_ms));
        assert_eq!(pieces.decided(3_000, None), None, "the second is not known yet");
        pieces.learnt(start_ms, second, 'b');
        pieces
    }

    const NOTHING: Sense =
        Sense { ours: false, certain: false, findings: Vec::new(), commands: Vec::new(), asks: false };
    const OURS: Sense = Sense { ours: true, certain: false, findings: Vec::new(), commands: Vec::new(), asks: false };

    fn finding(kind: Kind) -> Finding {
        Finding::new(kind)
    }

    fn some() -> Sense {
        Sense { findings: vec![finding(Kind::Pulse)], ..NOTHING }
    }

    fn certain() -> Sense {
        Sense { certain: true, findings: vec![finding(Kind::OxygenSaturation)], ..NOTHING }
    }

    /// What is recognised once more, and what was heard before.
    fn joined(mut pieces: Pieces<char>) -> Option<(Segment, Apart<char>)> {
        match pieces.decided(3_000, None) {
            Some(Decision::Join(whole, apart)) if apart.heard == ['a', 'b'] => Some((whole, apart)),
            Some(Decision::Tell(heard)) if heard == ['a', 'b'] => None,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_sentence_cut_in_two_is_recognised_as_one_where_a_half_means_nothing_certain() {
        for senses in
            [[NOTHING, NOTHING], [some(), NOTHING], [certain(), NOTHING], [OURS, NOTHING], [some(), certain()]]
        {
            let (whole, apart) = joined(two(2_000, senses)).expect("one of the crew's is poor");
            assert_eq!((whole.from_ms, whole.start_ms, whole.end_ms), (968, 1_000, 3_000));
            assert_eq!(whole.samples.len(), samples_in(3_032 - 968), "what both hold is there once");
            assert_eq!(whole.samples[samples_in(1_000)], 0.2);
            assert_eq!(apart.spans, [1_000..2_000, 2_000..3_000]);
        }
        for senses in [[OURS, certain()], [certain(), certain()], [certain(), OURS]] {
            assert_eq!(joined(two(2_000, senses.clone())), None, "{senses:?}");
        }
    }

    #[test]
    fn two_pieces_are_one_sentence_only_if_that_says_more_than_they_do() {
        let apart = |senses| joined(two(2_000, senses)).expect("one of the crew's is poor").1;
        let one = |kinds: &[Kind]| Sense { findings: kinds.iter().copied().map(finding).collect(), ..NOTHING };
        let halves = apart([some(), NOTHING]);
        assert!(halves.are_less_than(&one(&[Kind::Pulse])) && halves.are_less_than(&one(&[Kind::BloodPressure])));
        assert!(
            !halves.are_less_than(&one(&[])) && !halves.are_less_than(&Sense { ours: true, ..one(&[Kind::Pulse]) })
        );
        // "Denies" and "chest pain" are another finding than "chest pain"; what is merely beside it was made of the first.
        let second = apart([NOTHING, certain()]);
        assert!(second.are_less_than(&one(&[Kind::Pulse])));
        let mut beside = one(&[Kind::Procedure, Kind::OxygenSaturation]);
        beside.findings.iter_mut().for_each(|finding| finding.set(Field::Unconfirmed, Value::Flag(true)));
        assert!(!second.are_less_than(&beside));
    }

    /// "Third hand," and "read back the vitals" mean nothing without each other.
    #[test]
    fn a_command_cut_in_two_is_one_command() {
        let vitals = Command::ReadBack { what: "vitals".into() };
        let command = Sense { certain: true, commands: vec![vitals], ..NOTHING };
        let apart = |senses| joined(two(2_000, senses)).expect("one of the crew's is poor").1;
        assert!(apart([NOTHING, NOTHING]).are_less_than(&command));
        assert!(apart([OURS, NOTHING]).are_less_than(&command));
        assert!(!apart([NOTHING, command.clone()]).are_less_than(&command), "the second says it alone");
        assert!(!apart([some(), NOTHING]).are_less_than(&NOTHING));
    }

    /// What is left of our own words stood before "third hand" all the while that we spoke.
    #[test]
    fn behind_a_long_piece_the_end_of_it_may_be_the_begin_of_the_sentence() {
        let mut pieces = Pieces::default();
        pieces.ended(&segment(1_000, 9_000, 0.1), true);
        pieces.ended(&segment(9_000, 10_000, 0.2), false);
        pieces.learnt(1_000, NOTHING, 'a');
        pieces.learnt(9_000, NOTHING, 'b');
        let (_, apart) = joined(pieces).expect("both mean nothing");
        let tail = apart.tail.expect("the first is long");
        assert_eq!((tail.from_ms, tail.start_ms, tail.end_ms), (7_000, 7_000, 10_000));
        assert_eq!(tail.samples.len(), samples_in(10_032 - 7_000));
        assert_eq!((tail.samples[0], tail.samples[samples_in(2_500)]), (0.1, 0.2));
        assert_eq!(joined(two(2_000, [NOTHING, NOTHING])).expect("both mean nothing").1.tail, None);
    }

    #[test]
    fn what_neither_half_holds_is_silent() {
        let (whole, _) = joined(two(2_400, [NOTHING, NOTHING])).expect("both mean nothing");
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
        pieces.learnt(1_000, some(), 'a');
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
        let Some(Decision::Join(whole, apart)) = pieces.decided(4_000, None) else { panic!("not joined") };
        assert_eq!((whole.start_ms, whole.end_ms, apart.heard), (1_000, 4_000, vec!['a', 'b', 'c']));
    }
}
