//! A "no" between two values of one thing: "he's sixty, no, seventy six", "on the left no the right hand". Which of them is
//! meant is asked; the first is neither recorded nor denied.

use std::ops::Range;

use super::Reader;
use super::draft::{Draft, clashes, has_value};
use super::polarity::Denial;
use crate::core::finding::{Field, Kind, Value};
use crate::core::grammar::{Act, Gathered, Match, Phrase, Role, Step, gather};
use crate::core::text::Break;

/// Words of a correction.
#[derive(Clone)]
pub(super) struct Thought {
    pub words: Range<usize>,
    /// How many findings were told before it.
    pub told: usize,
    /// A "not" right behind it.
    pub denied: bool,
}

impl Reader<'_> {
    /// A "not" behind a correction, before anything else was told.
    pub(super) fn thinks_not(&mut self) {
        let told = self.meaning.drafts.len();
        if let Some(thought) = self.thought.as_mut().filter(|t| t.told == told && self.current.is_none()) {
            thought.denied = true;
        }
    }

    /// True where the plain "no" at hand takes back the value right before it, which is then asked about.
    pub(super) fn takes_back(&mut self, found: &Match, next: &[Step]) -> bool {
        let plain = found.end == found.start + 1 && self.grammar.is_denier(self.on, found.start);
        let heavy = next.iter().find(|step| !matches!(step, Step::Opened(_) | Step::Skip { free: true, .. }));
        let (Some(heavy), true) = (heavy, plain && self.stands_right_before(found.start)) else { return false };
        let Some(at) = heavy.start() else { return false };
        if (found.end..=at).any(|i| self.break_before(i) >= Break::Stop) {
            return false;
        }
        // "no, sorry, left": the correction says what is right.
        if self.act_of(heavy) == Some(Act::Correct) {
            return true;
        }
        if !self.takes_back_with(found.end, heavy, at) {
            return false;
        }
        let word = self.on.said(found.start, found.end).to_string();
        if let Some(draft) = self.current.as_mut().or(self.meaning.drafts.last_mut()) {
            draft.unclear = Some(word);
        }
        self.push_current();
        true
    }

    /// "Leaving the scene, no wait, we're not moving": a correction in words that put nothing right leaves what was said right
    /// before it in doubt, and so does "equal, I mean they're not, left is bigger".
    pub(super) fn mark_not_put_right(&mut self) {
        let Some(Thought { words, told, denied }) = self.thought.clone() else { return };
        let Some(draft) = told.checked_sub(1).and_then(|last| self.meaning.drafts.get(last)) else { return };
        let next = self.meaning.drafts.get(told);
        let stray = self.strays.iter().any(|at| *at >= words.end);
        let denied = denied && next.is_some_and(|draft| !draft.negated);
        let end = draft.words.end;
        let stops = (end..=words.start).any(|at| self.break_before(at) >= Break::Stop);
        let joined = (end..words.start).all(|at| self.on.is_free(at) || self.grammar.is_denier(self.on, at));
        if stops || !joined || !(denied || stray && next.is_none()) {
            return;
        }
        let word = self.on.said(words.start, words.end).to_string();
        for draft in self.meaning.drafts.iter_mut().skip(told - 1).take(2) {
            draft.unclear.get_or_insert_with(|| word.clone());
        }
    }

    /// "No, other way round", "wheezes or rhonchi, can't tell": which is which is not settled.
    pub(super) fn unsettle(&mut self, found: &Match) {
        self.push_current();
        self.no.denial = Denial::None;
        let Some(kind) = self.meaning.drafts.last().map(|draft| draft.kind) else { return };
        let word = self.on.said(found.start, found.end).to_string();
        for draft in self.meaning.drafts.iter_mut().filter(|draft| draft.kind == kind) {
            draft.unclear = Some(word.clone());
        }
        self.unsettled = Some(self.meaning.drafts.len());
    }

    /// Told anew behind it, what was wrong is out; otherwise it is asked.
    pub(super) fn forget_unsettled(&mut self) {
        let Some(told) = self.unsettled else { return };
        let anew: Vec<Kind> = self.meaning.drafts.iter().skip(told).map(|draft| draft.kind).collect();
        let mut at = 0;
        self.meaning.drafts.retain(|draft| {
            at += 1;
            at > told || draft.unclear.is_none() || !anew.contains(&draft.kind)
        });
    }

    fn takes_back_with(&self, end: usize, heavy: &Step, at: usize) -> bool {
        let Some(draft) = self.last_draft() else { return false };
        match heavy {
            // "airway's patent, no, it's not".
            Step::Phrase(_) if self.act_of(heavy) == Some(Act::No) => self.grammar.is_subject(self.on, at),
            Step::Phrase(found) => self.is_another_value(draft, found),
            Step::Skip { .. } if self.on.tokens.get(at).is_some_and(|t| t.is_number()) => has_amount(draft),
            // "gave him aspirin, no, ...": set off by pauses it breaks off what was said.
            Step::Skip { .. } => self.break_before(end - 1) >= Break::Comma && self.break_before(end) >= Break::Comma,
            Step::Opened(_) => false,
        }
    }

    fn act_of(&self, step: &Step) -> Option<Act> {
        let Step::Phrase(found) = step else { return None };
        match self.grammar.phrase(found.phrase)?.role {
            Role::Talk(talk) => self.grammar.act(talk),
            _ => None,
        }
    }

    fn last_draft(&self) -> Option<&Draft> {
        self.current.as_ref().or(self.meaning.drafts.last())
    }

    /// Nothing but free words stands between the last finding and the word `at`.
    fn stands_right_before(&self, at: usize) -> bool {
        let Some(draft) = self.last_draft().filter(|d| has_value(d) && !d.negated) else { return false };
        let end = draft.words.end;
        let stops = (end..=at).any(|i| self.break_before(i) >= Break::Stop);
        !stops && (end..at).all(|i| self.on.is_free(i))
    }

    /// Another value for `draft`: a number for a number, a place for a place, a word for a word. Not what a "no" can deny
    /// ("nauseous, no vomiting"), and not what is measured: of that two values are asked about as two.
    fn is_another_value(&self, draft: &Draft, found: &Match) -> bool {
        let gathered = gather(self.grammar, found, draft.kind, self.now);
        let (Some(phrase), Some(frame)) = (self.grammar.phrase(found.phrase), self.grammar.frame(draft.frame)) else {
            return false;
        };
        // "no right arm swelling" is of another place.
        if gathered.is_empty() || !fills(phrase, draft, self.on.ends_clause(found.end)) {
            return false;
        }
        let deniable = |field: Field| frame.deny.iter().flatten().any(|(f, _)| *f == field);
        let only = |fits: fn(&Gathered) -> bool| gathered.iter().all(|g| g.default || fits(g));
        let placed = only(if frame.vital { is_side } else { is_place_or_amount });
        let worded = only(is_word) && !gathered.iter().any(|g| deniable(g.field));
        let differs = |g: &Gathered| draft.fields.iter().any(|(field, value)| *field == g.field && *value != g.value);
        placed && (clashes(draft, &gathered) || is_of_other_side(draft, &gathered))
            || worded && gathered.iter().any(differs)
    }
}

