//! The timeline as a value: every section, every row with the numbers of its events. `page` renders it.

use std::collections::BTreeMap;

use serde::Serialize;

use super::call::{Call, happened};
use super::outline::{Outline, Topic};
use super::sign;
use super::times::{self, Interval, minutes_seconds};
use super::vitals::{self, Measure};
use super::wording::{Manner, Wording, plain};
use super::{chart, followed};
use crate::core::event::{AdviceType, Body, Event, Outcome};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::Entry;
use crate::core::time::Moment;

/// Everything a timeline shows, ready to be laid out.
#[derive(Clone, Debug, Serialize)]
pub struct Review {
    pub training: bool,
    pub caution: String,
    pub facts: Vec<Fact>,
    pub sign: Vec<Fact>,
    pub milestones: Vec<Fact>,
    pub missing_times: Vec<String>,
    pub intervals: Vec<Fact>,
    pub patients: Vec<Patient>,
    pub timeline: Vec<Row>,
    pub advice: Vec<AdviceRow>,
    pub corrections: Vec<Row>,
    pub not_understood: Vec<Row>,
    pub troubles: Vec<Row>,
    pub has_findings: bool,
}

/// A label and its text with the events it rests on.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Fact {
    pub label: String,
    pub text: String,
    pub seqs: Vec<u64>,
}

#[derive(Clone, Debug, Serialize)]
pub struct Patient {
    pub number: i64,
    /// More than one patient in this record.
    pub named: bool,
    pub summary: Vec<Fact>,
    pub chart: Option<chart::Charts>,
    pub columns: Vec<String>,
    pub sets: Vec<SetRow>,
    pub history: Vec<TopicRow>,
    pub exam: Vec<TopicRow>,
    pub treatments: Vec<Treatment>,
}

#[derive(Clone, Debug, Serialize)]
pub struct SetRow {
    pub time: String,
    pub elapsed: String,
    /// One cell a column; empty where nothing was measured.
    pub cells: Vec<Fact>,
}

#[derive(Clone, Debug, Serialize)]
pub struct TopicRow {
    pub label: String,
    /// `asked`, `not_asked`, `could_not`.
    pub state: &'static str,
    pub status: String,
    pub items: Vec<Fact>,
}

#[derive(Clone, Debug, Serialize)]
pub struct Treatment {
    pub time: String,
    pub elapsed: String,
    pub label: String,
    pub text: String,
    pub seq: u64,
    pub checks: Vec<Fact>,
    pub after: Vec<Fact>,
}

/// One line of a chronological list.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    pub time: String,
    pub elapsed: String,
    pub seq: u64,
    /// Kind of event: a style class and, for findings, `finding`.
    pub class: &'static str,
    pub label: String,
    pub text: String,
    /// The words as heard.
    pub words: Option<String>,
    pub note: Option<String>,
}

#[derive(Clone, Debug, Serialize)]
pub struct AdviceRow {
    pub time: String,
    pub elapsed: String,
    pub seq: u64,
    pub kind: String,
    pub priority: &'static str,
    pub say: String,
    pub rule: String,
    pub source: String,
    pub because: Vec<u64>,
    pub followed: Vec<Fact>,
}

/// What the builders below share.
pub struct Desk<'a> {
    pub call: &'a Call<'a>,
    pub wording: &'a Wording,
    pub start: Option<Moment>,
}

impl Desk<'_> {
    /// Wall-clock time of day; with the date where it is not the day the record began.
    pub fn time(&self, when: Moment) -> String {
        let same_day = self.start.is_none_or(|s| s.at.date_naive() == when.at.date_naive());
        when.at.format(if same_day { "%H:%M:%S" } else { "%Y-%m-%d %H:%M:%S" }).to_string()
    }

    /// `+3:05` since the record began.
    pub fn elapsed(&self, when: Moment) -> String {
        let from = self.start.map_or(0, |s| s.mono_ms);
        format!("+{}", minutes_seconds((when.mono_ms.saturating_sub(from) / 1000) as i64))
    }

    /// The finding in force, with the plan's dose where the words of the giving had none.
    pub fn text(&self, entry: &Entry) -> String {
        let text = self.wording.text(&entry.finding, entry.confirmed.is_some(), Manner::Shown);
        match self.call.planned_dose_text(entry, self.wording, Manner::Shown) {
            Some(planned) => format!("{text} ({planned})"),
            None => text,
        }
    }

    /// `Pulse: 118/min`.
    pub fn line(&self, entry: &Entry) -> String {
        format!("{}: {}", self.wording.label(entry.finding.kind()), self.text(entry))
    }

    pub fn finding_line(&self, finding: &Finding) -> String {
        self.wording.line(finding, false)
    }
}

