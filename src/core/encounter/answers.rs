//! Answers to what the crew asks of the tool: values come from the record, wording from the prompts.

use crate::core::clinical::ask::Supposed;
use crate::core::command::Command;
use crate::core::conversation::warns_of_value;
use crate::core::decimal::Decimal;
use crate::core::event::{Advice, AdviceType, Body, Closed, Note};
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::ledger::Entry;
use crate::core::planned::from_plan;
use crate::core::prompt::{Slots, clear_number};
use crate::core::protocol::Protocol;
use crate::core::protocol::check::spoken_unit;
use crate::core::protocol::facts::happened;
use crate::core::protocol::model::Anchor;
use crate::core::report::Call;
use crate::core::report::handoff::{self, Teller};
use crate::core::report::wording::Manner;
use crate::core::time::Moment;

use super::clocks::{dues, minutes_until, name_patient, spoken_kind};
use super::doubt::{self, sentence};
use super::state::{Said, State};
use super::{Knowledge, Speech};

/// Kinds that "vitals" means.
const VITALS: [Kind; 6] =
    [Kind::BloodPressure, Kind::Pulse, Kind::Respirations, Kind::OxygenSaturation, Kind::Glucose, Kind::Temperature];
/// Scores that are told as such: asked for, the answer is the score with its parts.
const SCORES: [Kind; 2] = [Kind::Gcs, Kind::Apgar];
/// A warning older than this is no longer what "acknowledged" means.
const ACKNOWLEDGE_MS: u64 = 10 * 60_000;

/// "Quiet" for longer than the data allows is silence now, and a question: who wants half an hour says it twice.
pub fn bound_quiet(protocol: &Protocol, commands: &mut [Command]) -> Option<Advice> {
    let most: u32 = protocol.word_list("quiet_at_most").first()?.parse().ok()?;
    let longer = commands.iter_mut().find_map(|command| match command {
        Command::Quiet { minutes } if *minutes > most => Some(minutes),
        _ => None,
    });
    let asked = std::mem::take(longer?);
    let minutes = |name: &str, n: u32| (name.to_string(), Value::int(i64::from(n)));
    let slots = vec![minutes("minutes", asked), minutes("most", most)];
    Some(sentence(protocol, "answer.quiet_too_long", AdviceType::ReadBack, "quiet", &slots))
}

/// What a command makes the encounter do.
#[derive(Clone, Debug, PartialEq)]
pub enum Act {
    Answer(Advice),
    /// Said whether or not the crew wants quiet.
    Tell(Advice),
    Append(Body),
    /// Say the last sentence again: nothing new is recorded.
    Again(Speech),
    Hush,
    Close(Closed),
}

