//! Words that belong to nothing, and what they do to what stands beside them.

use super::Reader;
use super::draft::Draft;
use super::scope::Tone;
use crate::core::finding::{Field, Kind, Value};
use crate::core::grammar::Match;
use crate::core::text::Break;

impl Reader<'_> {
    pub(super) fn skip(&mut self, at: usize, free: bool) {
        self.forget_no_before_subject(at);
        if free {
            return;
        }
        let number = self.on.tokens.get(at).is_some_and(|t| t.is_number());
        let joined = self.break_before(at) < Break::Comma && self.loose.last().is_some_and(|last| last + 1 == at);
        let word = self.on.said(at, at + 1).to_string();
        if number && self.last_complete {
            self.meaning.stray.push(word);
        } else if number && (self.leads() || joined && !self.meaning.lead.is_empty()) {
            self.meaning.lead.push(word);
        } else {
            if joined {
                // "two patients": a number of something, not a lone one.
                self.meaning.stray.clear();
            }
            self.meaning.lead.clear();
            self.last_complete = false;
        }
        if self.loose.last().is_some_and(|last| last + 1 != at) {
            self.flush_loose();
        }
        self.asking.beyond |= self.asks();
        self.asking.number |= number && self.asks();
        self.loose.push(at);
        self.strays.push(at);
        self.lost = at + 1;
        self.push_current();
        if self.tone == Tone::Says && self.grammar.is_telling(self.on, at) {
            self.telling.push(at);
        }
    }

    pub(super) fn flush_loose(&mut self) {
        if let (Some(first), Some(last)) = (self.loose.first(), self.loose.last()) {
            let words = self.on.said(*first, last + 1).to_string();
            let range = *first..=*last;
            if range.clone().any(|at| self.dated(at) && self.grammar.is_moment(self.on, at, last + 1)) {
                self.meaning.times.push(words.clone());
            } else if range.clone().all(|at| self.on.tokens.get(at).is_some_and(|t| t.is_number())) {
                self.meaning.numbers.push(words.clone());
            }
            self.meaning.leftover.push(words);
        }
        self.loose.clear();
    }

    /// Where a time of day may stand by itself: at the beginning, or behind an "at" or "about".
    pub(super) fn dated(&self, at: usize) -> bool {
        at.checked_sub(1)
            .is_none_or(|before| self.grammar.is_about(self.on, before) || self.grammar.dates(self.on, before))
    }

    /// Nothing but free words was heard so far.
    pub(super) fn leads(&self) -> bool {
        self.meaning.lead.is_empty()
            && self.loose.is_empty()
            && self.meaning.explain.is_empty()
            && self.meaning.leftover.is_empty()
    }

    /// A word left over beside a finding that may turn it round ("aspirin, refused") makes it a question.
    pub(super) fn mark_unclear(&mut self) {
        for at in &self.telling {
            let beside = |draft: &&mut Draft| {
                let (from, to) = match *at < draft.words.start {
                    true => (*at, draft.words.start),
                    false => (draft.words.end.saturating_sub(1), *at),
                };
                to - from <= 3 && (from..to).all(|i| self.on.tokens.get(i).is_none_or(|t| t.after < Break::Stop))
            };
            if let Some(draft) = self.meaning.drafts.iter_mut().find(beside) {
                draft.unclear = Some(self.on.said(*at, at + 1).to_string());
            }
        }
    }

    /// "oral glucose, three tubes, expires ...": what is in the box is no plan, and the date is its.
    pub(super) fn count_as_stock(&mut self) {
        let dated = |d: &Draft| d.kind == Kind::MedicationCheck && d.fields.iter().any(|(f, _)| *f == Field::Expires);
        let stock =
            |d: &Draft| d.kind == Kind::MedicationPlanned && d.bare && !d.fields.iter().any(|(f, _)| *f == Field::Dose);
        let Some(at) = self.meaning.drafts.iter().position(dated) else { return };
        let Some(of) = self.meaning.drafts[..at].iter().rposition(stock) else { return };
        let stock = self.meaning.drafts.remove(of);
        let check = &mut self.meaning.drafts[at - 1];
        if !check.fields.iter().any(|(f, _)| *f == Field::Name) {
            check.fields.extend(stock.fields.into_iter().filter(|(f, _)| *f == Field::Name));
        }
    }

    /// "no history levels": what was denied goes on with a word that is not understood, and is not "none at all".
    pub(super) fn mark_cut_short(&mut self) {
        for at in &self.strays {
            let cut = |draft: &&mut Draft| {
                let end = draft.words.end;
                let none = draft.fields.contains(&(Field::None, Value::Flag(true)));
                none && end == *at && self.on.tokens.get(end.saturating_sub(1)).is_some_and(|t| t.after < Break::Comma)
            };
            if let Some(draft) = self.meaning.drafts.iter_mut().find(cut) {
                draft.unclear = Some(self.on.said(*at, at + 1).to_string());
            }
        }
    }

    /// Words that were understood but may not stand as said.
    pub(super) fn block(&mut self, found: &Match) {
        let words = self.on.said(found.start, found.end).to_string();
        self.meaning.leftover.push(words);
        self.push_current();
    }
}
