//! What is asked aloud when words were not sure, had two meanings, could not be, or differ from the record.

use serde_json::Value as Json;

use crate::core::clinical::age::{self, Age};
use crate::core::conversation::warns_of_value;
use crate::core::event::{Advice, AdviceType, Outcome, Priority};
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::ledger::{Entry, Ledger};
use crate::core::prompt::Slots;
use crate::core::protocol::Protocol;
use crate::core::time::Moment;
use crate::core::utterance::{Doubt, Understood};
use crate::core::vitals::{Level, Who, limits};

use super::answers::values;
use super::bare::ANSWER_MS;
use super::clocks::{Due, spoken_kind};
use super::state::{REPORT_DIFFERS, Said, State};

/// Fields that say how a finding came about, not what was found.
const ATTACHED: [Field; 12] = [
    Field::Unchanged,
    Field::Unconfirmed,
    Field::Approximate,
    Field::Comparator,
    Field::HappenedAt,
    Field::BeforeArrival,
    Field::ReportedBy,
    Field::Echoed,
    Field::Obtained,
    Field::Why,
    Field::Patient,
    Field::Name,
];

fn advice(
    protocol: &Protocol,
    prompt: &str,
    kind: AdviceType,
    priority: Priority,
    about: &str,
    slots: &Slots,
) -> Advice {
    let (say, say_aloud) = protocol.say(prompt, slots);
    Advice {
        kind,
        priority,
        about: about.to_string(),
        say,
        rule: prompt.to_string(),
        because: Vec::new(),
        source: protocol.prompt_source(prompt),
        say_aloud,
    }
}

/// What a finding is about: the drug of a medication, else its own name.
pub fn about(protocol: &Protocol, finding: &Finding) -> String {
    let medication = matches!(
        finding.kind(),
        Kind::MedicationPlanned | Kind::MedicationGiven | Kind::MedicationTaken | Kind::MedicationWithheld
    );
    match finding.text(Field::Name).filter(|_| medication) {
        Some(name) => protocol.generic(name),
        None => finding.kind().name().to_string(),
    }
}

/// A read-back for every doubtful finding, digit by digit. `seqs` are the events of the recorded findings, in order.
pub fn read_backs(protocol: &Protocol, understood: &Understood, seqs: &[u64]) -> Vec<Advice> {
    let mut out = Vec::new();
    for (at, finding) in understood.findings().enumerate() {
        if finding.flag(Field::Unconfirmed) != Some(true) {
            continue;
        }
        let doubt = understood.doubt.iter().find(|d| d.finding == at);
        let mut advice = read_back(protocol, finding, doubt);
        advice.because = seqs.get(at).copied().into_iter().collect();
        out.push(advice);
    }
    out
}

fn read_back(protocol: &Protocol, finding: &Finding, doubt: Option<&Doubt>) -> Advice {
    let about = about(protocol, finding);
    let what = ("what".to_string(), Value::text(spoken_kind(protocol, &about)));
    let field = doubt.and_then(|d| Field::from_name(&d.field));
    let value = field.and_then(|f| finding.get(f)).cloned().or_else(|| main_value(finding));
    // "Symptom six?" is no question that anybody understands.
    let score = value.is_some() && value.as_ref() == finding.get(Field::Score);
    let (prompt, or_prompt) = match score {
        true => ("doubt.score", "doubt.score_or"),
        false => ("doubt.value", "doubt.value_or"),
    };
    let (prompt, slots) = match value {
        Some(value @ Value::Number(_)) => {
            let other = doubt.and_then(|d| d.or.first()).and_then(number);
            match other {
                Some(other) => (or_prompt, vec![what, ("value".into(), value), ("other".into(), other)]),
                None => (prompt, vec![what, ("value".into(), value)]),
            }
        }
        Some(Value::Flag(flag)) => flag_question(finding, field, flag, what),
        Some(value) if value.as_text() == Some(about.as_str()) => ("doubt.present", vec![what]),
        Some(value) => ("doubt.words", vec![what, ("text".into(), value)]),
        None => ("doubt.words", vec![what, ("text".into(), Value::text(""))]),
    };
    let mut asked = advice(protocol, prompt, AdviceType::ReadBack, Priority::High, &about, &slots);
    if let Some(heard) = doubt.and_then(|d| other_word(d, &about)).filter(|_| prompt == "doubt.present") {
        // The same question in words that say what was heard.
        let mut slots = slots;
        slots.push(("heard".to_string(), Value::text(heard)));
        (asked.say, asked.say_aloud) = protocol.say("doubt.taken_for", &slots);
    }
    asked
}

