//! One encounter's talk: what is open, what was just said, what that makes of the next utterance.
//!
//! The program does not know who speaks. What a question opens, an answer fills; what is corrected is the last thing of
//! its kind; what is told to somebody else is compared, not recorded.

mod echo;
mod faint;
mod interpret;
mod read_back;
mod sample;
mod settle;

use std::ops::Range;

use serde_json::{Map, Value as Json};

use super::command::Command;
use super::condition::Condition;
use super::event::{AdviceType, Body, Event, Outcome};
use super::finding::{Field, Finding, Kind, Value};
use super::grammar::{Grammar, Openings};
use super::ledger::{ECHO, Entry, Ledger};
use super::text::{Break, Token};
use super::time::Moment;
use super::utterance::{Change, Doubt, Transcript, Understood, Whose};
use crate::core::clinical::age;
use crate::core::decimal::Decimal;
use interpret::{Answer, Answered, Draft, Meaning, Question};
pub use read_back::warns_of_value;
use settle::{Context, Settled};

/// What a lone number may be, with the values that it then may have. Common practice, no source.
const LONE: [(Kind, Field, i64, i64); 3] = [
    (Kind::Pulse, Field::RatePerMin, 30, 220),
    (Kind::Respirations, Field::RatePerMin, 4, 60),
    (Kind::OxygenSaturation, Field::Percent, 70, 100),
];
/// How long a question stays open, milliseconds.
const QUESTION_MS: u64 = 30_000;
/// How a value is confirmed that was read back.
const READ_BACK: &str = "read_back";
/// How long a read-back waits for its answer.
const READ_BACK_MS: u64 = 45_000;
/// How long after a warning "acknowledged" acts without the tool's name.
const ACKNOWLEDGE_MS: u64 = 30_000;
/// How long a handover lasts without a word of it.
const HANDOVER_MS: u64 = 180_000;
/// Where something is.
const PLACE: [Field; 2] = [Field::Region, Field::Side];
/// How long an answer may be repeated by a second voice. Our own choice, no source.
const ECHO_MS: u64 = 20_000;
/// Most meanings shown.
const OPTIONS: usize = 16;
/// Rival texts parsed for one utterance.
const RIVALS: usize = 12;
/// How likely the other is of two readings that nothing tells apart (0 to 1). Our own choice, no source.
pub const EVEN: f64 = 0.5;
/// An utterance of which only a part is understood is believed from this mean probability of its tokens on (0 to 1); below
/// it the part may be made up from something else. Measured: the two silent errors of the tuning voices that were neither
/// a digit nor a route ("acetaminophen one milligrams" as "a 10 year old") had 0.17 and 0.23 (docs/hearing.md).
const SURE_IN_PART: f64 = 0.3;
/// What was said over our own words is not believed below this mean probability (0 to 1); below the second where the sound
/// says that it is somebody else's, which it also says where our sound could not be taken out. On a busy machine our words
/// came back as other sentences of the crew's at 0.24 to 0.58, none with a value, the crew's sentence over them at 0.70 to
/// 0.98 (30 calls), over the very first words, which are not taken out yet, at 0.44 (one call).
const SURE_OVER_OURS: f64 = 0.7;
const SURE_OVER_OURS_THEIRS: f64 = 0.6;

/// A fold over the record's events plus the last utterances.
#[derive(Clone, Debug, Default)]
pub struct Conversation {
    ledger: Ledger,
    /// Unanswered questions, oldest first.
    open: Vec<Asked>,
    /// The sequence numbers of the last utterance that recorded something.
    last: Vec<u64>,
    last_heard: Option<u64>,
    patient: Option<i64>,
    handover_since: Option<u64>,
    /// Off the record.
    paused: bool,
    /// Care was transferred: only our own milestones count until the program is addressed, or another patient named.
    handed_over: bool,
    read_back: Option<ReadBack>,
    /// When the answer that `last` holds was given, until it was repeated.
    answer_ms: Option<u64>,
    /// When what `last` holds was said.
    last_ms: u64,
    warned_ms: Option<u64>,
    /// The tool's name was said and nothing else.
    addressed_ms: Option<u64>,
    /// Words of ours sounded while this utterance was said.
    we_speak: bool,
}

#[derive(Clone, Debug)]
struct Asked {
    questions: Vec<Question>,
    at_ms: u64,
    /// An answer came and settled nothing; a new question closes this one.
    unclear: bool,
}

#[derive(Clone, Debug)]
struct ReadBack {
    targets: Vec<u64>,
    /// What was read back in the same breath before: a number may answer it, a bare yes does not.
    before: Vec<u64>,
    /// The event that asked.
    asked: u64,
    at_ms: u64,
}

/// One way to understand an utterance, with what it would do to the conversation.
#[derive(Clone, Debug, Default, PartialEq)]
struct Taken {
    changes: Vec<Change>,
    commands: Vec<Command>,
    doubts: Vec<Doubt>,
    options: Vec<Vec<Finding>>,
    why: Vec<String>,
    refused: Vec<Finding>,
    restated: Vec<Finding>,
    rejected: bool,
    ambiguous: bool,
    answered: bool,
    /// An answer that settled nothing.
    unclear: bool,
    /// Every word is known, and none of them says or answers anything.
    talk: bool,
    asked: Vec<Vec<Question>>,
    leftover: Vec<String>,
    handover: bool,
    handover_ends: bool,
    addressed: bool,
    /// It began with a "no" that no question of its own explains.
    contests: bool,
    explain: Vec<String>,
}

impl Conversation {
    /// Understands one utterance that began at `when`.
    pub fn hear(&mut self, grammar: &Grammar, transcript: &Transcript, when: Moment) -> Understood {
        self.age(when);
        if let Some(quiet) = self.quiet_over_ours(grammar, transcript, when) {
            return quiet;
        }
        if let Some(outcome) = may_be_anything(grammar, transcript) {
            let lost = self.cue_over_ours(grammar, transcript, when);
            return lost.unwrap_or(Understood { outcome, ..Understood::unmatched(&transcript.text) });
        }
        if let Some(ours) = echo::ours(grammar, transcript) {
            let text = transcript.text.clone();
            let behind = transcript.whose != Whose::Ours;
            return match behind.then(|| self.beside_ours(grammar, transcript, &ours, when)).flatten() {
                Some(understood) => Understood { heard: text, ..understood },
                None => self
                    .cue_over_ours(grammar, transcript, when)
                    .unwrap_or(Understood { outcome: Outcome::Echo, ..Understood::unmatched(&text) }),
            };
        }
        if transcript.chatter {
            return Understood::unmatched(&transcript.text);
        }
        self.we_speak = transcript.own_voice.is_some();
        let questions = transcript.talked_over.then(|| self.questions_set_aside());
        let mut taken = self.understand(grammar, &transcript.text, when);
        let ours = taken.addressed || taken.commands.iter().any(|c| matches!(c, Command::Patient { .. }));
        if self.handed_over && !self.paused && !ours {
            return self.after_transfer(grammar, &transcript.text, taken);
        }
        let passed_over = self.paused && !taken.addressed;
        if !passed_over {
            self.weigh_rivals(grammar, transcript, when, &mut taken);
            self.doubt_what_hangs_on_faint_words(grammar, transcript, when, &mut taken);
        }
        if let Some((open, read_back, answer_ms)) = questions {
            (self.open, self.read_back, self.answer_ms) = (open, read_back, answer_ms);
        }
        if passed_over {
            let passed_over = taken.changes.iter().any(|change| recorded(change).is_some());
            return Understood { passed_over, ..Understood::unmatched(&transcript.text) };
        }
        // Beside a sentence of the crew's a piece of ours is heard a little better: "90, sats, third hand, ..." at 0.61.
        let unsure = (transcript.talked_over || transcript.mixed) && transcript.confidence < SURE_OVER_OURS;
        if let Some(own_voice) = transcript.own_voice.as_ref().filter(|_| unsure) {
            without_our_values(grammar, own_voice, &mut taken);
        }
        doubt_two_ages(&mut taken);
        doubt_half_denied(grammar, &transcript.text, &mut taken);
        let in_part = transcript.confidence < SURE_IN_PART && !taken.leftover.is_empty();
        // "152 over 90, four" may have been 94: beside a number that can not be, its neighbours are asked.
        let unsure = transcript.guessed || in_part || is_unsure_over_ours(transcript);
        if unsure || taken.rejected || transcript.whose == Whose::Ours {
            doubt_all(&mut taken, transcript.confidence);
        }
        if transcript.mixed {
            // Words of ours were in the sound: a value or a drug may have lost a part, or gained one.
            doubt_those(&mut taken, transcript.confidence, may_hurt);
        }
        self.remember(&taken, when);
        let mut understood = understood(grammar, &transcript.text, taken);
        if transcript.whose == Whose::Ours && understood.outcome == Outcome::Unmatched {
            // What is left of our words and makes no sense is nothing that anybody should say again.
            understood.outcome = Outcome::Echo;
        }
        understood
    }

    /// A scrap of "four?" come back as "three" must not answer it: what began while the program spoke answers nothing. It
    /// can still be a whole finding, a command, or a correction that says so.
    fn questions_set_aside(&mut self) -> (Vec<Asked>, Option<ReadBack>, Option<u64>) {
        (std::mem::take(&mut self.open), self.read_back.take(), self.answer_ms.take())
    }

    /// "In service": what still is ours after the transfer of care.
    fn after_transfer(&mut self, grammar: &Grammar, text: &str, mut taken: Taken) -> Understood {
        let milestone = |c: &Change| matches!(c, Change::Record(finding) if finding.kind() == Kind::Milestone);
        taken.changes.retain(milestone);
        if taken.changes.is_empty() || taken.ambiguous || taken.rejected || !taken.doubts.is_empty() {
            return Understood::unmatched(text);
        }
        understood(grammar, text, Taken { changes: taken.changes, ..Taken::default() })
    }

