//! Changes to a record after the call: what an amendment appends, and when it may not. Nothing is ever edited.
//!
//! After sign-off only addenda follow: notes and late entries. Before it, findings may also be corrected and taken
//! back; who and why stand in the event.

use chrono::{DateTime, FixedOffset, NaiveTime, TimeDelta};

use super::event::{Body, Closed, Corrected, Event, Note, Retracted, Trouble};
use super::finding::{Field, Finding, Kind, Value};
use super::ledger::{Entry, Ledger};
use super::time::{Moment, rfc3339};

/// The reason of the `closed` event that signs a record off.
pub const SIGNED_OFF: &str = "signed_off";

/// One change, as asked for.
#[derive(Clone, Debug, PartialEq)]
pub enum Amendment {
    Correct {
        target: u64,
        finding: Finding,
        why: String,
    },
    TakeBack {
        target: u64,
        why: String,
    },
    /// A finding that was not recorded at the time; `happened_at` is in it if it is known.
    Late {
        finding: Finding,
        why: Option<String>,
    },
    /// A time of the call: a milestone's name and its moment.
    Time {
        milestone: String,
        at: DateTime<FixedOffset>,
    },
    Note {
        about: Option<u64>,
        text: String,
    },
    SignOff,
}

/// A record being amended.
pub struct Amending<'a> {
    events: &'a [Event],
    ledger: Ledger,
    next_seq: u64,
    who: String,
}

/// What is to be appended: the body, and the event it comes from.
type Appended = (Body, Option<u64>);

impl<'a> Amending<'a> {
    /// `next_seq` is the number that the next event gets; `who` amends.
    pub fn new(events: &'a [Event], next_seq: u64, who: &str) -> Amending<'a> {
        Amending { events, ledger: Ledger::fold(events), next_seq, who: who.trim().to_string() }
    }

    /// Findings that stand, oldest first: what may be corrected.
    pub fn standing(&self) -> impl Iterator<Item = &Entry> {
        self.ledger.standing()
    }

    /// The value in force of event `seq`.
    ///
    /// # Errors
    /// There is no such finding, or it was taken back.
    pub fn entry(&self, seq: u64) -> Result<&Entry, String> {
        let entry = self.ledger.find(seq).ok_or_else(|| match self.events.iter().find(|event| event.seq == seq) {
            Some(event) => format!("event {seq} is a `{}`; only findings can be changed", event.body.kind()),
            None => format!("there is no event {seq}"),
        })?;
        match entry.retracted {
            None => Ok(entry),
            Some(by) => Err(format!("event {seq} was taken back by event {by}")),
        }
    }

    /// Turns amendments into events, in order, at `now`.
    ///
    /// # Errors
    /// What cannot be done, and why; nothing is to be appended then.
    pub fn events(mut self, amendments: Vec<Amendment>, now: Moment) -> Result<Vec<Event>, String> {
        if self.who.is_empty() {
            return Err("an amendment needs a name: who are you?".into());
        }
        let mut events = Vec::new();
        let mut signed = signed_off(self.events).map(|event| event.seq);
        let reopened = Trouble {
            what: "record".into(),
            state: "reopened".into(),
            detail: Some(format!("amended by {}; {}", self.who, self.how_time_went_on(now))),
        };
        self.append(&mut events, (Body::Recovered(reopened), None), now);
        for amendment in amendments {
            if let (Some(seq), Amendment::Correct { .. } | Amendment::TakeBack { .. } | Amendment::SignOff) =
                (signed, &amendment)
            {
                return Err(format!(
                    "the record was signed off by event {seq}: only addenda can follow (a note, or a late entry)"
                ));
            }
            if amendment == Amendment::SignOff {
                signed = Some(self.next_seq);
            }
            for body in self.bodies(amendment)? {
                self.append(&mut events, body, now);
            }
        }
        Ok(events)
    }

    fn how_time_went_on(&self, now: Moment) -> &'static str {
        match self.events.iter().map(|event| event.when.at).max() {
            Some(last) if now.at < last => "the wall clock stands before the last event: one of the two was wrong",
            _ => "the stopwatch went on by the wall clock",
        }
    }

