//! The grammar: short cue-and-slot phrases from data files, matched in every way they fit.
//!
//! `template` reads the phrase language, `data` the files, `compile` resolves names, `chart` finds the best ways to
//! cover an utterance. This room knows no clock and does not know what a finding leads to.

mod chart;
mod check;
mod compile;
mod data;
mod gather;
mod matcher;
mod needed;
pub(crate) mod sample;
mod sound;
mod template;

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::condition::Condition;
use super::decimal::Decimal;
use super::diagnostic::Diagnostic;
use super::finding::{Field, Finding, Kind, Value};
use super::source::Source as File;
use super::text::Lexicon;

pub use chart::{Derivation, Openings, Step};
pub use gather::{Gathered, gather};
pub use matcher::{Cap, CapValue, Match, Utterance};
pub use sample::Random;

pub type WordId = u32;

/// Everything read from `grammars/`, ready to match.
#[derive(Clone, Debug, Default)]
pub struct Grammar {
    lexicon: Lexicon,
    words: HashMap<String, WordId>,
    sounds: sound::Sounds,
    drop: BTreeSet<WordId>,
    free: BTreeSet<WordId>,
    /// Words that may stand before the first word of a clause.
    lead: BTreeSet<WordId>,
    /// `is`, `does`, ... and the subjects that make a question of them: `is he`.
    auxiliary: BTreeSet<WordId>,
    subject: BTreeSet<WordId>,
    about: BTreeSet<WordId>,
    telling: BTreeSet<WordId>,
    /// Words that state for themselves, and words with which a phrase denies.
    asserting: BTreeSet<WordId>,
    /// Words that by themselves say `or`, `and`, `still`, `not`.
    ors: BTreeSet<WordId>,
    ands: BTreeSet<WordId>,
    stills: BTreeSet<WordId>,
    nots: BTreeSet<WordId>,
    denying: BTreeSet<WordId>,
    denying_lists: BTreeSet<WordId>,
    narrowing: BTreeSet<WordId>,
    excepting: BTreeSet<WordId>,
    pronoun: BTreeSet<WordId>,
    anew: BTreeSet<WordId>,
    dating: BTreeSet<WordId>,
    since: BTreeSet<WordId>,
    now: BTreeSet<WordId>,
    /// Words that may be passed over inside a phrase.
    within: BTreeSet<WordId>,
    lists: Vec<List>,
    slots: Vec<Slot>,
    phrases: Vec<Phrase>,
    frames: Vec<Frame>,
    guards: Vec<Guard>,
    talk: Vec<Talk>,
    commands: Vec<CommandEntry>,
    by_word: HashMap<WordId, Vec<u32>>,
    by_number: Vec<u32>,
    prompts: BTreeMap<String, String>,
    /// What the record must hold for the phrases that ask for it.
    known: Vec<Condition>,
    /// Warnings and the list of what a local set changes, for `check`.
    pub warnings: Vec<Diagnostic>,
    pub changes: Vec<String>,
}

/// One sentence the grammar accepts, with what it means.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    pub text: String,
    pub findings: Vec<Finding>,
}

#[derive(Clone, Debug)]
pub(crate) enum Node {
    Word(WordId),
    Seq(Vec<Node>),
    Alt(Vec<Node>),
    Opt(Box<Node>),
    /// No pause stands here.
    NoPause,
    /// Index into `Grammar::slots`.
    Slot(usize),
}

/// Spoken forms with meanings.
#[derive(Clone, Debug, Default)]
pub(crate) struct List {
    #[allow(dead_code)]
    pub id: String,
    pub sounds: bool,
    pub items: Vec<Item>,
    /// First word to the words that must follow and the item meant.
    pub starts: HashMap<WordId, Vec<(Vec<WordId>, usize)>>,
}

#[derive(Clone, Debug, Default)]
pub struct Item {
    pub say: Vec<String>,
    pub sets: Vec<(Field, Value)>,
    pub default: Vec<(Field, Value)>,
    /// From this dose on no usual route is known: it is another use of the drug.
    pub usual_below: Option<Decimal>,
    pub confirm: bool,
    pub adjective: bool,
}

