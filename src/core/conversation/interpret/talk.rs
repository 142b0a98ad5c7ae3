//! Talk between people: answers, corrections, who said it, when it was.

use super::Reader;
use super::draft::{has_number, has_value};
use super::polarity::Denial;
use super::question::Answer;
use super::scope::Tone;
use super::second_thought::Thought;
use crate::core::finding::{Field, Kind, Value};
use crate::core::grammar::{Act, CapValue, Match, Role, Step, gather};
use crate::core::text::Break;

impl Reader<'_> {
    pub(super) fn talk(&mut self, talk: usize, found: &Match, next: &[Step]) {
        let Some(act) = self.grammar.act(talk) else { return };
        match act {
            Act::Yes => self.answer(Answer::Yes, found.start),
            Act::Confirms => {
                self.meaning.confirms |= self.meaning.drafts.is_empty() && self.on.ends_clause(found.end);
                self.answer(Answer::Yes, found.start);
            }
            Act::NoneOf => self.answer(Answer::NoneOf, found.start),
            Act::Unsure => self.answer(Answer::Unsure, found.start),
            Act::No if self.takes_back(found, next) => {}
            Act::No if self.denies_next(found.end, next) => self.deny_next(found.end),
            Act::No | Act::Absent if self.absent(found.start, false) => {}
            Act::AllAbsent if self.absent(found.start, true) => {}
            Act::Denies if self.on.ends_clause(found.end) && self.absent(found.start, false) => {}
            Act::No => self.answer(Answer::No, found.start),
            Act::Absent | Act::AllAbsent => {}
            Act::Unchanged => self.unchanged(found),
            Act::Still => self.asking.still = true,
            Act::Denies => self.deny_list(found.end),
            Act::Not => {
                self.thinks_not();
                self.deny_one(found.end);
            }
            Act::Positive => {
                self.no.denial = Denial::None;
                self.affirm(found.end);
            }
            Act::And => {}
            // "And no aspirin": with nothing denied before it, it begins a denial.
            Act::Or
                if self.no.denial == Denial::None && self.ends_in_no(found) && self.denies_next(found.end, next) =>
            {
                self.deny_next(found.end);
            }
            Act::Or => self.no.ored = true,
            Act::But => {
                self.no.denial = Denial::None;
                self.yes.turned = true;
                self.tell_on();
            }
            Act::Correct => self.begin_correction(found),
            Act::Retract if self.says_anew(next) => self.begin_correction(found),
            Act::Retract => self.take_back(),
            Act::Anothers if self.meaning.leftover.is_empty() => self.take_back(),
            Act::Anothers => drop(self.take_back_here()),
            Act::WrongPerson => {
                self.push_current();
                self.meaning.wrong_person = true;
            }
            Act::Handover => self.meaning.handover = true,
            Act::HandoverEnds => self.meaning.handover_ends = true,
            Act::Address => self.meaning.addressed = true,
            Act::Copy => self.meaning.copies = true,
            Act::Patient => self.reported("patient", found),
            Act::Family => self.reported("family", found),
            Act::Bystander => self.reported("bystander", found),
            Act::OtherAgency => self.reported("other_agency", found),
            Act::Before => self.before(),
            Act::Time => self.happened(found),
            Act::About => self.about = true,
            Act::Estimate => self.estimate(),
            Act::Unsettled => self.unsettle(found),
            Act::Under | Act::Over => {}
        }
    }

    /// What follows is told, whatever mood the clause had; but not of what should be.
    pub(super) fn tell_on(&mut self) {
        if self.tone != Tone::Silent {
            self.tone = Tone::Says;
        }
    }

    fn begin_correction(&mut self, found: &Match) {
        self.push_current();
        let told = self.meaning.drafts.len();
        // "Low, sorry, not low, I mean ...": all of it is one second thought of what was told before it.
        let start = self.thought.as_ref().filter(|t| t.told == told).map_or(found.start, |t| t.words.start);
        self.thought = Some(Thought { words: start..found.end, told, denied: false });
        self.meaning.corrects = true;
        self.tone = Tone::Says;
        self.no.denial = Denial::None;
    }

    fn take_back(&mut self) {
        if !self.take_back_here() {
            self.meaning.retracts = true;
        }
    }

    /// What was said and taken back in one breath; false if nothing was.
    fn take_back_here(&mut self) -> bool {
        self.push_current();
        let said = !self.meaning.drafts.is_empty();
        self.meaning.drafts.clear();
        said
    }

    /// "D cylinder at 2000, scratch that, 1000 psi": what follows at once is the same thing put right, and the rest of the
    /// breath stands.
    fn says_anew(&self, next: &[Step]) -> bool {
        let Some(draft) = self.current.as_ref().filter(|d| has_number(d)) else { return false };
        for step in next {
            let found = match step {
                Step::Skip { free: true, .. } | Step::Opened(_) => continue,
                Step::Skip { .. } => return false,
                Step::Phrase(found) => found,
            };
            let number = found.caps.iter().any(|cap| matches!(cap.value, CapValue::Number(_)));
            match self.grammar.phrase(found.phrase).map(|p| p.role) {
                Some(Role::Open(frame)) if frame == draft.frame && !number => continue,
                Some(Role::Open(frame) | Role::Alone(frame) | Role::Fill(frame) | Role::Answer(frame)) => {
                    return number && frame == draft.frame;
                }
                _ => return false,
            }
        }
        false
    }

    /// "One ten or so".
    fn estimate(&mut self) {
        let said = self.current.as_mut().or(self.meaning.drafts.last_mut());
        if let Some(draft) = said.filter(|d| has_number(d)) {
            draft.fields.push((Field::Approximate, Value::Flag(true)));
        }
    }

    pub(super) fn reported(&mut self, by: &str, found: &Match) {
        self.push_current();
        // "no loss of consciousness, per the wife": who told what was just said.
        let told = self.meaning.drafts.last_mut().filter(|d| {
            let vital = self.grammar.is_vital(d.frame);
            let joined = (d.words.end..found.start).all(|at| self.on.is_free(at));
            let stop = (d.words.end.saturating_sub(1)..found.start)
                .any(|at| self.on.tokens.get(at).is_some_and(|t| t.after >= Break::Stop));
            !vital && joined && !stop && self.on.ends_clause(found.end)
        });
        if let Some(draft) = told {
            draft.fields.retain(|(f, _)| *f != Field::ReportedBy);
            draft.fields.push((Field::ReportedBy, Value::text(by)));
            return;
        }
        self.source.retain(|(f, _)| *f != Field::ReportedBy);
        self.source.push((Field::ReportedBy, Value::text(by)));
        self.tell_on();
    }

    pub(super) fn before(&mut self) {
        let set = (Field::BeforeArrival, Value::Flag(true));
        match self.current.as_mut().or(self.meaning.drafts.last_mut()) {
            Some(draft) => draft.fields.push(set),
            None => self.source.push(set),
        }
    }

    /// "at fourteen ten": of what was just said, or where a clause begins of what follows.
    pub(super) fn happened(&mut self, found: &Match) {
        let gathered = gather(self.grammar, found, Kind::Events, self.now);
        let Some(value) = gathered.into_iter().find(|g| g.field == Field::HappenedAt).map(|g| g.value) else { return };
        let leads = self.on.starts.get(found.start) == Some(&true) && !self.on.ends_clause(found.end);
        let said = self.current.as_mut().filter(|d| has_value(d) || d.whole).or(self.meaning.drafts.last_mut());
        match said {
            // When it was is nothing of who the patient is.
            Some(draft) if !leads && draft.kind == Kind::Patient => {}
            Some(draft) if !leads && draft.at.is_none() => draft.at = Some(value),
            _ => self.time = Some((value, found.end)),
        }
    }
}