/// Builds the timeline. `caution` is the program's usual sentence for its users.
pub fn build(call: &Call, wording: &Wording, outline: &Outline, caution: &str) -> Review {
    let desk = Desk { call, wording, start: call.start() };
    let milestones = times::milestones(call);
    let intervals = times::intervals(&milestones);
    let advice: Vec<AdviceRow> = advice_rows(&desk);
    Review {
        training: call.training(),
        caution: caution.to_string(),
        facts: facts(&desk),
        sign: sign::items(&desk, outline, &milestones, &intervals),
        milestones: milestones
            .iter()
            .map(|m| Fact {
                label: wording.word(m.name, Manner::Shown),
                text: m.at.format("%H:%M:%S").to_string(),
                seqs: vec![m.seq],
            })
            .collect(),
        missing_times: sign::missing_times(wording, &milestones),
        intervals: intervals.iter().map(interval_fact).collect(),
        patients: call.patients().iter().map(|n| patient(&desk, outline, *n)).collect(),
        timeline: call.events.iter().filter_map(|e| timeline_row(&desk, e)).collect(),
        corrections: call.events.iter().filter_map(|e| correction_row(&desk, e)).collect(),
        not_understood: not_understood(&desk),
        troubles: call.events.iter().filter_map(|e| trouble_row(&desk, e)).collect(),
        has_findings: !call.ledger.entries().is_empty(),
        advice,
    }
    .in_order()
}

impl Review {
    /// Rows by the time of the words, then by writing: the record's own order may step back.
    fn in_order(mut self) -> Review {
        self.timeline.sort_by_key(|row| row.order());
        self
    }
}

impl Row {
    fn order(&self) -> (u64, u64) {
        let seconds = self
            .elapsed
            .trim_start_matches('+')
            .split(':')
            .fold(0, |sum, part| sum * 60 + part.parse::<u64>().unwrap_or(0));
        (seconds, self.seq)
    }
}

fn interval_fact(interval: &Interval) -> Fact {
    Fact { label: interval.name.into(), text: minutes_seconds(interval.seconds), seqs: interval.seqs.to_vec() }
}

fn facts(desk: &Desk) -> Vec<Fact> {
    let mut facts = Vec::new();
    let mut add = |label: &str, text: String, seq: u64| {
        if !text.is_empty() {
            facts.push(Fact { label: label.into(), text: plain(&text), seqs: vec![seq] });
        }
    };
    if let Some((event, opened)) = desk.call.events.iter().find_map(|e| match &e.body {
        Body::Opened(opened) => Some((e, opened)),
        _ => None,
    }) {
        add("opened", event.when.at.format("%Y-%m-%d %H:%M:%S %:z").to_string(), event.seq);
        add("unit", opened.unit.clone(), event.seq);
        add("crew", opened.crew.join(", "), event.seq);
        add("recogniser", opened.model.clone(), event.seq);
        add("data", opened.data.clone(), event.seq);
        add("program", format!("thirdhand {}", opened.version), event.seq);
    }
    if let Some((event, closed)) = desk.call.closed {
        let by = closed.by.as_ref().map(|by| format!(" by {by}")).unwrap_or_default();
        let reason = closed.reason.replace('_', " ");
        add("closed", format!("{} ({reason}{by})", event.when.at.format("%Y-%m-%d %H:%M:%S %:z")), event.seq);
    }
    facts
}

fn patient(desk: &Desk, outline: &Outline, number: i64) -> Patient {
    let sets = vitals::sets(desk.call, number);
    let measures: Vec<Measure> = Measure::ALL.into_iter().filter(|m| sets.iter().any(|s| s.has(*m))).collect();
    let cell = |set: &vitals::Set, measure: Measure| {
        let entries: Vec<&Entry> = set.get(measure).collect();
        let texts: Vec<String> = entries.iter().map(|e| desk.text(e)).collect();
        Fact { label: column(desk, measure), text: texts.join("; "), seqs: entries.iter().map(|e| e.seq).collect() }
    };
    let rows = sets
        .iter()
        .filter_map(|set| {
            let when = set.when()?;
            Some(SetRow {
                time: desk.time(when),
                elapsed: desk.elapsed(when),
                cells: measures.iter().map(|m| cell(set, *m)).collect(),
            })
        })
        .collect();
    let topics = |topics: &[Topic], exam: bool| topics.iter().filter_map(|t| topic(desk, t, number, exam)).collect();
    let mut exam: Vec<TopicRow> = topics(&outline.exam, true);
    exam.extend(other_regions(desk, outline, number));
    Patient {
        number,
        named: desk.call.patients().len() > 1,
        summary: summary(desk, number),
        chart: chart::charts(desk, number, &sets),
        columns: measures.iter().map(|m| column(desk, *m)).collect(),
        sets: rows,
        history: topics(&outline.history, false),
        exam,
        treatments: treatments(desk, number),
    }
}