/// "Inhaler", where it was taken for a drug.
fn other_word<'d>(doubt: &'d Doubt, about: &str) -> Option<&'d str> {
    let named = doubt.field == Field::Name.name();
    doubt.heard.as_str().filter(|heard| named && *heard != about)
}

/// What is asked about something there or not there, none at all, or so or not so.
fn flag_question(finding: &Finding, field: Option<Field>, flag: bool, what: (String, Value)) -> (&'static str, Slots) {
    let named = [Field::Region, Field::Name, Field::Sign, Field::Sound].iter().filter_map(|f| finding.text(*f));
    let named = named.collect::<Vec<_>>().join(" ");
    let item = if named.is_empty() { what.1.clone() } else { Value::text(named) };
    match (field, flag) {
        (Some(Field::Present | Field::Taken), true) => ("doubt.present", vec![("what".into(), item)]),
        (Some(Field::Present | Field::Taken), false) => ("doubt.absent", vec![("what".into(), item)]),
        (Some(Field::None), _) => ("doubt.none", vec![what]),
        (Some(field), true) => ("doubt.words", vec![what, ("text".into(), Value::text(field.name()))]),
        (Some(field), false) => {
            ("doubt.words", vec![what, ("text".into(), Value::text(format!("not {}", field.name())))])
        }
        (None, _) => ("doubt.words", vec![what, ("text".into(), Value::text(values(finding)))]),
    }
}

fn number(json: &Json) -> Option<Value> {
    let text = match json {
        Json::Number(n) => n.to_string(),
        _ => return None,
    };
    text.parse().ok().map(Value::Number)
}

/// The value that matters most: the first number, else the first word.
fn main_value(finding: &Finding) -> Option<Value> {
    let own = || finding.fields().filter(|(f, _)| !ATTACHED.contains(f));
    own().find(|(_, v)| v.as_number().is_some()).or_else(|| own().next()).map(|(_, v)| v.clone())
}

/// The prompts that read a value back to be confirmed.
const QUESTIONS: [&str; 8] = [
    "doubt.value",
    "doubt.value_or",
    "doubt.score",
    "doubt.score_or",
    "doubt.words",
    "doubt.present",
    "doubt.absent",
    "doubt.none",
];
/// The same question, asked once more.
const AGAIN: &str = "doubt.again";
/// What was never confirmed, named before the patient is handed over.
const BEFORE_HANDOVER: &str = "doubt.before_handover";
/// A question that got no answer is asked again so long after it. Our own choice, no source.
const AGAIN_MS: u64 = 60_000;
/// At a quiet moment: when nobody has spoken for so long.
const QUIET_MS: u64 = 4_000;
/// No moment is quiet: it is asked after all.
const AT_LAST_MS: u64 = 180_000;

/// True for the prompts that ask whether a value was heard right.
pub fn is_question(rule: &str) -> bool {
    QUESTIONS.contains(&rule) || rule == AGAIN
}

/// What was denied when it was read back.
pub fn say_again(protocol: &Protocol, about: &str, seq: u64) -> Advice {
    let slots = vec![("what".to_string(), Value::text(spoken_kind(protocol, about)))];
    let mut advice = advice(protocol, "doubt.say_again", AdviceType::ReadBack, Priority::Medium, about, &slots);
    advice.because = vec![seq];
    advice
}

/// The last question about each value that still is in doubt, oldest first: not one that a later value of its kind
/// replaced.
fn open_questions<'s>(protocol: &Protocol, state: &'s State, patient: i64) -> Vec<(&'s Said, &'s Entry)> {
    let mut out: Vec<(&Said, &Entry)> = Vec::new();
    for said in state.said.iter().filter(|s| QUESTIONS.contains(&s.advice.rule.as_str())) {
        let entry = said.anchor().and_then(|seq| state.ledger.find(seq));
        let open = |e: &&Entry| e.stands() && e.unconfirmed() && e.finding.patient() == patient;
        let Some(entry) = entry.filter(open) else { continue };
        out.retain(|(_, earlier)| earlier.seq != entry.seq);
        let named = about(protocol, &entry.finding);
        let later = |e: &Entry| e.seq > entry.seq && about(protocol, &e.finding) == named;
        if !state.ledger.of(entry.finding.kind(), patient).rev().any(later) {
            out.push((said, entry));
        }
    }
    out
}

pub fn is_second_asking(advice: &Advice) -> bool {
    advice.rule == AGAIN
}

