//! What is remembered of a call: a fold over its events and nothing else.

use std::collections::BTreeMap;

use crate::core::command::Command;
use crate::core::conversation::Conversation;
use crate::core::event::{Advice, Body, Event, Heard};
use crate::core::finding::{Field, Kind};
use crate::core::ledger::{Entry, Ledger};
use crate::core::time::Moment;
use crate::core::vitals::pulse_is_back;

/// Advice that was given, and what became of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Said {
    pub seq: u64,
    pub when: Moment,
    pub advice: Advice,
    pub acknowledged: Option<(u64, Moment)>,
    /// When the voice had said it, ms on the stopwatch.
    pub spoken_ms: Option<u64>,
}

impl Said {
    /// The event that this advice is first of all about: a plan, a dose, a set of vital signs.
    pub fn anchor(&self) -> Option<u64> {
        self.advice.because.first().copied()
    }

    /// When the crew heard it: a question that interrupts is heard before a warning that was decided earlier and waited.
    pub fn heard_ms(&self) -> u64 {
        self.spoken_ms.unwrap_or(self.when.mono_ms)
    }
}

/// The prompt that names a value of a report which the record has otherwise.
pub const REPORT_DIFFERS: &str = "handover.differs";

/// Everything remembered of the call.
#[derive(Clone, Default)]
pub struct State {
    pub ledger: Ledger,
    pub conversation: Conversation,
    pub last_seq: u64,
    /// The last `heard` event.
    pub last_heard: u64,
    /// When its words began, ms on the stopwatch.
    pub last_heard_ms: u64,
    /// The latest moment seen on the stopwatch, ms.
    pub latest_ms: u64,
    latest_at: Option<chrono::DateTime<chrono::FixedOffset>>,
    pub closed: bool,
    pub said: Vec<Said>,
    /// The patient spoken of: 1 unless switched.
    pub patient: Option<i64>,
    /// When each patient's refusal was signed; the signature may come as a correction of what was told long before.
    pub signed: BTreeMap<i64, Moment>,
    /// When each further patient was first spoken of: the event and its moment.
    pub met: BTreeMap<i64, (u64, Moment)>,
    pub off_record: bool,
    /// A report to a third party began, ms on the stopwatch.
    pub handover_since_ms: Option<u64>,
    /// No speech but high priority before this, ms on the stopwatch.
    pub quiet_until_ms: u64,
}

impl State {
    /// Folds one event in. The only way in which anything is remembered.
    pub fn apply(&mut self, event: &Event) {
        self.last_seq = event.seq;
        if event.when.mono_ms >= self.latest_ms {
            self.latest_ms = event.when.mono_ms;
            self.latest_at = Some(event.when.at);
        }
        self.ledger.apply(event);
        self.conversation.apply(event);
        if let Some(patient) = signs(&event.body) {
            self.signed.entry(patient).or_insert(event.when);
        }
        match &event.body {
            Body::Closed(_) => self.closed = true,
            Body::Heard(heard) => {
                self.last_heard = event.seq;
                self.last_heard_ms = event.when.mono_ms + heard.audio_ms;
                self.apply_heard(heard, event.seq, event.when);
            }
            Body::Advice(advice) => {
                let (seq, when, advice) = (event.seq, event.when, advice.clone());
                self.said.push(Said { seq, when, advice, acknowledged: None, spoken_ms: None });
            }
            Body::Spoken(spoken) if spoken.reason.as_deref().is_none_or(|reason| reason == "done") => {
                if let Some(said) = self.said.iter_mut().rev().find(|s| s.seq == spoken.target) {
                    said.spoken_ms = Some(event.when.mono_ms);
                }
            }
            Body::Acknowledged(ack) => {
                if let Some(said) = self.said.iter_mut().find(|s| s.seq == ack.target) {
                    said.acknowledged = Some((event.seq, event.when));
                }
            }
            _ => {}
        }
    }

    fn apply_heard(&mut self, heard: &Heard, seq: u64, when: Moment) {
        for command in &heard.commands {
            match command {
                Command::Patient { number } => {
                    self.patient = Some(i64::from(*number));
                    self.met.entry(i64::from(*number)).or_insert((seq, when));
                }
                Command::OffRecord => self.off_record = true,
                Command::OnRecord => self.off_record = false,
                Command::HandoverBegins => self.handover_since_ms = Some(when.mono_ms),
                Command::HandoverEnds => self.handover_since_ms = None,
                Command::Quiet { minutes } => {
                    self.quiet_until_ms = when.mono_ms + u64::from(*minutes) * 60_000;
                }
                _ => {}
            }
        }
    }

    /// The latest moment that an event told of.
    pub fn latest(&self) -> Option<Moment> {
        Some(Moment::new(self.latest_ms, self.latest_at?))
    }

    pub fn patient(&self) -> i64 {
        self.patient.unwrap_or(1)
    }

    /// Advice of this rule whose anchor is that event.
    pub fn said_about(&self, rule: &str, anchor: u64) -> impl Iterator<Item = &Said> {
        self.said.iter().filter(move |s| s.advice.rule == rule && s.anchor() == Some(anchor))
    }

    /// Values that a report contradicted: which of the two is right nobody has said yet.
    pub fn disputed(&self) -> Vec<u64> {
        let differing = self.said.iter().filter(|said| said.advice.rule == REPORT_DIFFERS);
        differing.filter_map(Said::anchor).collect()
    }