fn column(desk: &Desk, measure: Measure) -> String {
    match measure {
        Measure::Pain => "Pain".into(),
        other => desk.wording.label(other.kind()).to_string(),
    }
}

/// Who, what for, how bad: the latest of each.
fn summary(desk: &Desk, number: i64) -> Vec<Fact> {
    let mut facts = Vec::new();
    let merged = merged_patient(desk.call, number);
    if let Some((finding, seqs)) = merged {
        facts.push(Fact {
            label: desk.wording.label(Kind::Patient).into(),
            text: desk.wording.text(&finding, false, Manner::Shown),
            seqs,
        });
    }
    for kind in [Kind::ChiefComplaint, Kind::Priority] {
        if let Some(entry) = desk.call.ledger.latest(kind, number) {
            facts.push(Fact { label: desk.wording.label(kind).into(), text: desk.text(entry), seqs: vec![entry.seq] });
        }
    }
    facts
}

/// Age, sex and weight may be said at different times: later words win field by field.
pub fn merged_patient(call: &Call, number: i64) -> Option<(Finding, Vec<u64>)> {
    let mut merged = Finding::new(Kind::Patient);
    let mut seqs = Vec::new();
    for entry in call.ledger.of(Kind::Patient, number) {
        for (field, value) in entry.finding.fields() {
            if field == Field::Unconfirmed && entry.confirmed.is_some() {
                continue;
            }
            merged.set(field, value.clone());
        }
        seqs.push(entry.seq);
    }
    (!seqs.is_empty()).then_some((merged, seqs))
}

fn topic(desk: &Desk, topic: &Topic, number: i64, exam: bool) -> Option<TopicRow> {
    let entries = topic.gather(desk.call, number);
    if entries.is_empty() && !topic.always {
        return None;
    }
    Some(topic_row(desk, &topic.label, &entries, exam))
}

fn topic_row(desk: &Desk, label: &str, entries: &[&Entry], exam: bool) -> TopicRow {
    let got: Vec<&&Entry> = entries.iter().filter(|e| vitals::obtained(&e.finding)).collect();
    let (state, status) = if entries.is_empty() {
        ("not_asked", desk.wording.phrase(if exam { "not_examined" } else { "not_asked" }, &[]))
    } else if got.is_empty() {
        let whys: Vec<String> =
            entries.iter().filter_map(|e| e.finding.text(Field::Why)).map(|w| plain(&w.replace('_', " "))).collect();
        ("could_not", desk.wording.phrase("could_not", &[("what", &whys.join(", "))]))
    } else {
        ("asked", desk.wording.phrase(if exam { "examined" } else { "asked" }, &[]))
    };
    let items = entries
        .iter()
        .map(|e| Fact { label: desk.wording.label(e.finding.kind()).into(), text: desk.text(e), seqs: vec![e.seq] })
        .collect();
    TopicRow { label: label.into(), state, status, items }
}

/// Regions that were examined but stand in no row of the outline.
fn other_regions(desk: &Desk, outline: &Outline, number: i64) -> Vec<TopicRow> {
    let mut regions: BTreeMap<String, Vec<&Entry>> = BTreeMap::new();
    for entry in desk.call.standing(number).filter(|e| e.finding.kind() == Kind::Exam) {
        if !outline.exam.iter().any(|t| t.holds(&entry.finding)) {
            let region = entry.finding.text(Field::Region).unwrap_or("region not said");
            regions.entry(desk.wording.word(region, Manner::Shown)).or_default().push(entry);
        }
    }
    regions.into_iter().map(|(label, entries)| topic_row(desk, &label, &entries, true)).collect()
}

/// Findings that are something done.
pub fn is_treatment(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::MedicationGiven
            | Kind::MedicationWithheld
            | Kind::MedicationPlanned
            | Kind::MedicationTaken
            | Kind::Oxygen
            | Kind::Procedure
            | Kind::Spinal
    )
}

fn treatments(desk: &Desk, number: i64) -> Vec<Treatment> {
    let mut entries: Vec<&Entry> = desk.call.standing(number).filter(|e| is_treatment(e.finding.kind())).collect();
    entries.sort_by_key(|e| (happened(e).mono_ms, e.seq));
    entries
        .iter()
        .map(|entry| {
            let when = happened(entry);
            Treatment {
                time: desk.time(when),
                elapsed: desk.elapsed(when),
                label: desk.wording.label(entry.finding.kind()).into(),
                text: desk.text(entry),
                seq: entry.seq,
                checks: checks(desk, entry, number),
                after: responses(desk, entry, number),
            }
        })
        .collect()
}