/// What follows from one command. `last` is the last sentence spoken.
pub fn act(state: &State, knowledge: &Knowledge, command: &Command, last: Option<&Speech>, now: Moment) -> Vec<Act> {
    let protocol = &knowledge.protocol;
    let answer = |prompt: &str, kind, about: &str, slots: Slots| {
        vec![Act::Answer(sentence(protocol, prompt, kind, about, &slots))]
    };
    match command {
        Command::ReadBack { what } => read_back(state, protocol, what),
        Command::HowLong { since } => how_long(state, protocol, since, now),
        Command::NextCheck => next_check(state, knowledge, now),
        Command::Why => why(state, protocol),
        Command::SayAgain => last.cloned().map(Act::Again).into_iter().collect(),
        Command::Missing => missing(state, knowledge, now),
        Command::Score { name, flow_l_per_min, size } => {
            let supposed = Supposed { flow: *flow_l_per_min, size: size.as_deref() };
            score(state, knowledge, name, supposed, now)
        }
        Command::Quiet { minutes } => {
            let mut acts = vec![Act::Hush];
            if *minutes > 0 {
                // "Quiet for two minutes" was once heard as 42: silence that nobody knows the length of is no answer.
                let slots = vec![("minutes".to_string(), Value::int(i64::from(*minutes)))];
                acts.push(Act::Tell(sentence(protocol, "answer.quiet", AdviceType::ReadBack, "quiet", &slots)));
            }
            acts
        }
        Command::Note { text } => vec![Act::Append(Body::Note(Note { text: text.clone(), who: None }))],
        Command::MarkTime => {
            let text = format!("time marked {}", now.at.format("%H:%M:%S"));
            let mut acts = vec![Act::Append(Body::Note(Note { text, who: None }))];
            let time = now.at.format("%H:%M").to_string();
            acts.extend(answer(
                "answer.time",
                AdviceType::ReadBack,
                "time",
                vec![("text".into(), Value::text(spoken_time(&time)))],
            ));
            acts
        }
        Command::DispatchClock { time } => {
            if let Some(offset) = crate::core::clocks::dispatch_event(&now.at, time) {
                return vec![Act::Append(Body::Device(offset))];
            }
            let text = format!("dispatch clock {time} at {}", now.at.format("%H:%M:%S"));
            vec![Act::Append(Body::Note(Note { text, who: None }))]
        }
        Command::Acknowledge { reason, authorized_by } => acknowledge(state, reason, authorized_by, now),
        Command::CloseCall => vec![Act::Close(Closed { reason: "asked".into(), by: None })],
        Command::Handoff { part } => handoff(state, knowledge, part.as_deref(), now),
        Command::Confirm => confirm(state),
        Command::Deny => deny(state, protocol),
        Command::OffRecord => vec![Act::Answer(on_record(protocol, false))],
        Command::OnRecord => vec![Act::Answer(on_record(protocol, true))],
        Command::Patient { number } => {
            let slots = vec![("number".to_string(), Value::int(i64::from(*number)))];
            answer("answer.patient", AdviceType::ReadBack, "patient", slots)
        }
        Command::Retract | Command::HandoverBegins | Command::HandoverEnds => Vec::new(),
    }
}

/// Whether what is said now is recorded.
pub fn on_record(protocol: &Protocol, on: bool) -> Advice {
    let prompt = if on { "answer.on_record" } else { "answer.off_record" };
    sentence(protocol, prompt, AdviceType::ReadBack, "record", &Slots::new())
}

fn spoken_time(time: &str) -> String {
    let part = |text: &str| text.parse::<i64>().ok().map(|n| crate::core::prompt::number_words(n.into()));
    match time.split_once(':').map(|(h, m)| (part(h), part(m))) {
        Some((Some(hours), Some(minutes))) => format!("{hours} {minutes}"),
        _ => time.to_string(),
    }
}

/// A finding's own values as the voice reads them.
pub fn values(finding: &Finding) -> String {
    if finding.kind() == Kind::BloodPressure {
        let read = |field| finding.number(field).map(clear_number);
        if let Some(systolic) = read(Field::SystolicMmhg) {
            return match read(Field::DiastolicMmhg) {
                Some(diastolic) => format!("{systolic}; over {diastolic}"),
                None if finding.is(Field::Method, "palpated") => format!("{systolic}, palpated"),
                None => systolic,
            };
        }
    }
    let skip = [Field::Patient, Field::Unconfirmed, Field::HappenedAt, Field::Echoed, Field::WeightSaid, Field::Said];
    let said = finding.fields().filter(|(f, _)| !skip.contains(f)).filter_map(|(field, value)| match value {
        Value::Number(n) => Some(clear_number(*n)),
        Value::Text(unit) if field == Field::Unit => {
            Some(spoken_unit(unit, finding.number(Field::Dose).unwrap_or(Decimal::ZERO)))
        }
        Value::Text(text) => Some(text.replace('_', " ")),
        Value::Flag(true) => Some(field.name().replace('_', " ")),
        Value::Flag(false) if matches!(field, Field::Present | Field::Taken) => Some("denied".into()),
        Value::Flag(false) => Some(format!("not {}", field.name().replace('_', " "))),
        Value::Group(_) | Value::List(_) => None,
    });
    said.collect::<Vec<_>>().join(", ")
}