/// A question that got no answer, asked once more at a quiet moment.
pub fn unanswered(protocol: &Protocol, state: &State, patient: i64) -> Vec<Due> {
    let due = |(said, entry): (&Said, &Entry)| {
        if state.said_about(AGAIN, entry.seq).next().is_some() {
            return None;
        }
        let asked_ms = said.when.mono_ms;
        let quiet_ms = state.last_heard_ms + QUIET_MS;
        let at_ms = (asked_ms + AGAIN_MS).max(quiet_ms).min(asked_ms + AT_LAST_MS);
        Some(Due { at_ms, advice: again(protocol, said, entry) })
    };
    open_questions(protocol, state, patient).into_iter().filter_map(due).collect()
}

fn again(protocol: &Protocol, said: &Said, entry: &Entry) -> Advice {
    let one = |text: &str| vec![("text".to_string(), Value::text(text))];
    let first = &said.advice;
    let mut advice = advice(protocol, AGAIN, AdviceType::ReadBack, Priority::Medium, &first.about, &one(&first.say));
    advice.say_aloud = first.say_aloud.as_deref().map(|aloud| protocol.say(AGAIN, &one(aloud)).0);
    advice.because = vec![entry.seq];
    advice
}

/// Of two values read back in one breath "yes" settles the last; a second "yes" may be meant for the other, or be the
/// partner's: that one is asked.
pub fn still_open(protocol: &Protocol, state: &State, now: Moment) -> Option<Advice> {
    let lately = |(said, entry): &(&Said, &Entry)| {
        let asked = state.said_about(AGAIN, entry.seq).last().unwrap_or(said);
        let other_settled = state.ledger.standing().any(|other| other.confirmed.is_some_and(|seq| seq > asked.seq));
        other_settled && now.since_ms(asked.when) <= ANSWER_MS
    };
    let open = open_questions(protocol, state, state.patient()).into_iter().rfind(lately);
    open.map(|(said, entry)| again(protocol, said, entry))
}

/// Warnings that read a value back which stands unanswered, and is the last of its kind: what the handover will tell.
fn open_warnings<'s>(state: &'s State, patient: i64) -> Vec<(&'s Said, &'s Entry)> {
    let last = |entry: &Entry| state.ledger.latest(entry.finding.kind(), patient).is_some_and(|e| e.seq == entry.seq);
    let open = |e: &&Entry| {
        let answered = e.unconfirmed() || e.confirmed.is_some() || !e.replaced.is_empty();
        e.stands() && !answered && e.finding.patient() == patient && last(e)
    };
    let read_back = |said: &&Said| said.advice.kind == AdviceType::AbnormalVital;
    let about = |said: &'s Said| {
        let warned = move |entry: &&Entry| warns_of_value(&said.advice, entry);
        let entries = said.advice.because.iter().filter_map(|seq| state.ledger.find(*seq));
        entries.filter(open).filter(warned).map(move |entry| (said, entry)).collect::<Vec<_>>()
    };
    state.said.iter().filter(read_back).flat_map(about).collect()
}

/// Every value that was never confirmed, in one sentence.
pub fn before_handover(protocol: &Protocol, state: &State) -> Option<Advice> {
    let mut open = open_questions(protocol, state, state.patient());
    open.extend(open_warnings(state, state.patient()));
    let about = open.first()?.0.advice.about.clone();
    let said = |(_, entry): &(&Said, &Entry)| {
        let what = spoken_kind(protocol, &self::about(protocol, &entry.finding));
        // A drug has its name from what it is about.
        let mut told = entry.finding.clone();
        if told.text(Field::Name).is_some_and(|name| name == what) {
            told.remove(Field::Name);
        }
        format!("{what} {}", values(&told))
    };
    let text = open.iter().map(said).collect::<Vec<_>>().join("; ");
    let slots = vec![("text".to_string(), Value::text(text))];
    let mut advice = advice(protocol, BEFORE_HANDOVER, AdviceType::ReadBack, Priority::Medium, &about, &slots);
    advice.because = open.iter().map(|(_, entry)| entry.seq).collect();
    Some(advice)
}