/// Warnings about this drug, and rights confirmed for it, up to the treatment.
fn checks(desk: &Desk, entry: &Entry, number: i64) -> Vec<Fact> {
    let Some(name) = treatment_name(&entry.finding) else { return Vec::new() };
    let warnings = desk.call.advice().filter(|(e, a)| a.about == name && e.seq < entry.seq.saturating_add(3)).map(
        |(event, advice)| Fact {
            label: desk.wording.word(advice_type(advice.kind), Manner::Shown),
            text: plain(&advice.say),
            seqs: vec![event.seq],
        },
    );
    let rights = desk
        .call
        .ledger
        .of(Kind::MedicationCheck, number)
        .filter(|e| e.finding.text(Field::Name).is_none_or(|n| n == name) && e.seq < entry.seq)
        .map(|e| Fact {
            label: desk.wording.label(Kind::MedicationCheck).into(),
            text: desk.text(e),
            seqs: vec![e.seq],
        });
    match entry.finding.kind() {
        Kind::MedicationGiven | Kind::MedicationPlanned | Kind::MedicationWithheld | Kind::Oxygen => {
            warnings.chain(rights).collect()
        }
        _ => Vec::new(),
    }
}

/// The drug (oxygen among them) or the procedure.
pub fn treatment_name(finding: &Finding) -> Option<&str> {
    match finding.kind() {
        Kind::Oxygen => Some("oxygen"),
        _ => finding.text(Field::Name),
    }
}

fn responses(desk: &Desk, entry: &Entry, number: i64) -> Vec<Fact> {
    let Some(name) = treatment_name(&entry.finding) else { return Vec::new() };
    desk.call
        .ledger
        .of(Kind::Response, number)
        .filter(|e| e.seq > entry.seq && e.finding.is(Field::To, name))
        .map(|e| Fact { label: desk.wording.label(Kind::Response).into(), text: desk.text(e), seqs: vec![e.seq] })
        .collect()
}

/// The contract's spelling of an advice's type.
pub fn advice_type(kind: AdviceType) -> &'static str {
    match kind {
        AdviceType::Contraindication => "contraindication",
        AdviceType::MissingFact => "missing_fact",
        AdviceType::Dose => "dose",
        AdviceType::AbnormalVital => "abnormal_vital",
        AdviceType::Trend => "trend",
        AdviceType::Reminder => "reminder",
        AdviceType::ReadBack => "read_back",
        AdviceType::Inconsistency => "inconsistency",
        AdviceType::Omission => "omission",
        AdviceType::Score => "score",
    }
}

/// `low`, `medium`, `high`.
pub fn priority(priority: crate::core::event::Priority) -> &'static str {
    use crate::core::event::Priority;
    match priority {
        Priority::Low => "low",
        Priority::Medium => "medium",
        Priority::High => "high",
    }
}

fn advice_rows(desk: &Desk) -> Vec<AdviceRow> {
    let about = desk.call.about_advice();
    desk.call
        .advice()
        .map(|(event, advice)| AdviceRow {
            time: desk.time(event.when),
            elapsed: desk.elapsed(event.when),
            seq: event.seq,
            kind: desk.wording.word(advice_type(advice.kind), Manner::Shown),
            priority: priority(advice.priority),
            say: plain(&advice.say),
            rule: plain(&advice.rule),
            source: plain(&advice.source),
            because: advice.because.clone(),
            followed: followed::facts(desk, event, advice, about.get(&event.seq).map_or(&[], Vec::as_slice)),
        })
        .collect()
}

fn row(desk: &Desk, event: &Event, class: &'static str, label: &str, text: String) -> Row {
    Row {
        time: desk.time(event.when),
        elapsed: desk.elapsed(event.when),
        seq: event.seq,
        class,
        label: label.into(),
        text,
        words: desk.call.words(event.seq).map(plain),
        note: None,
    }
}