    /// Folds one event of the record in.
    pub fn apply(&mut self, event: &Event) {
        self.ledger.apply(event);
        match &event.body {
            Body::Finding(finding) => {
                if self.last_heard != event.from || event.from.is_none() {
                    self.last.clear();
                    self.last_heard = event.from;
                }
                self.last.push(event.seq);
                self.last_ms = event.when.mono_ms;
                if finding.kind() == Kind::Milestone && finding.is(Field::Name, "transfer_of_care") {
                    self.handed_over = true;
                    self.handover_since = None;
                }
            }
            Body::Corrected(c) => self.last = vec![c.target],
            Body::Advice(advice) => {
                self.warned_ms = Some(event.when.mono_ms);
                let about = advice.because.iter().filter_map(|seq| self.ledger.find(*seq));
                let targets = read_back::read_back_by(advice, about);
                if matches!(advice.kind, AdviceType::ReadBack | AdviceType::Inconsistency) || !targets.is_empty() {
                    let at_ms = event.when.mono_ms;
                    let together = self.read_back.take().filter(|earlier| earlier.at_ms == at_ms);
                    let before = together.map(|earlier| [earlier.before, earlier.targets].concat()).unwrap_or_default();
                    self.read_back = Some(ReadBack { targets, before, asked: event.seq, at_ms });
                }
            }
            Body::Confirmed(_) => self.read_back = None,
            Body::Heard(heard) => {
                for command in &heard.commands {
                    match command {
                        Command::Patient { number } => {
                            self.patient = Some(i64::from(*number));
                            self.handed_over = false;
                        }
                        Command::HandoverBegins => self.handover_since = Some(event.when.mono_ms),
                        Command::HandoverEnds => self.handover_since = None,
                        Command::OffRecord => self.paused = true,
                        Command::OnRecord => self.paused = false,
                        Command::CloseCall => *self = Conversation::default(),
                        _ => {}
                    }
                }
            }
            _ => {}
        }
    }

    /// After a restart: which question of the crew was open is not in the record. What was read back before the last
    /// words waits for no answer any more, because a bare "yes" may be that question's.
    pub fn resumed(&mut self, last_heard: u64) {
        self.read_back.take_if(|read_back| read_back.asked < last_heard);
    }

    /// Questions and read-backs grow old.
    fn age(&mut self, when: Moment) {
        let now = when.mono_ms;
        self.open.retain(|asked| now.saturating_sub(asked.at_ms) <= QUESTION_MS);
        if self.read_back.as_ref().is_some_and(|r| now.saturating_sub(r.at_ms) > READ_BACK_MS) {
            self.read_back = None;
        }
        if self.handover_since.is_some_and(|since| now.saturating_sub(since) > HANDOVER_MS) {
            self.handover_since = None;
        }
        self.answer_ms.take_if(|at| now.saturating_sub(*at) > ECHO_MS);
        if self.addressed_ms.is_some_and(|since| now.saturating_sub(since) > 8_000) {
            self.addressed_ms = None;
        }
    }

    /// "Quiet" over our own words, even as a guess, as a rival reading or among our words that came back: falling silent
    /// harms nobody, and going on against a "quiet" does. What was in doubt is asked again, a warning stays on the screen.
    fn quiet_over_ours(&mut self, grammar: &Grammar, transcript: &Transcript, when: Moment) -> Option<Understood> {
        transcript.own_voice.as_ref()?;
        self.we_speak = true;
        let ours = echo::ours(grammar, transcript);
        let heard = ours.map_or_else(|| transcript.text.clone(), |ours| without(&transcript.text, &ours));
        let beside = echo::beside_ours(grammar, transcript);
        let others = rivals(transcript).into_iter().map(|(text, _)| text).chain(beside);
        let asks = |text: &String| {
            let ours = echo::ours(grammar, &Transcript { text: text.clone(), ..transcript.clone() }).is_some();
            let taken = self.understand(grammar, text, when);
            let quiet = |command: &Command| matches!(command, Command::Quiet { minutes: 0 });
            !ours && taken.changes.is_empty() && taken.commands.len() == 1 && taken.commands.iter().all(quiet)
        };
        let asked = [heard].into_iter().chain(others).any(|text| asks(&text));
        asked.then(|| Understood {
            outcome: Outcome::Matched,
            commands: vec![Command::Quiet { minutes: 0 }],
            ..Understood::unmatched(&transcript.text)
        })
    }

    /// A finding that somebody spoke beside those of our words that came back (`ours`, bytes).
    fn beside_ours(
        &mut self,
        grammar: &Grammar,
        transcript: &Transcript,
        ours: &Range<usize>,
        when: Moment,
    ) -> Option<Understood> {
        // What is cut off may have been a "not": all of it is asked.
        let all = Transcript {
            words: Vec::new(),
            rivals: Vec::new(),
            guessed: true,
            mixed: true,
            own_voice: None,
            ..transcript.clone()
        };
        let rest = Transcript { text: without(&all.text, ours), ..all.clone() };
        let own_voice = transcript.own_voice.clone();
        let somebody_else = echo::ours(grammar, &Transcript { own_voice, ..rest.clone() }).is_none();
        let finds = |heard: &Transcript| self.clone().hear(grammar, heard, when).findings().count();
        let found = if somebody_else { finds(&rest) } else { 0 };
        // "Not confused" is not what is behind our "not".
        let heard = if finds(&all) == found { &all } else { &rest };
        (found > 0).then(|| self.hear(grammar, heard, when))
    }

    /// A measurement's name over our words, its value lost or unsure ("respirations"), or a value of it that is none of
    /// ours: asked for again, unless we are just saying it ourselves.
    fn cue_over_ours(&self, grammar: &Grammar, transcript: &Transcript, when: Moment) -> Option<Understood> {
        let own_voice = transcript.own_voice.as_ref()?;
        let least = match echo::ours(grammar, transcript) {
            // Like our words altogether: only a value that was heard clearly is more than what came back of them, and
            // only where the sound tells of somebody else.
            Some(_) if transcript.whose == Whose::Ours || !transcript.somebody => return None,
            Some(_) => SURE_OVER_OURS,
            None if transcript.whose == Whose::Theirs => 0.0,
            None => SURE_IN_PART,
        };
        if transcript.confidence < least {
            return None;
        }
        let vital = |kind: &Kind| grammar.frames_of(*kind).any(|frame| grammar.frame(frame).is_some_and(|f| f.vital));
        let measured = |finding: &&Finding| {
            let value = finding.fields().any(|(field, value)| field != Field::Patient && value.as_number().is_some());
            value && vital(&finding.kind()) && !echo::says_our_values(grammar, own_voice, finding)
        };
        let heard = self.understand(grammar, &transcript.text, when);
        let other_value = heard.changes.iter().filter_map(recorded).find(measured).map(Finding::kind);
        let name = || {
            let theirs = self.understand(grammar, &echo::beside_ours(grammar, transcript)?, when);
            // "A rate of 88" while we say "pulse eighty eight": the value is ours, and so is the name.
            let ours = |f: &&Finding| echo::says_our_values(grammar, own_voice, f);
            let ours: Vec<Kind> = heard.changes.iter().filter_map(recorded).filter(ours).map(Finding::kind).collect();
            let kinds = theirs.asked.iter().flatten().map(|question| question.kind);
            kinds.filter(vital).find(|kind| !ours.contains(kind))
        };
        let kind = other_value.or_else(|| if least < SURE_OVER_OURS { name() } else { None })?;
        let unmatched = Understood::unmatched(&transcript.text);
        Some(Understood { outcome: Outcome::Ambiguous, options: vec![vec![Finding::new(kind)]], ..unmatched })
    }

    fn understand(&self, grammar: &Grammar, text: &str, when: Moment) -> Taken {
        let on = grammar.utterance(text);
        let openings = self.openings(grammar, when);
        let derivations = grammar.derive(&on, &openings);
        let read_back = [self.read_back_frames(grammar), openings.contested].concat();
        let mut all: Vec<Taken> = Vec::new();
        for derivation in &derivations {
            let meaning = interpret::interpret(grammar, &on, derivation, &when.at, &read_back);
            let taken = self.take(grammar, meaning, when);
            if !all.iter().any(|other| same(other, &taken)) {
                all.push(taken);
            }
        }
        merge(grammar, all)
    }

    /// What the last utterance measured, while nothing else waits for an answer: a "no" and another value contest it.
    fn contestable(&self, when: Moment) -> impl Iterator<Item = &Entry> {
        let waits = self.open.is_empty() && self.read_back.is_none();
        let fresh = when.mono_ms.saturating_sub(self.last_ms) <= ECHO_MS;
        let last = self.last.iter().filter(move |_| waits && fresh);
        last.filter_map(|seq| self.ledger.find(*seq)).filter(|e| e.stands())
    }

    fn contested_frames(&self, grammar: &Grammar, when: Moment) -> Vec<usize> {
        let vital = |frame: &usize| grammar.frame(*frame).is_some_and(|f| f.vital);
        self.contestable(when).flat_map(|e| grammar.frames_of(e.finding.kind())).filter(vital).collect()
    }

    fn openings(&self, grammar: &Grammar, when: Moment) -> Openings {
        let mut answers: Vec<usize> = self.open.iter().flat_map(|a| a.questions.iter().map(|q| q.frame)).collect();
        answers.sort_unstable();
        answers.dedup();
        let mut corrections = Vec::new();
        let mut candidates: Vec<Kind> = Vec::new();
        for seq in self.last.iter().rev() {
            candidates.extend(self.ledger.find(*seq).map(|e| e.finding.kind()));
        }
        if candidates.is_empty() {
            candidates.extend(self.ledger.standing().next_back().map(|e| e.finding.kind()));
        }
        for kind in candidates {
            corrections.extend(grammar.frames_of(kind));
        }
        corrections.sort_unstable();
        corrections.dedup();
        if self.read_back.is_some() {
            answers.extend(self.read_back_kinds().into_iter().flat_map(|k| grammar.frames_of(k).collect::<Vec<_>>()));
        }
        if self.answer_ms.is_some() {
            let kinds: Vec<Kind> = self.echoable().map(|e| e.finding.kind()).collect();
            answers.extend(kinds.into_iter().flat_map(|k| grammar.frames_of(k).collect::<Vec<_>>()));
        }
        let contested = self.contested_frames(grammar, when);
        let known = self.known(grammar);
        Openings { answers, corrections, contested, addressed: self.addressed_ms.is_some(), known }
    }

    /// What the record holds of what some phrases need: "kit is in" means a drug only where such kits are given.
    fn known(&self, grammar: &Grammar) -> Vec<usize> {
        let patient = self.patient.unwrap_or(1);
        let holds = |c: &Condition| self.ledger.of(c.kind, patient).any(|entry| c.holds(&entry.finding));
        grammar.known().enumerate().filter(|(_, c)| holds(c)).map(|(at, _)| at).collect()
    }