/// Asked for every ambiguous or impossible part.
pub fn unclear(protocol: &Protocol, understood: &Understood, heard: u64) -> Vec<Advice> {
    let (prompt, kind) = match understood.outcome {
        Outcome::Ambiguous => ("doubt.ambiguous", AdviceType::ReadBack),
        Outcome::Rejected => ("doubt.rejected", AdviceType::Inconsistency),
        _ => return Vec::new(),
    };
    let about = understood
        .options
        .iter()
        .flatten()
        .chain(&understood.refused)
        .chain(understood.findings())
        .next()
        .map_or_else(|| "utterance".to_string(), |finding| about(protocol, finding));
    if let Some(mut unit) = which_unit(protocol, understood) {
        unit.because = vec![heard];
        return vec![unit];
    }
    let mut whys: Vec<&str> = understood.why.iter().map(String::as_str).collect();
    whys.dedup();
    if whys.is_empty() {
        let slots = vec![("what".to_string(), Value::text(spoken_kind(protocol, &about)))];
        let mut say_again = advice(protocol, "doubt.say_again", kind, Priority::Medium, &about, &slots);
        say_again.because = vec![heard];
        return vec![say_again];
    }
    let one = |why: &&str| {
        let slots = vec![("why".to_string(), Value::text(why.replace('_', " ")))];
        let mut advice = advice(protocol, prompt, kind, Priority::Medium, &about, &slots);
        advice.because = vec![heard];
        advice
    };
    whys.iter().map(one).collect()
}

/// "She weighs twenty two": one number in two units.
fn which_unit(protocol: &Protocol, understood: &Understood) -> Option<Advice> {
    let [one, other] = understood.options.as_slice() else { return None };
    let ([one], [other]) = (one.as_slice(), other.as_slice()) else { return None };
    let field =
        [Field::WeightSaid, Field::Said].into_iter().find(|f| one.get(*f).is_some() && one.kind() == other.kind())?;
    let (value, unit) = told_in(one, field)?;
    let (same, or) = told_in(other, field)?;
    let named = |unit: &str| Value::text(spoken_kind(protocol, unit));
    let what = if field == Field::WeightSaid { field.name() } else { one.kind().name() };
    let slots = vec![
        ("what".to_string(), named(what)),
        ("value".to_string(), value.clone()),
        ("unit".to_string(), named(unit)),
        ("other".to_string(), named(or)),
    ];
    let about = about(protocol, one);
    let asked = || advice(protocol, "doubt.unit", AdviceType::ReadBack, Priority::Medium, &about, &slots);
    (value == same && unit != or).then(asked)
}

/// A number with its unit as it was told.
fn told_in(finding: &Finding, field: Field) -> Option<(&Value, &str)> {
    let told = finding.get(field)?;
    Some((told.part("value")?, told.part("unit")?.as_text()?))
}

/// Values of a report that no recorded value equals.
pub fn differences(
    protocol: &Protocol,
    ledger: &Ledger,
    patient: i64,
    understood: &Understood,
    heard: u64,
) -> Vec<Advice> {
    let mut out: Vec<Advice> = Vec::new();
    for restated in &understood.restated {
        let Some((field, said)) = restated.fields().find(|(f, v)| !ATTACHED.contains(f) && v.as_number().is_some())
        else {
            out.extend(denial_differs(protocol, ledger, patient, restated, heard));
            continue;
        };
        let same_drug =
            |f: &Finding| restated.text(Field::Name).is_none() || f.text(Field::Name) == restated.text(Field::Name);
        let recorded: Vec<_> = ledger
            .of(restated.kind(), patient)
            .filter(|e| same_drug(&e.finding))
            .filter_map(|e| Some((e.seq, e.finding.get(field)?.clone())))
            .collect();
        let Some((seq, old)) = nearest(&recorded, said) else { continue };
        if recorded.iter().any(|(_, value)| value == said) {
            continue;
        }
        let about = about(protocol, restated);
        let slots = vec![
            ("what".to_string(), Value::text(spoken_kind(protocol, &about))),
            ("value".to_string(), said.clone()),
            ("old".to_string(), old),
        ];
        let mut differs = advice(protocol, REPORT_DIFFERS, AdviceType::Inconsistency, Priority::Low, &about, &slots);
        differs.because = vec![seq, heard];
        if is_worse(protocol, ledger, patient, restated) {
            differs.priority = Priority::High;
        }
        out.push(differs);
    }
    out
}

/// A value that makes a patient unstable who by the record is not: a slip that the hospital acts on, or a turn that nobody
/// has told the record. Either way it does not wait until the report is over.
fn is_worse(protocol: &Protocol, ledger: &Ledger, patient: i64, restated: &Finding) -> bool {
    let who = Who::of(ledger, patient);
    let unstable = |finding: &Finding| limits::crosses(&protocol.vitals, finding, who) == Some(Level::Unstable);
    unstable(restated) && !ledger.of(restated.kind(), patient).any(|entry| unstable(&entry.finding))
}

/// Which of the recorded values a report may have meant: the nearest, of equally near ones the latest.
fn nearest(recorded: &[(u64, Value)], said: &Value) -> Option<(u64, Value)> {
    let said = said.as_number()?;
    let off = |value: &Value| {
        let number = value.as_number()?;
        number.max(said).checked_sub(number.min(said))
    };
    recorded.iter().rev().min_by_key(|(_, value)| (off(value).is_none(), off(value))).cloned()
}