fn timeline_row(desk: &Desk, event: &Event) -> Option<Row> {
    match &event.body {
        Body::Finding(finding) => {
            let entry = desk.call.ledger.find(event.seq);
            let confirmed = entry.is_some_and(|e| e.confirmed.is_some());
            let text = desk.wording.text(finding, confirmed, Manner::Shown);
            let mut row = row(desk, event, finding_class(finding), desk.wording.label(finding.kind()), text);
            row.note = entry.and_then(|e| match (e.retracted, e.replaced.last()) {
                (Some(seq), _) => Some(format!("{} #{seq}", desk.wording.phrase("retracted_by", &[]))),
                (None, Some((_, seq))) => Some(format!("{} #{seq}", desk.wording.phrase("corrected_by", &[]))),
                (None, None) => None,
            });
            Some(row)
        }
        Body::Corrected(_) | Body::Retracted(_) => correction_row(desk, event),
        Body::Advice(advice) => {
            let kind = desk.wording.word(advice_type(advice.kind), Manner::Shown);
            let mut row = row(desk, event, "advice", &kind, plain(&advice.say));
            row.note = Some(priority(advice.priority).to_string());
            Some(row)
        }
        Body::Acknowledged(x) => {
            let text = followed::acknowledgement(desk, "was_acknowledged", event, &x.reason, &x.authorized_by);
            Some(row(desk, event, "answer", &format!("about #{}", x.target), text))
        }
        Body::Silenced(x) => {
            let text = followed::acknowledgement(desk, "was_silenced", event, &x.reason, &x.authorized_by);
            Some(row(desk, event, "answer", &format!("about #{}", x.target), text))
        }
        Body::Device(_) | Body::Recovered(_) => trouble_row(desk, event),
        Body::Note(note) => Some(row(desk, event, "note", "note", plain(&note.text))),
        Body::Opened(_) => Some(row(desk, event, "frame", "record opened", String::new())),
        Body::Closed(closed) => Some(row(desk, event, "frame", "record closed", closed.reason.replace('_', " "))),
        Body::Heard(_) | Body::Confirmed(_) | Body::Spoken(_) => None,
    }
}

fn finding_class(finding: &Finding) -> &'static str {
    match finding.kind() {
        Kind::Milestone => "time",
        kind if is_treatment(kind) => "treatment",
        _ => "finding",
    }
}

fn correction_row(desk: &Desk, event: &Event) -> Option<Row> {
    let (target, now) = match &event.body {
        Body::Corrected(c) => (c.target, Some(&c.finding)),
        Body::Retracted(r) => (r.target, None),
        _ => return None,
    };
    let entry = desk.call.ledger.find(target);
    let old = entry.and_then(|e| {
        e.replaced.iter().find(|(_, by)| *by == event.seq).map(|(old, _)| old).or(now.is_none().then_some(&e.finding))
    });
    let was =
        old.map_or_else(|| format!("#{target} (not in this record)"), |f| desk.wording.text(f, false, Manner::Shown));
    let kind = now.or(old).map(|f| f.kind());
    let label = kind.map_or("", |k| desk.wording.label(k));
    let text = match now {
        Some(now) => {
            let now = desk.wording.text(now, false, Manner::Shown);
            desk.wording.phrase("was_now", &[("was", &was), ("now", &now)])
        }
        None => desk.wording.phrase("retracted", &[("what", &was)]),
    };
    let mut row = row(desk, event, "correction", label, text);
    let (who, why) = match &event.body {
        Body::Corrected(c) => (&c.who, &c.why),
        Body::Retracted(r) => (&r.who, &r.why),
        _ => return None,
    };
    let said = [who, why].into_iter().flatten().map(|t| plain(t)).collect::<Vec<_>>().join(": ");
    row.note = Some(if said.is_empty() { format!("of #{target}") } else { format!("of #{target}; {said}") });
    Some(row)
}

fn trouble_row(desk: &Desk, event: &Event) -> Option<Row> {
    let (Body::Device(trouble) | Body::Recovered(trouble)) = &event.body else { return None };
    let state = trouble.state.replace('_', " ");
    let text = match &trouble.detail {
        Some(detail) => format!("{state}: {detail}"),
        None => state,
    };
    Some(row(desk, event, "trouble", &plain(&trouble.what), plain(&text)))
}

fn not_understood(desk: &Desk) -> Vec<Row> {
    let mut rows = Vec::new();
    for (event, heard) in desk.call.heard().filter(|(_, heard)| heard.speech.is_none()) {
        let label = match heard.outcome {
            Outcome::Unmatched => "unmatched",
            Outcome::Ambiguous => "ambiguous",
            Outcome::Rejected => "rejected",
            Outcome::Matched | Outcome::Doubtful | Outcome::Echo => continue,
        };
        let purged = || desk.wording.phrase("words_purged", &[]);
        let mut row = row(desk, event, label, label, heard.text.as_deref().map_or_else(purged, plain));
        row.note = (heard.confidence < 1.0).then(|| format!("confidence {:.2}", heard.confidence));
        rows.push(row);
    }
    rows
}