    fn append(&mut self, events: &mut Vec<Event>, (body, from): Appended, when: Moment) {
        let event = Event { seq: self.next_seq, when, body, from };
        self.ledger.apply(&event);
        self.next_seq += 1;
        events.push(event);
    }

    fn bodies(&self, amendment: Amendment) -> Result<Vec<Appended>, String> {
        let who = Some(self.who.clone());
        Ok(match amendment {
            Amendment::Correct { target, finding, why } => {
                let entry = self.entry(target)?;
                well_formed(&finding)?;
                if entry.finding == finding {
                    return Err(format!("event {target} says that already"));
                }
                vec![(Body::Corrected(Corrected { target, finding, who, why: Some(reason(&why)?) }), None)]
            }
            Amendment::TakeBack { target, why } => {
                self.entry(target)?;
                vec![(Body::Retracted(Retracted { target, who, why: Some(reason(&why)?) }), None)]
            }
            Amendment::Late { finding, why } => self.late(finding, why.as_deref())?,
            Amendment::Time { milestone, at } => self.time(&milestone, at)?,
            Amendment::Note { about, text } => {
                if let Some(seq) = about.filter(|seq| !self.events.iter().any(|event| event.seq == *seq)) {
                    return Err(format!("there is no event {seq}"));
                }
                if text.trim().is_empty() {
                    return Err("the note is empty".into());
                }
                vec![(Body::Note(Note { text: text.trim().to_string(), who }), about)]
            }
            Amendment::SignOff => vec![(Body::Closed(Closed { reason: SIGNED_OFF.into(), by: who }), None)],
        })
    }

    /// Both times are kept: the event's own is when it was written, `happened_at` when it happened. The note before it
    /// says whose it is.
    fn late(&self, finding: Finding, why: Option<&str>) -> Result<Vec<Appended>, String> {
        well_formed(&finding)?;
        let text = match why.map(str::trim).filter(|why| !why.is_empty()) {
            Some(why) => format!("late entry: {why}"),
            None => "late entry".to_string(),
        };
        let note = Body::Note(Note { text, who: Some(self.who.clone()) });
        Ok(vec![(note, None), (Body::Finding(finding), Some(self.next_seq))])
    }

    fn time(&self, milestone: &str, at: DateTime<FixedOffset>) -> Result<Vec<Appended>, String> {
        let finding = Finding::new(Kind::Milestone)
            .with(Field::Name, Value::text(milestone))
            .with(Field::HappenedAt, Value::text(rfc3339(&at)));
        well_formed(&finding)?;
        let mut there = self.ledger.standing().filter(|e| e.finding.kind() == Kind::Milestone);
        match there.rfind(|entry| entry.finding.is(Field::Name, milestone)) {
            Some(entry) if signed_off(self.events).is_none() => {
                let who = Some(self.who.clone());
                let why = Some("time set after the call".to_string());
                Ok(vec![(Body::Corrected(Corrected { target: entry.seq, finding, who, why }), None)])
            }
            _ => self.late(finding, Some("time set after the call")),
        }
    }
}

fn well_formed(finding: &Finding) -> Result<(), String> {
    match finding.problems().first() {
        Some(problem) => Err(problem.clone()),
        None => Ok(()),
    }
}

fn reason(why: &str) -> Result<String, String> {
    match why.trim() {
        "" => Err("a change of what was recorded needs a reason: why?".into()),
        why => Ok(why.to_string()),
    }
}

/// The event that signed the record off, if any.
pub fn signed_off(events: &[Event]) -> Option<&Event> {
    events.iter().find(|event| matches!(&event.body, Body::Closed(closed) if closed.reason == SIGNED_OFF))
}