    /// What the last answer recorded, while it may be repeated.
    fn echoable(&self) -> impl Iterator<Item = &Entry> {
        let last = self.last.iter().filter(|_| self.answer_ms.is_some());
        last.filter_map(|seq| self.ledger.find(*seq)).filter(|e| e.stands())
    }

    /// What was read back last, the latest first.
    fn read_back(&self) -> impl Iterator<Item = &Entry> {
        let seqs = self.read_back.iter().flat_map(|r| r.targets.iter().chain(&r.before));
        seqs.filter_map(|seq| self.ledger.find(*seq))
    }

    fn read_back_kinds(&self) -> Vec<Kind> {
        self.read_back().map(|e| e.finding.kind()).collect()
    }

    /// The frames that a "no" and a number may answer: none while a question of the crew is open.
    fn read_back_frames(&self, grammar: &Grammar) -> Vec<usize> {
        if !self.open.is_empty() {
            return Vec::new();
        }
        self.read_back_kinds().into_iter().flat_map(|kind| grammar.frames_of(kind)).collect()
    }

    fn context(&self) -> Context {
        let patient = self.patient.unwrap_or(1);
        // What was told of the patient last may be his weight.
        let child = self.ledger.of(Kind::Patient, patient).rev().find_map(|e| is_child(&e.finding));
        let child = child.unwrap_or_else(|| age::just_born(&self.ledger, patient).is_some());
        Context { child, patient }
    }

    /// What one meaning would do.
    fn take(&self, grammar: &Grammar, meaning: Meaning, when: Moment) -> Taken {
        let mut taken = Taken {
            leftover: meaning.leftover.clone(),
            explain: meaning.explain.clone(),
            handover: meaning.handover,
            handover_ends: meaning.handover_ends,
            addressed: meaning.addressed || self.addressed_ms.is_some(),
            ..Taken::default()
        };
        let mut context = self.context();
        for map in &meaning.commands {
            self.command(map, &meaning, &mut taken, when);
        }
        if let Some(Command::Patient { number }) = taken.commands.iter().find(|c| matches!(c, Command::Patient { .. }))
        {
            context.patient = i64::from(*number);
        }
        self.talk_back(grammar, &meaning, &mut taken);
        taken.contests = meaning.answers.iter().any(|a| a.answer == Answer::No && a.at == 0 && a.questions.is_empty());
        let (row, drafts): (Vec<&Draft>, Vec<&Draft>) =
            meaning.drafts.iter().partition(|d| grammar.frame(d.frame).is_some_and(|f| f.by_order));
        let plain = row_is_plain(&row, &drafts);
        for draft in meaning.drafts.iter().filter(|d| plain || !row.contains(d)) {
            self.take_draft(grammar, draft, context, when, &mut taken);
        }
        if !plain {
            ask_row(grammar, &row, context, &mut taken);
        }
        self.take_no_beside(grammar, &meaning, context, &mut taken);
        ask_felt_or_heard(grammar, &mut taken);
        for answered in &meaning.answers {
            self.take_answer(grammar, answered, context, &meaning, &mut taken);
        }
        if meaning.answers.iter().any(|a| a.answer == Answer::No && a.questions.is_empty()) {
            self.deny_what_is_confirmed(grammar, &mut taken);
        }
        if !meaning.stray.is_empty() {
            let number = meaning.stray.join(" ");
            taken.ambiguous = true;
            taken.why.push(grammar.prompt("lone_number", &[("number", &number)]));
            let options = lone_options(grammar, &number, &taken, context.patient);
            taken.options.extend(options);
        }
        self.take_numbers(grammar, &meaning, context, &mut taken);
        self.take_times(grammar, &meaning.times, &mut taken);
        if meaning.handover {
            taken.commands.push(Command::HandoverBegins);
        }
        if meaning.handover_ends {
            taken.commands.push(Command::HandoverEnds);
        }
        self.take_lead(grammar, &meaning.lead, context, &mut taken);
        taken.talk = meaning.leftover.is_empty() && meaning.drafts.is_empty() && meaning.answers.is_empty();
        taken.asked = meaning.questions;
        taken
    }

    /// "one eighteen, ninety four over sixty two": the vital sign that a leading number must be, if only one can hold it.
    fn take_lead(&self, grammar: &Grammar, lead: &[String], context: Context, taken: &mut Taken) {
        if lead.is_empty() || taken.changes.is_empty() {
            return;
        }
        let number = lead.join(" ");
        let mut options = lone_options(grammar, &number, taken, context.patient);
        taken.leftover.retain(|words| *words != number);
        match (options.len(), options.first().and_then(|o| o.first()).cloned()) {
            (1, Some(finding)) => {
                taken.changes.insert(0, Change::Record(finding));
                taken.doubts.iter_mut().for_each(|d| d.finding += 1);
            }
            _ => {
                taken.ambiguous = true;
                taken.why.push(grammar.prompt("lone_number", &[("number", &number)]));
                taken.options.append(&mut options);
            }
        }
    }

    /// Numbers beside a measured value that no phrase took are values too: which?
    fn take_numbers(&self, grammar: &Grammar, meaning: &Meaning, context: Context, taken: &mut Taken) {
        let vital = |d: &Draft| grammar.frame(d.frame).is_some_and(|f| f.vital);
        let said = |words: &&String| !meaning.lead.contains(words) && meaning.lead.join(" ") != **words;
        let Some(number) = meaning.numbers.iter().find(said) else { return };
        if taken.ambiguous || taken.changes.is_empty() || !meaning.drafts.iter().any(vital) {
            return;
        }
        taken.ambiguous = true;
        taken.why.push(grammar.prompt("lone_number", &[("number", number)]));
        let options = lone_options(grammar, number, taken, context.patient);
        taken.options.extend(options);
        let contested =
            |c: &Change| matches!(c, Change::Record(finding) if meaning.contested.contains(&finding.kind()));
        if taken.changes.iter().any(contested) {
            taken.changes.retain(|c| !contested(c));
            taken.doubts.clear();
        }
    }

    /// A time of day beside a finding that no phrase took: was that when it happened?
    fn take_times(&self, grammar: &Grammar, times: &[String], taken: &mut Taken) {
        let Some(time) = times.first() else { return };
        let Some(at) = taken.changes.iter().rposition(|c| matches!(c, Change::Record(_))) else { return };
        taken.ambiguous = true;
        taken.why.push(grammar.prompt("lone_time", &[("time", time)]));
        if let Change::Record(finding) = taken.changes.remove(at) {
            taken.options.push(vec![finding]);
        }
        taken.doubts.retain(|d| d.finding != at);
    }

    fn command(&self, map: &Map<String, Json>, meaning: &Meaning, taken: &mut Taken, when: Moment) {
        let Ok(command) = serde_json::from_value::<Command>(Json::Object(map.clone())) else { return };
        let recent = self.warned_ms.is_some_and(|at| when.mono_ms.saturating_sub(at) <= ACKNOWLEDGE_MS);
        if matches!(command, Command::Acknowledge { .. }) && !taken.addressed && !recent {
            return;
        }
        // Nobody looks for the tool's name while it talks. Said of anything else ("her lungs are quiet") it is none.
        let to_us = (recent || self.we_speak) && meaning.nothing_else;
        if matches!(command, Command::Quiet { .. }) && !taken.addressed && !to_us {
            return;
        }
        if matches!(command, Command::Retract) {
            self.retract(taken, None);
            return;
        }
        taken.commands.push(command);
    }

    fn retract(&self, taken: &mut Taken, why: Option<String>) {
        let standing = |seq: &u64| self.ledger.find(*seq).is_some_and(Entry::stands);
        for seq in self.last.iter().copied().filter(standing) {
            taken.changes.push(Change::Retract { target: seq, why: why.clone() });
        }
    }

    /// Retractions, and what answers a read-back.
    fn talk_back(&self, grammar: &Grammar, meaning: &Meaning, taken: &mut Taken) {
        if meaning.retracts {
            if self.last.is_empty() {
                taken.why.push(grammar.prompt("nothing_to_retract", &[]));
                taken.ambiguous = true;
            }
            self.retract(taken, None);
        }
        if meaning.wrong_person {
            self.retract(taken, Some(grammar.prompt("wrong_person", &[])));
        }
    }

    /// "any chest pain" "no, shortness of breath": what is said behind the "no" is there, or denied with it, and only a
    /// word that says so tells ("no, he is short of breath"). Unsaid, it is asked.
    fn take_no_beside(&self, grammar: &Grammar, meaning: &Meaning, context: Context, taken: &mut Taken) {
        let ([asked], true) = (self.open.as_slice(), taken.contests) else { return };
        let [question] = asked.questions.as_slice() else { return };
        let name = |fields: &[(Field, Value)]| fields.iter().find(|(f, _)| *f == Field::Name).map(|(_, v)| v.clone());
        let told = |draft: &Draft| draft.negated || draft.fields.iter().any(|(f, _)| *f == Field::Present);
        let beside = |draft: &&Draft| draft.frame == question.frame && name(&draft.fields).is_some();
        let Some(named) = name(&question.fields) else { return };
        let drafts: Vec<&Draft> = meaning.drafts.iter().filter(beside).collect();
        let untold = drafts.iter().find(|d| !told(d)).and_then(|d| Some((name(&d.fields)?, d.kind)));
        if let Some((other, kind)) = untold {
            let finding = |present: bool| {
                vec![Finding::new(kind).with(Field::Name, other.clone()).with(Field::Present, Value::Flag(present))]
            };
            let (what, word) = (other.to_string().replace('_', " "), grammar.prompt("word_no", &[]));
            taken.ambiguous = true;
            let of_it =
                |c: &Change| recorded(c).is_some_and(|f| f.kind() == kind && f.get(Field::Name) == Some(&other));
            taken.changes.retain(|c| !of_it(c));
            taken.options.extend([finding(true), finding(false)]);
            taken.why.push(grammar.prompt("unclear_word", &[("finding", &what), ("word", &word)]));
            return;
        }
        let there = |d: &&Draft| d.fields.contains(&(Field::Present, Value::Flag(true)));
        let another = drafts.iter().all(|d| there(d) && name(&d.fields).is_some_and(|n| n != named));
        if !drafts.is_empty() && another && !question.negative && !question.either {
            self.answer(grammar, Answer::No, &asked.questions, context, taken);
        }
    }