/// Where a slot's value comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    List(usize),
    Number,
    /// Free words to the end of the clause.
    Rest,
    /// A length of time in seconds, minutes or hours.
    Seconds,
    Minutes,
    Hours,
    /// The whole days of a length of time: of two weeks 14, of two hours none.
    Days,
    /// A length of time that ended now.
    Ago,
    /// A time of day, today or the last one before now.
    Clock,
    Month,
    Fahrenheit,
    Celsius,
    /// Degrees whose scale the value tells.
    Degrees,
    /// The same, not whole: a tenth tells a temperature from an angle.
    Tenths,
    Pounds,
    Kilograms,
    /// A time of day that can be nothing else: on the 24-hour clock, with am or pm, or before who did it (`at nine thirty we`).
    Moment,
    /// `HH:MM` as said.
    ClockText,
}

impl Source {
    pub fn from_name(name: &str) -> Option<Source> {
        Some(match name {
            "number" => Source::Number,
            "rest" => Source::Rest,
            "seconds" => Source::Seconds,
            "minutes" => Source::Minutes,
            "hours" => Source::Hours,
            "days" => Source::Days,
            "ago" => Source::Ago,
            "clock" => Source::Clock,
            "moment" => Source::Moment,
            "clock_text" => Source::ClockText,
            "month" => Source::Month,
            "fahrenheit" => Source::Fahrenheit,
            "celsius" => Source::Celsius,
            "degrees" => Source::Degrees,
            "tenths" => Source::Tenths,
            "pounds" => Source::Pounds,
            "kilograms" => Source::Kilograms,
            _ => return None,
        })
    }
}

/// What a slot fills.
#[derive(Clone, Debug, PartialEq)]
pub enum Target {
    /// The item's own fields.
    Item,
    Field(Field),
    /// A command's key.
    Key(String),
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NumberRule {
    pub low: Decimal,
    pub high: Decimal,
    pub whole: bool,
    pub ask: Option<(i64, i64)>,
    pub ask_child: Option<(i64, i64)>,
    pub dropped_point: bool,
    /// `{count:1_10}`: a value outside is not this slot's at all, rather than impossible.
    pub strict: bool,
}

impl Default for NumberRule {
    fn default() -> Self {
        NumberRule {
            low: Decimal::ZERO,
            high: Decimal::ZERO,
            whole: false,
            ask: None,
            ask_child: None,
            dropped_point: false,
            strict: false,
        }
    }
}

#[derive(Clone, Debug)]
pub struct Slot {
    pub target: Target,
    pub source: Source,
    pub number: Option<NumberRule>,
}

/// What a phrase does; the number is an index into the list of its kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Names a frame and opens it.
    Open(usize),
    /// Means something by itself, and opens its frame.
    Alone(usize),
    /// Means something while its frame is open.
    Fill(usize),
    /// Means something only as the answer to a question that opened the frame.
    Answer(usize),
    Guard(usize),
    Talk(usize),
    Command(usize),
}

