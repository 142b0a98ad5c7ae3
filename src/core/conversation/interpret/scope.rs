//! In which mood something is said: told, asked, done, wished, of somebody else. What is not told records nothing.

use super::Reader;
use super::draft::{Draft, has_value, is_mere};
use super::polarity::Denial;
use super::question::Answer;
use super::record::Said;
use crate::core::finding::{Field, Kind, Value};
use crate::core::grammar::{Match, Mood, Phrase, Role, Step};
use crate::core::text::Break;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Tone {
    Says,
    Asks,
    AsksWhich,
    Narrates,
    NarratesPurpose,
    /// About somebody or something else, up to the next pause.
    Elsewhere,
    /// About what should be, to the end of the sentence.
    Silent,
    /// About a child just born, to the end of the sentence: of it this record keeps how it came and its scores.
    Newborn,
}

/// What of a newborn stands in the mother's record.
const OF_BIRTH: [Kind; 3] = [Kind::Apgar, Kind::Procedure, Kind::Milestone];

/// What the mood makes of a phrase.
pub(super) enum Heard {
    Nothing,
    Asked,
    /// Named while something else was done.
    ByTheWay,
    Told,
}

impl Reader<'_> {
    /// Whether a phrase tells, and what ends the question or the action that it stands in.
    pub(super) fn hears(&mut self, said: &Said) -> Heard {
        if self.only_describes(said) {
            return Heard::Nothing;
        }
        match self.tone {
            Tone::Says if self.is_offered(said) => Heard::Asked,
            Tone::Says => Heard::Told,
            Tone::Newborn if OF_BIRTH.contains(&said.data.kind) => Heard::Told,
            Tone::Newborn | Tone::Silent | Tone::Elsewhere | Tone::NarratesPurpose => Heard::Nothing,
            Tone::Narrates => self.hears_of_action(said),
            Tone::Asks | Tone::AsksWhich => self.hears_in_question(said),
        }
    }

    /// "no crushing chest pain": the pain is denied or asked about, and not how it feels.
    fn only_describes(&self, said: &Said) -> bool {
        let describes = said.data.in_text && !said.deniable() && !said.phrase.before.is_empty();
        describes && (self.no.denial != Denial::None || self.tone != Tone::Says)
    }

    /// "what is the pain like, sharp, dull": what is offered with the question answers nothing.
    fn is_offered(&self, said: &Said) -> bool {
        let asked = self.asking.open.last().is_some_and(|q| q.kind == said.data.kind && q.which);
        asked && self.asking.for_value && !said.numeric() && is_mere(said.found)
    }

    fn hears_of_action(&mut self, said: &Said) -> Heard {
        let told = !said.opens() || said.alone() && said.data.vital && said.numeric();
        if told { self.tells() } else { self.named_by_the_way() }
    }

    fn named_by_the_way(&mut self) -> Heard {
        self.push_current();
        Heard::ByTheWay
    }

    fn hears_in_question(&mut self, said: &Said) -> Heard {
        if self.orders_behind_question(said) {
            return self.tells();
        }
        if self.denies_what_was_asked(said) {
            self.asking.open.clear();
            return self.tells();
        }
        let value = match self.tone {
            Tone::AsksWhich => said.numeric() && (said.data.vital || !said.opens()),
            _ => self.measures_behind_question(said),
        };
        if !value {
            return Heard::Asked;
        }
        self.asking.open.retain(|q| q.frame != said.frame);
        self.tells()
    }

    fn tells(&mut self) -> Heard {
        self.tone = Tone::Says;
        Heard::Told
    }

    pub(super) fn asks(&self) -> bool {
        matches!(self.tone, Tone::Asks | Tone::AsksWhich)
    }

    /// "still wheezing, pressure ninety over fifty four": a vital sign with its value behind a pause is told.
    fn measures_behind_question(&mut self, said: &Said) -> bool {
        let paused = self.break_before(said.start()) >= Break::Comma;
        let begins = said.opens() && (paused || self.begins_behind_question(said.start()));
        let named = self.asking.named_vital == Some((said.frame, said.start()));
        let told = said.numeric() && said.data.vital && (begins || named);
        if !told {
            let names = begins && said.data.vital && said.gathered.is_empty();
            self.asking.named_vital = names.then_some((said.frame, said.found.end));
        }
        told
    }

    /// "any allergies, no known drug allergies": a recogniser writes a comma where a question mark belongs, and a phrase
    /// that begins with a "no" of its own, of the kind that was just asked about, answers.
    fn denies_what_was_asked(&self, said: &Said) -> bool {
        let paused = self.break_before(said.start()) >= Break::Comma;
        let asked = self.asking.open.last().is_some_and(|q| q.kind == said.data.kind && !q.negative);
        paused && asked && said.alone() && !self.asking.negative && self.grammar.is_denier(self.on, said.start())
    }

    /// "any belly pain let's give her a nitro": an order, where the question has had its words. "Or" asks on.
    fn orders_behind_question(&self, said: &Said) -> bool {
        let orders = matches!(said.data.kind, Kind::MedicationPlanned | Kind::MedicationWithheld);
        let had = self.is_led_by_pause(said.start()) || !self.asking.open.is_empty();
        orders && said.opens() && had && self.begins_behind_question(said.start())
    }

    /// A pause before it, or before the words that mean nothing and lead up to it: "still hurting, so I'm giving ...".
    fn is_led_by_pause(&self, at: usize) -> bool {
        let free = |at: usize| self.on.is_free(at) && !self.grammar.is_or(self.on, at);
        let mut first = at;
        while self.break_before(first) < Break::Comma && first.checked_sub(1).is_some_and(free) {
            first -= 1;
        }
        self.break_before(first) >= Break::Comma
    }

    /// A recogniser that writes no pause: what stands at `at` may begin a sentence of its own.
    fn begins_behind_question(&self, at: usize) -> bool {
        let joins = |before: usize| self.grammar.is_or(self.on, before) || self.grammar.is_and(self.on, before);
        self.asking.beyond && !at.checked_sub(1).is_some_and(joins)
    }

    pub(super) fn boundary(&mut self, at: usize) {
        match self.break_before(at) {
            Break::Question => {
                self.turn_into_question(at);
                self.begin_sentence();
            }
            Break::Stop => self.begin_sentence(),
            Break::Comma => self.begin_clause(at),
            _ => {}
        }
    }

    /// What holds for a sentence ends with it.
    fn begin_sentence(&mut self) {
        self.tone = Tone::Says;
        self.asking.for_value = false;
        self.asking.still = false;
        self.asking.negative = false;
        self.no.denial = Denial::None;
        self.yes.there = false;
        self.yes.turned = false;
        self.restated = false;
        self.was = false;
        self.source.clear();
        self.time = None;
    }

    /// What ends at a comma already.
    fn begin_clause(&mut self, at: usize) {
        self.time.take_if(|(_, end)| *end != at);
        if matches!(self.tone, Tone::AsksWhich | Tone::Narrates | Tone::Elsewhere) {
            self.tone = Tone::Says;
        }
        self.asks_behind_comma(at);
        // "still wheezing, she's not any better" goes on to tell.
        let tells = self.grammar.is_subject(self.on, at) && self.grammar.is_auxiliary(self.on, at + 1);
        if self.tone == Tone::Asks && tells {
            self.tone = Tone::Says;
        }
        // "no nitro, systolic eighty eight": the "no" was spent on what was not understood.
        let spent = self.lost_behind_no() && self.no.denial != Denial::One;
        if self.no.denial == Denial::One || spent {
            self.no.denial = Denial::None;
        }
        self.was = false;
    }

    /// "his skin, is it warm": named and then asked about.
    pub(super) fn asks_behind_comma(&mut self, at: usize) {
        let asks = self.grammar.is_auxiliary(self.on, at) && self.grammar.is_subject(self.on, at + 1);
        if asks && self.tone == Tone::Says {
            self.push_current();
            self.close_questions();
            self.tone = Tone::Asks;
        }
    }

    pub(super) fn guard(&mut self, guard: usize, phrase: &Phrase, found: &Match, next: &[Step]) {
        let Some(mood) = self.grammar.guard(guard).map(|g| g.mood) else { return };
        if self.goes_on(mood, found) || mood == Mood::Question && self.denies_on(next) {
            return;
        }
        self.meaning.aside = true;
        self.push_current();
        self.last_complete = false;
        self.no.denial = Denial::None;
        match mood {
            Mood::Condition => self.undo_clause(found.start),
            Mood::Past => self.undo_measured(found.start),
            Mood::NotHere => self.undo_told(found.start, !phrase.behind.is_empty()),
            _ => {}
        }
        match mood {
            // "did you get the one twenty over eighty" goes on asking.
            Mood::Narrated if self.tone == Tone::Asks && self.break_before(found.start) < Break::Comma => {}
            Mood::AnyOf | Mood::Question | Mood::Which => self.begin_question(mood, phrase, found),
            Mood::Narrated => self.tone = Tone::Narrates,
            Mood::Other | Mood::Past | Mood::NotHere => self.tone = Tone::Elsewhere,
            Mood::Newborn => self.tone = Tone::Newborn,
            _ => self.tone = Tone::Silent,
        }
    }

    /// A guard that leaves what is said as it is, or turns only what it stands beside.
    fn goes_on(&mut self, mood: Mood, found: &Match) -> bool {
        match mood {
            Mood::Purpose if self.tone == Tone::Narrates => self.tone = Tone::NarratesPurpose,
            Mood::Purpose => {}
            Mood::Was if self.time.is_some() => {}
            Mood::Was => self.restates_what_was(),
            Mood::Restated => self.restated = true,
            // "he takes aspirin, doesn't he".
            Mood::Tag => self.ask_back(found),
            // The list that it asks about may go on.
            Mood::AnyOf if self.asks() || self.denied_before(found.start) => {}
            // "no change, still wheezing" tells.
            Mood::Question if self.tells_still(found) => self.asking.still = true,
            _ => return false,
        }
        true
    }

    /// "pulse was ninety". What others measured before us is told for the first time.
    fn restates_what_was(&mut self) {
        if self.source.contains(&(Field::ReportedBy, Value::text("other_agency"))) {
            return;
        }
        self.was = true;
        if let Some(draft) = &mut self.current {
            draft.restated |= self.grammar.is_vital(draft.frame) && !has_value(draft);
        }
    }

    fn begin_question(&mut self, mood: Mood, phrase: &Phrase, found: &Match) {
        self.close_questions();
        self.tone = if mood == Mood::Which { Tone::AsksWhich } else { Tone::Asks };
        self.asking.for_value = mood == Mood::Which;
        self.asking.beyond = false;
        self.asking.number = false;
        self.asking.negative = phrase.negative;
        self.asking.still = (found.start..found.end).any(|at| self.grammar.is_still(self.on, at));
    }

    /// Where the clause begins that goes on at the word `end`.
    pub(super) fn clause_of(&self, end: usize) -> usize {
        (0..=end).rev().find(|&i| i == 0 || self.break_before(i) >= Break::Comma).unwrap_or(0)
    }

    /// "A heart rate of forty last year" is none of now; "since last night" it may be.
    pub(super) fn undo_measured(&mut self, end: usize) {
        let begin = self.clause_of(end);
        if end.checked_sub(1).is_some_and(|before| self.grammar.is_since(self.on, before)) {
            return;
        }
        let grammar = self.grammar;
        let measured = |d: &Draft| grammar.is_vital(d.frame) || d.kind == Kind::OxygenCylinder;
        self.meaning.drafts.retain(|d| d.words.start < begin || !measured(d));
    }

    /// "Aspirin and nitro are in the drug box": the clause told nothing of this patient. Behind a pause the last thing told is
    /// meant ("pulse is a hundred and, lost it"), where the words belong to what is open.
    fn undo_told(&mut self, end: usize, of_open: bool) {
        let begin = self.clause_of(end);
        if begin < end {
            self.meaning.drafts.retain(|d| d.words.start < begin);
        } else if of_open {
            self.meaning.drafts.pop();
        }
    }

    /// "start CPR if you lose the pulse": nothing was started.
    pub(super) fn undo_clause(&mut self, end: usize) {
        let begin = self.clause_of(end);
        let acts = |kind: Kind| matches!(kind, Kind::Procedure | Kind::Oxygen | Kind::Spinal | Kind::ResourceRequest);
        self.meaning.drafts.retain(|d| d.words.start < begin || !acts(d.kind));
    }

    /// A "still" behind a "no change" asks nothing.
    pub(super) fn tells_still(&self, found: &Match) -> bool {
        let told = self.meaning.answers.iter().any(|a| a.answer == Answer::Unchanged && a.questions.is_empty());
        told && self.grammar.is_still(self.on, found.start)
    }

    /// "viagra, cialis, any of those": what stands before it in the sentence is asked about.
    pub(super) fn asks_of_list(&self, steps: &[Step]) -> bool {
        let asked = steps.iter().find_map(|step| match step {
            Step::Phrase(found) => match self.grammar.phrase(found.phrase).map(|p| p.role) {
                Some(Role::Guard(guard)) if self.grammar.guard(guard)?.mood == Mood::AnyOf => Some(found.start),
                _ => None,
            },
            _ => None,
        });
        asked.is_some_and(|end| (1..=end).all(|at| self.break_before(at) < Break::Stop) && !self.denied_before(end))
    }

    /// "no viagra or anything like that" asks about none.
    fn denied_before(&self, end: usize) -> bool {
        let denies = |at: usize| self.grammar.is_denier(self.on, at) || self.grammar.denies_lists(self.on, at);
        (0..end).any(denies)
    }
}
