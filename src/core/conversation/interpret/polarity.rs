//! Whether a finding is denied, and how far a "no" reaches. `Reader::polarity` decides it, and nothing else does.
//!
//! What it goes by:
//! - a "no", "not" or "denies" runs from where it was said (`No`); `denies` over a list, `no` over the next thing and what
//!   is joined to it, `not` over the next thing alone; a sentence that ends, a "but" and a "he has" stop it (`scope`, `talk`);
//! - what is said for itself is not reached (`reach`): a value, a verb behind the name, another kind of thing;
//! - what stood right behind the "no" and was not understood is what it was said of, not what comes next;
//! - what no "no" can turn round (a rhythm, a level) is not recorded at all, rather than as the opposite;
//! - where a list may go on or may have ended, the finding is denied in the draft and asked about (`unclear`).
//!
//! A "no" behind what it denies ("JVD negative") is in `absent`.

use super::Reader;
use super::draft::{Draft, clashes, is_mere};
use super::record::Said;
use crate::core::finding::{Field, Kind, Value};
use crate::core::grammar::{Gathered, Match, Phrase, Role, Step};
use crate::core::text::Break;

/// So many words that nothing is known of behind a "no", and what comes next may be another thing. Our own choice.
const LOST_AT_MOST: usize = 2;

/// How far a negation reaches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Denial {
    None,
    /// `denies`: a whole list.
    List,
    /// `no`: the next thing and what is joined to it.
    Next {
        first: bool,
    },
    /// `not`: the next thing alone.
    One,
}

/// The "no" that runs.
pub(super) struct No {
    pub denial: Denial,
    /// Where its words ended.
    pub end: usize,
    /// The frame of what it has denied so far.
    pub listed: Option<usize>,
    /// Where the thing behind the "or" of its list ended: what comes behind a comma is no more of it.
    pub closed: Option<usize>,
    /// An "or" stood right before what comes now, or stands further on in the sentence.
    pub ored: bool,
    pub or_ahead: bool,
    /// More is said of what comes now: words that belong to nothing, or how long it lasts.
    pub trailed: bool,
}

impl Default for No {
    fn default() -> Self {
        No {
            denial: Denial::None,
            end: usize::MAX,
            listed: None,
            closed: None,
            ored: false,
            or_ahead: false,
            trailed: false,
        }
    }
}

/// What was affirmed in so many words.
#[derive(Default)]
pub(super) struct Yes {
    /// "does have": what follows is there; and where that was said.
    pub there: bool,
    pub at: usize,
    /// Where it ended: what stands right behind it is affirmed even where it was denied before.
    pub end: Option<usize>,
    /// Behind a "but": what was denied before it is not denied behind it.
    pub turned: bool,
}

/// What was decided of one finding.
#[derive(Clone, Copy)]
pub(super) struct Polarity {
    pub negated: bool,
    /// Denied by a list that may have ended before it: asked about.
    pub unclear: bool,
    /// It ended a denial.
    pub ended: bool,
    /// Right behind a "he has".
    pub affirmed: bool,
}

enum Verdict {
    Stands,
    Denied,
    /// Denied, or said for itself? It is asked.
    Doubted,
}

pub(super) fn says_absent(phrase: &Phrase) -> bool {
    phrase.sets.contains(&(Field::Present, Value::Flag(false)))
}