fn entries_for<'a>(state: &'a State, what: &str) -> Vec<&'a Entry> {
    let patient = state.patient();
    let latest = |kinds: &[Kind]| kinds.iter().filter_map(|k| state.ledger.latest(*k, patient)).collect::<Vec<_>>();
    let all = |kind| state.ledger.of(kind, patient).collect::<Vec<_>>();
    match what {
        "vitals" | "vital_signs" => latest(&VITALS),
        "last_pressure" | "pressure" => latest(&[Kind::BloodPressure]),
        "given" | "medications_given" | "treatments" => all(Kind::MedicationGiven),
        "allergies" => all(Kind::Allergy),
        "medications" | "home_medications" | "meds" => all(Kind::HomeMedication),
        _ => match Kind::from_name(what) {
            Some(kind @ (Kind::Allergy | Kind::HomeMedication | Kind::History | Kind::MedicationGiven)) => all(kind),
            Some(kind) => latest(&[kind]),
            None => state
                .ledger
                .standing()
                .filter(|e| e.finding.patient() == patient && e.finding.is(Field::Name, what))
                .collect(),
        },
    }
}

/// An entry's values; a dose told without its amount is read with the plan's, and said to be so, as is what nobody confirmed.
fn told_values(state: &State, protocol: &Protocol, entry: &Entry) -> String {
    match from_plan(&state.ledger, entry, |name| protocol.generic(name)) {
        Some(joined) => {
            let prompt = if joined.unconfirmed { "answer.from_unsure_plan" } else { "answer.from_plan" };
            let mark = protocol.prompt(prompt).unwrap_or_default();
            format!("{}, {mark}", values(&joined.finding))
        }
        None if entry.unconfirmed() => {
            format!("{}, {}", values(&entry.finding), protocol.prompt("answer.unconfirmed").unwrap_or_default())
        }
        None => values(&entry.finding),
    }
}

fn read_back(state: &State, protocol: &Protocol, what: &str) -> Vec<Act> {
    let entries = entries_for(state, what);
    let about = match what {
        "last_pressure" | "pressure" => Kind::BloodPressure.name(),
        other => other,
    };
    if entries.is_empty() {
        let slots = vec![("what".to_string(), Value::text(spoken_kind(protocol, about)))];
        return vec![Act::Answer(sentence(protocol, "answer.nothing", AdviceType::ReadBack, about, &slots))];
    }
    let one = |entry: &Entry| {
        let kind = entry.finding.kind().name();
        let slots = vec![
            ("what".to_string(), Value::text(spoken_kind(protocol, kind))),
            ("text".to_string(), Value::text(told_values(state, protocol, entry))),
        ];
        let mut advice = sentence(protocol, "answer.read_back", AdviceType::ReadBack, about, &slots);
        advice.because = vec![entry.seq];
        advice
    };
    // One sentence for the whole set.
    let mut sentences: Vec<Advice> = entries.into_iter().map(one).collect();
    if let [score] = sentences.as_mut_slice()
        && SCORES.iter().any(|kind| kind.name() == about)
    {
        score.kind = AdviceType::Score;
    }
    let say = sentences.iter().map(|a| a.say.clone()).collect::<Vec<_>>().join(" ");
    let because = sentences.iter().flat_map(|a| a.because.clone()).collect();
    let Some(first) = sentences.first_mut() else { return Vec::new() };
    vec![Act::Answer(Advice { say, because, ..first.clone() })]
}

fn since_of<'a>(state: &'a State, protocol: &Protocol, since: &str) -> Option<&'a Entry> {
    let names = protocol.names(since);
    let patient = state.patient();
    let done = |e: &&Entry| {
        let f = &e.finding;
        let named = f.text(Field::Name).is_some_and(|n| n == since || names.iter().any(|name| name == n));
        let happened = matches!(f.kind(), Kind::MedicationGiven | Kind::Procedure | Kind::Milestone);
        f.patient() == patient && ((happened && named) || f.kind().name() == since)
    };
    match since {
        "vitals" => VITALS.iter().filter_map(|k| state.ledger.latest(*k, patient)).max_by_key(|e| e.when.mono_ms),
        _ => state.ledger.standing().rfind(done),
    }
}