/// `field=value` laid over a finding; `field=` removes it.
///
/// # Errors
/// No such field, or a value that it cannot hold.
pub fn with_field(finding: &Finding, text: &str) -> Result<Finding, String> {
    let (name, value) = text.split_once('=').ok_or_else(|| format!("`{text}` is not FIELD=VALUE"))?;
    let known = |name: &str| Field::from_name(name.trim());
    let field = known(name).ok_or_else(|| {
        let has: Vec<&str> = super::finding::schema::fields(finding.kind()).iter().map(|(f, _)| f.name()).collect();
        format!("`{name}` is no field; {} has {}", finding.kind().name(), has.join(", "))
    })?;
    let mut finding = finding.clone();
    match value.trim() {
        "" => drop(finding.remove(field)),
        "true" => finding.set(field, Value::Flag(true)),
        "false" => finding.set(field, Value::Flag(false)),
        word => match word.parse() {
            Ok(number) => finding.set(field, Value::Number(number)),
            Err(_) => finding.set(field, Value::text(word)),
        },
    }
    well_formed(&finding)?;
    Ok(finding)
}

/// A time as a person writes it: RFC 3339, or `HH:MM` or `HH:MM:SS` nearest after the record was opened (up to six hours
/// before it counts as before it: a dispatch comes earlier than the record).
///
/// # Errors
/// It is neither.
pub fn time_of_call(events: &[Event], text: &str) -> Result<DateTime<FixedOffset>, String> {
    if let Ok(at) = DateTime::parse_from_rfc3339(text) {
        return Ok(at);
    }
    let formats = ["%H:%M:%S", "%H:%M"];
    let time = formats.iter().find_map(|format| NaiveTime::parse_from_str(text.trim(), format).ok());
    let time =
        time.ok_or_else(|| format!("`{text}` is no time; write 14:02, 14:02:30 or 2027-03-01T14:02:30-05:00"))?;
    let opened = events.first().map(|event| event.when.at).ok_or("the record is empty")?;
    let earliest = opened - TimeDelta::hours(6);
    (0..3)
        .filter_map(|day| earliest.date_naive().checked_add_days(chrono::Days::new(day)))
        .filter_map(|day| day.and_time(time).and_local_timezone(*opened.offset()).single())
        .find(|at| *at >= earliest)
        .ok_or_else(|| format!("`{text}` is not on the day of the call"))
}

