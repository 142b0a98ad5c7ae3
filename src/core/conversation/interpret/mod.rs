//! One derivation read from left to right: who speaks of what, in which mood, with which polarity.
//!
//! The result (`Meaning`) is drafts of findings, questions and acts; what the conversation makes of them is decided
//! elsewhere. `Reader` goes from phrase to phrase; each file here is about one thing that it does:
//!
//! - `scope`: told, asked, done, wished, of somebody else? What is not told records nothing;
//! - `polarity`: is it denied, and how far does a "no" reach (`reach`: not this far; `absent`: a "no" said behind it)?
//! - `record`: a phrase becomes a draft or goes on with one; `draft`: what a draft is;
//! - `second_thought`: a "no" between two values of one thing;
//! - `question`: what is asked and what answers it;
//! - `talk`, `command`: acts between people, orders to the program;
//! - `leftover`: words that belong to nothing, and what they do to what stands beside them.

mod absent;
mod command;
mod draft;
mod leftover;
mod polarity;
mod question;
mod reach;
mod record;
mod scope;
mod second_thought;
mod talk;

use chrono::{DateTime, FixedOffset};
use serde_json::{Map, Value as Json};

use crate::core::finding::{Field, Kind, Value};
use crate::core::grammar::{Derivation, Grammar, Match, Role, Step, Utterance};
use crate::core::text::Break;

pub use draft::{Checked, Draft, has_value};
pub use question::{Answer, Answered, Question, answered, still_stands};

use draft::carry_back;
use polarity::{No, Yes};
use question::Asking;
use scope::Tone;
use second_thought::Thought;

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
    /// What was read back is right, before anything else was told.
    pub confirms: bool,
    pub corrects: bool,
    pub retracts: bool,
    pub wrong_person: bool,
    pub handover: bool,
    pub handover_ends: bool,
    pub copies: bool,
    pub addressed: bool,
    pub explain: Vec<String>,
}

impl Meaning {
    /// "He isn't alert, he's responding to voice": which level it is that he is not, the breath says itself.
    pub fn tells_level(&self, denied: &Draft) -> bool {
        let level = |draft: &Draft| draft.fields.iter().any(|(field, _)| *field == Field::Avpu);
        denied.negated && level(denied) && self.drafts.iter().any(|d| !d.negated && level(d))
    }
}

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
        no: No::default(),
        yes: Yes::default(),
        asking: Asking::default(),
        was: false,
        restated: false,
        thought: None,
        unsettled: None,
        about: false,
        source: Vec::new(),
        time: None,
        opened: None,
        named: Vec::new(),
        last_complete: false,
        telling: Vec::new(),
        strays: Vec::new(),
        loose: Vec::new(),
        lost: 0,
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
    /// The finding being gathered.
    current: Option<Draft>,
    tone: Tone,
    no: No,
    yes: Yes,
    asking: Asking,
    /// A "was": what follows is a value of before, told again.
    was: bool,
    restated: bool,
    /// The last correction; what follows one puts something right.
    thought: Option<Thought>,
    /// How many findings were told before an "other way round" or a "can't tell which".
    unsettled: Option<usize>,
    /// The next value is an estimate.
    about: bool,
    /// Who reported what follows, before arrival or not.
    source: Vec<(Field, Value)>,
    /// When what follows happened, and where the words of it end.
    time: Option<(Value, usize)>,
    /// The frame that a question of before has opened.
    opened: Option<usize>,
    /// The fields that the last phrase set.
    named: Vec<Field>,
    /// The last thing heard was a measured value that lacks nothing.
    last_complete: bool,
    /// Words that belong to nothing: those that may turn round what they stand beside, all, and the last run of them.
    telling: Vec<usize>,
    strays: Vec<usize>,
    loose: Vec<usize>,
    /// Where the last of them ended.
    lost: usize,
}

impl<'a> Reader<'a> {
    fn break_before(&self, at: usize) -> Break {
        at.checked_sub(1).and_then(|b| self.on.tokens.get(b)).map_or(Break::None, |t| t.after)
    }

    fn step(&mut self, step: &'a Step, next: &[Step]) {
        match step {
            Step::Opened(frame) => self.opened = Some(*frame),
            Step::Skip { at, free } => {
                self.boundary(*at);
                self.skip(*at, *free);
            }
            Step::Phrase(found) => self.phrase(found, next),
        }
    }

    fn phrase(&mut self, found: &'a Match, next: &[Step]) {
        self.boundary(found.start);
        for at in found.start + 1..found.end {
            if self.break_before(at) == Break::Comma {
                self.asks_behind_comma(at);
            }
        }
        let grammar: &'a Grammar = self.grammar;
        let Some(phrase) = grammar.phrase(found.phrase) else { return };
        let said = self.on.said(found.start, found.end);
        self.meaning.explain.push(format!("{}:{} `{}` <- \"{said}\"", phrase.file, phrase.line, phrase.text));
        self.forget_no_before_subject(found.start);
        self.flush_loose();
        self.no.or_ahead = self.or_follows(next);
        self.no.trailed = self.is_trailed(next);
        match phrase.role {
            Role::Guard(guard) => self.guard(guard, phrase, found, next),
            Role::Talk(talk) => self.talk(talk, found, next),
            Role::Command(command) => self.command(command, phrase, found),
            Role::Open(frame) | Role::Alone(frame) | Role::Fill(frame) | Role::Answer(frame) => {
                self.frame(frame, phrase, found);
            }
        }
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
        self.forget_unsettled();
        self.of_the_limb_treated();
        self.mark_unclear();
        self.mark_not_put_right();
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
}
