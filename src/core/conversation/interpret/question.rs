//! What is asked, what answers it, and what an answer then says.

use super::Reader;
use super::draft::{Draft, has_value};
use super::polarity::{Denial, says_absent};
use super::record::Said;
use super::scope::Tone;
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::grammar::{Asks, Grammar, Match};
use crate::core::text::Break;

/// Something asked about.
#[derive(Clone, Debug, PartialEq)]
pub struct Question {
    pub frame: usize,
    pub kind: Kind,
    pub fields: Vec<(Field, Value)>,
    pub negative: bool,
    /// Two values of one thing were offered, or several things joined by "or".
    pub either: bool,
    pub which: bool,
    pub still: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    Yes,
    No,
    /// None of what was asked about, also where the question was put in the negative.
    NoneOf,
    Unsure,
    Unchanged,
}

/// An answer, and what it answers within the same utterance (empty: what was open before).
#[derive(Clone, Debug, PartialEq)]
pub struct Answered {
    pub answer: Answer,
    pub questions: Vec<Question>,
    pub at: usize,
    /// Another thing is joined to it: "yes and codeine".
    pub adds: bool,
}

/// The questions of this utterance.
#[derive(Default)]
pub(super) struct Asking {
    /// Not yet answered.
    pub open: Vec<Question>,
    /// Put in the negative ("isn't he").
    pub negative: bool,
    /// "still wheezing".
    pub still: bool,
    /// A question for a value was put in this sentence.
    pub for_value: bool,
    /// What is asked for was named, or words that belong to nothing stood behind it: without a pause too, more may be told
    /// now.
    pub beyond: bool,
    /// A number stood in it that no phrase took: "was that 94 or 84 over 60" offers two.
    pub number: bool,
    /// The vital sign that was just named behind a pause, and the word at which its value would begin.
    pub named_vital: Option<(usize, usize)>,
}