/// The moment of an amendment: the stopwatch goes on by the wall clock's difference, never backwards.
pub fn moment_after(events: &[Event], wall: DateTime<FixedOffset>) -> Moment {
    let Some(last) = events.iter().max_by_key(|event| event.when.mono_ms) else { return Moment::new(0, wall) };
    let passed = (wall - last.when.at).num_milliseconds();
    Moment::new(last.when.mono_ms.saturating_add(u64::try_from(passed).unwrap_or(0)), wall)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::event::Opened;

    fn at(text: &str) -> DateTime<FixedOffset> {
        DateTime::parse_from_rfc3339(text).unwrap()
    }

    fn pulse(rate: i64) -> Finding {
        Finding::new(Kind::Pulse).with(Field::RatePerMin, Value::int(rate))
    }

    fn record() -> Vec<Event> {
        let opened = at("2027-03-01T23:50:00-05:00");
        let bodies = [Body::Opened(Opened::default()), Body::Finding(pulse(18))];
        let when = |seq: u64| Moment::new(0, opened).plus_ms((seq - 1) * 60_000);
        bodies.into_iter().zip(1..).map(|(body, seq)| Event { seq, when: when(seq), body, from: None }).collect()
    }

    fn amend(events: &[Event], amendments: Vec<Amendment>) -> Result<Vec<Event>, String> {
        let now = moment_after(events, at("2027-03-02T01:00:00-05:00"));
        Amending::new(events, events.len() as u64 + 1, "A. Example").events(amendments, now)
    }

    #[test]
    fn a_correction_names_who_and_why_and_the_stopwatch_goes_on() {
        let events = record();
        let why = "heard eighteen for one eighteen".to_string();
        let added = amend(&events, vec![Amendment::Correct { target: 2, finding: pulse(118), why }]).unwrap();
        assert_eq!(added.len(), 2);
        assert!(matches!(&added[0].body, Body::Recovered(t) if t.state == "reopened"));
        assert!(
            matches!(&added[1].body, Body::Corrected(c) if c.who.as_deref() == Some("A. Example") && c.why.is_some())
        );
        assert_eq!(added[1].when.mono_ms, 70 * 60_000);
        let all: Vec<Event> = events.into_iter().chain(added).collect();
        assert_eq!(Ledger::fold(&all).latest(Kind::Pulse, 1).unwrap().finding, pulse(118));
    }

    #[test]
    fn what_cannot_be_is_refused_with_a_reason() {
        let events = record();
        let refused = |amendment| amend(&events, vec![amendment]).unwrap_err();
        let why = || "x".to_string();
        assert!(refused(Amendment::TakeBack { target: 1, why: why() }).contains("event 1 is a `opened`"));
        assert!(refused(Amendment::TakeBack { target: 9, why: why() }).contains("no event 9"));
        assert!(refused(Amendment::TakeBack { target: 2, why: " ".into() }).contains("why?"));
        let wild = Amendment::Correct { target: 2, finding: pulse(1180), why: why() };
        assert!(refused(wild).contains("outside"));
        assert!(refused(Amendment::Correct { target: 2, finding: pulse(18), why: why() }).contains("already"));
        let nobody = Amending::new(&events, 3, " ").events(vec![Amendment::SignOff], events[1].when);
        assert!(nobody.unwrap_err().contains("who"));
    }

    #[test]
    fn after_sign_off_only_addenda_follow() {
        let mut events = record();
        let added = amend(&events, vec![Amendment::SignOff]).unwrap();
        events.extend(added);
        assert!(signed_off(&events).is_some());
        let taken = Amendment::TakeBack { target: 2, why: "x".into() };
        assert!(amend(&events, vec![taken]).unwrap_err().contains("only addenda"));
        assert!(amend(&events, vec![Amendment::SignOff]).is_err());
        assert!(amend(&events, vec![Amendment::Note { about: Some(2), text: "was 118".into() }]).is_ok());
        let late = Amendment::Late { finding: pulse(90), why: None };
        let both = vec![Amendment::Note { about: None, text: "and".into() }, late];
        let added = amend(&events, both).unwrap();
        assert_eq!(added[3].from, Some(added[2].seq), "the late entry points to the note that says whose it is");
    }

    #[test]
    fn a_time_of_the_call_finds_its_day() {
        let events = record();
        assert_eq!(time_of_call(&events, "23:55").unwrap(), at("2027-03-01T23:55:00-05:00"));
        assert_eq!(time_of_call(&events, "00:10:30").unwrap(), at("2027-03-02T00:10:30-05:00"));
        assert_eq!(time_of_call(&events, "23:40").unwrap(), at("2027-03-01T23:40:00-05:00"));
        assert_eq!(time_of_call(&events, "2027-03-01T22:00:00-05:00").unwrap(), at("2027-03-01T22:00:00-05:00"));
        assert!(time_of_call(&events, "ten past").is_err());
    }

    #[test]
    fn milestones_are_set_and_set_again() {
        let mut events = record();
        let time = |text: &str| Amendment::Time { milestone: "on_scene".into(), at: at(text) };
        events.extend(amend(&events, vec![time("2027-03-01T23:45:00-05:00")]).unwrap());
        events.extend(amend(&events, vec![time("2027-03-01T23:46:00-05:00")]).unwrap());
        let ledger = Ledger::fold(&events);
        let entries: Vec<&Entry> = ledger.of(Kind::Milestone, 1).collect();
        assert_eq!(entries.len(), 1);
        assert_eq!(entries[0].replaced.len(), 1);
        let wrong = Amendment::Time { milestone: "on_the_moon".into(), at: at("2027-03-01T23:45:00-05:00") };
        assert!(amend(&events, vec![wrong]).unwrap_err().contains("on_scene"));
    }

    #[test]
    fn fields_are_laid_over_a_finding() {
        assert_eq!(with_field(&pulse(18), "rate_per_min=118").unwrap(), pulse(118));
        let f = with_field(&pulse(18), "rhythm=irregular").unwrap();
        assert!(f.is(Field::Rhythm, "irregular"));
        assert_eq!(with_field(&f, "rhythm=").unwrap(), pulse(18));
        assert!(with_field(&f, "rythm=x").unwrap_err().contains("rhythm"));
        assert!(with_field(&f, "rate_per_min=9000").unwrap_err().contains("outside"));
        assert!(with_field(&f, "rhythm").is_err());
    }
}