    /// A dose told without its route went the way that was planned, and not the drug's usual one.
    fn route_of_plan(&self, draft: &mut Draft, patient: i64) {
        let named = draft.fields.iter().find(|(field, _)| *field == Field::Name).map(|(_, value)| value.clone());
        let plan = self.open_plan(patient).filter(|plan| plan.finding.get(Field::Name) == named.as_ref());
        let Some(route) = plan.and_then(|plan| plan.finding.get(Field::Route)) else { return };
        if draft.kind == Kind::MedicationGiven {
            let usual = draft.defaults.iter_mut().filter(|(field, _)| *field == Field::Route);
            usual.for_each(|(_, value)| *value = route.clone());
        }
    }

    fn take_draft(&self, grammar: &Grammar, draft: &Draft, context: Context, when: Moment, taken: &mut Taken) {
        let mut draft = draft.clone();
        if draft.answers {
            self.preset(grammar, &mut draft);
        }
        if draft.unchanged {
            self.restate(grammar, draft.kind, &[], context, taken);
            return;
        }
        self.route_of_plan(&mut draft, context.patient);
        match settle::settle(grammar, &draft, context) {
            Settled::Nothing => {}
            Settled::Rejected(why) => {
                taken.rejected = true;
                taken.why.push(why);
                taken.refused.push(named(&draft));
            }
            Settled::Ambiguous(options, why) => {
                let offered = |f: &Finding| options.iter().any(|option| option.contains(f));
                taken.changes.retain(|c| !matches!(c, Change::Record(f) if offered(f)));
                taken.ambiguous = true;
                taken.options.extend(options);
                taken.why.push(why);
            }
            Settled::Finding(finding, _) if draft.unclear.is_some() => {
                let what = settle::spoken(grammar, finding.kind());
                let word = draft.unclear.clone().unwrap_or_default();
                taken.ambiguous = true;
                taken.why.push(grammar.prompt("unclear_word", &[("finding", &what), ("word", &word)]));
                taken.options.push(vec![finding]);
            }
            Settled::Finding(finding, doubts) => {
                for finding in apart(finding) {
                    self.place(grammar, &draft, finding, doubts.clone(), when, taken);
                }
            }
        }
    }

    /// Gives an answer the fields that its question named.
    fn preset(&self, grammar: &Grammar, draft: &mut Draft) {
        let asked = self.open.iter().rev().flat_map(|a| &a.questions).find(|q| q.frame == draft.frame);
        let Some(question) = asked else { return };
        let carry = grammar.frame(draft.frame).map(|f| f.carry.as_slice()).unwrap_or_default();
        for (field, value) in &question.fields {
            if carry.contains(field) && !draft.fields.iter().any(|(f, _)| f == field) {
                draft.fields.push((*field, value.clone()));
            }
        }
    }

    fn place(
        &self,
        grammar: &Grammar,
        draft: &Draft,
        mut finding: Finding,
        doubts: Vec<Doubt>,
        when: Moment,
        taken: &mut Taken,
    ) {
        if draft.corrects {
            self.correct(grammar, finding, draft.frame, taken);
            return;
        }
        if let Some(reading) = self.read_back_answer(draft, &finding) {
            if recorded(&reading).is_some() {
                doubt_next(taken, doubts);
            }
            taken.changes.push(reading);
            taken.answered = true;
            return;
        }
        if self.take_echo(grammar, draft, &finding, taken) || self.take_contest(grammar, &finding, when, taken) {
            return;
        }
        if !self.complete_given(grammar, &mut finding, taken) || !complete_use(&mut finding, taken) {
            return;
        }
        let plans = finding.kind() == Kind::MedicationPlanned && !draft.bare;
        // A plan still open is closed in a report too: "third epi is in" while the hospital listens.
        let closes = finding.kind() == Kind::MedicationGiven
            && self
                .open_plan(finding.patient())
                .is_some_and(|plan| plan.finding.get(Field::Name) == finding.get(Field::Name));
        let acts = plans || closes || finding.kind() == Kind::Milestone;
        if draft.restated || (self.handover_since.is_some() && !acts) || (taken.handover && !acts) {
            taken.restated.push(finding);
            return;
        }
        if conflicts(&finding, taken) {
            if self.less_than_before(&finding, taken) {
                let number = finding.fields().find_map(|(_, v)| v.as_number()).map(|n| n.to_string());
                let number = number.unwrap_or_default();
                taken.ambiguous = true;
                taken.why.push(grammar.prompt("lone_number", &[("number", &number)]));
                taken.options.extend(lone_options(grammar, &number, taken, context_of(&finding)));
                return;
            }
            self.contradiction(grammar, finding, taken);
            return;
        }
        taken.answered |= draft.answers;
        let known = taken.changes.iter().any(|c| matches!(c, Change::Record(f) if *f == finding));
        if known {
            return;
        }
        doubt_next(taken, doubts);
        taken.changes.push(Change::Record(finding));
    }

    /// An answer repeated stands echoed; repeated with another value neither stands: it is asked. True when `finding`
    /// was such a repeat.
    fn take_echo(&self, grammar: &Grammar, draft: &Draft, finding: &Finding, taken: &mut Taken) -> bool {
        let asked = self.open.iter().flat_map(|a| &a.questions).any(|q| q.frame == draft.frame);
        if draft.restated || asked || self.handover_since.is_some() || taken.handover {
            return false;
        }
        let same_kind = |e: &&Entry| e.finding.kind() == finding.kind() && e.finding.patient() == finding.patient();
        if let Some(entry) = self.echoable().filter(same_kind).find(|e| repeats(finding, &e.finding)) {
            let echoed = Some(entry.finding.clone().with(Field::Echoed, Value::Flag(true)));
            taken.changes.push(Change::Confirm { target: entry.seq, how: ECHO.into(), echoed });
            return true;
        }
        let other = self.echoable().filter(same_kind).find(|e| draft.copies || contradicts(finding, &e.finding));
        let Some(entry) = other else {
            // A bare word that only the repeat made an answer is none.
            return draft.answers && self.echoable().any(|e| same_kind(&e));
        };
        ask_which(grammar, "echo_differs", entry, finding, taken);
        true
    }

    /// "no, one eighteen" behind "pulse ninety": one corrects himself or the other, and neither stands until it is said
    /// which. True when `finding` was such a value.
    fn take_contest(&self, grammar: &Grammar, finding: &Finding, when: Moment, taken: &mut Taken) -> bool {
        let vital = |frame: usize| grammar.frame(frame).is_some_and(|f| f.vital);
        if !taken.contests || !grammar.frames_of(finding.kind()).any(vital) {
            return false;
        }
        let differs = |e: &Entry| {
            finding
                .fields()
                .any(|(f, v)| of_the_thing(f) && v.as_text().is_none() && e.finding.get(f).is_some_and(|w| w != v))
        };
        let same_kind = |e: &&Entry| e.finding.kind() == finding.kind() && e.finding.patient() == finding.patient();
        let Some(entry) = self.contestable(when).filter(same_kind).find(|e| differs(e)) else { return false };
        ask_which(grammar, "two_values", entry, finding, taken);
        true
    }

    /// A lone number behind a whole value of its kind: a pressure of ninety behind one of 120 over 80.
    fn less_than_before(&self, finding: &Finding, taken: &Taken) -> bool {
        let numbers = |f: &Finding| f.fields().filter(|(_, v)| v.as_number().is_some()).count();
        let first = taken.changes.iter().filter_map(recorded).find(|f| f.kind() == finding.kind());
        first.is_some_and(|f| numbers(f) > numbers(finding))
    }

    /// Two numbers for one thing in one breath: which?
    fn contradiction(&self, grammar: &Grammar, finding: Finding, taken: &mut Taken) {
        let at = taken.changes.iter().position(|c| matches!(c, Change::Record(f) if f.kind() == finding.kind()));
        let what = settle::spoken(grammar, finding.kind());
        taken.why.push(grammar.prompt("two_values", &[("finding", &what)]));
        taken.ambiguous = true;
        if let Some(Change::Record(first)) = at.map(|at| taken.changes.remove(at)) {
            taken.options.push(vec![first]);
        }
        taken.options.push(vec![finding]);
    }

    /// "it is in": the drug is the one that was planned.
    fn complete_given(&self, grammar: &Grammar, finding: &mut Finding, taken: &mut Taken) -> bool {
        let needs_name = matches!(
            finding.kind(),
            Kind::MedicationPlanned
                | Kind::MedicationGiven
                | Kind::MedicationWithheld
                | Kind::MedicationTaken
                | Kind::MedicationCheck
        );
        if !needs_name || finding.get(Field::Name).is_some() {
            return true;
        }
        if finding.kind() == Kind::MedicationPlanned {
            return self.complete_again(grammar, finding, taken);
        }
        let in_breath = taken.changes.iter().rev().find_map(|c| match c {
            Change::Record(f) if f.kind() == Kind::MedicationPlanned => Some(f.clone()),
            _ => None,
        });
        let Some(plan) = in_breath.or_else(|| self.meant_by_piece(finding)) else {
            // The rights are checked aloud before the drug is named.
            if finding.kind() == Kind::MedicationCheck {
                return true;
            }
            // "it is in" without a plan is talk.
            let named = [Field::Dose, Field::Count, Field::Device];
            if named.iter().all(|field| finding.get(*field).is_none()) {
                return false;
            }
            taken.ambiguous = true;
            taken.why.push(grammar.prompt("which_drug", &[]));
            return false;
        };
        // "Half the tube is in" of a tube of fifteen grams: not the plan's dose.
        let pieces = |f: &Finding| f.number(Field::Count).unwrap_or(Decimal::from_int(1));
        let other_amount = finding.get(Field::Count).is_some() && pieces(finding) != pieces(&plan);
        for (field, value) in plan.fields().filter(|(field, _)| !(other_amount && *field == Field::Dose)) {
            let own = matches!(field, Field::Unconfirmed | Field::HappenedAt | Field::Echoed);
            let wanted = match finding.kind() {
                Kind::MedicationGiven => !own,
                // How much we mean to give says nothing of how much he took.
                Kind::MedicationTaken => matches!(field, Field::Name | Field::Route),
                _ => field == Field::Name,
            };
            if wanted && finding.get(field).is_none() {
                finding.set(field, value.clone());
            }
        }
        true
    }

