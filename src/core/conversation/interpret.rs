//! One derivation read from left to right: who speaks of what, in which mood, with which polarity.
//!
//! The result is drafts of findings, questions and acts; what the conversation makes of them is decided elsewhere.

use std::ops::Range;

use chrono::{DateTime, FixedOffset};
use serde_json::{Map, Value as Json};

use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::grammar::{
    Act, Asks, Cap, CapValue, Derivation, Frame, Gathered, Grammar, Match, Mood, NumberRule, Phrase, Role, Step,
    Target, Utterance, gather,
};
use crate::core::text::Break;

/// A finding being gathered.
#[derive(Clone, Debug, PartialEq)]
pub struct Draft {
    pub frame: usize,
    pub kind: Kind,
    pub fields: Vec<(Field, Value)>,
    /// Fields nobody said, set last.
    pub defaults: Vec<(Field, Value)>,
    /// From this dose on no usual route is known.
    pub usual_below: Option<Decimal>,
    /// Numbers with the rules they must keep, and the words.
    pub numbers: Vec<Checked>,
    pub negated: bool,
    pub restated: bool,
    /// Began as the answer to a question of an earlier utterance.
    pub answers: bool,
    /// Behind a "correction" in this utterance.
    pub corrects: bool,
    pub confirm: Vec<(Field, String)>,
    pub unchanged: bool,
    /// Said without a verb.
    pub bare: bool,
    /// Said by a phrase that stands alone, even one that sets nothing ("it is in").
    pub whole: bool,
    pub words: Range<usize>,
    /// When it happened, said beside it.
    pub at: Option<Value>,
    /// A word beside it that may turn it round.
    pub unclear: Option<String>,
    pub leads: bool,
    /// Behind a "copy" or before a "got it".
    pub copies: bool,
    /// Taken over from the value before it ("one forty over ninety on the left, one thirty over eighty on the right").
    pub inherited: Vec<Field>,
    /// Its place is that of the sign alone ("JVD"): no other sign's.
    pub own_place: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Checked {
    pub field: Field,
    pub value: Decimal,
    pub rule: Option<NumberRule>,
    pub impossible: bool,
    pub said: String,
}

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
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Meaning {
    pub drafts: Vec<Draft>,
    pub questions: Vec<Vec<Question>>,
    pub answers: Vec<Answered>,
    /// Numbers left beside a finding that was complete.
    pub stray: Vec<String>,
    /// Measured things whose value was said twice, once behind a "no".
    pub contested: Vec<Kind>,
    /// Runs of numbers left beside whatever was said.
    pub numbers: Vec<String>,
    /// Times of day left beside a finding.
    pub times: Vec<String>,
    /// A number that began the breath, before a measured value.
    pub lead: Vec<String>,
    pub commands: Vec<Map<String, Json>>,
    /// A command is all that was said.
    pub nothing_else: bool,
    /// Something else was talked about than what was found: "let us get him out".
    pub aside: bool,
    pub leftover: Vec<String>,
    pub corrects: bool,
    pub retracts: bool,
    pub wrong_person: bool,
    pub handover: bool,
    pub handover_ends: bool,
    pub copies: bool,
    pub addressed: bool,
    pub explain: Vec<String>,
}

/// How far a negation reaches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Denial {
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

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Tone {
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

/// `read_back`: the frames of what was read back aloud and waits for its answer.
pub fn interpret(
    grammar: &Grammar,
    on: &Utterance,
    derivation: &Derivation,
    now: &DateTime<FixedOffset>,
    read_back: &[usize],
) -> Meaning {
    let mut reader = Reader {
        grammar,
        on,
        now,
        read_back,
        meaning: Meaning::default(),
        current: None,
        tone: Tone::Says,
        denial: Denial::None,
        negative: false,
        still: false,
        was: false,
        positive: false,
        positive_at: 0,
        turned: false,
        restated: false,
        correcting: false,
        either: false,
        about: false,
        telling: Vec::new(),
        strays: Vec::new(),
        affirms: None,
        denied: usize::MAX,
        lost: 0,
        source: Vec::new(),
        asked: Vec::new(),
        named_vital: None,
        time: None,
        opened: None,
        in_question: false,
        beyond: false,
        last_complete: false,
        named: Vec::new(),
        listed: None,
        ored: false,
        or_ahead: false,
        closed: None,
        loose: Vec::new(),
    };
    if reader.asks_of_list(&derivation.steps) {
        reader.tone = Tone::Asks;
    }
    for (at, step) in derivation.steps.iter().enumerate() {
        reader.step(step, derivation.steps.get(at + 1..).unwrap_or_default());
    }
    reader.finish()
}

struct Reader<'a> {
    grammar: &'a Grammar,
    on: &'a Utterance,
    now: &'a DateTime<FixedOffset>,
    read_back: &'a [usize],
    meaning: Meaning,
    current: Option<Draft>,
    tone: Tone,
    denial: Denial,
    negative: bool,
    still: bool,
    was: bool,
    /// "does have": what follows is there.
    positive: bool,
    /// Where that was said.
    positive_at: usize,
    /// Behind a "but": what was denied before it is not denied behind it.
    turned: bool,
    restated: bool,
    correcting: bool,
    either: bool,
    about: bool,
    telling: Vec<usize>,
    /// Words that belong to nothing.
    strays: Vec<usize>,
    /// Where a "he has" ended: what stands right behind it is affirmed.
    affirms: Option<usize>,
    /// Where a "denies", "no" or "not" ended.
    denied: usize,
    /// Where the last word that belongs to nothing ended.
    lost: usize,
    /// Who reported what follows, before arrival or not.
    source: Vec<(Field, Value)>,
    /// Questions of this utterance not yet answered.
    asked: Vec<Question>,
    /// The vital sign that was just named behind a pause in a question, and the word at which its value would begin.
    named_vital: Option<(usize, usize)>,
    /// When what follows happened, and where the words of it end.
    time: Option<(Value, usize)>,
    opened: Option<usize>,
    /// A question for a value was put in this sentence.
    in_question: bool,
    /// What the question asks for was named, or words that belong to nothing stood behind it: without a pause too, more may
    /// be told now.
    beyond: bool,
    /// The last thing heard was a measured value that lacks nothing.
    last_complete: bool,
    /// The fields that the last phrase set.
    named: Vec<Field>,
    /// The frame of what a denial has denied so far.
    listed: Option<usize>,
    /// An "or" stood right before what comes now, or stands further on in the sentence.
    ored: bool,
    or_ahead: bool,
    /// The "or" of a denied list was said: what comes behind a comma is no more of it.
    closed: Option<usize>,
    loose: Vec<usize>,
}

impl Reader<'_> {
    fn break_before(&self, at: usize) -> Break {
        at.checked_sub(1).and_then(|b| self.on.tokens.get(b)).map_or(Break::None, |t| t.after)
    }

    fn step(&mut self, step: &Step, next: &[Step]) {
        match step {
            Step::Opened(frame) => self.opened = Some(*frame),
            Step::Skip { at, free } => {
                self.boundary(*at);
                self.skip(*at, *free);
            }
            Step::Phrase(found) => {
                self.boundary(found.start);
                for at in found.start + 1..found.end {
                    if self.break_before(at) == Break::Comma {
                        self.asks_behind_comma(at);
                    }
                }
                let Some(phrase) = self.grammar.phrase(found.phrase) else { return };
                let said = self.on.said(found.start, found.end);
                self.meaning.explain.push(format!("{}:{} `{}` <- \"{said}\"", phrase.file, phrase.line, phrase.text));
                self.forget_no_before_subject(found.start);
                self.flush_loose();
                self.or_ahead = self.or_follows(next);
                match phrase.role {
                    Role::Guard(guard) => self.guard(guard, phrase, found),
                    Role::Talk(talk) => self.talk(talk, found, next),
                    Role::Command(command) => self.command(command, phrase, found),
                    Role::Open(frame) | Role::Alone(frame) | Role::Fill(frame) | Role::Answer(frame) => {
                        self.frame(frame, phrase, found);
                    }
                }
            }
        }
    }