impl Reader<'_> {
    /// Whether what was said is denied; nothing where it was understood but may not stand as said. And what the "no" that
    /// runs, or the one in the phrase itself, reaches further on.
    pub(super) fn polarity(&mut self, said: &Said) -> Option<Polarity> {
        self.drop_before_order(said);
        let asserts = self.asserts_itself(said);
        if self.is_denied_denial(said) || !asserts && self.is_not_what_was_denied(said) {
            self.no.denial = Denial::None;
            return self.refuse(said);
        }
        if asserts && (self.lost_behind_no() || matches!(self.no.denial, Denial::List | Denial::Next { first: false }))
        {
            self.no.denial = Denial::None;
        }
        let running = self.no.denial != Denial::None;
        let ended = asserts && self.no.listed.is_some() || running && self.ends_denial(said);
        if ended {
            self.no.denial = Denial::None;
        }
        if self.no.denial != Denial::None && (self.no.ored || self.or_within(said.found)) && !self.no.or_ahead {
            self.no.closed = Some(said.found.end);
        }
        let or = self.in_or_list(said.found);
        let joined = std::mem::take(&mut self.no.ored);
        // "no deformity or burns to the arms", "isn't dizzy or sweaty": what no "no" turns round, joined to what is denied,
        // is not there either, and is not recorded.
        if joined && !said.deniable() && matches!(self.no.denial, Denial::List | Denial::Next { first: false }) {
            return self.refuse(said);
        }
        let affirmed = self.yes.end.take() == Some(said.start()) && !said.alone();
        let verdict = self.verdict(said, or)?;
        let negated = !matches!(verdict, Verdict::Stands);
        if self.denies_in_its_last_words(said) {
            self.absent_before(said.start(), false, Some(said.frame));
        }
        self.reach_on(said, negated);
        Some(Polarity { negated, unclear: matches!(verdict, Verdict::Doubted), ended, affirmed })
    }

    /// Understood, but it may not stand as said.
    fn refuse<T>(&mut self, said: &Said) -> Option<T> {
        self.block(said.found);
        None
    }

    /// "no, withhold the ibuprofen", "can't, he'll choke, hold the glucose": an order to leave off is no thing denied.
    /// "Don't hold the nitro" is none.
    fn drop_before_order(&mut self, said: &Said) {
        let apart = self.no.end != said.start() || matches!(self.no.denial, Denial::Next { .. });
        if said.data.kind == Kind::MedicationWithheld && apart {
            self.no.denial = Denial::None;
        }
    }

    /// "never lost his pulse": a denial denied says nothing that can be relied on.
    fn is_denied_denial(&self, said: &Said) -> bool {
        let twice = self.no.denial != Denial::None && self.no.end == said.start();
        twice && !self.grammar.is_denier(self.on, said.start()) && says_absent(said.phrase)
    }

    /// What stood right behind the "no" was not understood: it was said of that.
    pub(super) fn lost_behind_no(&self) -> bool {
        self.lost > self.no.end && matches!(self.no.denial, Denial::Next { first: true } | Denial::One)
    }

    /// "did not touch the pain" denies no pain.
    fn is_not_what_was_denied(&self, said: &Said) -> bool {
        self.lost_behind_no() && self.no.denial == Denial::One && said.deniable()
    }

    /// "positive for dizziness" says so itself and ends a denial; a bare "dizziness" behind a comma does not.
    fn asserts_itself(&self, said: &Said) -> bool {
        let Said { data, phrase, found, .. } = said;
        let or = self.in_or_list(found);
        let yes = data.yes.as_deref().unwrap_or_default();
        let there = |f: &Field, v: &Value| *f == Field::Present && *v == Value::Flag(true);
        let present = phrase.sets.iter().any(|(f, v)| there(f, v) || yes.iter().any(|(g, w)| f == g && v == w));
        // "no chest pain or history of heart problems": what an "or" joins is denied too.
        let led = !or && found.caps.first().is_some_and(|c| c.start > found.start);
        // "denies feeling dizzy": right behind the denial it is what is denied.
        let behind = self.no.denial != Denial::None && self.no.end == found.start;
        // "retractions or nasal flaring": a bare name states nothing for itself.
        present && !phrase.start && !behind && said.alone() && (led || self.states(found, or))
    }

    /// What the "no" that runs makes of it.
    fn verdict(&mut self, said: &Said, or: bool) -> Option<Verdict> {
        match self.no.denial {
            Denial::None => Some(Verdict::Stands),
            Denial::List => self.in_denied_list(said, or),
            Denial::Next { first } => self.behind_no(said, first, or),
            Denial::One => self.behind_not(said),
        }
    }

    fn in_denied_list(&mut self, said: &Said, or: bool) -> Option<Verdict> {
        if said.deniable() {
            // A sign that nobody can feel, behind a comma: denied with the rest, or seen? It is asked.
            let another = self.no.listed.is_some_and(|listed| listed != said.frame);
            let doubted = another && !or && !self.and_closes(said.start()) && self.bare_in_list(said);
            return Some(if doubted { Verdict::Doubted } else { Verdict::Denied });
        }
        self.no.denial = Denial::None;
        // "denies pain of eight": not eight, and no pain of eight.
        if self.no.end == said.start() { self.refuse(said) } else { Some(Verdict::Stands) }
    }

    fn behind_no(&mut self, said: &Said, first: bool, or: bool) -> Option<Verdict> {
        let adjective = said.gathered.iter().any(|g| g.adjective);
        // "no cough short of breath": no plain "no" reaches it, but that it is there nobody said.
        let untold =
            said.data.needs.contains(&Field::Present) && !said.gathered.iter().any(|g| g.field == Field::Present);
        if !first && adjective && !or && said.deniable() && untold {
            return Some(Verdict::Doubted);
        }
        if !first && (!said.deniable() || adjective && !or) {
            self.no.denial = Denial::None;
            return Some(Verdict::Stands);
        }
        // What the "no" was for is no thing that can be denied, and nothing behind it is: "no glucose, he can not swallow".
        if !said.deniable() {
            self.no.denial = Denial::None;
            self.block(said.found);
            self.contest(said);
            return None;
        }
        // "no blood belly soft", "no distension pelvis stable": a place that begins anew is not what the "no" was said of.
        let another = || self.current.as_ref().is_some_and(|draft| clashes(draft, &said.gathered));
        if said.places_alone() && if first { self.lost_behind_no() } else { !or && another() } {
            return Some(Verdict::Stands);
        }
        // "no singed nasal hair tender belly": so much was not understood that another thing may have begun.
        let lost = self.strays.iter().filter(|at| (self.no.end..said.start()).contains(*at)).count();
        let astray = first && lost >= LOST_AT_MOST;
        self.no.denial = Denial::Next { first: false };
        // "no weakness, numbness": denied too, or there? It is asked.
        let fills = said.fills() && self.joins(said);
        let next_item = self.break_before(said.start()) >= Break::Comma && !fills;
        let no = |g: &Gathered| matches!(g.field, Field::Present | Field::Taken) && g.value == Value::Flag(false);
        let own_no = self.grammar.is_denier(self.on, said.start()) || said.gathered.iter().any(no);
        let anew = !own_no && (self.begins_at_place(said) || !fills && self.runs_on(said));
        let doubted = !first && !or && (next_item || anew);
        Some(if astray || doubted { Verdict::Doubted } else { Verdict::Denied })
    }

    /// "no head trauma neck crepitus": a place that was named right before it begins anew.
    fn begins_at_place(&self, said: &Said) -> bool {
        let place = |field: &Field| matches!(field, Field::Region | Field::Quadrant | Field::Limb);
        let anew = self.current.as_ref().is_some_and(|draft| !draft.negated);
        anew && !self.named.is_empty() && self.named.iter().all(place) && !said.places_alone()
    }

    /// "no fever chest pain started today", "no rash hives on the chest": where a recogniser writes no pause a list goes on
    /// with bare names; what says more, or of which more is said, may be there.
    fn runs_on(&self, said: &Said) -> bool {
        let there = said.phrase.sets.contains(&(Field::Present, Value::Flag(true)));
        let bare = is_mere(said.found) || said.found.caps.is_empty() && !there;
        !bare || self.no.trailed
    }

    /// "one twenty, no one thirty over eighty": not denied, but which is it?
    fn contest(&mut self, said: &Said) {
        if said.data.vital && said.numeric() {
            self.meaning.numbers.push(self.on.said(said.start(), said.found.end).to_string());
            self.meaning.contested.push(said.data.kind);
        }
    }

    fn behind_not(&mut self, said: &Said) -> Option<Verdict> {
        // "not soft" is not "no rigidity": a word for what is not there cannot be denied so.
        let absent = |g: &Gathered| g.field == Field::Present && g.value == Value::Flag(false);
        if said.gathered.iter().any(absent) {
            self.no.denial = Denial::None;
            return self.refuse(said);
        }
        // "not diabetic or hypertensive": neither. "Not strong or regular" is neither too, though no "no" turns them round.
        self.no.denial = match self.no.or_ahead {
            true if said.deniable() => Denial::Next { first: false },
            true => Denial::One,
            false => Denial::None,
        };
        if said.deniable() { Some(Verdict::Denied) } else { self.refuse(said) }
    }

    /// "wheezing and crackles absent": the phrase names first and denies then.
    fn denies_in_its_last_words(&self, said: &Said) -> bool {
        let caps = &said.found.caps;
        said.alone()
            && says_absent(said.phrase)
            && caps.first().is_some_and(|c| c.start == said.start())
            && caps.last().is_some_and(|c| c.end < said.found.end)
    }

    /// How far it goes on: a phrase with a "no" of its own denies on ("no bleeding, drift or slurred speech").
    fn reach_on(&mut self, said: &Said, negated: bool) {
        // "no bleeding except the nose" and "no breath sounds on the right" tell what is there, and deny nothing further on.
        let tells = |(field, value): &(Field, Value)| match field {
            Field::Present => *value == Value::Flag(true),
            field => *field == Field::Sound,
        };
        let excepts = said.phrase.sets.iter().any(tells) || !negated && names_the_exception(said);
        let said_no = said.alone() && !excepts && self.grammar.is_denier(self.on, said.start());
        if negated || said_no {
            self.no.listed = Some(said.frame);
        }
        // What is left off is no thing denied, and what its phrase goes on to say of the patient is so: "no ibuprofen,
        // she's pregnant".
        if said_no && said.data.kind == Kind::MedicationWithheld {
            self.affirm(said.found.end);
            return;
        }
        if self.no.denial != Denial::None {
            return;
        }
        // "not confused or altered": what an "or" joins to a phrase that says what a denial would is denied too.
        let said_not = (said.start()..said.found.end).any(|at| self.grammar.is_not(self.on, at));
        let gathers = |(field, value): &(Field, Value)| {
            said_not && said.gathered.iter().any(|g| g.field == *field && g.value == *value)
        };
        let as_denied = said.data.deny.iter().flatten().any(|set| said.phrase.sets.contains(set) || gathers(set));
        let joined = said.alone() && self.no.or_ahead && as_denied;
        if joined || said_no {
            let list = !joined && self.grammar.denies_lists(self.on, said.start());
            self.no.denial = if list { Denial::List } else { Denial::Next { first: false } };
            self.no.end = said.start() + 1;
            return;
        }
        // "is not strong or regular": the "not" is in the phrase that fills.
        if said.fills() && said_not && self.no.or_ahead {
            self.no.denial = Denial::One;
            self.no.end = said.found.end;
        }
    }

    /// Sets down a denial: of a finding of several items it denies the one that was named ("no droop, no drift, slurred
    /// speech"). True where it is the whole finding that is denied.
    pub(super) fn deny_items(&self, said: &mut Said, negated: bool) -> bool {
        let items = said.data.deny.as_deref().filter(|d| d.len() > 1).unwrap_or_default();
        for item in said.gathered.iter_mut().filter(|_| negated) {
            if let Some((_, value)) = items.iter().find(|(field, _)| *field == item.field) {
                item.value = value.clone();
            }
        }
        // "no pedal pulse on the right": more of what the phrase itself denied.
        let absent = |d: &Draft| !d.negated && d.fields.contains(&(Field::Present, Value::Flag(false)));
        let more = !said.opens() && self.joins(said) && self.current.as_ref().is_some_and(absent);
        negated && items.is_empty() && !more
    }

    /// A "he has" that ended at `end`.
    pub(super) fn affirm(&mut self, end: usize) {
        self.yes.there = true;
        self.yes.at = end;
        self.yes.end = Some(end);
    }

    /// "no nitro, he took it", "no, she's pregnant", "no he took it": a sentence of its own is not denied.
    pub(super) fn forget_no_before_subject(&mut self, at: usize) {
        let grammar = self.grammar;
        let states = grammar.is_pronoun(self.on, at) || grammar.is_auxiliary(self.on, at + 1);
        let right_behind = self.no.end == at && states;
        if !self.grammar.is_subject(self.on, at) || (self.loose.is_empty() && !right_behind) {
            return;
        }
        if matches!(self.no.denial, Denial::Next { .. } | Denial::One) {
            self.no.denial = Denial::None;
        }
    }

    /// A "no" that ended at `end` begins to deny.
    pub(super) fn deny_next(&mut self, end: usize) {
        self.no.denial = Denial::Next { first: true };
        self.no.end = end;
        self.no.listed = None;
        self.no.closed = None;
    }

    /// A "denies" that ended at `end`.
    pub(super) fn deny_list(&mut self, end: usize) {
        if !self.names_a_place() {
            self.push_current();
        }
        self.no.denial = Denial::List;
        self.no.end = end;
        self.no.listed = None;
        self.no.closed = None;
        self.tell_on();
    }

    /// "belly is without any guarding": only the place was named, and what is denied is denied there.
    fn names_a_place(&self) -> bool {
        let place = |(field, _): &(Field, Value)| matches!(field, Field::Region | Field::Quadrant | Field::Side);
        self.current.as_ref().is_some_and(|d| !d.fields.is_empty() && d.fields.iter().all(place))
    }

    /// "denies any diabetes, any hypertension": a list of denials goes on with one of its kind.
    pub(super) fn denies_on(&self, next: &[Step]) -> bool {
        let kind = |frame: usize| self.grammar.frame(frame).map(|f| f.kind);
        let (Denial::List, Some(listed)) = (self.no.denial, self.no.listed.and_then(kind)) else { return false };
        let said = next.iter().find_map(|step| match step {
            Step::Phrase(found) => Some(self.grammar.phrase(found.phrase)?.role),
            _ => None,
        });
        matches!(said, Some(Role::Open(frame) | Role::Alone(frame)) if kind(frame) == Some(listed))
    }

    /// A "not" that ended at `end`.
    pub(super) fn deny_one(&mut self, end: usize) {
        self.no.denial = Denial::One;
        self.no.end = end;
        self.no.listed = None;
    }

    pub(super) fn ends_in_no(&self, found: &Match) -> bool {
        found.end > found.start + 1 && self.grammar.is_denier(self.on, found.end - 1)
    }

    /// "no just the pneumonia": what is named is there.
    pub(super) fn only_that(&self, at: usize) -> bool {
        at < self.on.tokens.len() && self.grammar.excepts(self.on, at)
    }

    /// "no" denies what follows it without a pause; alone it answers.
    pub(super) fn denies_next(&self, end: usize, next: &[Step]) -> bool {
        if self.answers_a_read_back(end, next) || self.only_that(end) {
            return false;
        }
        for step in next {
            let Some(at) = step.start() else { continue };
            if at >= end && at > 0 && self.break_before(at) >= Break::Comma {
                return false;
            }
            match step {
                Step::Skip { free: true, .. } => continue,
                Step::Skip { .. } => return true,
                Step::Phrase(found) => {
                    let role = self.grammar.phrase(found.phrase).map(|p| p.role);
                    return matches!(role, Some(Role::Open(_) | Role::Alone(_) | Role::Fill(_) | Role::Answer(_)));
                }
                Step::Opened(_) => continue,
            }
        }
        false
    }

    /// "negative one seventy eight" to "pulse eighteen?": a number right behind the "no", or behind what was read back, is
    /// the right one, whether or not the recogniser wrote a comma.
    pub(super) fn answers_a_read_back(&self, end: usize, next: &[Step]) -> bool {
        if self.read_back.is_empty() {
            return false;
        }
        let is_number = |at: usize| self.on.tokens.get(at).is_some_and(|t| t.is_number());
        let mut phrases = next.iter().filter_map(|step| match step {
            Step::Phrase(found) => Some(found),
            _ => None,
        });
        let named = phrases.next().filter(|found| match self.grammar.phrase(found.phrase).map(|p| p.role) {
            Some(Role::Open(frame)) => self.read_back.contains(&frame),
            _ => false,
        });
        is_number(end) || (named.is_some() && phrases.next().is_some_and(|found| is_number(found.start)))
    }

    /// "he is lying about the drugs": what is not understood stands between, and is no word of the thing itself ("he has
    /// horrendous chest pain").
    pub(super) fn astray(&self, start: usize) -> bool {
        let affirmed = self.yes.at;
        let last = self.strays.iter().rev().find(|at| **at >= affirmed && **at < start);
        // "he is faking a seizure": what describes a thing stands behind its article.
        last.is_some_and(|at| at + 1 < start || self.on.is_free(at + 1))
    }
}

/// "no meds, just metformin": what is named is taken, and "and lisinopril" behind it is too.
fn names_the_exception(said: &Said) -> bool {
    matches!(said.data.kind, Kind::HomeMedication | Kind::Allergy)
        && !says_absent(said.phrase)
        && said.gathered.iter().any(|g| g.field == Field::Name)
}