impl Reader<'_> {
    /// A phrase that is itself a question ("how old are you").
    pub(super) fn ask_by_itself(&mut self, asks: Asks, said: &Said) {
        self.push_current();
        // Asked twice in one breath ("how bad is it, zero to ten"): one question.
        if self.asking.open.last().is_some_and(|q| q.frame == said.frame) {
            return;
        }
        self.close_questions();
        self.no.denial = Denial::None;
        self.tone = if asks == Asks::Value { Tone::AsksWhich } else { Tone::Asks };
        self.asking.for_value = asks == Asks::Value;
        self.ask(said);
    }

    pub(super) fn ask(&mut self, said: &Said) {
        let gathered = said.gathered.iter().filter(|g| !g.default);
        let mut fields: Vec<(Field, Value)> = gathered.map(|g| (g.field, g.value.clone())).collect();
        // What denies by itself is asked about in the negative.
        let negative = self.asking.negative || said.phrase.negative || says_absent(said.phrase);
        if let Some(last) = self.asking.open.last_mut().filter(|q| q.frame == said.frame && !said.opens()) {
            let clash = fields.iter().any(|(f, v)| last.fields.iter().any(|(g, w)| f == g && v != w));
            if !clash {
                last.fields.append(&mut fields);
                return;
            }
            last.either = true;
            let carried = |(field, _): &&(Field, Value)| said.data.carry.contains(field);
            let new = |(field, _): &&(Field, Value)| !fields.iter().any(|(f, _)| f == field);
            let carried: Vec<_> = last.fields.iter().filter(carried).filter(new).cloned().collect();
            fields.extend(carried);
        }
        self.asking.beyond = true;
        let which = self.tone == Tone::AsksWhich;
        let (frame, kind, still) = (said.frame, said.data.kind, self.asking.still);
        let either = self.asking.number && said.numeric();
        self.asking.open.push(Question { frame, kind, fields, negative, either, which, still });
    }

    /// "we're giving aspirin, right": a plan stays one, its checks run before the hand moves. Whether "pulse is ninety, right"
    /// measured or asked is asked aloud. All else is a question.
    pub(super) fn ask_back(&mut self, found: &Match) {
        self.push_current();
        let vital = |d: &Draft| self.grammar.is_vital(d.frame);
        let plan = |d: &Draft| d.kind == Kind::MedicationPlanned;
        let before = std::mem::take(&mut self.meaning.drafts);
        let (mut kept, others): (Vec<Draft>, Vec<Draft>) = before.into_iter().partition(|d| vital(d) || plan(d));
        if let Some(last) = kept.last_mut().filter(|d| vital(d) && self.is_last_clause(d, found.start)) {
            last.unclear = Some(self.on.said(found.start, found.end).to_string());
        }
        self.meaning.drafts = others;
        self.turn_into_question(found.start);
        self.meaning.drafts.append(&mut kept);
        self.meaning.drafts.sort_by_key(|d| d.words.start);
    }

    /// No pause but the one before `end` stands behind `draft`.
    pub(super) fn is_last_clause(&self, draft: &Draft, end: usize) -> bool {
        (draft.words.end..end).all(|at| self.break_before(at) < Break::Comma)
    }

    /// A question mark makes questions of what was said since the last pause.
    pub(super) fn turn_into_question(&mut self, end: usize) {
        let mut begin = end.saturating_sub(1);
        while begin > 0 && self.break_before(begin) < Break::Comma {
            begin -= 1;
        }
        if let Some(draft) = self.current.take() {
            self.meaning.drafts.push(draft);
        }
        let (asked, kept): (Vec<Draft>, Vec<Draft>) =
            std::mem::take(&mut self.meaning.drafts).into_iter().partition(|d| d.words.start >= begin);
        self.meaning.drafts = kept;
        for draft in asked {
            let denies = |(field, value): &(Field, Value)| match field {
                Field::None => true,
                Field::Present | Field::Taken => *value == Value::Flag(false),
                _ => false,
            };
            self.asking.open.push(Question {
                frame: draft.frame,
                kind: draft.kind,
                negative: draft.negated || draft.fields.iter().any(denies),
                fields: draft.fields,
                either: false,
                which: false,
                still: self.asking.still,
            });
        }
        self.last_complete = false;
    }

    pub(super) fn close_questions(&mut self) {
        let asked = std::mem::take(&mut self.asking.open);
        if !asked.is_empty() {
            self.meaning.questions.push(asked);
        }
    }

    pub(super) fn answer(&mut self, answer: Answer, at: usize) {
        self.push_current();
        let questions = std::mem::take(&mut self.asking.open);
        let adds = self.grammar.is_and(self.on, at + 1);
        self.meaning.answers.push(Answered { answer, questions, at, adds });
        self.tone = Tone::Says;
        self.no.denial = Denial::None;
    }

    /// "no change": of what was just named, or else of what was asked.
    pub(super) fn unchanged(&mut self, found: &Match) {
        if self.tone == Tone::Silent {
            return;
        }
        let named = self.current.as_mut().filter(|d| !has_value(d));
        match named {
            Some(draft) => draft.unchanged = true,
            None => {
                self.push_current();
                let questions = std::mem::take(&mut self.asking.open);
                let answer = Answer::Unchanged;
                self.meaning.answers.push(Answered { answer, questions, at: found.start, adds: false });
                self.tone = Tone::Says;
            }
        }
    }

    /// Nothing but "he denies": the answer to what was asked.
    pub(super) fn denied_alone(&mut self) {
        let silent = self.meaning.drafts.is_empty() && self.meaning.leftover.is_empty() && self.current.is_none();
        if self.no.denial == Denial::List && silent && self.meaning.answers.is_empty() {
            self.answer(Answer::No, self.no.end);
        }
    }

    /// Nothing but a name ("allergies"): it asks.
    pub(super) fn named_alone(&mut self) {
        let alone = self.meaning.drafts.is_empty() && self.meaning.leftover.is_empty();
        // "Just atenolol, okay, allergic to anything": what was told is done with, the last word asks on.
        let last = |d: &Draft| d.kind == Kind::Allergy && d.words.end == self.on.tokens.len();
        let asks = |d: &&Draft| self.tone == Tone::Says && (alone || last(d)) && !has_value(d);
        let Some(draft) = self.current.as_ref().filter(|d| asks(d) && !d.negated && !d.unchanged) else {
            return;
        };
        self.asking.open.push(Question {
            frame: draft.frame,
            kind: draft.kind,
            fields: Vec::new(),
            negative: false,
            either: false,
            which: true,
            still: false,
        });
    }
}

/// The finding as it stands after an answer to `question`.
pub fn answered(grammar: &Grammar, question: &Question, yes: bool) -> Option<Finding> {
    let frame = grammar.frame(question.frame)?;
    let named = !question.fields.is_empty();
    let sets = match (yes, named) {
        (true, true) => frame.yes.as_ref()?,
        (true, false) => frame.yes.as_ref().filter(|s| !s.is_empty())?,
        (false, true) => frame.deny.as_ref()?,
        (false, false) => frame.no.as_ref()?,
    };
    let mut finding = Finding::new(frame.kind);
    let of_items = named && sets.len() > 1;
    let asked = |field: &Field| question.fields.iter().any(|(f, _)| f == field);
    let sets = sets.iter().filter(|(field, _)| !of_items || asked(field));
    for (field, value) in frame.sets.iter().chain(&question.fields).chain(sets) {
        finding.set(*field, value.clone());
    }
    Some(finding)
}

/// True when a "no" leaves what was asked as it was: "is the belly soft", "is he alert", "is his speech clear".
pub fn still_stands(grammar: &Grammar, question: &Question, finding: &Finding) -> bool {
    let needs = grammar.frame(question.frame).map(|f| f.needs.as_slice()).unwrap_or_default();
    let verdict = |field: Field, value: &Value| match field {
        Field::Present | Field::Avpu => true,
        Field::Face | Field::Arm | Field::Speech | Field::Balance | Field::Eyes => true,
        _ => matches!(value, Value::Flag(_)) && needs.contains(&field),
    };
    question.fields.iter().any(|(field, value)| verdict(*field, value) && finding.get(*field) == Some(value))
}