    /// What a dose without its name is of: the open plan, or what was given by the same piece before. Where the plan's
    /// piece is not known and the piece is that of another drug, it may be either ("second spray is in" while aspirin
    /// is planned).
    fn meant_by_piece(&self, finding: &Finding) -> Option<Finding> {
        let plan = self.open_plan(finding.patient());
        if plan.is_some_and(|plan| by_the_same_piece(finding, &plan.finding)) || !named_by_piece(finding) {
            return plan.map(|entry| entry.finding.clone());
        }
        let plan = plan.filter(|plan| !by_another_piece(finding, &plan.finding));
        let before = self.last_by_piece(finding);
        let drug = |entry: &Entry| entry.finding.text(Field::Name).map(String::from);
        match (plan, before) {
            (Some(plan), Some(before)) if drug(plan) != drug(before) => None,
            // What he took himself need not be what we mean to give.
            (Some(_), None) if finding.kind() == Kind::MedicationTaken => None,
            (plan, before) => plan.or(before).map(|entry| entry.finding.clone()),
        }
    }

    /// The last dose, ours or another's, told by the piece of `finding`.
    fn last_by_piece(&self, finding: &Finding) -> Option<&Entry> {
        let of = |kind| self.ledger.of(kind, finding.patient()).rfind(|e| by_the_same_piece(finding, &e.finding));
        of(Kind::MedicationGiven).into_iter().chain(of(Kind::MedicationTaken)).max_by_key(|e| e.seq)
    }

    /// "give him another puff": of the drug that was last given or taken so. "Give him one" behind a medicine of his own:
    /// of that.
    fn complete_again(&self, grammar: &Grammar, finding: &mut Finding, taken: &mut Taken) -> bool {
        if !named_by_piece(finding) {
            let Some(name) = self.his_own(taken) else { return false };
            for (field, value) in grammar.usual(&name) {
                let fits = *field != Field::Unit || finding.get(Field::Dose).is_some();
                if fits && finding.get(*field).is_none() {
                    finding.set(*field, value.clone());
                }
            }
            finding.set(Field::Name, name);
            return true;
        }
        let Some(last) = self.last_by_piece(finding).map(|e| e.finding.clone()) else {
            taken.ambiguous = true;
            taken.why.push(grammar.prompt("which_drug", &[]));
            return false;
        };
        let unit = Some(Field::Unit).filter(|unit| finding.get(Field::Dose).is_some() && finding.get(*unit).is_none());
        for field in [Field::Name, Field::Route, Field::Device].into_iter().chain(unit) {
            if let Some(value) = last.get(field) {
                finding.set(field, value.clone());
            }
        }
        true
    }

    /// The medicine of his own that was named last: in this breath, or in the last one heard.
    fn his_own(&self, taken: &Taken) -> Option<Value> {
        let named = |f: &Finding| (f.kind() == Kind::HomeMedication).then(|| f.get(Field::Name).cloned()).flatten();
        let here = taken.changes.iter().rev().find_map(|c| match c {
            Change::Record(f) => named(f),
            _ => None,
        });
        here.or_else(|| self.last.iter().rev().filter_map(|seq| self.ledger.find(*seq)).find_map(|e| named(&e.finding)))
    }

    fn open_plan(&self, patient: i64) -> Option<&Entry> {
        let closes = |plan: &Entry| {
            let later = self.ledger.standing().rev().take_while(|e| e.seq > plan.seq);
            later.into_iter().any(|e| {
                matches!(e.finding.kind(), Kind::MedicationGiven | Kind::MedicationWithheld)
                    && e.finding.text(Field::Name) == plan.finding.text(Field::Name)
            })
        };
        self.ledger.of(Kind::MedicationPlanned, patient).rev().find(|plan| !closes(plan))
    }

    fn correct(&self, grammar: &Grammar, finding: Finding, frame: usize, taken: &mut Taken) {
        if correct_in_breath(&finding, taken) {
            return;
        }
        let patient = finding.patient();
        let of_last = self.last.iter().rev().filter_map(|seq| self.ledger.find(*seq));
        let target = of_last
            .filter(|e| e.stands() && e.finding.kind() == finding.kind())
            .chain(self.ledger.of(finding.kind(), patient).rev())
            .next();
        match target {
            Some(entry) => {
                let mut merged = entry.finding.clone();
                merged.remove(Field::Unconfirmed);
                overlay(&mut merged, &finding);
                taken.changes.push(Change::Correct { target: entry.seq, finding: merged, who: None, why: None });
                taken.answered = true;
            }
            // "Sorry, back there": a place alone corrects what is known, and is nothing new.
            None if !settle::says_enough(grammar, frame, &finding) => {}
            None => {
                let what = settle::spoken(grammar, finding.kind());
                taken.why.push(grammar.prompt("nothing_to_correct", &[("finding", &what)]));
                taken.changes.push(Change::Record(finding));
            }
        }
    }

    /// The same value settles a read-back; another one corrects it. Said with its name ("pulse one seventy eight") it
    /// does so only where the value read back was in doubt: a sure one may have changed since.
    fn read_back_answer(&self, draft: &Draft, finding: &Finding) -> Option<Change> {
        if !self.open.is_empty() {
            return None;
        }
        let asked = |e: &&Entry| {
            let doubted = draft.answers || (e.stands() && e.unconfirmed() && same_subject(&e.finding, finding));
            e.finding.kind() == finding.kind() && e.finding.patient() == finding.patient() && doubted
        };
        let agrees = |e: &&Entry| finding.fields().all(|(f, v)| f == Field::Unconfirmed || e.finding.get(f) == Some(v));
        if let Some(entry) = self.read_back().filter(asked).find(|e| e.stands() && agrees(e)) {
            return Some(Change::Confirm { target: entry.seq, how: READ_BACK.into(), echoed: None });
        }
        let entry = self.read_back().find(asked)?;
        let mut merged = entry.finding.clone();
        merged.remove(Field::Unconfirmed);
        overlay(&mut merged, finding);
        Some(match entry.stands() {
            true => Change::Correct { target: entry.seq, finding: merged, who: None, why: None },
            // Denied when it was read back, and now said again.
            false => Change::Record(merged),
        })
    }

    /// "No, twenty" to "pulse twenty?": a part of the number may be lost ("no, one twenty"), so it is not taken for a yes.
    fn deny_what_is_confirmed(&self, grammar: &Grammar, taken: &mut Taken) {
        let confirms = |c: &Change| matches!(c, Change::Confirm { how, .. } if how == READ_BACK);
        if taken.changes.iter().any(confirms) {
            taken.changes.retain(|c| !confirms(c));
            self.deny(grammar, taken);
        }
    }

    /// What was read back last is not so: it is taken back, and asked for again.
    fn deny(&self, grammar: &Grammar, taken: &mut Taken) {
        let last = self.read_back.iter().flat_map(|r| &r.targets).filter_map(|seq| self.ledger.find(*seq));
        for entry in last.filter(|e| e.stands() && e.unconfirmed()) {
            let known = |c: &Change| matches!(c, Change::Retract { target, .. } if *target == entry.seq);
            if !taken.changes.iter().any(known) {
                let why = Some(grammar.prompt("denied_read_back", &[]));
                taken.changes.push(Change::Retract { target: entry.seq, why });
            }
        }
        taken.commands.push(Command::Deny);
    }

    fn take_answer(
        &self,
        grammar: &Grammar,
        answered: &Answered,
        context: Context,
        meaning: &Meaning,
        taken: &mut Taken,
    ) {
        let inside = !answered.questions.is_empty();
        let bare = meaning.drafts.is_empty();
        let unasked = self.open.is_empty();
        if !inside && !bare && (answered.answer != Answer::Unchanged || unasked) {
            // "yes" before a statement: the statement answers.
            return;
        }
        let mut questions = answered.questions.clone();
        if !inside {
            match self.open.as_slice() {
                [] if answered.answer == Answer::Unchanged => {
                    taken.ambiguous = true;
                    taken.why.push(grammar.prompt("what_unchanged", &[]));
                    return;
                }
                // "Yes, he took a turn last night" is about something else.
                [] if meaning.aside || !meaning.leftover.is_empty() => return,
                [] => {
                    self.settle_read_back(grammar, answered.answer, taken);
                    return;
                }
                [.., last] => questions = last.questions.clone(),
            }
            if self.open.len() > 1 && answered.answer != Answer::Unsure {
                taken.ambiguous = true;
                taken.unclear = true;
                taken.why.push(grammar.prompt("two_questions", &[]));
                return;
            }
        }
        self.answer(grammar, answered.answer, &questions, context, taken);
    }

    fn settle_read_back(&self, grammar: &Grammar, answer: Answer, taken: &mut Taken) {
        let Some(read_back) = &self.read_back else { return };
        match answer {
            Answer::Yes => {
                let stands = |seq: &&u64| self.ledger.find(**seq).is_some_and(Entry::stands);
                let confirm = |seq: &u64| Change::Confirm { target: *seq, how: READ_BACK.into(), echoed: None };
                taken.changes.extend(read_back.targets.iter().filter(stands).map(confirm));
            }
            Answer::No | Answer::NoneOf => self.deny(grammar, taken),
            Answer::Unsure | Answer::Unchanged => {}
        }
    }

    fn answer(&self, grammar: &Grammar, answer: Answer, questions: &[Question], context: Context, taken: &mut Taken) {
        match answer {
            Answer::Unsure => {
                taken.answered = true;
                return;
            }
            Answer::Unchanged => {
                for question in questions {
                    self.restate(grammar, question.kind, &question.fields, context, taken);
                }
                taken.answered = true;
                return;
            }
            Answer::Yes | Answer::No | Answer::NoneOf => {}
        }
        let yes = answer == Answer::Yes;
        let all = answer == Answer::NoneOf;
        // "nausea or vomiting?" "no" denies both; "sharp or dull?" "no" says nothing.
        let deniable =
            |q: &Question| q.fields.iter().any(|(f, _)| matches!(f, Field::Name | Field::Class | Field::Sign));
        let unclear = questions.iter().any(|q| (q.negative && !all) || (q.either && (yes || !deniable(q))))
            || (yes && questions.len() > 1)
            || questions.iter().any(|q| q.which && yes);
        if unclear {
            taken.ambiguous = true;
            taken.unclear = true;
            taken.why.push(grammar.prompt("which_one", &[]));
            return;
        }
        for question in questions {
            let Some(mut finding) = interpret::answered(grammar, question, yes) else { continue };
            // "can you feel me touching your feet" names a place, and asks nothing about it.
            if !settle::says_enough(grammar, question.frame, &finding) {
                continue;
            }
            let denied = !yes && !question.negative && interpret::still_stands(grammar, question, &finding);
            if denied || settle::denies_a_value(&finding) || !finding.problems().is_empty() {
                taken.ambiguous = true;
                taken.unclear = true;
                taken.why.push(grammar.prompt("what_then", &[]));
                continue;
            }
            if context.patient != 1 {
                finding.set(Field::Patient, Value::int(context.patient));
            }
            let change = Change::Record(finding.clone());
            if self.handover_since.is_some() {
                taken.restated.push(finding);
            } else if !taken.changes.contains(&change) {
                // "not really, no" says it once.
                taken.changes.push(change);
            }
            taken.answered = true;
        }
    }