#[derive(Clone, Debug)]
pub struct Phrase {
    pub role: Role,
    pub(crate) node: Node,
    pub sets: Vec<(Field, Value)>,
    pub command_sets: Vec<(String, Value)>,
    pub cost: i32,
    pub text: String,
    pub file: String,
    pub line: usize,
    pub(crate) texts: bool,
    /// Only where a clause begins.
    pub start: bool,
    /// Only where a clause ends: `he is` answers, `he is dizzy` does not.
    pub end: bool,
    /// The phrase is itself a question (`how old are you`): for yes or no, or for a value.
    pub asks: Option<Asks>,
    /// A question put in the negative.
    pub negative: bool,
    /// No pause inside: "abdomen soft, pelvis" is no soft pelvis.
    pub tight: bool,
    /// Without a verb: a dose named in a report was given, beside an expiry it is stock.
    pub bare: bool,
    /// Only while one of these frames is open: `sixty year old female` + `chest pain`.
    pub behind: Vec<usize>,
    /// Only right before a phrase of one of these frames, and never as an answer: `no nitro` + `his pressure is`.
    pub before: Vec<usize>,
    /// Only where the record holds what one of these conditions asks for (`Grammar::known`); empty: always.
    pub known: Vec<usize>,
    /// Words of which one must be said; empty: none is known to be.
    pub(crate) needed: Vec<WordId>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Asks {
    YesNo,
    Value,
}

/// What a kind of finding needs to be gathered.
#[derive(Clone, Debug)]
pub struct Frame {
    pub id: String,
    pub kind: Kind,
    pub sets: Vec<(Field, Value)>,
    pub default: Vec<(Field, Value)>,
    pub deny: Option<Vec<(Field, Value)>>,
    pub yes: Option<Vec<(Field, Value)>>,
    pub no: Option<Vec<(Field, Value)>>,
    /// At least one of these must be known; empty: anything said.
    pub needs: Vec<Field>,
    /// Fields that a second finding of the same breath inherits.
    pub carry: Vec<Field>,
    /// Fields that the ones before in a list inherit from the last: `Viagra or Cialis in the last two days`.
    pub carry_back: Vec<Field>,
    /// A measured value: stops free text, and is restated rather than recorded in a handover.
    pub vital: bool,
    /// May be otherwise by now: "he was alert ten minutes ago" says nothing of now. Whatever is measured may.
    pub changes: bool,
    /// May stand inside free text after a comma.
    pub in_text: bool,
    /// Ends free text without a comma: "fell off a ladder weighs eighty kilos".
    pub ends_text: bool,
    /// Only its place in a row says what the number is.
    pub by_order: bool,
}

#[derive(Clone, Debug)]
pub struct Guard {
    pub id: String,
    pub mood: Mood,
}

#[derive(Clone, Debug)]
pub struct Talk {
    pub id: String,
    pub act: Act,
}

#[derive(Clone, Debug)]
pub struct CommandEntry {
    pub id: String,
    pub command: String,
    pub sets: Vec<(String, Value)>,
    pub addressed: bool,
}

macro_rules! names {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum $name { $($(#[$vdoc])* $variant,)* }

        impl $name {
            pub const NAMES: &'static [&'static str] = &[$($text,)*];

            pub fn from_name(name: &str) -> Option<$name> {
                match name { $($text => Some($name::$variant),)* _ => None }
            }
        }
    };
}

names! {
    /// What a guard says about the words behind it.
    Mood {
        /// Yes or no is asked.
        Question = "question",
        /// A value is asked for.
        Which = "which",
        /// Somebody says what he is doing.
        Narrated = "narrated",
        /// What a look is for: only behind a narrated action.
        Purpose = "purpose",
        /// Talk about what should be.
        Rule = "rule",
        /// What must be so first: what the same clause said to do is not done.
        Condition = "condition",
        Tag = "tag",
        /// Said behind a list, or in it, it asks of all that was named: "viagra, cialis, any of those".
        AnyOf = "any_of",
        /// Somebody or something else.
        Other = "other",
        /// Another time: what the same clause measured is not of now.
        Past = "past",
        /// In another place or of another patient: what the same clause told, or behind a frame that is open the last thing
        /// told, is none of ours ("... in the other car").
        NotHere = "not_here",
        /// The child that was just born.
        Newborn = "newborn",
        /// A value of before, told again.
        Restated = "restated",
        /// `was`: restates a measured value, nothing else.
        Was = "was",
    }
}

names! {
    /// What a piece of talk does.
    Act {
        Yes = "yes",
        /// `correct`: a yes that confirms what was read back, whatever is said behind it.
        Confirms = "confirms",
        No = "no",
        /// `denies`: reaches over a whole list.
        Denies = "denies",
        /// `not`: the next thing alone.
        Not = "not",
        /// `absent`, `not noted`: denies what was just named.
        Absent = "absent",
        /// `both negative`: denies the whole list.
        AllAbsent = "all_absent",
        /// None of what was asked about, whichever way it was asked.
        NoneOf = "none_of",
        /// `has`, `he is`: ends a denial.
        Positive = "positive",
        And = "and",
        Or = "or",
        But = "but",
        /// `no change`.
        Unchanged = "unchanged",
        /// `still`.
        Still = "still",
        /// `correction`.
        Correct = "correct",
        /// `scratch that`.
        Retract = "retract",
        /// `no, that is his dad's`: takes back what was said of it in this breath, or before if all of this was understood.
        Anothers = "anothers",
        /// `that was the wife, not the patient`.
        WrongPerson = "wrong_person",
        /// A report to somebody else begins.
        Handover = "handover",
        HandoverEnds = "handover_ends",
        /// The tool's own name.
        Address = "address",
        /// `I don't know`.
        Unsure = "unsure",
        /// `copy`, `got it`: what follows repeats.
        Copy = "copy",
        /// `patient says`, `wife says`.
        Patient = "patient",
        Family = "family",
        Bystander = "bystander",
        OtherAgency = "other_agency",
        /// `before we got here`.
        Before = "before",
        /// `at fourteen ten`: when what stands beside it happened.
        Time = "time",
        /// `about`: the next value is an estimate.
        About = "about",
        /// `or so`: the value before it is an estimate.
        Estimate = "estimate",
        /// `other way round`, `can't tell which`: of what was just told it is not sure which is so: it is said anew, or asked.
        Unsettled = "unsettled",
        Under = "under",
        Over = "over",
    }
}

impl Grammar {
    /// A time of day that can be nothing else, as the words from `start` to `end`.
    pub fn is_moment(&self, on: &Utterance, start: usize, end: usize) -> bool {
        on.moments(start, &self.subject).into_iter().any(|clock| clock.end == end)
    }

    /// Spellings, number words and sound-alikes of the language.
    pub fn lexicon(&self) -> &Lexicon {
        &self.lexicon
    }

    /// Reads the grammar files; local ones lie over the built-in set by id.
    ///
    /// # Errors
    /// Every complaint about every file.
    pub fn load(sources: &[File]) -> Result<Grammar, Vec<Diagnostic>> {
        let mut diagnostics = Vec::new();
        let mut lexicon = Lexicon::default();
        for source in sources.iter().filter(|s| s.path.ends_with("spelling.toml")) {
            match Lexicon::parse(source) {
                Ok(read) => lexicon = read,
                Err(complaints) => diagnostics.extend(complaints),
            }
        }
        let mut files = data::read(sources);
        if !files.diagnostics.is_empty() {
            // What names things in an unreadable file would be missed everywhere else.
            diagnostics.append(&mut files.diagnostics);
            return Err(diagnostics);
        }
        let mut grammar = compile::compile(&mut files, lexicon);
        grammar.changes = std::mem::take(&mut files.changes);
        grammar.warnings = check::warnings(&grammar);
        diagnostics.append(&mut files.diagnostics);
        if diagnostics.is_empty() {
            return Ok(grammar);
        }
        diagnostics.sort_by(|a, b| (&a.file, a.line, a.column).cmp(&(&b.file, b.line, b.column)));
        Err(diagnostics)
    }

    /// True for a word that makes the number behind it an estimate.
    pub fn is_about(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.about, on, at)
    }

    /// True for `he`, `she`, ...: a sentence of its own begins.
    pub fn is_subject(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.subject, on, at)
    }