/// What a finding names, unless it is said not to be there.
fn named(finding: &Finding) -> Option<&str> {
    finding.text(Field::Name).filter(|_| finding.flag(Field::Present) != Some(false))
}

/// "No allergies" in a report where the record has one, and one named where the record has none.
fn denial_differs(
    protocol: &Protocol,
    ledger: &Ledger,
    patient: i64,
    restated: &Finding,
    heard: u64,
) -> Option<Advice> {
    let kind = restated.kind();
    if !matches!(kind, Kind::Allergy | Kind::HomeMedication) {
        return None;
    }
    let none = |f: &Finding| f.flag(Field::None) == Some(true);
    let known: Vec<&Entry> = ledger.of(kind, patient).collect();
    let (prompt, entry, name) = match named(restated) {
        _ if none(restated) => {
            let entry = known.iter().rev().find(|e| named(&e.finding).is_some())?;
            ("handover.denies", entry, named(&entry.finding)?)
        }
        Some(name) if known.iter().all(|e| named(&e.finding).is_none()) => {
            ("handover.names", known.iter().rev().find(|e| none(&e.finding))?, name)
        }
        _ => return None,
    };
    let about = about(protocol, restated);
    let slots =
        vec![("what".to_string(), Value::text(spoken_kind(protocol, &about))), ("name".to_string(), Value::text(name))];
    let mut differs = advice(protocol, prompt, AdviceType::Inconsistency, Priority::Low, &about, &slots);
    differs.because = vec![entry.seq, heard];
    Some(differs)
}

/// Two ages told of one patient: which of them is wrong nobody has said, and doses go by it. Not where an earlier one comes
/// to the same, nor where the crew corrected it, nor in a resuscitation, where it can wait.
pub fn other_age(protocol: &Protocol, state: &State, understood: &Understood, seqs: &[u64]) -> Vec<Advice> {
    let ask = |(finding, seq): (&Finding, &u64)| {
        let entry = state.ledger.find(*seq).filter(|e| e.replaced.is_empty() && e.finding == *finding)?;
        let told = age::told(finding)?;
        let earlier = state.ledger.of(Kind::Patient, finding.patient()).filter(|e| e.seq < *seq);
        let ages: Vec<(&Entry, Age)> = earlier.filter_map(|e| Some((e, age::told(&e.finding)?))).collect();
        let last = ages.last()?.0;
        let approximate = |e: &Entry| e.finding.flag(Field::Approximate) == Some(true);
        let near = |(other, age): &(&Entry, Age)| same_age(told, *age, approximate(entry) || approximate(other));
        if ages.iter().any(near) {
            return None;
        }
        let slots = vec![
            ("value".to_string(), age_words(protocol, finding)),
            ("old".to_string(), age_words(protocol, &last.finding)),
        ];
        let mut advice =
            advice(protocol, "doubt.age", AdviceType::Inconsistency, Priority::Medium, Kind::Patient.name(), &slots);
        advice.because = vec![*seq];
        Some(advice)
    };
    if state.arrest() {
        return Vec::new();
    }
    understood.findings().zip(seqs).filter(|(f, _)| f.kind() == Kind::Patient).filter_map(ask).collect()
}

/// A year apart is the same age told twice, a fifth where it was guessed. Our own choice, no source.
fn same_age(one: Age, other: Age, guessed: bool) -> bool {
    let apart = one.in_days().abs_diff(other.in_days());
    let guess = one.in_days().max(other.in_days()).unsigned_abs() / 5;
    let year = Age::years(1).in_days().unsigned_abs();
    apart <= if guessed { guess.max(year) } else { guess.min(year) }
}

/// An age with the unit in which it was told.
fn age_words(protocol: &Protocol, finding: &Finding) -> Value {
    let units = [(Field::AgeYears, "age.years"), (Field::AgeMonths, "age.months"), (Field::AgeDays, "age.days")];
    let told = units.iter().find_map(|(field, prompt)| Some((finding.get(*field)?, prompt)));
    let Some((value, prompt)) = told else { return Value::text("") };
    let sentence = protocol.say(prompt, &vec![("value".to_string(), value.clone())]).0;
    Value::text(sentence.to_lowercase())
}

/// An answer to something that the crew asked of the tool, or a sentence of a prompt.
pub fn sentence(protocol: &Protocol, prompt: &str, kind: AdviceType, about: &str, slots: &Slots) -> Advice {
    advice(protocol, prompt, kind, Priority::Medium, about, slots)
}