fn how_long(state: &State, protocol: &Protocol, since: &str, now: Moment) -> Vec<Act> {
    let what = ("what".to_string(), Value::text(spoken_kind(protocol, since)));
    let Some(entry) = since_of(state, protocol, since) else {
        return vec![Act::Answer(sentence(protocol, "answer.nothing", AdviceType::ReadBack, since, &vec![what]))];
    };
    let mut slots = vec![what];
    let mut slot =
        |name: &str, n: u64| slots.push((name.to_string(), Value::int(i64::try_from(n).unwrap_or(i64::MAX))));
    let prompt = match elapsed_ms(entry, now).map(|ms| (ms / 1000, ms / 60_000)) {
        // What was told without a time is told back, and nothing is counted from when it was told.
        None => "answer.no_time",
        Some((seconds, 0)) => {
            slot("seconds", seconds);
            "answer.how_long_seconds"
        }
        Some((_, minutes @ 0..60)) => {
            slot("minutes", minutes);
            "answer.how_long"
        }
        Some((_, minutes)) => {
            slot("hours", minutes / 60);
            slot("minutes", minutes % 60);
            "answer.how_long_hours"
        }
    };
    if let Some(text) = entry.finding.text(Field::Text) {
        slots.push(("text".to_string(), Value::text(text)));
    }
    let mut advice = sentence(protocol, prompt, AdviceType::ReadBack, since, &slots);
    advice.because = vec![entry.seq];
    vec![Act::Answer(advice)]
}

/// How long ago it happened, as told; what was told without a time happened when it was told, except what is a time
/// itself.
fn elapsed_ms(entry: &Entry, now: Moment) -> Option<u64> {
    match happened(&entry.finding) {
        // The wall clock only says how long before its words it was.
        Some(at) => {
            let before = u64::try_from((entry.when.at - at).num_milliseconds()).unwrap_or(0);
            Some(now.since_ms(entry.when).saturating_add(before))
        }
        None if entry.finding.kind() == Kind::LastKnownWell => None,
        None => Some(now.since_ms(entry.when)),
    }
}

fn next_check(state: &State, knowledge: &Knowledge, now: Moment) -> Vec<Act> {
    let protocol = &knowledge.protocol;
    let next = dues(state, knowledge, now).into_iter().find(|d| d.advice.kind == AdviceType::Reminder);
    let Some(due) = next else {
        return vec![Act::Answer(sentence(
            protocol,
            "answer.no_check",
            AdviceType::ReadBack,
            "next_check",
            &Slots::new(),
        ))];
    };
    let about = due.advice.about.as_str();
    let what = match about.strip_prefix("recheck_") {
        Some(drug) => format!("{} recheck", protocol.spoken(drug)),
        None => spoken_kind(protocol, about),
    };
    let minutes = minutes_until(&due, now);
    let prompt = if minutes == 0 { "answer.next_check_now" } else { "answer.next_check" };
    let slots = vec![
        ("what".to_string(), Value::text(what)),
        ("minutes".to_string(), Value::int(i64::try_from(minutes).unwrap_or(i64::MAX))),
    ];
    let mut advice = sentence(protocol, prompt, AdviceType::ReadBack, about, &slots);
    let whose = due.advice.because.first().and_then(|seq| state.ledger.find(*seq)).map(|e| e.finding.patient());
    if let Some(patient) = whose.filter(|patient| *patient != state.patient()) {
        name_patient(protocol, patient, &mut advice);
    }
    advice.because = due.advice.because;
    vec![Act::Answer(advice)]
}