/// A phrase that may go on with `draft`; one that names its finding too where nothing stands behind it (`last`).
fn fills(phrase: &Phrase, draft: &Draft, last: bool) -> bool {
    match phrase.role {
        Role::Fill(frame) | Role::Answer(frame) => frame == draft.frame,
        Role::Open(frame) | Role::Alone(frame) => frame == draft.frame && last,
        _ => false,
    }
}

/// "on the left, no the right hand": the side is said by itself, or by the name of a limb.
fn is_of_other_side(draft: &Draft, gathered: &[Gathered]) -> bool {
    let said = gathered.iter().find_map(|g| side(g.field, &g.value));
    let known = draft.fields.iter().find_map(|(field, value)| side(*field, value));
    matches!((said, known), (Some(said), Some(known)) if said != known)
}

fn has_amount(draft: &Draft) -> bool {
    draft.fields.iter().any(|(_, value)| value.as_number().is_some())
}

fn is_place_or_amount(said: &Gathered) -> bool {
    let place = [Field::Side, Field::Region, Field::Limb, Field::Site, Field::Quadrant, Field::Field];
    said.value.as_number().is_some() || said.field == Field::Unit || place.contains(&said.field)
}

fn is_side(said: &Gathered) -> bool {
    said.field == Field::Side
}

/// A word for how it is, and not for what it is.
fn is_word(said: &Gathered) -> bool {
    let names =
        [Field::Name, Field::Class, Field::Sign, Field::Sound, Field::Aspect, Field::Text, Field::Site, Field::Region];
    said.number.is_none() && !names.contains(&said.field)
}

fn side(field: Field, value: &Value) -> Option<&str> {
    let Value::Text(text) = value else { return None };
    match field {
        Field::Side => Some(text.as_str()),
        Field::Region | Field::Limb => text.split_once('_').map(|(side, _)| side),
        _ => None,
    }
}