    fn flush_loose(&mut self) {
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
    fn dated(&self, at: usize) -> bool {
        at.checked_sub(1).is_none_or(|before| {
            self.grammar.is_about(self.on, before) || self.on.tokens.get(before).is_some_and(|t| t.text == "at")
        })
    }

    /// "viagra, cialis, any of those": what stands before it in the sentence is asked about.
    fn asks_of_list(&self, steps: &[Step]) -> bool {
        let asked = steps.iter().find_map(|step| match step {
            Step::Phrase(found) => match self.grammar.phrase(found.phrase).map(|p| p.role) {
                Some(Role::Guard(guard)) if self.grammar.guard(guard)?.mood == Mood::AnyOf => Some(found.start),
                _ => None,
            },
            _ => None,
        });
        asked.is_some_and(|end| (1..=end).all(|at| self.break_before(at) < Break::Stop))
    }

    fn asks(&self) -> bool {
        matches!(self.tone, Tone::Asks | Tone::AsksWhich)
    }

    /// "any belly pain let's give her a nitro": an order, where the question has had its words. "Or" asks on.
    fn orders_behind_question(&self, kind: Kind, opens: bool, found: &Match) -> bool {
        let orders = matches!(kind, Kind::MedicationPlanned | Kind::MedicationWithheld);
        let paused = self.break_before(found.start) >= Break::Comma;
        orders && opens && (paused || !self.asked.is_empty()) && self.begins_behind_question(found.start)
    }

    /// A recogniser that writes no pause: what stands at `at` may begin a sentence of its own.
    fn begins_behind_question(&self, at: usize) -> bool {
        let joined = at.checked_sub(1).is_some_and(|b| self.on.tokens.get(b).is_some_and(|t| t.text == "or"))
            || at > 0 && self.grammar.is_and(self.on, at - 1);
        self.beyond && !joined
    }

    fn boundary(&mut self, at: usize) {
        match self.break_before(at) {
            Break::Stop | Break::Question => {
                if self.break_before(at) == Break::Question {
                    self.turn_into_question(at);
                }
                self.tone = Tone::Says;
                self.in_question = false;
                self.denial = Denial::None;
                self.positive = false;
                self.turned = false;
                self.restated = false;
                self.was = false;
                self.still = false;
                self.negative = false;
                self.source.clear();
                self.time = None;
            }
            Break::Comma => {
                self.time.take_if(|(_, end)| *end != at);
                if matches!(self.tone, Tone::AsksWhich | Tone::Narrates | Tone::Elsewhere) {
                    self.tone = Tone::Says;
                }
                self.asks_behind_comma(at);
                // "still wheezing, she's not any better" goes on to tell.
                if self.tone == Tone::Asks
                    && self.grammar.is_subject(self.on, at)
                    && self.grammar.is_auxiliary(self.on, at + 1)
                {
                    self.tone = Tone::Says;
                }
                // "no nitro, systolic eighty eight": the "no" was spent on what was not understood.
                let spent = self.lost > self.denied && self.denial == Denial::Next { first: true };
                if self.denial == Denial::One || spent {
                    self.denial = Denial::None;
                }
                self.was = false;
            }
            _ => {}
        }
    }

    /// "his skin, is it warm": named and then asked about.
    fn asks_behind_comma(&mut self, at: usize) {
        let asks = self.grammar.is_auxiliary(self.on, at) && self.grammar.is_subject(self.on, at + 1);
        if asks && self.tone == Tone::Says {
            self.push_current();
            self.close_questions();
            self.tone = Tone::Asks;
        }
    }

    fn skip(&mut self, at: usize, free: bool) {
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
        self.beyond |= self.asks();
        self.loose.push(at);
        self.strays.push(at);
        self.lost = at + 1;
        self.push_current();
        if self.tone == Tone::Says && self.grammar.is_telling(self.on, at) {
            self.telling.push(at);
        }
    }

    /// "no nitro, he took it", "no, she's pregnant": a sentence of its own is not denied.
    fn forget_no_before_subject(&mut self, at: usize) {
        let right_behind = self.denied == at && self.grammar.is_auxiliary(self.on, at + 1);
        if !self.grammar.is_subject(self.on, at) || (self.loose.is_empty() && !right_behind) {
            return;
        }
        if matches!(self.denial, Denial::Next { .. } | Denial::One) {
            self.denial = Denial::None;
        }
    }

    /// A word left over beside a finding that may turn it round ("aspirin, refused") makes it a question.
    fn mark_unclear(&mut self) {
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
    fn count_as_stock(&mut self) {
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
    fn mark_cut_short(&mut self) {
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

    /// Nothing but free words was heard so far.
    fn leads(&self) -> bool {
        self.meaning.lead.is_empty()
            && self.loose.is_empty()
            && self.meaning.explain.is_empty()
            && self.meaning.leftover.is_empty()
    }

    fn guard(&mut self, guard: usize, phrase: &Phrase, found: &Match) {
        let Some(mood) = self.grammar.guard(guard).map(|g| g.mood) else { return };
        match mood {
            Mood::Purpose => {
                if self.tone == Tone::Narrates {
                    self.tone = Tone::NarratesPurpose;
                }
                return;
            }
            Mood::Was if self.time.is_some() => return,
            Mood::Was => {
                self.was = true;
                if let Some(draft) = &mut self.current {
                    draft.restated |= self.grammar.frame(draft.frame).is_some_and(|f| f.vital) && !has_value(draft);
                }
                return;
            }
            Mood::Restated => {
                self.restated = true;
                return;
            }
            // "he takes aspirin, doesn't he".
            Mood::Tag => {
                self.ask_back(found);
                return;
            }
            // The list that it asks about may go on.
            Mood::AnyOf if self.asks() => return,
            // "no change, still wheezing" tells.
            Mood::Question if self.tells_still(found) => {
                self.still = true;
                return;
            }
            _ => {}
        }
        self.meaning.aside = true;
        self.push_current();
        self.last_complete = false;
        self.denial = Denial::None;
        match mood {
            Mood::Condition => self.undo_clause(found.start),
            Mood::Past => self.undo_measured(found.start),
            _ => {}
        }
        match mood {
            // "did you get the one twenty over eighty" goes on asking.
            Mood::Narrated if self.tone == Tone::Asks && self.break_before(found.start) < Break::Comma => {}
            Mood::AnyOf | Mood::Question | Mood::Which => {
                self.close_questions();
                self.tone = if mood == Mood::Which { Tone::AsksWhich } else { Tone::Asks };
                self.in_question = mood == Mood::Which;
                self.beyond = false;
                self.negative = phrase.negative;
                self.still = self.on.said(found.start, found.end).to_lowercase().contains("still");
            }
            Mood::Narrated => self.tone = Tone::Narrates,
            Mood::Other | Mood::Past => self.tone = Tone::Elsewhere,
            Mood::Newborn => self.tone = Tone::Newborn,
            _ => self.tone = Tone::Silent,
        }
    }

    /// Where the clause begins that goes on at the word `end`.
    fn clause_of(&self, end: usize) -> usize {
        (0..=end).rev().find(|&i| i == 0 || self.break_before(i) >= Break::Comma).unwrap_or(0)
    }

    /// "A heart rate of forty last year" is none of now; "since last night" it may be.
    fn undo_measured(&mut self, end: usize) {
        let begin = self.clause_of(end);
        if end > 0 && self.on.said(end - 1, end).eq_ignore_ascii_case("since") {
            return;
        }
        let grammar = self.grammar;
        let vital = |frame: usize| grammar.frame(frame).is_some_and(|f| f.vital);
        self.meaning.drafts.retain(|d| d.words.start < begin || !vital(d.frame));
    }

    /// "start CPR if you lose the pulse": nothing was started.
    fn undo_clause(&mut self, end: usize) {
        let begin = self.clause_of(end);
        let acts = |kind: Kind| matches!(kind, Kind::Procedure | Kind::Oxygen | Kind::Spinal | Kind::ResourceRequest);
        self.meaning.drafts.retain(|d| d.words.start < begin || !acts(d.kind));
    }

    /// A "still" behind a "no change" asks nothing.
    fn tells_still(&self, found: &Match) -> bool {
        let told = self.meaning.answers.iter().any(|a| a.answer == Answer::Unchanged && a.questions.is_empty());
        told && self.on.said(found.start, found.start + 1).eq_ignore_ascii_case("still")
    }

    fn close_questions(&mut self) {
        let asked = std::mem::take(&mut self.asked);
        if !asked.is_empty() {
            self.meaning.questions.push(asked);
        }
        self.either = false;
    }

    fn talk(&mut self, talk: usize, found: &Match, next: &[Step]) {
        let Some(act) = self.grammar.act(talk) else { return };
        match act {
            Act::Yes => self.answer(Answer::Yes, found.start),
            Act::NoneOf => self.answer(Answer::NoneOf, found.start),
            Act::Unsure => self.answer(Answer::Unsure, found.start),
            Act::No if self.denies_next(found.end, next) => self.deny_next(found.end),
            Act::No | Act::Absent if self.absent(found.start, false) => {}
            Act::AllAbsent if self.absent(found.start, true) => {}
            Act::Denies if self.on.ends_clause(found.end) && self.absent(found.start, false) => {}
            Act::No => self.answer(Answer::No, found.start),
            Act::Absent | Act::AllAbsent => {}
            Act::Unchanged => self.unchanged(found),
            Act::Still => self.still = true,
            Act::Denies => {
                self.push_current();
                self.denial = Denial::List;
                self.denied = found.end;
                self.listed = None;
                self.closed = None;
                if self.tone != Tone::Silent {
                    self.tone = Tone::Says;
                }
            }
            Act::Not => {
                self.denial = Denial::One;
                self.denied = found.end;
                self.listed = None;
            }
            Act::Positive => {
                self.denial = Denial::None;
                self.positive = true;
                self.positive_at = found.end;
                self.affirms = Some(found.end);
            }
            Act::And => {}
            // "And no aspirin": with nothing denied before it, it begins a denial.
            Act::Or if self.denial == Denial::None && self.ends_in_no(found) && self.denies_next(found.end, next) => {
                self.deny_next(found.end);
            }
            Act::Or => {
                self.either = true;
                self.ored = true;
            }
            Act::But => {
                self.denial = Denial::None;
                self.turned = true;
                if self.tone != Tone::Silent {
                    self.tone = Tone::Says;
                }
            }
            Act::Correct => {
                self.push_current();
                self.correcting = true;
                self.meaning.corrects = true;
                self.tone = Tone::Says;
                self.denial = Denial::None;
            }
            Act::Retract => {
                self.push_current();
                if self.meaning.drafts.is_empty() {
                    self.meaning.retracts = true;
                } else {
                    // Said and taken back in one breath.
                    self.meaning.drafts.clear();
                }
            }
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
            Act::Under | Act::Over => {}
        }
    }

    fn reported(&mut self, by: &str, found: &Match) {
        self.push_current();
        // "no loss of consciousness, per the wife": who told what was just said.
        let told = self.meaning.drafts.last_mut().filter(|d| {
            let vital = self.grammar.frame(d.frame).is_some_and(|f| f.vital);
            let joined = (d.words.end..found.start).all(|at| self.on.free.get(at).copied().unwrap_or(false));
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
        if self.tone != Tone::Silent {
            self.tone = Tone::Says;
        }
    }

    fn before(&mut self) {
        let set = (Field::BeforeArrival, Value::Flag(true));
        match self.current.as_mut().or(self.meaning.drafts.last_mut()) {
            Some(draft) => draft.fields.push(set),
            None => self.source.push(set),
        }
    }

    /// "at fourteen ten": of what was just said, or where a clause begins of what follows.
    fn happened(&mut self, found: &Match) {
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

    /// "negative one seventy eight" to "pulse eighteen?": a number right behind the "no", or behind what was read back, is
    /// the right one, whether or not the recogniser wrote a comma.
    fn answers_a_read_back(&self, end: usize, next: &[Step]) -> bool {
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

    /// "JVD negative", "swelling, none", "wheezing and crackles absent": a no behind signs or symptoms just named denies
    /// them; `all` of the sentence, or those joined to the last. False where nothing that can be denied stands there.
    fn absent(&mut self, at: usize, all: bool) -> bool {
        self.absent_before(at, all, None)
    }

    /// The same, from a phrase of `list` that denies in its last words ("wheezing and crackles absent").
    fn absent_before(&mut self, at: usize, all: bool, list: Option<usize>) -> bool {
        let mut denied = list.is_some();
        let (mut next, mut frame, mut across) = (at, list, true);
        let drafts = self.meaning.drafts.iter_mut().chain(self.current.as_mut()).rev();
        for draft in drafts {
            let end = draft.words.end;
            let pause = (end.saturating_sub(1)..next)
                .filter_map(|i| self.on.tokens.get(i).map(|t| t.after))
                .fold(Break::None, Break::max);
            let joined = (end..next).all(|i| self.on.free.get(i).copied().unwrap_or(false));
            let listed = all || !denied || (pause < Break::Comma && frame == Some(draft.frame));
            if !joined || pause >= Break::Stop || !listed || !across {
                break;
            }
            if !turn_round(self.grammar, draft, (!denied).then_some(self.named.as_slice())) {
                break;
            }
            (denied, next, frame) = (true, draft.words.start, Some(draft.frame));
            // The last of several items of one finding alone was named last.
            across = self.grammar.frame(draft.frame).is_some_and(|f| f.deny.as_ref().is_some_and(|d| d.len() == 1));
        }
        denied
    }

    /// A "no" that ended at `end` begins to deny.
    fn deny_next(&mut self, end: usize) {
        self.denial = Denial::Next { first: true };
        self.denied = end;
        self.listed = None;
        self.closed = None;
    }

    fn ends_in_no(&self, found: &Match) -> bool {
        found.end > found.start + 1 && self.grammar.is_denier(self.on, found.end - 1)
    }

    /// "no just the pneumonia": what is named is there.
    fn only_that(&self, at: usize) -> bool {
        at < self.on.tokens.len() && self.grammar.excepts(self.on, at)
    }

    /// "no" denies what follows it without a pause; alone it answers.
    fn denies_next(&self, end: usize, next: &[Step]) -> bool {
        if self.answers_a_read_back(end, next) || self.only_that(end) {
            return false;
        }
        for step in next {
            let at = match step {
                Step::Skip { at, .. } => *at,
                Step::Phrase(found) => found.start,
                Step::Opened(_) => continue,
            };
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

    fn answer(&mut self, answer: Answer, at: usize) {
        self.push_current();
        let questions = std::mem::take(&mut self.asked);
        self.meaning.answers.push(Answered { answer, questions, at });
        self.tone = Tone::Says;
        self.denial = Denial::None;
        self.either = false;
    }

    /// "no change": of what was just named, or else of what was asked.
    fn unchanged(&mut self, found: &Match) {
        if self.tone == Tone::Silent {
            return;
        }
        let named = self.current.as_mut().filter(|d| !has_value(d));
        match named {
            Some(draft) => draft.unchanged = true,
            None => {
                self.push_current();
                let questions = std::mem::take(&mut self.asked);
                let answer = Answer::Unchanged;
                self.meaning.answers.push(Answered { answer, questions, at: found.start });
                self.tone = Tone::Says;
            }
        }
    }

    fn command(&mut self, command: usize, phrase: &Phrase, found: &Match) {
        let Some(entry) = self.grammar.command(command) else { return };
        let mut map = Map::new();
        map.insert("command".into(), entry.command.clone().into());
        for (key, value) in entry.sets.iter().chain(&phrase.command_sets) {
            map.insert(key.clone(), json(value));
        }
        for cap in &found.caps {
            let Some(Target::Key(key)) = self.grammar.slot(cap.slot).map(|s| &s.target) else { continue };
            let value = match &cap.value {
                CapValue::Item { list, item } => {
                    let item = self.grammar.item(*list, *item);
                    item.and_then(|i| i.sets.first()).map_or(Json::Null, |(_, v)| json(v))
                }
                CapValue::Number(number) => serde_json::to_value(number).unwrap_or(Json::Null),
                CapValue::Text(text) => text.clone().into(),
                CapValue::Seconds { seconds, .. } => (seconds / 60).into(),
                CapValue::Clock(clock) => format!("{:02}:{:02}", clock.hour, clock.minute).into(),
                CapValue::Month { year, month } => format!("{year:04}-{month:02}").into(),
            };
            map.insert(key.clone(), value);
        }
        self.meaning.nothing_else |= found.start == 0 && found.end == self.on.tokens.len();
        self.meaning.commands.push(map);
    }

    fn frame(&mut self, frame: usize, phrase: &Phrase, found: &Match) {
        let Some(data) = self.grammar.frame(frame) else { return };
        let gathered = gather(self.grammar, found, data.kind, self.now);
        let numeric = gathered.iter().any(|g| g.number.is_some());
        let paused = self.break_before(found.start) >= Break::Comma;
        let opens = matches!(phrase.role, Role::Open(_) | Role::Alone(_));
        let filled = matches!(phrase.role, Role::Fill(_) | Role::Answer(_)) || !gathered.is_empty();
        if let Some(asks) = phrase.asks {
            self.push_current();
            // Asked twice in one breath ("how bad is it, zero to ten"): one question.
            if self.asked.last().is_some_and(|q| q.frame == frame) {
                return;
            }
            self.close_questions();
            self.denial = Denial::None;
            self.tone = if asks == Asks::Value { Tone::AsksWhich } else { Tone::Asks };
            self.in_question = asks == Asks::Value;
            self.ask(frame, &gathered, phrase, found);
            return;
        }
        // "no crushing chest pain": the pain is denied or asked about, and not how it feels.
        let describes = data.in_text && data.deny.is_none() && !phrase.before.is_empty();
        if describes && (self.denial != Denial::None || self.tone != Tone::Says) {
            return;
        }
        match self.tone {
            // "what is the pain like, sharp, dull": what is offered with the question answers nothing.
            Tone::Says if self.offered(data.kind, found, numeric) => {
                self.ask(frame, &gathered, phrase, found);
                return;
            }
            Tone::Says => {}
            Tone::Newborn if OF_BIRTH.contains(&data.kind) => {}
            Tone::Newborn => return,
            Tone::Silent | Tone::Elsewhere | Tone::NarratesPurpose => return,
            Tone::Narrates => {
                let alone = matches!(phrase.role, Role::Alone(_));
                let spoken = !opens || (alone && data.vital && numeric);
                if !spoken {
                    self.push_current();
                    // Named by the way: what is said of it next counts.
                    self.current = Some(self.draft(frame, found));
                    return;
                }
                self.tone = Tone::Says;
            }
            Tone::Asks | Tone::AsksWhich if self.orders_behind_question(data.kind, opens, found) => {
                self.tone = Tone::Says;
            }
            // "any allergies, no known drug allergies": a recogniser writes a comma where a question mark belongs.
            Tone::Asks | Tone::AsksWhich if paused && self.denies_what_was_asked(data.kind, phrase, found) => {
                self.asked.clear();
                self.tone = Tone::Says;
            }
            Tone::AsksWhich => {
                if !(numeric && (data.vital || !opens)) {
                    self.ask(frame, &gathered, phrase, found);
                    return;
                }
                self.asked.retain(|q| q.frame != frame);
                self.tone = Tone::Says;
            }
            Tone::Asks => {
                // "still wheezing, pressure ninety over fifty four": a vital sign with its value behind a pause is told.
                let begins = opens && (paused || self.begins_behind_question(found.start));
                if !(numeric && data.vital && (begins || self.named_vital == Some((frame, found.start)))) {
                    self.named_vital = (begins && data.vital && gathered.is_empty()).then_some((frame, found.end));
                    self.ask(frame, &gathered, phrase, found);
                    return;
                }
                self.asked.retain(|q| q.frame != frame);
                self.tone = Tone::Says;
            }
        }
        for gathered in apart(gathered) {
            self.record(frame, gathered, found, opens, filled);
        }
    }

    /// A phrase that begins with a "no" of its own, of the kind that was just asked about: it answers.
    fn denies_what_was_asked(&self, kind: Kind, phrase: &Phrase, found: &Match) -> bool {
        let asked = self.asked.last().is_some_and(|q| q.kind == kind && !q.negative);
        let alone = matches!(phrase.role, Role::Alone(_));
        asked && alone && !self.negative && self.grammar.is_denier(self.on, found.start)
    }

    /// "he is lying about the drugs": what is not understood stands between, and is no word of the thing itself ("he has
    /// horrendous chest pain").
    fn astray(&self, start: usize) -> bool {
        let affirmed = self.positive_at;
        let last = self.strays.iter().rev().find(|at| **at >= affirmed && **at < start);
        // "he is faking a seizure": what describes a thing stands behind its article.
        last.is_some_and(|at| at + 1 < start || self.on.free.get(at + 1).copied().unwrap_or(false))
    }

    /// A word of the kind that a question of the same sentence asks for.
    fn offered(&self, kind: Kind, found: &Match, numeric: bool) -> bool {
        let asked = self.asked.last().is_some_and(|q| q.kind == kind && q.which);
        asked && self.in_question && !numeric && is_mere(found)
    }

    fn ask(&mut self, frame: usize, gathered: &[Gathered], phrase: &Phrase, found: &Match) {
        let Some(data) = self.grammar.frame(frame) else { return };
        let mut fields: Vec<(Field, Value)> =
            gathered.iter().filter(|g| !g.default).map(|g| (g.field, g.value.clone())).collect();
        // What denies by itself is asked about in the negative.
        let negative = self.negative || phrase.negative;
        let fills = matches!(phrase.role, Role::Fill(_) | Role::Answer(_));
        if let (true, Some(last)) = (fills, self.asked.last_mut().filter(|q| q.frame == frame)) {
            let clash = fields.iter().any(|(f, v)| last.fields.iter().any(|(g, w)| f == g && v != w));
            if !clash {
                last.fields.append(&mut fields);
                return;
            }
            last.either = true;
            let carried = last.fields.clone();
            for (field, value) in carried {
                if data.carry.contains(&field) && !fields.iter().any(|(f, _)| *f == field) {
                    fields.push((field, value));
                }
            }
        }
        let _ = found;
        self.beyond = true;
        self.asked.push(Question {
            frame,
            kind: data.kind,
            fields,
            negative,
            either: false,
            which: self.tone == Tone::AsksWhich,
            still: self.still,
        });
    }

    fn draft(&self, frame: usize, found: &Match) -> Draft {
        let data = self.grammar.frame(frame);
        Draft {
            frame,
            kind: data.map_or(Kind::Events, |d| d.kind),
            fields: self.source.clone(),
            defaults: Vec::new(),
            usual_below: None,
            numbers: Vec::new(),
            negated: false,
            restated: self.restated && data.is_some_and(changes),
            answers: false,
            corrects: self.correcting,
            confirm: Vec::new(),
            unchanged: false,
            bare: self.grammar.phrase(found.phrase).is_some_and(|p| p.bare),
            whole: false,
            words: found.start..found.end,
            at: self.time.as_ref().map(|(value, _)| value.clone()),
            unclear: None,
            leads: false,
            copies: false,
            own_place: false,
            inherited: Vec::new(),
        }
    }

    fn record(&mut self, frame: usize, gathered: Vec<Gathered>, found: &Match, opens: bool, filled: bool) {
        let Some(data) = self.grammar.frame(frame) else { return };
        // "that was his third nitro" plans none.
        if self.was && data.kind == Kind::MedicationPlanned {
            self.block(found);
            return;
        }
        // "no, withhold the ibuprofen", "can't, he'll choke, hold the glucose": an order to leave off is no thing denied.
        // "Don't hold the nitro" is none.
        let leaves_off = data.kind == Kind::MedicationWithheld;
        if leaves_off
            && self.denial != Denial::None
            && (self.denied != found.start || matches!(self.denial, Denial::Next { .. }))
        {
            self.denial = Denial::None;
        }
        // "never lost his pulse": a denial denied says nothing that can be relied on.
        let absent = |p: &Phrase| p.sets.contains(&(Field::Present, Value::Flag(false)));
        let twice = self.denial != Denial::None && self.denied == found.start;
        if twice
            && !self.grammar.is_denier(self.on, found.start)
            && self.grammar.phrase(found.phrase).is_some_and(absent)
        {
            self.denial = Denial::None;
            self.block(found);
            return;
        }
        let adjective = gathered.iter().any(|g| g.adjective);
        let numeric = gathered.iter().any(|g| g.number.is_some());
        let deniable = data.deny.is_some();
        let phrase = self.grammar.phrase(found.phrase);
        let or = self.in_or_list(found);
        // "positive for dizziness" says so itself and ends a denial; a bare "dizziness" behind a comma does not.
        let asserts = phrase.is_some_and(|p| {
            let yes = data.yes.as_deref().unwrap_or_default();
            let there = |f: &Field, v: &Value| *f == Field::Present && *v == Value::Flag(true);
            let present = p.sets.iter().any(|(f, v)| there(f, v) || yes.iter().any(|(g, w)| f == g && v == w));
            // "retractions or nasal flaring": a bare name states nothing for itself.
            let stated = self.states(found, or);
            // "no chest pain or history of heart problems": what an "or" joins is denied too.
            let led = !or && found.caps.first().is_some_and(|c| c.start > found.start);
            // "denies feeling dizzy": right behind the denial it is what is denied.
            let behind = self.denial != Denial::None && self.denied == found.start;
            present && !p.start && !behind && (stated || led) && matches!(p.role, Role::Alone(_))
        });
        // What stood behind the "no" was not understood: "no nitro took viagra" denies no viagra, and "did not touch
        // the pain" no pain.
        let lost = self.lost > self.denied && matches!(self.denial, Denial::Next { first: true } | Denial::One);
        if lost && !asserts && deniable && self.denial == Denial::One {
            self.denial = Denial::None;
            self.block(found);
            return;
        }
        if asserts && (lost || matches!(self.denial, Denial::List | Denial::Next { first: false })) {
            self.denial = Denial::None;
        }
        let asserted = asserts && self.listed.is_some();
        let ended = asserted || self.denial != Denial::None && self.ends_denial(frame, phrase, found, &gathered);
        if ended {
            self.denial = Denial::None;
        }
        let joins = self.joins(frame, &gathered);
        if !ended && self.denial != Denial::None && (self.ored || self.or_within(found)) && !self.or_ahead {
            self.closed = Some(found.end);
        }
        self.ored = false;
        // "he has" + "nausea".
        let alone = matches!(phrase.map(|p| p.role), Some(Role::Alone(_)));
        let affirmed = self.affirms.take() == Some(found.start) && !alone;
        let mut unclear = false;
        let negated = match self.denial {
            Denial::None => false,
            Denial::List if deniable => {
                // A sign that nobody can feel, behind a comma: denied with the rest, or seen? It is asked.
                unclear = !or
                    && !self.and_closes(found.start)
                    && self.listed.is_some_and(|l| l != frame)
                    && phrase.is_some_and(|p| self.bare_in_list(p, found));
                true
            }
            // "denies pain of eight": not eight, and no pain of eight.
            Denial::List if self.denied == found.start => {
                self.denial = Denial::None;
                self.block(found);
                return;
            }
            Denial::List => {
                self.denial = Denial::None;
                false
            }
            Denial::Next { first } if first || (deniable && !adjective) => {
                // "no weakness, numbness": denied too, or there? It is asked.
                let fills = matches!(phrase.map(|p| p.role), Some(Role::Fill(_))) && joins;
                let next_item = self.break_before(found.start) >= Break::Comma && !fills;
                unclear = !first && next_item && !or;
                self.denial = Denial::Next { first: false };
                if !deniable {
                    // What the "no" was for is no thing that can be denied, and nothing behind it is: "no glucose, he can
                    // not swallow".
                    self.denial = Denial::None;
                    self.block(found);
                    // "one twenty, no one thirty over eighty": not denied, but which is it?
                    if data.vital && numeric {
                        self.meaning.numbers.push(self.on.said(found.start, found.end).to_string());
                        self.meaning.contested.push(data.kind);
                    }
                    return;
                }
                true
            }
            Denial::Next { .. } => {
                self.denial = Denial::None;
                false
            }
            // "not soft" is not "no rigidity": a word for what is not there cannot be denied so.
            Denial::One if gathered.iter().any(|g| g.field == Field::Present && g.value == Value::Flag(false)) => {
                self.denial = Denial::None;
                self.block(found);
                return;
            }
            Denial::One => {
                // "not diabetic or hypertensive": neither.
                self.denial = if self.or_ahead { Denial::Next { first: false } } else { Denial::None };
                if !deniable {
                    self.block(found);
                    return;
                }
                true
            }
        };
        let denies_back = alone
            && phrase.is_some_and(|p| p.sets.contains(&(Field::Present, Value::Flag(false))))
            && found.caps.first().is_some_and(|c| c.start == found.start)
            && found.caps.last().is_some_and(|c| c.end < found.end);
        if denies_back {
            self.absent_before(found.start, false, Some(frame));
        }
        let said_no = alone && self.grammar.is_denier(self.on, found.start);
        if negated || said_no {
            self.listed = Some(frame);
        }
        // "no bleeding, drift or slurred speech": a phrase with a "no" of its own denies on.
        // What is left off is no thing denied, and what its phrase goes on to say of the patient is so: "no ibuprofen,
        // she's pregnant".
        let left_off = said_no && leaves_off;
        if left_off {
            (self.positive, self.positive_at) = (true, found.end);
            self.affirms = Some(found.end);
        }
        // "not confused or altered": what an "or" joins to a phrase that says what a denial would is denied too.
        let as_denied = |p: &Phrase| data.deny.iter().flatten().any(|set| p.sets.contains(set));
        if alone && self.or_ahead && self.denial == Denial::None && !left_off && phrase.is_some_and(as_denied) {
            self.denial = Denial::Next { first: false };
            self.denied = found.start + 1;
        }
        if said_no && self.denial == Denial::None && !left_off {
            let whole = self.grammar.denies_lists(self.on, found.start);
            self.denial = if whole { Denial::List } else { Denial::Next { first: false } };
            self.denied = found.start + 1;
        }
        // Of a finding of several items a denial denies the one that was named: "no droop, no drift, slurred speech".
        let items = data.deny.as_deref().filter(|d| d.len() > 1).unwrap_or_default();
        let mut gathered = gathered;
        for item in gathered.iter_mut().filter(|_| negated) {
            if let Some((_, value)) = items.iter().find(|(field, _)| *field == item.field) {
                item.value = value.clone();
            }
        }
        let negated = negated && items.is_empty();
        // "no pedal pulse on the right": more of what the phrase itself denied.
        let absent = |d: &Draft| !d.negated && d.fields.contains(&(Field::Present, Value::Flag(false)));
        let negated = negated && !(!opens && joins && self.current.as_ref().is_some_and(absent));
        self.named = gathered.iter().filter(|g| !g.default).map(|g| g.field).collect();
        let same = self.current.as_ref().is_some_and(|d| d.frame == frame);
        if let Some(draft) = self.current.as_mut().filter(|_| same && !opens && data.vital) {
            let told = |f: &Field| draft.inherited.contains(f) && gathered.iter().any(|g| g.field == *f && !g.default);
            let fields = std::mem::take(&mut draft.fields);
            draft.fields = fields.into_iter().filter(|(f, _)| !told(f)).collect();
        }
        let clash =
            self.current.as_ref().is_some_and(|d| clashes(d, &gathered) || (d.negated != negated && has_value(d)));
        if !same || clash || (opens && self.current.as_ref().is_some_and(|d| d.unchanged)) {
            let mut draft = self.draft(frame, found);
            if let (true, Some(old)) = (same, &self.current) {
                draft.bare |= !opens && old.bare;
                let tokens = self.on.tokens.len();
                let clause = (found.end..tokens).find(|end| self.on.ends_clause(*end)).unwrap_or(tokens);
                let anew = (old.words.end..clause).any(|at| self.grammar.is_anew(self.on, at));
                draft.restated = old.restated && !anew;
                draft.answers = old.answers;
                for (field, value) in &old.fields {
                    // "no cardiac history but he does have asthma".
                    let turned = (affirmed || self.positive || self.turned) && *value == Value::Flag(false);
                    let denied = (ended || turned) && *field == Field::Present;
                    let own = old.own_place && matches!(field, Field::Region | Field::Quadrant);
                    if !denied && !own && data.carry.contains(field) && !gathered.iter().any(|g| g.field == *field) {
                        draft.fields.push((*field, value.clone()));
                        draft.inherited.push(*field);
                    }
                }
            }
            let opened = self.opened.take();
            draft.answers |= !opens && opened == Some(frame);
            draft.leads = self.meaning.drafts.is_empty() && self.current.is_none();
            self.push_current();
            self.current = Some(draft);
        }
        self.opened = None;
        self.of_the_limb_named(&mut gathered);
        let estimated = |g: &Gathered| {
            g.number.is_some() && g.start.checked_sub(1).is_some_and(|before| self.grammar.is_about(self.on, before))
        };
        let estimate = gathered.iter().any(estimated);
        let (on, was, about) = (self.on, self.was && changes(data), std::mem::take(&mut self.about) || estimate);
        let own_place = gathered.iter().any(|g| implied_place(self.on, g, &gathered));
        let positive = self.positive && !self.astray(found.start);
        let Some(draft) = &mut self.current else { return };
        draft.own_place |= own_place;
        draft.negated |= negated;
        if unclear {
            draft.unclear = Some(self.on.said(self.denied.saturating_sub(1), self.denied).to_string());
        }
        // What is there beside what is not: "no stroke, just a TIA".
        if ended && !negated && data.deny.is_some() {
            let none = gathered.iter().any(|g| matches!(g.field, Field::None | Field::Obtained));
            let known =
                |f: &Field| none || draft.fields.iter().any(|(g, _)| f == g) || gathered.iter().any(|g| g.field == *f);
            let there = data.yes.iter().flatten().filter(|(f, v)| *f == Field::Present && *v == Value::Flag(true));
            let yes: Vec<_> = there.filter(|(f, _)| !known(f)).cloned().collect();
            draft.fields.extend(yes);
        }
        if affirmed && !negated && data.deny.is_some() {
            let yes = data.yes.as_deref().unwrap_or_default();
            draft.fields.retain(|(f, _)| !yes.iter().any(|(g, _)| f == g));
            draft.fields.extend(yes.iter().cloned());
        }
        draft.whole |= alone;
        draft.restated |= was;
        draft.words.end = found.end;
        if about && gathered.iter().any(|g| g.number.is_some()) {
            draft.fields.push((Field::Approximate, Value::Flag(true)));
        }
        let back: Vec<(Field, Value)> = gathered
            .iter()
            .filter(|g| data.carry.contains(&g.field) && !g.default && !implied_place(self.on, g, &gathered))
            .map(|g| (g.field, g.value.clone()))
            .collect();
        for item in gathered {
            take(draft, item, on);
        }
        let none = draft.fields.iter().any(|(f, _)| *f == Field::None);
        // "there is a gas leak" affirms no safe scene: only what can be denied can be affirmed so.
        if positive && !draft.negated && has_value(draft) && !none && data.deny.is_some() {
            for (field, value) in data.yes.iter().flatten() {
                if !draft.fields.iter().any(|(f, _)| f == field) {
                    draft.fields.push((*field, value.clone()));
                }
            }
        }
        let (from, negated) = (draft.words.start, draft.negated);
        let complete = filled && data.vital && has_number(draft);
        // "no JVD, tracheal deviation to the left": what is asked about places nothing before it.
        if draft.unclear.is_none() {
            self.carry_back(frame, &back, from, negated);
        }
        self.was = false;
        if !data.vital {
            self.meaning.lead.clear();
        }
        self.last_complete = complete;
    }

    /// "left hip's tender, leg's shortened": a limb without its side is the one just named.
    fn of_the_limb_named(&self, gathered: &mut [Gathered]) {
        let limb = |(f, _): &&(Field, Value)| matches!(f, Field::Region | Field::Limb);
        let named = self.meaning.drafts.last().and_then(|d| d.fields.iter().find(limb));
        let Some((_, Value::Text(named))) = named else { return };
        for place in gathered.iter_mut().filter(|g| g.field == Field::Region) {
            if let Value::Text(region) = &mut place.value
                && named.strip_suffix(region.as_str()).is_some_and(|side| side.ends_with('_'))
            {
                region.clone_from(named);
            }
        }
    }

    /// True where what follows a denial is said for itself: "no edema, lungs have crackles", "denies pain, abdomen is
    /// tender", "no chest pain, pulse ninety". A list goes on with bare names of the same kind, or up to its "or".
    fn ends_denial(&self, frame: usize, phrase: Option<&Phrase>, found: &Match, gathered: &[Gathered]) -> bool {
        let says_no = |g: &Gathered| g.field == Field::Present && g.value == Value::Flag(false);
        // "no accessory muscle use, no retractions": a "no" of its own needs no other.
        let own_no = gathered.iter().any(says_no)
            || phrase.is_some_and(|p| matches!(p.role, Role::Alone(_))) && self.grammar.is_denier(self.on, found.start);
        if self.break_before(found.start) >= Break::Comma && own_no {
            return true;
        }
        let (Some(listed), Some(phrase)) = (self.listed, phrase) else { return false };
        if matches!(phrase.role, Role::Fill(_)) && self.joins(frame, gathered) {
            return false;
        }
        // "denies facial droop, accessory muscle use, and slurred speech": a bare name says nothing of its own.
        let name_alone = match phrase.role {
            Role::Open(_) => gathered.is_empty(),
            Role::Alone(_) => phrase.start && phrase.end && found.caps.is_empty(),
            _ => false,
        };
        let bare = name_alone && self.on.ends_clause(found.end);
        if bare && self.denial != Denial::One && self.grammar.frame(frame).is_some_and(|f| !f.vital) {
            return false;
        }
        let paused = self.break_before(found.start) >= Break::Comma;
        let or = self.in_or_list(found);
        // "no diabetes, history of asthma": words of its own before the name.
        let led = found
            .caps
            .first()
            .is_some_and(|cap| (found.start..cap.start).any(|at| !self.on.free.get(at).copied().unwrap_or(false)));
        let told = self.states(found, or);
        let numeric = gathered.iter().any(|g| g.number.is_some());
        // "no allergies", "non tender", "speech normal": these say it themselves.
        let items = self.grammar.frame(frame).and_then(|f| f.deny.as_deref()).unwrap_or_default();
        let normal = |g: &Gathered| items.len() > 1 && items.iter().any(|(f, v)| *f == g.field && *v == g.value);
        let denies = gathered.iter().any(|g| match g.field {
            Field::None => true,
            Field::Present => g.value == Value::Flag(false),
            _ => normal(g),
        });
        // "no wheezes, good air exchange": words that name nothing that could be denied here.
        let touches = |field: &Field| *field == Field::Present || items.iter().any(|(f, _)| f == field);
        let set_apart = paused
            && found.caps.is_empty()
            && !phrase.sets.is_empty()
            && !phrase.sets.iter().any(|(field, _)| touches(field));
        let place = |g: &Gathered| {
            matches!(g.field, Field::Region | Field::Quadrant | Field::Site | Field::Side | Field::Field | Field::Limb)
        };
        let placed = paused && found.caps.len() > 1 && gathered.iter().any(place) && !or;
        let kind = |frame: usize| self.grammar.frame(frame).map(|f| f.kind);
        // A patient denies what is felt or was had, not what is seen or heard on him.
        let felt = |kind: Option<Kind>| {
            use Kind::{Bleeding, History, LossOfConsciousness, Pregnancy, RecentUse, StrokeScreen, Symptom};
            let all = [Bleeding, History, LossOfConsciousness, Pregnancy, RecentUse, StrokeScreen, Symptom];
            kind.is_some_and(|kind| all.contains(&kind))
        };
        let listing = self.denial == Denial::List && !placed && felt(kind(frame));
        let another = listed != frame && !or && !listing && !self.bare_in_list(phrase, found);
        let measured = paused && self.grammar.frame(frame).is_some_and(|f| f.vital);
        // "no tenderness or guarding, belly soft": the "or" closed the list.
        (paused && self.closed.is_some_and(|end| end <= found.start))
            || measured
            || (led && !or && paused)
            || numeric
            || told
            || denies
            || set_apart
            || placed
            || another
    }

    /// "denies dizziness, JVD, edema": a sign by its mere name in what a patient denies.
    fn bare_in_list(&self, phrase: &Phrase, found: &Match) -> bool {
        let mere = phrase.sets.is_empty() && is_mere(found);
        let Role::Alone(frame) = phrase.role else { return false };
        let sign = self.grammar.frame(frame).is_some_and(|f| f.kind == Kind::Exam);
        self.denial == Denial::List && mere && sign
    }

    /// True where the words state for themselves: by what leads them ("has", "some"), or by a verb behind the name ("lungs
    /// have crackles"), which the last of a denied list may have too ("no bruising or swelling is there").
    fn states(&self, found: &Match, or: bool) -> bool {
        let first = found.caps.first().map_or(found.start + 1, |c| c.start);
        let before = found.start - usize::from(found.start > 0 && self.break_before(found.start) < Break::Comma);
        let led = (before..first).any(|at| self.grammar.asserts(self.on, at));
        let end = found.end + usize::from(!self.on.ends_clause(found.end));
        // "no shortness of breath, dizzy though".
        let trails = |at: usize| {
            let word = self.grammar.asserts(self.on, at) && !self.on.free.get(at).copied().unwrap_or(false);
            word && !or && self.on.ends_clause(at + 1) && self.break_before(found.start) >= Break::Comma
        };
        let led = led || (found.end..end).any(trails);
        let verb = (first..end).any(|at| {
            let named = found.caps.iter().any(|c| (c.start..c.end).contains(&at));
            !named && self.grammar.is_auxiliary(self.on, at)
        });
        led || (verb && !or)
    }

    /// True where the finding at hand takes up what was heard.
    fn joins(&self, frame: usize, gathered: &[Gathered]) -> bool {
        self.current.as_ref().is_some_and(|draft| draft.frame == frame && !clashes(draft, gathered))
    }

    /// An "or" before the phrase, in it or further on.
    fn in_or_list(&self, found: &Match) -> bool {
        self.ored || self.or_ahead || self.or_within(found)
    }

    /// An "or" between the words of one phrase ("seizures, or ulcers").
    fn or_within(&self, found: &Match) -> bool {
        (found.start..found.end).any(|at| self.grammar.is_or(self.on, at))
    }

    /// "denies dizziness, JVD, and edema": behind a comma an "and" and the last of a list.
    fn and_closes(&self, start: usize) -> bool {
        let sentence = (start..self.on.tokens.len()).take_while(|at| self.break_before(*at) < Break::Stop);
        start
            .checked_sub(1)
            .into_iter()
            .chain(sentence)
            .any(|at| self.on.ends_clause(at) && self.grammar.is_and(self.on, at))
    }

    /// An "or" further on in the sentence.
    fn or_follows(&self, next: &[Step]) -> bool {
        for step in next {
            let at = match step {
                Step::Skip { at, .. } => *at,
                Step::Phrase(found) => found.start,
                Step::Opened(_) => continue,
            };
            if self.break_before(at) >= Break::Stop {
                return false;
            }
            let Step::Phrase(found) = step else { continue };
            match self.grammar.phrase(found.phrase).map(|p| p.role) {
                Some(Role::Talk(talk)) if self.grammar.act(talk) == Some(Act::Or) => return true,
                // "no viagra, cialis, nothing like that": said last it closes the list.
                Some(Role::Talk(talk)) if self.grammar.act(talk) == Some(Act::No) && self.ends_sentence(found.end) => {
                    return true;
                }
                // A "no" or a "denies" of its own begins another list.
                Some(Role::Talk(talk)) if matches!(self.grammar.act(talk), Some(Act::No | Act::Denies | Act::But)) => {
                    return false;
                }
                _ => {}
            }
        }
        false
    }

    fn ends_sentence(&self, end: usize) -> bool {
        end >= self.on.tokens.len() || self.break_before(end) >= Break::Stop
    }

    /// "no bruises or cuts on the chest": the place said last belongs to the whole list.
    fn carry_back(&mut self, frame: usize, back: &[(Field, Value)], from: usize, negated: bool) {
        let mut next = from;
        for draft in self.meaning.drafts.iter_mut().rev() {
            let joined = (draft.words.end..next).all(|at| self.on.free.get(at).copied().unwrap_or(false));
            let placed = draft.fields.iter().any(|(f, _)| back.iter().any(|(g, _)| f == g));
            // "abdomen distended, guarding on the right": a side alone is of what stands before it.
            let apart = back.iter().all(|(f, _)| *f == Field::Side)
                && self.on.tokens.get(draft.words.end.saturating_sub(1)).is_some_and(|t| t.after >= Break::Comma)
                && draft.fields.iter().any(|(f, _)| *f == Field::Region);
            let stop = self.on.tokens.get(draft.words.end.saturating_sub(1)).is_some_and(|t| t.after >= Break::Stop);
            if draft.frame != frame || placed || apart || !joined || stop || draft.negated != negated {
                return;
            }
            draft.fields.extend(back.iter().cloned());
            next = draft.words.start;
        }
    }

    /// Words that were understood but may not stand as said.
    fn block(&mut self, found: &Match) {
        let words = self.on.said(found.start, found.end).to_string();
        self.meaning.leftover.push(words);
        self.push_current();
    }

    fn push_current(&mut self) {
        let said = |draft: &Draft| has_value(draft) || draft.unchanged || draft.negated || draft.whole;
        self.meaning.drafts.extend(self.current.take().filter(said));
    }

    /// "we're giving aspirin, right": a plan stays one, its checks run before the hand moves. Whether "pulse is ninety, right"
    /// measured or asked is asked aloud. All else is a question.
    fn ask_back(&mut self, found: &Match) {
        self.push_current();
        let vital = |d: &Draft| self.grammar.frame(d.frame).is_some_and(|f| f.vital);
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
    fn is_last_clause(&self, draft: &Draft, end: usize) -> bool {
        (draft.words.end..end).all(|at| self.break_before(at) < Break::Comma)
    }

    /// A question mark makes questions of what was said since the last pause.
    fn turn_into_question(&mut self, end: usize) {
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
            self.asked.push(Question {
                frame: draft.frame,
                kind: draft.kind,
                negative: draft.negated || draft.fields.iter().any(denies),
                fields: draft.fields,
                either: false,
                which: false,
                still: self.still,
            });
        }
        self.last_complete = false;
    }

    fn finish(mut self) -> Meaning {
        self.flush_loose();
        if self.on.tokens.last().is_some_and(|t| t.after == Break::Question) {
            self.turn_into_question(self.on.tokens.len());
        }
        self.named_alone();
        self.denied_alone();
        self.push_current();
        let copies = self.meaning.copies;
        self.meaning.drafts.iter_mut().for_each(|d| d.copies = copies);
        self.mark_unclear();
        self.mark_cut_short();
        self.count_as_stock();
        self.close_questions();
        let carried = |frame: usize| self.grammar.frame(frame).map(|f| f.carry_back.as_slice()).unwrap_or_default();
        let drafts = self.meaning.drafts.iter_mut().map(|d| (d.frame, &mut d.fields)).collect();
        carry_back(drafts, carried);
        for group in &mut self.meaning.questions {
            carry_back(group.iter_mut().map(|q| (q.frame, &mut q.fields)).collect(), carried);
        }
        self.meaning
    }

    /// Nothing but "he denies": the answer to what was asked.
    fn denied_alone(&mut self) {
        let silent = self.meaning.drafts.is_empty() && self.meaning.leftover.is_empty() && self.current.is_none();
        if self.denial == Denial::List && silent && self.meaning.answers.is_empty() {
            self.answer(Answer::No, self.denied);
        }
    }

    /// Nothing but a name ("allergies"): it asks.
    fn named_alone(&mut self) {
        let alone = self.meaning.drafts.is_empty() && self.meaning.leftover.is_empty();
        // "Just atenolol, okay, allergic to anything": what was told is done with, the last word asks on.
        let last = |d: &Draft| d.kind == Kind::Allergy && d.words.end == self.on.tokens.len();
        let asks = |d: &&Draft| self.tone == Tone::Says && (alone || last(d)) && !has_value(d);
        let Some(draft) = self.current.as_ref().filter(|d| asks(d) && !d.negated && !d.unchanged) else {
            return;
        };
        self.asked.push(Question {
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

/// What only the last of a list says of all: `Viagra or Cialis in the last two days`.
fn carry_back<'g>(mut list: Vec<(usize, &mut Vec<(Field, Value)>)>, carried: impl Fn(usize) -> &'g [Field]) {
    let mut later: Option<(usize, Vec<(Field, Value)>)> = None;
    for (frame, fields) in list.iter_mut().rev() {
        if let Some((_, known)) = later.as_ref().filter(|(of, _)| of == frame) {
            let new = known.iter().filter(|(f, _)| !fields.iter().any(|(g, _)| f == g)).cloned().collect::<Vec<_>>();
            fields.extend(new);
        }
        let known = fields.iter().filter(|(f, _)| carried(*frame).contains(f)).cloned().collect();
        later = Some((*frame, known));
    }
}

/// "aspirin and nitro given": where a field comes again another finding begins.
fn apart(gathered: Vec<Gathered>) -> Vec<Vec<Gathered>> {
    let mut all: Vec<Vec<Gathered>> = vec![Vec::new()];
    for item in gathered {
        let again = |g: &Gathered| !g.default && !item.default && g.field == item.field && g.value != item.value;
        if matches!(item.field, Field::Name | Field::Sound | Field::Minute)
            && all.last().is_some_and(|last| last.iter().any(again))
        {
            all.push(Vec::new());
        }
        if let Some(last) = all.last_mut() {
            last.push(item);
        }
    }
    all
}

/// What may be otherwise by now: "he was alert ten minutes ago" says nothing of now.
fn changes(frame: &Frame) -> bool {
    frame.vital || frame.kind == Kind::Consciousness
}

fn take(draft: &mut Draft, item: Gathered, on: &Utterance) {
    if item.default {
        draft.usual_below = draft.usual_below.or(item.usual_below);
        draft.defaults.push((item.field, item.value));
        return;
    }
    if item.confirm {
        draft.confirm.push((item.field, on.said(item.start, item.end).to_string()));
    }
    if let (Some(value), true) = (item.value.as_number(), item.number.is_some()) {
        draft.numbers.push(Checked {
            field: item.field,
            value,
            rule: item.number,
            impossible: item.impossible,
            said: on.said(item.start, item.end).to_string(),
        });
    }
    draft.fields.retain(|(field, _)| *field != item.field);
    draft.fields.push((item.field, item.value));
}

/// One item of a list and no word beside it.
fn is_mere(found: &Match) -> bool {
    let whole = |cap: &Cap| cap.start == found.start && cap.end == found.end;
    matches!(found.caps.as_slice(), [cap] if whole(cap))
}

/// A place that nobody said: it belongs to the word for the sign ("JVD" is seen on the neck).
fn implied_place(on: &Utterance, place: &Gathered, all: &[Gathered]) -> bool {
    let sign = |g: &Gathered| g.field == Field::Sign && (g.start, g.end) == (place.start, place.end);
    // "chest rise" names it.
    let named = || on.said(place.start, place.end).to_lowercase().contains(&place.value.to_string());
    matches!(place.field, Field::Region | Field::Quadrant) && all.iter().any(sign) && !named()
}

fn clashes(draft: &Draft, gathered: &[Gathered]) -> bool {
    // A drug's name and a class said beside it are two drugs ("metformin and a statin").
    let has = |field: Field| draft.fields.iter().any(|(f, _)| *f == field);
    let brings = |field: Field| gathered.iter().any(|g| g.field == field && !g.default);
    let apart = (has(Field::Name) && brings(Field::Class)) || (has(Field::Class) && brings(Field::Name));
    // "no drug allergies, but peanuts": none of one kind, and one of another.
    let apart = apart || (has(Field::None) && brings(Field::Name)) || (has(Field::Name) && brings(Field::None));
    // "pulse one twenty eight, can't find a radial": what is not there is another than what was counted.
    let placed = |field: Field| draft.fields.iter().any(|(f, _)| *f == field);
    let absent = gathered.iter().any(|g| g.field == Field::Present && g.value == Value::Flag(false));
    let elsewhere = absent && brings(Field::Site) && has_number(draft) && !placed(Field::Site);
    // "apneic, bagging him": a breath that others make is none of his own.
    let none = draft.fields.contains(&(Field::Present, Value::Flag(false)));
    let apart = apart || elsewhere || (none && brings(Field::Effort));
    let differs = |g: &Gathered| draft.fields.iter().any(|(f, v)| *f == g.field && *v != g.value);
    apart || gathered.iter().any(|g| !g.default && differs(g))
}

fn has_number(draft: &Draft) -> bool {
    !draft.numbers.is_empty()
}

/// True when anything was said of it beyond who said it.
pub fn has_value(draft: &Draft) -> bool {
    let about = |f: &Field| {
        matches!(f, Field::ReportedBy | Field::BeforeArrival | Field::Approximate | Field::Patient | Field::Comparator)
    };
    draft.fields.iter().any(|(f, _)| !about(f))
}

/// Denies what `draft` names; of a finding of several items those in `named`, if given. False where a no cannot turn it
/// round: a measured value, a look, what was denied already.
fn turn_round(grammar: &Grammar, draft: &mut Draft, named: Option<&[Field]>) -> bool {
    let Some(frame) = grammar.frame(draft.frame) else { return false };
    let Some(deny) = &frame.deny else { return false };
    if deny.len() > 1 {
        let mut turned = false;
        for (field, value) in draft.fields.iter_mut().filter(|(f, _)| named.is_none_or(|n| n.contains(f))) {
            if let Some((_, normal)) = deny.iter().find(|(f, v)| f == field && v != value) {
                *value = normal.clone();
                turned = true;
            }
        }
        return turned;
    }
    let absent = (Field::Present, Value::Flag(false));
    let looked = draft.fields.iter().any(|(f, _)| matches!(f, Field::Examined | Field::Normal));
    let none = (Field::None, Value::Flag(true));
    let settled = deny.iter().chain([&none]).any(|set| draft.fields.contains(set));
    let touched = draft.fields.iter().any(|(f, _)| deny.iter().any(|(g, _)| f == g));
    let turns = deny.contains(&absent) || touched || !has_value(draft);
    let affirms = deny.contains(&(Field::Present, Value::Flag(true)));
    if (frame.vital && has_value(draft)) || looked || settled || !turns || affirms || draft.unchanged || draft.negated {
        return false;
    }
    draft.negated = true;
    true
}

fn json(value: &Value) -> Json {
    match value {
        Value::Number(number) => serde_json::to_value(number).unwrap_or(Json::Null),
        Value::Flag(flag) => (*flag).into(),
        Value::Text(text) => text.clone().into(),
        other => other.to_string().into(),
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