/// The source and reason of the last warning.
fn why(state: &State, protocol: &Protocol) -> Vec<Act> {
    let warning = state.said.iter().rev().find(|s| !s.advice.rule.starts_with("answer."));
    let Some(said) = warning else {
        return vec![Act::Answer(sentence(protocol, "answer.no_warning", AdviceType::ReadBack, "why", &Slots::new()))];
    };
    // Aloud the source's name is enough; the record of the warning has it whole.
    let source = said.advice.source.split([',', ';', ':', '(']).next().unwrap_or_default().trim();
    let warned = said.advice.say.trim_end_matches('.');
    let stop = if warned.ends_with('?') { "" } else { "." };
    let text = format!("{warned}{stop} {source}.");
    let mut advice = sentence(
        protocol,
        "answer.why",
        AdviceType::ReadBack,
        &said.advice.about,
        &vec![("text".to_string(), Value::Text(text))],
    );
    advice.because = vec![said.seq];
    vec![Act::Answer(advice)]
}

fn missing(state: &State, knowledge: &Knowledge, now: Moment) -> Vec<Act> {
    let protocol = &knowledge.protocol;
    let open = super::medication::open_plans(state, protocol, now);
    let drug = |s: &super::medication::Subject| vec![("drug".to_string(), Value::text(protocol.spoken(&s.plan.drug)))];
    let said: Vec<String> = open.iter().map(|s| protocol.say("plan.open", &drug(s)).0).collect();
    let (missing, aloud) = super::gaps::missing(state, knowledge, now);
    let answer = |last: String| {
        let all = [said.join(" "), last].join(" ");
        let slots = vec![("text".to_string(), Value::text(all.trim()))];
        sentence(protocol, "answer.missing", AdviceType::Omission, "missing", &slots)
    };
    let say_aloud = aloud.map(|aloud| answer(aloud).say);
    vec![Act::Answer(Advice { say_aloud, ..answer(missing) })]
}

fn score(state: &State, knowledge: &Knowledge, name: &str, supposed: Supposed<'_>, now: Moment) -> Vec<Act> {
    let answer = super::gaps::score(state, knowledge, name, supposed, now).unwrap_or_else(|| {
        let slots = vec![("what".to_string(), Value::text(name))];
        sentence(&knowledge.protocol, "answer.no_score", AdviceType::Score, name, &slots)
    });
    vec![Act::Answer(answer)]
}

fn handoff(state: &State, knowledge: &Knowledge, part: Option<&str>, now: Moment) -> Vec<Act> {
    let protocol = &knowledge.protocol;
    let mut acts: Vec<Act> = Vec::new();
    for open in super::medication::open_plans(state, protocol, now) {
        acts.push(Act::Answer(plan_before_handover(protocol, &open.plan.drug, open.plan.seq)));
    }
    acts.extend(told(state, protocol, part).unwrap_or_else(|| read_back(state, protocol, part.unwrap_or("vitals"))));
    acts
}

/// The handoff in the crew's shape, or one part of it: a sentence a part, so that it can be cut off and said again.
fn told(state: &State, protocol: &Protocol, part: Option<&str>) -> Option<Vec<Act>> {
    let telling = protocol.telling.as_ref()?;
    let call = Call::of_ledger(state.ledger.clone());
    let (wording, shapes) = (&telling.wording, &telling.shapes);
    let teller = Teller { call: &call, wording, shapes, patient: state.patient(), manner: Manner::Said };
    let handoff = part.map_or_else(|| teller.tell(None), |part| teller.tell_part(part)).ok()?;
    let one = |part: handoff::Part| {
        let slots = vec![("text".to_string(), Value::text(part.line()))];
        let mut advice = sentence(protocol, "answer.handoff", AdviceType::ReadBack, "handoff", &slots);
        advice.because = part.seqs;
        Act::Answer(advice)
    };
    Some(handoff.parts.into_iter().map(one).collect())
}

/// The prompt that names a plan still open before the patient is handed over.
const PLAN_BEFORE_HANDOVER: &str = "handover.plan_open";

/// A plan that nobody closed, named before the patient is handed over.
pub fn plan_before_handover(protocol: &Protocol, drug: &str, plan: u64) -> Advice {
    let slots = vec![("drug".to_string(), Value::text(protocol.spoken(drug)))];
    let mut advice = sentence(protocol, PLAN_BEFORE_HANDOVER, AdviceType::Omission, drug, &slots);
    advice.because = vec![plan];
    advice
}