    /// "no change": the last of its kind again, marked; nothing earlier is a question.
    fn restate(&self, grammar: &Grammar, kind: Kind, fields: &[(Field, Value)], context: Context, taken: &mut Taken) {
        // "Any relief from the nitro?" "No change": that is how it responded.
        if kind == Kind::Response {
            let mut finding = Finding::new(kind);
            fields.iter().for_each(|(field, value)| finding.set(*field, value.clone()));
            finding.set(Field::Change, Value::text("same"));
            if context.patient != 1 {
                finding.set(Field::Patient, Value::int(context.patient));
            }
            taken.changes.push(Change::Record(finding));
            return;
        }
        let fits = |e: &&Entry| fields.iter().all(|(f, v)| e.finding.get(*f) == Some(v));
        let Some(entry) = self.ledger.of(kind, context.patient).rev().find(fits) else {
            let what = settle::spoken(grammar, kind);
            taken.ambiguous = true;
            taken.why.push(grammar.prompt("nothing_unchanged", &[("finding", &what)]));
            return;
        };
        let mut finding = entry.finding.clone();
        for field in [Field::HappenedAt, Field::Echoed, Field::Unconfirmed, Field::BeforeArrival] {
            finding.remove(field);
        }
        finding.set(Field::Unchanged, Value::Flag(true));
        taken.changes.push(Change::Record(finding));
    }

    /// Parses what else the sound may have been; where a value differs, it is doubtful.
    fn weigh_rivals(&self, grammar: &Grammar, transcript: &Transcript, when: Moment, taken: &mut Taken) {
        let twins = grammar.lexicon().twins(&transcript.text).into_iter().map(|text| (text, EVEN));
        for (text, probability) in rivals(transcript).into_iter().chain(twins.take(RIVALS)) {
            let other = self.understand(grammar, &text, when);
            if other.rejected || other.ambiguous {
                continue;
            }
            doubt_where_different(taken, &other, probability);
        }
        if let Some(text) = grammar.lexicon().unpaused(&transcript.text) {
            let other = self.understand(grammar, &text, when);
            if denies_what_stands(taken, &other) {
                doubt_where_different(taken, &other, EVEN);
            }
        }
    }

    /// What this utterance leaves open.
    fn remember(&mut self, taken: &Taken, when: Moment) {
        if taken.addressed && taken.commands.is_empty() && taken.changes.is_empty() && taken.leftover.is_empty() {
            self.addressed_ms = Some(when.mono_ms);
        } else {
            self.addressed_ms = None;
        }
        let repeat = |c: &Change| matches!(c, Change::Confirm { how, .. } if how == ECHO) || is_doubt(c);
        if taken.answered && !taken.changes.is_empty() {
            self.answer_ms = Some(when.mono_ms);
        } else if taken.changes.iter().any(|c| repeat(c) || recorded(c).is_some()) {
            self.answer_ms = None;
        }
        if taken.addressed {
            self.handed_over = false;
        }
        if taken.answered {
            self.open.clear();
        } else {
            // What was stated outright needs no answer any more.
            let stated: Vec<Kind> = taken.changes.iter().filter_map(recorded).map(Finding::kind).collect();
            self.open.retain(|asked| !asked.questions.iter().all(|q| stated.contains(&q.kind)));
        }
        if taken.unclear {
            self.open.iter_mut().for_each(|asked| asked.unclear = true);
        }
        if taken.asked.iter().any(|questions| !questions.is_empty()) {
            self.open.retain(|asked| !asked.unclear);
        }
        for questions in &taken.asked {
            // The same question again is one question.
            self.open.retain(|asked| asked.questions != *questions);
            let asked = Asked { questions: questions.clone(), at_ms: when.mono_ms, unclear: false };
            if !questions.is_empty() {
                self.open.push(asked);
            }
        }
        if taken.handover {
            self.handover_since = Some(when.mono_ms);
        } else if taken.handover_ends {
            self.handover_since = None;
        } else if self.handover_since.is_some() && !taken.restated.is_empty() {
            self.handover_since = Some(when.mono_ms);
        }
    }
}

/// "One ten over seventy, that's palpated": which? Asked once the breath is over, which may have corrected itself.
fn ask_felt_or_heard(grammar: &Grammar, taken: &mut Taken) {
    let both = |c: &Change| match c {
        Change::Record(finding) => settle::felt_and_heard(finding),
        _ => None,
    };
    let Some((at, options)) = taken.changes.iter().enumerate().find_map(|(at, c)| Some((at, both(c)?))) else { return };
    taken.changes.remove(at);
    taken.doubts.retain(|d| d.finding != at);
    taken.ambiguous = true;
    taken.options.extend(options.map(|option| vec![option]));
    taken.why.push(grammar.prompt("palpated_bottom_number", &[]));
}

/// A word that stands for several signs ("DCAP-BTLS") makes one finding of each.
fn apart(finding: Finding) -> Vec<Finding> {
    let several = |field: &Field| finding.text(*field).is_some_and(|all| all.contains(' '));
    let Some(field) = [Field::Sign, Field::Name, Field::Region].into_iter().find(several) else { return vec![finding] };
    let all: Vec<String> = finding.text(field).unwrap_or_default().split(' ').map(str::to_string).collect();
    all.into_iter().map(|one| finding.clone().with(field, Value::text(one))).collect()
}

fn context_of(finding: &Finding) -> i64 {
    finding.patient()
}

/// "One twenty two over seventy six, seventy eight, sixteen, ninety eight": the whole set in its usual order is taken as it
/// is; a part of it only where no other vital sign that was not said can hold one of the numbers. One number is none.
fn row_is_plain(row: &[&Draft], others: &[&Draft]) -> bool {
    let said = |kind: Kind| others.iter().any(|d| d.kind == kind && !d.numbers.is_empty() && !d.restated);
    let fits = |draft: &Draft, kind: Kind| {
        let value = draft.numbers.first().and_then(|n| n.value.as_int());
        let holds = |n: i64| LONE.iter().any(|(k, _, low, high)| *k == kind && (*low..=*high).contains(&n));
        !said(kind) && value.is_some_and(holds)
    };
    let in_place = row.iter().all(|d| fits(d, d.kind));
    match row {
        [] => true,
        [_] => false,
        [first, second] => {
            let kinds = || LONE.iter().map(|(kind, ..)| *kind);
            let pairs = kinds().flat_map(|one| kinds().map(move |other| (one, other)));
            in_place && pairs.filter(|(a, b)| a != b && fits(first, *a) && fits(second, *b)).count() == 1
        }
        _ => in_place,
    }
}

/// Asks what the numbers of a row are whose order does not settle it.
fn ask_row(grammar: &Grammar, row: &[&Draft], context: Context, taken: &mut Taken) {
    let numbers = row.iter().flat_map(|d| &d.numbers).map(|n| n.said.clone()).collect::<Vec<_>>();
    let Some(first) = numbers.first() else { return };
    taken.ambiguous = true;
    taken.why.push(grammar.prompt("lone_number", &[("number", &numbers.join(" "))]));
    let options = lone_options(grammar, first, taken, context.patient);
    taken.options.extend(options);
}

/// What a number that belongs to nothing may be: each vital sign that was not said and that can hold it.
fn lone_options(grammar: &Grammar, said: &str, taken: &Taken, patient: i64) -> Vec<Vec<Finding>> {
    let on = grammar.utterance(said);
    let Some(value) = on.number(0) else { return Vec::new() };
    let mut options = Vec::new();
    for (kind, field, low, high) in LONE {
        let said = taken.changes.iter().filter_map(recorded).any(|f| f.kind() == kind && f.get(field).is_some());
        let fits = value.as_int().is_some_and(|n| (low..=high).contains(&n));
        if fits && !said {
            let mut finding = Finding::new(kind).with(field, Value::Number(value));
            if patient != 1 {
                finding.set(Field::Patient, Value::int(patient));
            }
            options.push(vec![finding]);
        }
    }
    options
}

/// `entry` and `finding` differ: neither stands until it is said which.
fn ask_which(grammar: &Grammar, prompt: &str, entry: &Entry, finding: &Finding, taken: &mut Taken) {
    let mut doubted = entry.finding.clone();
    doubted.set(Field::Unconfirmed, Value::Flag(true));
    let what = settle::spoken(grammar, finding.kind());
    taken.why.push(grammar.prompt(prompt, &[("finding", &what)]));
    taken.ambiguous = true;
    taken.options.extend([vec![entry.finding.clone()], vec![finding.clone()]]);
    taken.changes.push(Change::Correct { target: entry.seq, finding: doubted, who: None, why: Some(ECHO.into()) });
}

/// Every field of the repeat is in the answer, with the same value; how it came to be said does not count.
fn repeats(finding: &Finding, answer: &Finding) -> bool {
    finding.fields().filter(|(f, _)| of_the_thing(*f)).all(|(f, v)| answer.get(f) == Some(v))
}

/// Another number, or the opposite, for the same named thing.
fn contradicts(finding: &Finding, answer: &Finding) -> bool {
    let named = [Field::Name, Field::Class, Field::Aspect, Field::Sign, Field::Region, Field::Side, Field::Site];
    let same = named.iter().all(|f| finding.get(*f) == answer.get(*f));
    let nothing = |f: &Finding| f.flag(Field::None) == Some(true);
    let opposed = finding.fields().any(|(f, v)| {
        let told = matches!(v, Value::Number(_) | Value::Flag(_)) && of_the_thing(f);
        told && answer.get(f).is_some_and(|w| w != v)
    });
    (same && opposed) || nothing(finding) != nothing(answer)
}

