//! What is open when somebody speaks: the crew's questions, what was read back, what may be repeated or contested;
//! and how long each of them lasts. What is open decides what a bare "yes", a number or a "no" belongs to.

use crate::core::condition::Condition;
use crate::core::finding::{Finding, Kind};
use crate::core::grammar::{Grammar, Openings};
use crate::core::ledger::{ECHO, Entry};
use crate::core::time::Moment;
use crate::core::utterance::Change;

use super::Conversation;
use super::interpret::Question;
use super::repeat::ECHO_MS;
use super::taken::{Taken, is_doubt, recorded};

/// How long a question stays open, milliseconds.
const QUESTION_MS: u64 = 30_000;

/// How long a read-back waits for its answer.
const READ_BACK_MS: u64 = 45_000;

/// How long a handover lasts without a word of it.
const HANDOVER_MS: u64 = 180_000;

/// How long the tool's name alone makes what follows a word to it. Our own choice, no source.
const ADDRESSED_MS: u64 = 8_000;

/// Questions of the crew that came in one breath.
#[derive(Clone, Debug)]
pub(super) struct Asked {
    pub questions: Vec<Question>,
    pub at_ms: u64,
    /// An answer came and settled nothing; a new question closes this one.
    pub unclear: bool,
}

/// What a sentence of ours asked about.
#[derive(Clone, Debug)]
pub(super) struct ReadBack {
    pub targets: Vec<u64>,
    /// What was read back in the same breath before: a number may answer it, a bare yes does not.
    pub before: Vec<u64>,
    /// The event that asked.
    pub asked: u64,
    pub at_ms: u64,
}

impl Conversation {
    /// Questions and read-backs grow old.
    pub(super) fn age(&mut self, when: Moment) {
        let older = |at: u64, than: u64| when.mono_ms.saturating_sub(at) > than;
        self.open.retain(|asked| !older(asked.at_ms, QUESTION_MS));
        self.read_back.take_if(|read_back| older(read_back.at_ms, READ_BACK_MS));
        self.handover_since.take_if(|since| older(*since, HANDOVER_MS));
        self.answer_ms.take_if(|at| older(*at, ECHO_MS));
        self.addressed_ms.take_if(|since| older(*since, ADDRESSED_MS));
    }

    /// After a restart: which question of the crew was open is not in the record. What was read back before the last
    /// words waits for no answer any more, because a bare "yes" may be that question's.
    pub fn resumed(&mut self, last_heard: u64) {
        self.read_back.take_if(|read_back| read_back.asked < last_heard);
    }

    /// The frames that the next utterance may fill without naming them.
    pub(super) fn openings(&self, grammar: &Grammar, when: Moment) -> Openings {
        let frames = |kinds: Vec<Kind>| kinds.into_iter().flat_map(|k| grammar.frames_of(k)).collect::<Vec<usize>>();
        let mut answers = sorted(self.open.iter().flat_map(|a| a.questions.iter().map(|q| q.frame)).collect());
        answers.extend(frames(self.read_back_kinds()));
        answers.extend(frames(self.echoable().map(|e| e.finding.kind()).collect()));
        Openings {
            answers,
            corrections: sorted(frames(self.correctable())),
            contested: self.contested_frames(grammar, when),
            addressed: self.addressed_ms.is_some(),
            known: self.known(grammar),
        }
    }

    /// What "I mean" may put right: what the last utterance recorded, else the last thing that stands.
    fn correctable(&self) -> Vec<Kind> {
        let last = self.last.iter().rev().filter_map(|seq| self.ledger.find(*seq));
        let kinds: Vec<Kind> = last.map(|e| e.finding.kind()).collect();
        match kinds.is_empty() {
            true => self.ledger.standing().next_back().map(|e| e.finding.kind()).into_iter().collect(),
            false => kinds,
        }
    }

    /// What the record holds of what some phrases need: "kit is in" means a drug only where such kits are given.
    fn known(&self, grammar: &Grammar) -> Vec<usize> {
        let patient = self.patient.unwrap_or(1);
        let holds = |c: &Condition| self.ledger.of(c.kind, patient).any(|entry| c.holds(&entry.finding));
        grammar.known().enumerate().filter(|(_, c)| holds(c)).map(|(at, _)| at).collect()
    }

    /// The frames that a "no" and a number may answer: none while a question of the crew is open.
    pub(super) fn read_back_frames(&self, grammar: &Grammar) -> Vec<usize> {
        if !self.open.is_empty() {
            return Vec::new();
        }
        self.read_back_kinds().into_iter().flat_map(|kind| grammar.frames_of(kind)).collect()
    }

    pub(super) fn read_back_kinds(&self) -> Vec<Kind> {
        self.read_back().map(|e| e.finding.kind()).collect()
    }

    /// What was read back last, the latest first.
    pub(super) fn read_back(&self) -> impl Iterator<Item = &Entry> {
        let seqs = self.read_back.iter().flat_map(|r| r.targets.iter().chain(&r.before));
        seqs.filter_map(|seq| self.ledger.find(*seq))
    }

    fn contested_frames(&self, grammar: &Grammar, when: Moment) -> Vec<usize> {
        self.contestable(when)
            .flat_map(|e| grammar.frames_of(e.finding.kind()))
            .filter(|frame| grammar.is_vital(*frame))
            .collect()
    }

    /// What this utterance leaves open.
    pub(super) fn remember(&mut self, taken: &Taken, when: Moment) {
        let only_named = taken.commands.is_empty() && taken.changes.is_empty() && taken.leftover.is_empty();
        self.addressed_ms = (taken.addressed && only_named).then_some(when.mono_ms);
        self.remember_answer(taken, when);
        if taken.addressed {
            self.handed_over = false;
        }
        self.remember_questions(taken, when);
        let goes_on = self.handover_since.is_some() && !taken.restated.is_empty();
        if taken.handover || (goes_on && !taken.handover_ends) {
            self.handover_since = Some(when.mono_ms);
        } else if taken.handover_ends {
            self.handover_since = None;
        }
    }

    /// An answer may be repeated by the second voice, until something else is recorded.
    fn remember_answer(&mut self, taken: &Taken, when: Moment) {
        let repeat = |c: &Change| matches!(c, Change::Confirm { how, .. } if how == ECHO) || is_doubt(c);
        if taken.answered && !taken.changes.is_empty() {
            self.answer_ms = Some(when.mono_ms);
        } else if taken.changes.iter().any(|c| repeat(c) || recorded(c).is_some()) {
            self.answer_ms = None;
        }
    }

    /// Which questions of the crew this utterance closed, and which it opened.
    fn remember_questions(&mut self, taken: &Taken, when: Moment) {
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
            if !questions.is_empty() {
                self.open.push(Asked { questions: questions.clone(), at_ms: when.mono_ms, unclear: false });
            }
        }
    }
}

fn sorted(mut frames: Vec<usize>) -> Vec<usize> {
    frames.sort_unstable();
    frames.dedup();
    frames
}