/// Whether this asked if a plan was carried out.
pub fn asks_of_plan(protocol: &Protocol, said: &Said, plan: u64) -> bool {
    let rule = said.advice.rule.as_str();
    let clock = protocol.clocks.iter().any(|c| c.id() == rule && c.body.from == Anchor::Plan);
    (clock || rule == PLAN_BEFORE_HANDOVER) && said.anchor() == Some(plan)
}

/// The last warning not yet acknowledged, and whatever was said in the same breath.
fn acknowledge(state: &State, reason: &Option<String>, authorized_by: &Option<String>, now: Moment) -> Vec<Act> {
    let open = |s: &&Said| {
        s.acknowledged.is_none() && !s.advice.rule.starts_with("answer.") && now.since_ms(s.when) <= ACKNOWLEDGE_MS
    };
    let Some(last) = state.said.iter().rev().find(open) else { return Vec::new() };
    let together = |s: &&Said| last.when.since_ms(s.when) <= 1000;
    let acknowledge = |s: &Said| {
        Act::Append(Body::Acknowledged(crate::core::event::Acknowledged {
            target: s.seq,
            reason: reason.clone(),
            authorized_by: authorized_by.clone(),
        }))
    };
    state.said.iter().filter(open).filter(together).map(acknowledge).collect()
}

/// The value that this warning named digit by digit, while nobody has confirmed it.
fn warned_of<'s>(state: &'s State, said: &Said) -> Option<&'s Entry> {
    let about = said.advice.because.iter().rev().filter_map(|seq| state.ledger.find(*seq));
    about.into_iter().find(|e| e.stands() && e.confirmed.is_none() && warns_of_value(&said.advice, e))
}

/// The last sentence that read a value back which nobody has settled.
pub fn awaits_read_back(state: &State) -> Option<&Said> {
    let doubted = |said: &Said| {
        let entry = said.anchor().and_then(|seq| state.ledger.find(seq));
        doubt::is_question(&said.advice.rule) && entry.is_some_and(|e| e.stands() && e.unconfirmed())
    };
    state.said.iter().rev().find(|said| doubted(said) || warned_of(state, said).is_some())
}

/// "No": what was read back was taken back with these words, and is asked for again; so is what a warning named, and it
/// stands until then.
fn deny(state: &State, protocol: &Protocol) -> Vec<Act> {
    let read = state.said.iter().rev().find(|s| doubt::is_question(&s.advice.rule) || warned_of(state, s).is_some());
    if let Some(entry) = read.and_then(|s| warned_of(state, s)) {
        return vec![Act::Answer(doubt::say_again(protocol, &doubt::about(protocol, &entry.finding), entry.seq))];
    }
    let Some((read, seq)) = read.and_then(|s| Some((s, s.anchor()?))) else { return Vec::new() };
    let now = |e: &&Entry| e.retracted.is_some_and(|by| by > state.last_heard);
    if state.ledger.find(seq).filter(now).is_none() {
        return Vec::new();
    }
    vec![Act::Answer(doubt::say_again(protocol, &read.advice.about, seq))]
}

/// "Correct": the value last read back stands.
fn confirm(state: &State) -> Vec<Act> {
    let asks = |s: &&Said| s.advice.rule.starts_with("doubt.");
    let read = state.said.iter().rev().find(|s| asks(s) || warned_of(state, s).is_some());
    let doubted = read.filter(asks).and_then(|s| s.anchor()).and_then(|seq| state.ledger.find(seq));
    let doubted = doubted.filter(|e| e.stands() && e.unconfirmed());
    let target = doubted.or_else(|| read.and_then(|s| warned_of(state, s)));
    let confirmed = |e: &Entry| {
        Act::Append(Body::Confirmed(crate::core::event::Confirmed { target: e.seq, how: "read_back".into() }))
    };
    target.map(confirmed).into_iter().collect()
}