fn of_the_thing(field: Field) -> bool {
    !matches!(
        field,
        Field::Unconfirmed
            | Field::Echoed
            | Field::HappenedAt
            | Field::Approximate
            | Field::ReportedBy
            | Field::BeforeArrival
            | Field::Said
            | Field::WeightSaid
    )
}

/// Marks an answer that was repeated with another value.
fn is_doubt(change: &Change) -> bool {
    matches!(change, Change::Correct { why: Some(why), .. } if why == ECHO)
}

fn recorded(change: &Change) -> Option<&Finding> {
    match change {
        Change::Record(finding) | Change::Correct { finding, .. } => Some(finding),
        Change::Retract { .. } | Change::Confirm { .. } => None,
    }
}

fn overlay(old: &mut Finding, new: &Finding) {
    // One thing by name and "none at all" exclude each other: "allergic to penicillin" corrects "no allergies".
    if new.get(Field::Name).is_some() {
        old.remove(Field::None);
        old.remove(Field::Of);
    } else if new.flag(Field::None) == Some(true) {
        old.remove(Field::Name);
    }
    for (field, value) in new.fields() {
        old.set(field, value.clone());
    }
    overlay_side(old, new);
}

/// Corrected in the breath in which it was said. Of several signs at the wrong place only the last is named again:
/// "deformity and swelling to the right, I mean the left forearm".
fn correct_in_breath(finding: &Finding, taken: &mut Taken) -> bool {
    let place = |f: &Finding| PLACE.map(|field| f.get(field).cloned());
    let changes = taken.changes.iter_mut().rev().filter_map(|c| match c {
        Change::Record(f) if f.kind() == finding.kind() => Some(f),
        _ => None,
    });
    let mut wrong = None;
    for said in changes {
        match &wrong {
            None => {
                wrong = Some(place(said));
                overlay(said, finding);
            }
            Some(wrong) if wrong.iter().any(Option::is_some) && place(said) == *wrong => {
                overlay(said, &placed(finding))
            }
            Some(_) => {}
        }
    }
    if wrong.is_some() {
        taken.doubts.clear();
    }
    wrong.is_some()
}

/// Where it is, and nothing else of it.
fn placed(finding: &Finding) -> Finding {
    let mut place = Finding::new(finding.kind());
    for field in PLACE {
        finding.get(field).into_iter().for_each(|value| place.set(field, value.clone()));
    }
    place
}

/// The side of a limb stands in its region: "the left forearm, I mean right" leaves no left, and "to the right, I mean the
/// left forearm" no right.
fn overlay_side(old: &mut Finding, new: &Finding) {
    let sided = |word: &str| matches!(word, "left" | "right");
    // What the region names beside its side: "forearm" of a left one.
    let part = |f: &Finding| {
        let (side, part) = f.text(Field::Region)?.split_once('_')?;
        sided(side).then(|| part.to_string())
    };
    match (new.text(Field::Side).filter(|side| sided(side)), part(new), part(old)) {
        (Some(side), None, Some(part)) => {
            old.set(Field::Region, Value::text(format!("{side}_{part}")));
            old.remove(Field::Side);
        }
        (None, Some(_), _) => {
            old.remove(Field::Side);
        }
        _ => {}
    }
}

/// `None` where the finding tells no age.
fn is_child(patient: &Finding) -> Option<bool> {
    let small = [Field::AgeMonths, Field::AgeDays].iter().any(|f| patient.get(*f).is_some());
    let years = patient.int(Field::AgeYears).map(|years| years < settle::CHILD_UNDER_YEARS);
    if small { Some(true) } else { years }
}

/// Whether the piece that a dose was told by (spray, nebulizer, puffs) is this one's.
fn by_the_same_piece(finding: &Finding, other: &Finding) -> bool {
    let piece = [Field::Unit, Field::Form, Field::Device];
    piece.iter().all(|field| finding.get(*field).is_none_or(|value| other.get(*field) == Some(value)))
}

/// Whether it is given in another form or another way.
fn by_another_piece(finding: &Finding, other: &Finding) -> bool {
    let differs = |field: &Field| matches!((finding.get(*field), other.get(*field)), (Some(a), Some(b)) if a != b);
    [Field::Form, Field::Device, Field::Route].iter().any(differs)
}

/// Told by a piece that says something of the drug: milligrams do not.
fn named_by_piece(finding: &Finding) -> bool {
    finding.get(Field::Form).is_some() || finding.get(Field::Device).is_some() || finding.is(Field::Unit, "puffs")
}

/// "He's prescribed nitro but didn't take any": of the drug just named; of no drug it says nothing.
fn complete_use(finding: &mut Finding, taken: &Taken) -> bool {
    let named = |f: &Finding| f.get(Field::Name).or(f.get(Field::Class)).is_some();
    if finding.kind() != Kind::RecentUse || named(finding) {
        return true;
    }
    let before = taken.changes.iter().rev().filter_map(recorded).find(|f| f.kind() == Kind::HomeMedication);
    let Some(name) = before.and_then(|f| f.get(Field::Name)) else { return false };
    finding.set(Field::Name, name.clone());
    true
}

/// The same measured thing with another number, told apart by no side, site or name.
fn conflicts(finding: &Finding, taken: &Taken) -> bool {
    let measured = matches!(
        finding.kind(),
        Kind::Pulse
            | Kind::Respirations
            | Kind::BloodPressure
            | Kind::OxygenSaturation
            | Kind::Glucose
            | Kind::Temperature
            | Kind::EndTidalCo2
            | Kind::Gcs
            | Kind::Consciousness
    ) || finding.get(Field::Score).is_some();
    let apart = |a: &Finding, b: &Finding| {
        [Field::Side, Field::Site, Field::Position, Field::On, Field::Patient]
            .iter()
            .any(|f| a.get(*f) != b.get(*f) && (a.get(*f).is_some() && b.get(*f).is_some()))
    };
    measured
        && taken.changes.iter().filter_map(recorded).any(|old| {
            old.kind() == finding.kind()
                && !apart(old, finding)
                && finding.fields().any(|(f, v)| {
                    (f == Field::Score || v.as_number().is_some() || f == Field::Avpu)
                        && old.get(f).is_some_and(|w| w != v)
                })
        })
}

fn same(a: &Taken, b: &Taken) -> bool {
    a.changes == b.changes
        && a.commands == b.commands
        && a.asked == b.asked
        && a.restated == b.restated
        && a.rejected == b.rejected
        && a.ambiguous == b.ambiguous
}

/// Every finding of `less` is part of one of `more`, and `more` holds something besides.
fn says_more(more: &[Finding], less: &[Finding]) -> bool {
    let within = |part: &Finding, whole: &Finding| {
        part.kind() == whole.kind() && part.fields().all(|(f, v)| whole.get(f) == Some(v))
    };
    more != less && less.iter().all(|part| more.iter().any(|whole| within(part, whole))) && less.len() <= more.len()
}

/// Several meanings: what they share stands, the rest are options.
fn merge(grammar: &Grammar, mut all: Vec<Taken>) -> Taken {
    // A meaning that works beats one that does not.
    if all.iter().any(|t| !t.rejected && !t.ambiguous) {
        all.retain(|t| !t.rejected && !t.ambiguous);
    }
    // One that says all another says, and more, is the one that was meant.
    let said: Vec<Vec<Finding>> =
        all.iter().map(|t| t.changes.iter().filter_map(recorded).cloned().collect()).collect();
    // "Twenty" may confirm one value that was read back, or correct the other: neither says more.
    let confirms = |c: &Change| matches!(c, Change::Confirm { how, .. } if how == READ_BACK);
    let settles: Vec<bool> = all.iter().map(|t| t.changes.iter().any(confirms)).collect();
    let beaten = |at: usize| {
        let mine = said.get(at).filter(|_| settles.get(at) != Some(&true));
        said.iter().enumerate().any(|(i, other)| i != at && mine.is_some_and(|mine| says_more(other, mine)))
    };
    let mut at = 0;
    all.retain(|_| {
        at += 1;
        !beaten(at - 1)
    });
    let Some(first) = all.first().cloned() else { return Taken::default() };
    if all.len() == 1 {
        return first;
    }
    let differ = all.iter().any(|t| t.changes != first.changes);
    if !differ {
        return first;
    }
    let shared = |change: &Change| all.iter().all(|t| t.changes.contains(change));
    // Which of two things heard before was said again is not worth a question.
    let echo = |c: &Change| shared(c) || matches!(c, Change::Confirm { how, .. } if how != READ_BACK);
    if all.iter().all(|t| t.changes.iter().all(echo)) {
        return all.into_iter().max_by_key(|t| t.changes.len()).unwrap_or_default();
    }
    let mut merged = first.clone();
    merged.changes.retain(shared);
    merged.doubts.clear();
    merged.ambiguous = true;
    for taken in all.iter().take(OPTIONS) {
        let own = taken.changes.iter().filter(|c| !shared(c)).filter_map(recorded).cloned().collect();
        merged.options.push(own);
    }
    merged.why.push(grammar.prompt("two_meanings", &[]));
    merged
}

/// Whole rival texts, and the text with one word replaced by its rival.
fn rivals(transcript: &Transcript) -> Vec<(String, f64)> {
    let mut all: Vec<(String, f64)> =
        transcript.rivals.iter().filter(|(text, _)| *text != transcript.text).cloned().collect();
    for (at, word) in transcript.words.iter().enumerate() {
        for (rival, probability) in &word.rivals {
            let words: Vec<&str> = transcript
                .words
                .iter()
                .enumerate()
                .map(|(i, w)| if i == at { rival.as_str() } else { w.text.as_str() })
                .map(str::trim)
                .collect();
            all.push((words.join(" "), *probability));
        }
    }
    all.truncate(RIVALS);
    all
}

/// What is left of our own words, or is mixed with them, may be made into anything by a recogniser that is unsure or guesses
/// ("unstable" into "stable", "adult limits, age not known" into "tourniquet is on the right"). It is nothing that anybody
/// should say again, unless the sound says that it is somebody else's; then a value in it is asked about, not thrown away.
fn may_be_anything(grammar: &Grammar, transcript: &Transcript) -> Option<Outcome> {
    transcript.own_voice.as_ref()?;
    match transcript.whose {
        Whose::Theirs => {
            let value = || grammar.utterance(&transcript.text).tokens.iter().any(Token::is_number);
            (is_unsure_over_ours(transcript) && !value()).then_some(Outcome::Unmatched)
        }
        Whose::Ours | Whose::Unknown => {
            // Who spoke into our words must hear that nothing of it was taken.
            let theirs = transcript.whose == Whose::Unknown && transcript.somebody;
            let outcome = || match theirs && echo::ours(grammar, transcript).is_none() {
                true => Outcome::Unmatched,
                false => Outcome::Echo,
            };
            (transcript.guessed || is_unsure_over_ours(transcript)).then(outcome)
        }
    }
}

