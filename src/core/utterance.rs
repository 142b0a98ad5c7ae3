//! What was heard, and what was made of it: the two values that pass between recognition, language and encounter.
//!
//! Neither knows how the sound was captured nor what follows from the findings.

use serde_json::{Map, Value as Json, json};

use super::command::Command;
use super::event::{Outcome, Speech};
use super::finding::Finding;

/// One recognised word with its rivals at the same place.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Word {
    pub text: String,
    /// Probability that this word was said, 0 to 1.
    pub probability: f64,
    /// Other readings of the same sound, most likely first, each with its probability.
    pub rivals: Vec<(String, f64)>,
}

/// Who spoke, as far as the sound tells.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Whose {
    #[default]
    Unknown,
    /// The program: little was left of the sound when what it plays was taken out.
    Ours,
    /// Somebody else: much was left, or the microphone does not hear the program at all.
    Theirs,
}

/// One utterance as recognised (or as a script gives it).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Transcript {
    pub text: String,
    /// 0 to 1; 1 for a script.
    pub confidence: f64,
    /// In order; empty for a script, where every word is certain.
    pub words: Vec<Word>,
    /// Length of the sound, milliseconds; 0 for a script.
    pub audio_ms: u64,
    /// Other whole readings of the same sound (another decoding pass), most likely first, with probability.
    pub rivals: Vec<(String, f64)>,
    /// True when the improbable whole should be taken for chatter, whatever the words say.
    pub chatter: bool,
    /// True when the words are the likeliest that make sense rather than those that were heard: all of them are doubtful.
    pub guessed: bool,
    /// What the program itself was saying while this was heard, or just before.
    pub own_voice: Option<String>,
    pub whose: Whose,
    /// True when the sound tells that somebody else's words are in it, whatever of ours is in it too.
    pub somebody: bool,
    /// True when the program was still speaking as this began: it may be what is left of its own words.
    pub talked_over: bool,
    /// True when words of the program sounded at any time while it was said, and the microphone may have heard them too.
    pub mixed: bool,
    /// Where the sound is kept, if it was asked for.
    pub kept_audio: Option<String>,
}

impl Transcript {
    /// A line of a script: every word certain.
    pub fn script(text: &str) -> Transcript {
        Transcript { text: text.trim().to_string(), confidence: 1.0, ..Transcript::default() }
    }
}

/// One value that is not sure, as `parse --json` shows it.
#[derive(Clone, Debug, PartialEq)]
pub struct Doubt {
    /// Which finding of [`Understood::changes`] this is about (index among the recorded findings).
    pub finding: usize,
    pub field: String,
    pub heard: Json,
    /// The rival readings.
    pub or: Vec<Json>,
    /// Probability that `heard` is right, 0 to 1.
    pub probability: f64,
}

/// What the record would take from an utterance.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    Record(Finding),
    /// Replaces the finding of event `target`.
    Correct {
        target: u64,
        finding: Finding,
        who: Option<String>,
        why: Option<String>,
    },
    Retract {
        target: u64,
        why: Option<String>,
    },
    /// `how` is `read_back` or `echo`.
    Confirm {
        target: u64,
        how: String,
        /// What stands confirmed, where a second voice said it again.
        echoed: Option<Finding>,
    },
}

/// One utterance understood: every transcript ends in exactly one outcome.
#[derive(Clone, Debug, PartialEq)]
pub struct Understood {
    pub heard: String,
    pub outcome: Outcome,
    /// In the order said.
    pub changes: Vec<Change>,
    pub commands: Vec<Command>,
    pub doubt: Vec<Doubt>,
    /// The meanings of an ambiguous part, each a list of findings.
    pub options: Vec<Vec<Finding>>,
    /// Why a part was rejected or is ambiguous, in words fit to be asked aloud. One entry a part.
    pub why: Vec<String>,
    /// What a rejected part was about: kind and name, without the value that cannot be. Never recorded.
    pub refused: Vec<Finding>,
    /// Words understood as nothing.
    pub leftover: Vec<String>,
    /// Values restated in a report or handover: compared with the record, never recorded.
    pub restated: Vec<Finding>,
    /// Finding kinds or names that this utterance asked about (a question of the crew's).
    pub asked: Vec<String>,
    /// Talk among people that holds no finding, no answer and no word that is not known.
    pub talk: bool,
    /// Off the record: this would have been a finding.
    pub passed_over: bool,
    /// Which template and words made which slot, for `parse --explain`.
    pub explain: Vec<String>,
}

impl Understood {
    /// Nothing understood.
    pub fn unmatched(heard: &str) -> Understood {
        Understood {
            heard: heard.to_string(),
            outcome: Outcome::Unmatched,
            changes: Vec::new(),
            commands: Vec::new(),
            doubt: Vec::new(),
            options: Vec::new(),
            why: Vec::new(),
            refused: Vec::new(),
            leftover: Vec::new(),
            restated: Vec::new(),
            asked: Vec::new(),
            talk: false,
            passed_over: false,
            explain: Vec::new(),
        }
    }

    /// What it was, where nothing is to be recorded of it.
    pub fn speech(&self) -> Option<Speech> {
        match self.outcome {
            Outcome::Unmatched if !self.asked.is_empty() => Some(Speech::Question),
            Outcome::Unmatched if self.talk => Some(Speech::Talk),
            _ => None,
        }
    }

    /// What would be recorded, corrections included.
    pub fn findings(&self) -> impl Iterator<Item = &Finding> {
        self.changes.iter().filter_map(|change| match change {
            Change::Record(finding) | Change::Correct { finding, .. } => Some(finding),
            Change::Retract { .. } | Change::Confirm { .. } => None,
        })
    }

    /// The line that `parse --json` prints.
    pub fn to_json(&self) -> Json {
        let mut map = Map::new();
        map.insert("heard".into(), self.heard.clone().into());
        map.insert("outcome".into(), json!(self.outcome));
        let echoed = self.changes.iter().filter_map(Change::echoed);
        map.insert("findings".into(), self.findings().chain(echoed).map(Finding::to_json).collect());
        map.insert("commands".into(), json!(self.commands));
        if !self.doubt.is_empty() {
            map.insert("doubt".into(), self.doubt.iter().map(Doubt::to_json).collect());
        }
        if !self.options.is_empty() {
            map.insert("options".into(), json!(self.options));
        }
        if !self.why.is_empty() {
            map.insert("why".into(), self.why.join("; ").into());
        }
        if !self.leftover.is_empty() {
            map.insert("leftover".into(), json!(self.leftover));
        }
        if !self.restated.is_empty() {
            map.insert("restated".into(), json!(self.restated));
        }
        let settled: Vec<Json> = self.changes.iter().filter_map(Change::settled).collect();
        if !settled.is_empty() {
            map.insert("settles".into(), Json::Array(settled));
        }
        if !self.asked.is_empty() {
            map.insert("asked".into(), json!(self.asked));
        }
        Json::Object(map)
    }
}

impl Change {
    fn echoed(&self) -> Option<&Finding> {
        match self {
            Change::Confirm { echoed, .. } => echoed.as_ref(),
            _ => None,
        }
    }

    fn settled(&self) -> Option<Json> {
        match self {
            Change::Record(_) => None,
            Change::Correct { target, .. } => Some(json!({ "corrects": target })),
            Change::Retract { target, .. } => Some(json!({ "retracts": target })),
            Change::Confirm { target, how, .. } => Some(json!({ "confirms": target, "how": how })),
        }
    }
}

impl Doubt {
    fn to_json(&self) -> Json {
        json!({ "field": self.field, "heard": self.heard, "or": self.or, "probability": self.probability })
    }
}