    /// True for `is`, `has`, ...: behind a name it states, before `he` it asks.
    pub fn is_auxiliary(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.auxiliary, on, at)
    }

    /// True for a word that by itself says `or`.
    pub fn is_or(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.ors, on, at)
    }

    /// True for a word that by itself says `and`.
    pub fn is_and(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.ands, on, at)
    }

    /// True for a word that by itself says `still`.
    pub fn is_still(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.stills, on, at)
    }

    /// True for a word that by itself says `not`.
    pub fn is_not(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.nots, on, at)
    }

    /// True for `at`: a time of day may stand behind it.
    pub fn dates(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.dating, on, at)
    }

    /// True for `now` right beside a value: the one before it is not of now.
    pub fn is_now(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.now, on, at)
    }

    /// True for `since`: what began then may last.
    pub fn is_since(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.since, on, at)
    }

    /// True for a word that states for itself what follows: what a "no" before a comma does not reach.
    pub fn asserts(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.asserting, on, at)
    }

    /// True for `now`: behind it a value is that of now.
    pub fn is_anew(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.anew, on, at)
    }

    /// True for `no`, `denies`, `without`: a phrase that begins so denies what it names.
    pub fn is_denier(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.denying, on, at) || is_among(&self.denying_lists, on, at)
    }

    /// True for `just`, `only`: behind a "no" what follows is there.
    pub fn excepts(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.excepting, on, at)
    }

    /// True for a word that names somebody known: behind a "no" it begins a sentence of its own.
    pub fn is_pronoun(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.pronoun, on, at)
    }

    /// True for `of`, `to`: what was denied is only what follows.
    pub fn narrows(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.narrowing, on, at)
    }

    /// True for `denies`: it reaches over a whole list.
    pub fn denies_lists(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.denying_lists, on, at)
    }

    /// True for a word that may turn round what it stands beside.
    pub fn is_telling(&self, on: &Utterance, at: usize) -> bool {
        is_among(&self.telling, on, at)
    }

    pub fn frame(&self, index: usize) -> Option<&Frame> {
        self.frames.get(index)
    }

    /// True for the frame of what is measured.
    pub fn is_vital(&self, frame: usize) -> bool {
        self.frame(frame).is_some_and(|f| f.vital)
    }

    /// True for a kind that is measured.
    pub fn measures(&self, kind: Kind) -> bool {
        self.frames.iter().any(|f| f.kind == kind && f.vital)
    }

    pub fn frame_by_id(&self, id: &str) -> Option<usize> {
        self.frames.iter().position(|f| f.id == id)
    }

    /// The frames that make findings of `kind`, in file order.
    pub fn frames_of(&self, kind: Kind) -> impl Iterator<Item = usize> + '_ {
        self.frames.iter().enumerate().filter(move |(_, f)| f.kind == kind).map(|(i, _)| i)
    }

    /// What some phrases need the record to hold.
    pub fn known(&self) -> impl Iterator<Item = &Condition> {
        self.known.iter()
    }

    pub fn phrase(&self, index: u32) -> Option<&Phrase> {
        self.phrases.get(index as usize)
    }

    pub fn slot(&self, index: usize) -> Option<&Slot> {
        self.slots.get(index)
    }

    pub fn guard(&self, index: usize) -> Option<&Guard> {
        self.guards.get(index)
    }

    pub fn act(&self, index: usize) -> Option<Act> {
        self.talk.get(index).map(|t| t.act)
    }

    pub fn command(&self, index: usize) -> Option<&CommandEntry> {
        self.commands.get(index)
    }

    /// The names that may be recognised by their sound, as they are said.
    pub fn names(&self) -> impl Iterator<Item = String> + '_ {
        let lists = self.lists.iter().filter(|list| list.sounds);
        lists.flat_map(|list| &list.items).flat_map(|item| item.say.iter().cloned())
    }

    /// What is so of a drug where nothing else is said: its unit, its route.
    pub fn usual(&self, name: &Value) -> &[(Field, Value)] {
        let of = |item: &&Item| item.sets.iter().any(|(field, value)| *field == Field::Name && value == name);
        let items = self.lists.iter().flat_map(|list| &list.items);
        items.filter(of).find(|item| !item.default.is_empty()).map_or(&[], |item| &item.default)
    }

    pub fn item(&self, list: usize, item: usize) -> Option<&Item> {
        self.lists.get(list)?.items.get(item)
    }

    /// A sentence to be asked aloud with its `{names}` filled in; the id itself where the data has none.
    pub fn prompt(&self, id: &str, values: &[(&str, &str)]) -> String {
        let mut text = self.prompts.get(id).cloned().unwrap_or_else(|| id.replace('_', " "));
        for (name, value) in values {
            text = text.replace(&format!("{{{name}}}"), value);
        }
        text
    }

    /// Frames, phrases, lists: how much there is.
    pub fn counts(&self) -> (usize, usize, usize) {
        (self.frames.len(), self.phrases.len(), self.lists.len())
    }
}

fn is_among(words: &BTreeSet<WordId>, on: &Utterance, at: usize) -> bool {
    on.ids.get(at).is_some_and(|id| words.contains(id))
}