fn is_unsure_over_ours(transcript: &Transcript) -> bool {
    let sure = if transcript.whose == Whose::Theirs { SURE_OVER_OURS_THEIRS } else { SURE_OVER_OURS };
    transcript.own_voice.is_some() && (transcript.talked_over || transcript.mixed) && transcript.confidence < sure
}

/// What is unsure over our words and has the value that we are just saying is what comes back of it.
fn without_our_values(grammar: &Grammar, own_voice: &str, taken: &mut Taken) {
    let ours = |change: &Change| matches!(change, Change::Record(f) if echo::says_our_values(grammar, own_voice, f));
    let kept: Vec<bool> = taken.changes.iter().filter(|c| recorded(c).is_some()).map(|c| !ours(c)).collect();
    taken.changes.retain(|change| !ours(change));
    taken.doubts.retain(|doubt| kept.get(doubt.finding).copied().unwrap_or(true));
    for doubt in &mut taken.doubts {
        doubt.finding = kept.iter().take(doubt.finding).filter(|kept| **kept).count();
    }
}

/// A text without a part of it.
fn without(text: &str, part: &Range<usize>) -> String {
    [text.get(..part.start), text.get(part.end..)].map(Option::unwrap_or_default).join(" ").trim().to_string()
}

/// Everything recorded is doubtful, with no rival known.
fn doubt_all(taken: &mut Taken, probability: f64) {
    doubt_those(taken, probability, |_| true);
}

/// Two ages in one breath ("she is 60, 80 years old") are one that was cut in two: neither stands.
fn doubt_two_ages(taken: &mut Taken) {
    let age = |finding: &Finding| finding.get(Field::AgeYears).cloned();
    let ages: Vec<Value> = taken.changes.iter().filter_map(recorded).filter_map(age).collect();
    if ages.iter().any(|age| Some(age) != ages.first()) {
        doubt_those(taken, EVEN, |finding| age(finding).is_some());
    }
}

/// "No kiwi allergies", "no allergies to kiwi" say nothing of other allergies: where what was denied is not understood, it
/// is not "none".
fn doubt_half_denied(grammar: &Grammar, text: &str, taken: &mut Taken) {
    if taken.leftover.is_empty() {
        return;
    }
    let on = grammar.utterance(text);
    let begins_leftover = |at: usize| {
        let word = on.tokens.get(at).map(|token| token.text.as_str());
        word.is_some() && taken.leftover.iter().any(|left| left.split(' ').next() == word)
    };
    // The words that a denial reaches over, up to the next pause.
    let reach = |from: usize| {
        let pause = on.tokens.iter().skip(from).position(|token| matches!(token.after, Break::Comma | Break::Stop));
        from..pause.map_or(on.tokens.len(), |words| from + words)
    };
    let narrowed = |from: usize| reach(from).any(|at| grammar.narrows(&on, at) && begins_leftover(at + 1));
    let half = |at: usize| grammar.is_denier(&on, at) && (begins_leftover(at + 1) || narrowed(at));
    if (0..on.tokens.len()).any(half) {
        doubt_those(taken, EVEN, |finding| finding.flag(Field::None) == Some(true));
    }
}

/// The recorded findings that `which` picks are doubtful, with no rival known.
fn doubt_those(taken: &mut Taken, probability: f64, mut which: impl FnMut(&Finding) -> bool) {
    let mut index = 0;
    for change in &mut taken.changes {
        let (Change::Record(finding) | Change::Correct { finding, .. }) = change else { continue };
        if which(finding) {
            if !taken.doubts.iter().any(|d| d.finding == index) {
                let told = |field: &Field| !matches!(field, Field::Unconfirmed | Field::HappenedAt | Field::Said);
                // A number is what is read back, where there is one: "aspirin three twenty?", not "aspirin aspirin?".
                let fields = || finding.fields().filter(|(field, _)| told(field) && *field != Field::Patient);
                let (field, heard) = fields()
                    .find(|(_, value)| value.as_number().is_some())
                    .or_else(|| fields().next())
                    .map_or((String::new(), Json::Null), |(field, value)| (field.name().to_string(), as_json(value)));
                taken.doubts.push(Doubt { finding: index, field, heard, or: Vec::new(), probability });
            }
            finding.set(Field::Unconfirmed, Value::Flag(true));
        }
        index += 1;
    }
}

fn as_json(value: &Value) -> Json {
    serde_json::to_value(Finding::new(Kind::Events).with(Field::Text, value.clone()))
        .ok()
        .and_then(|json| json.get("text").cloned())
        .unwrap_or(Json::Null)
}

/// True if `other` has a finding absent of a kind that is not absent in `taken`.
fn denies_what_stands(taken: &Taken, other: &Taken) -> bool {
    let absent = |finding: &&Finding| finding.flag(Field::Present) == Some(false);
    let denied = other.changes.iter().filter_map(recorded).filter(absent);
    let standing = |kind: Kind| taken.changes.iter().filter_map(recorded).any(|f| f.kind() == kind && !absent(&f));
    denied.map(Finding::kind).any(standing)
}

fn doubt_where_different(taken: &mut Taken, other: &Taken, probability: f64) {
    let kinds = |t: &Taken| t.changes.iter().map(|c| recorded(c).map(Finding::kind)).collect::<Vec<_>>();
    if kinds(taken) != kinds(other) {
        return doubt_unshared(taken, other, probability);
    }
    let rivals: Vec<Option<Finding>> = other.changes.iter().map(|c| recorded(c).cloned()).collect();
    let mut index = 0;
    for (change, rival) in taken.changes.iter_mut().zip(rivals) {
        let (Change::Record(finding) | Change::Correct { finding, .. }) = change else { continue };
        let Some(rival) = rival else { continue };
        for (field, value) in rival.fields() {
            let heard = finding.get(field).cloned();
            let told = !matches!(field, Field::Unconfirmed | Field::HappenedAt | Field::Said | Field::WeightSaid);
            if !told || heard.as_ref() == Some(value) {
                continue;
            }
            let (heard, or) = (heard.as_ref().map_or(Json::Null, as_json), as_json(value));
            let known = taken.doubts.iter_mut().find(|d| d.finding == index && d.field == field.name());
            match known {
                Some(doubt) => {
                    if !doubt.or.contains(&or) {
                        doubt.or.push(or);
                    }
                    doubt.probability = doubt.probability.min(1.0 - probability);
                }
                None => taken.doubts.push(Doubt {
                    finding: index,
                    field: field.name().into(),
                    heard,
                    or: vec![or],
                    probability: 1.0 - probability,
                }),
            }
        }
        if taken.doubts.iter().any(|d| d.finding == index) {
            finding.set(Field::Unconfirmed, Value::Flag(true));
        }
        index += 1;
    }
}

/// Doubts what a rival that is wholly understood does not record at all: a drug given where it may have been planned.
fn doubt_unshared(taken: &mut Taken, other: &Taken, probability: f64) {
    let mut shared: Vec<Kind> = other.changes.iter().filter_map(recorded).map(Finding::kind).collect();
    if shared.is_empty() || !other.leftover.is_empty() {
        return;
    }
    doubt_those(taken, 1.0 - probability, |finding| match shared.iter().position(|kind| *kind == finding.kind()) {
        Some(at) => {
            shared.swap_remove(at);
            false
        }
        None => true,
    });
}

/// A draft's kind and name alone.
fn named(draft: &Draft) -> Finding {
    let name = draft.fields.iter().find(|(field, _)| *field == Field::Name);
    name.map_or(Finding::new(draft.kind), |(field, value)| Finding::new(draft.kind).with(*field, value.clone()))
}

/// A number, or a drug.
fn may_hurt(finding: &Finding) -> bool {
    let drug = matches!(
        finding.kind(),
        Kind::MedicationPlanned | Kind::MedicationGiven | Kind::MedicationTaken | Kind::Allergy
    );
    drug || finding.fields().any(|(field, value)| field != Field::Patient && value.as_number().is_some())
}

/// Doubts of the finding that is recorded next.
fn doubt_next(taken: &mut Taken, doubts: Vec<Doubt>) {
    let index = taken.changes.iter().filter(|c| recorded(c).is_some()).count();
    taken.doubts.extend(doubts.into_iter().map(|d| Doubt { finding: index, ..d }));
}

/// Nothing that names what they are about ("left", "aspirin") tells these two findings of a kind apart.
fn same_subject(one: &Finding, other: &Finding) -> bool {
    one.fields().all(|(field, value)| match (value, other.get(field)) {
        (Value::Text(_), Some(same)) => same == value,
        _ => true,
    })
}

fn understood(grammar: &Grammar, heard: &str, taken: Taken) -> Understood {
    let outcome = if taken.ambiguous {
        Outcome::Ambiguous
    } else if taken.rejected {
        Outcome::Rejected
    } else if !taken.doubts.is_empty() {
        Outcome::Doubtful
    } else if !(taken.changes.is_empty() && taken.commands.is_empty() && taken.restated.is_empty()) {
        Outcome::Matched
    } else {
        Outcome::Unmatched
    };
    let asked = taken.asked.iter().flatten().map(|q| name_of(grammar, q)).collect();
    Understood {
        heard: heard.to_string(),
        outcome,
        changes: taken.changes,
        commands: taken.commands,
        doubt: taken.doubts,
        options: taken.options,
        why: taken.why,
        refused: taken.refused,
        leftover: taken.leftover,
        restated: taken.restated,
        asked,
        talk: taken.talk,
        passed_over: false,
        explain: taken.explain,
    }
}

fn name_of(grammar: &Grammar, question: &Question) -> String {
    let name = question.fields.iter().find_map(|(f, v)| match f {
        Field::Name | Field::Region => v.as_text(),
        _ => None,
    });
    let _ = grammar;
    match name {
        Some(name) => format!("{}:{name}", question.kind.name()),
        None => question.kind.name().to_string(),
    }
}