    /// The last time this milestone was ours.
    pub fn milestone(&self, name: &str) -> Option<&Entry> {
        self.ledger.all_of(Kind::Milestone).rfind(|e| e.finding.is(Field::Name, name))
    }

    /// This patient's care was handed over, or we are back in service.
    pub fn transferred(&self, patient: i64) -> bool {
        let transfer = |e: &Entry| e.finding.patient() == patient && e.finding.is(Field::Name, "transfer_of_care");
        self.ledger.all_of(Kind::Milestone).any(transfer) || self.milestone("in_service").is_some()
    }

    /// Resuscitation of the patient spoken of is going on.
    pub fn arrest(&self) -> bool {
        self.watch(self.patient()).arrest()
    }

    /// Everybody met so far.
    pub fn patients(&self) -> Vec<i64> {
        let mut all: Vec<i64> = self.met.keys().copied().chain([1, self.patient()]).collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// The call as it concerns one patient, spoken of or not.
    pub fn watch(&self, patient: i64) -> Watched<'_> {
        Watched { state: self, patient }
    }
}

/// The patient whose refusal this event tells to be signed.
fn signs(body: &Body) -> Option<i64> {
    let told = match body {
        Body::Finding(finding) => finding,
        Body::Corrected(corrected) => &corrected.finding,
        _ => return None,
    };
    let signed = told.kind() == Kind::Refusal && told.get(Field::Signed).is_some();
    signed.then(|| told.patient())
}

/// The call as it concerns one patient: what it shares with [`State`] by name is that patient's.
#[derive(Clone, Copy)]
pub struct Watched<'s> {
    state: &'s State,
    patient: i64,
}

impl std::ops::Deref for Watched<'_> {
    type Target = State;

    fn deref(&self) -> &State {
        self.state
    }
}

impl<'s> Watched<'s> {
    pub fn patient(&self) -> i64 {
        self.patient
    }

    /// Standing findings of a kind that carry one of these names.
    pub fn named<'a>(
        &self,
        kind: Kind,
        names: &'a [&'a str],
    ) -> impl DoubleEndedIterator<Item = &'s Entry> + use<'s, 'a> {
        let named = move |e: &&Entry| e.finding.text(Field::Name).is_some_and(|name| names.contains(&name));
        self.state.ledger.of(kind, self.patient).filter(named)
    }

    /// Their care was handed over.
    pub fn transferred(&self) -> bool {
        self.state.transferred(self.patient)
    }

    /// Resuscitation is going on: compressions begun, no circulation back.
    pub fn arrest(&self) -> bool {
        let turns = ["cpr_started", "cpr_resumed", "rosc", "cpr_stopped", "resuscitation_stopped"];
        let Some(last) = self.named(Kind::Procedure, &turns).next_back() else { return false };
        let begun = last.finding.is(Field::Name, "cpr_started") || last.finding.is(Field::Name, "cpr_resumed");
        begun && self.circulation_back().is_none_or(|back| back.seq < last.seq)
    }

    /// Resuscitation was ended without circulation back: nothing is due any more.
    pub fn given_up(&self) -> bool {
        let turns = ["cpr_started", "cpr_resumed", "rosc", "resuscitation_stopped"];
        self.named(Kind::Procedure, &turns)
            .next_back()
            .is_some_and(|e| e.finding.is(Field::Name, "resuscitation_stopped"))
    }

    /// A refusal is signed, and nothing that was told since says that the patient is treated or comes along after all.
    pub fn stays_behind(&self) -> bool {
        let refusals = self.state.ledger.of(Kind::Refusal, self.patient);
        let Some(signed) = refusals.rev().find(|e| e.finding.flag(Field::Signed) == Some(true)) else { return false };
        let treated = [Kind::MedicationPlanned, Kind::MedicationGiven, Kind::Oxygen, Kind::Procedure];
        let treats = |kind: &Kind| self.state.ledger.latest(*kind, self.patient).is_some_and(|e| e.seq > signed.seq);
        let under_way = ["depart_scene", "at_destination"].iter().filter_map(|name| self.milestone(name));
        !treated.iter().any(treats) && !under_way.into_iter().any(|e| e.seq > signed.seq)
    }

    /// What told last that circulation was back after compressions: the word itself, or the first pulse since.
    pub fn circulation_back(&self) -> Option<&'s Entry> {
        let compressions = self.named(Kind::Procedure, &["cpr_started", "cpr_resumed"]).next_back()?;
        let told = self.named(Kind::Procedure, &["rosc"]).find(|e| e.seq > compressions.seq);
        let pulses = self.state.ledger.of(Kind::Pulse, self.patient).rev().take_while(|e| e.seq > compressions.seq);
        told.into_iter().chain(pulses.filter(|e| pulse_is_back(e))).min_by_key(|e| e.seq)
    }

    /// Whether advice with this first event was about this patient.
    pub fn concerns(&self, anchor: u64) -> bool {
        let acknowledged = |said: &&Said| said.acknowledged.is_some_and(|(seq, _)| seq == anchor);
        let met = self.met.iter().find(|(_, (seq, _))| *seq == anchor).map(|(patient, _)| *patient);
        let told = || self.ledger.find(anchor).map(|e| e.finding.patient());
        if let Some(patient) = met.or_else(told) {
            return patient == self.patient;
        }
        // A clock that counts from an acknowledgement is about whom the acknowledged sentence was about.
        match self.said.iter().find(acknowledged).and_then(Said::anchor) {
            Some(earlier) if earlier < anchor => self.concerns(earlier),
            _ => self.patient == 1,
        }
    }
}
