//! A service's questions over many records: one row of figures a call, and their summary.

use serde::Deserialize;

use super::call::{Call, happened};
use super::review::merged_patient;
use super::sign;
use super::times;
use super::vitals::{self, Set};
use super::wording::toml_problem;
use super::{csv, followed};
use crate::core::diagnostic::Diagnostic;
use crate::core::event::{AdviceType, Body};
use crate::core::finding::{Field, Kind};
use crate::core::source::Source;
use crate::core::time::rfc3339;

/// The file of this module below the data folder.
pub const FILE: &str = "protocols/report/quality.toml";

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Questions {
    reassessment: Reassessment,
    #[serde(default)]
    given_when: Vec<GivenWhen>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Reassessment {
    unstable_s: u64,
    stable_s: u64,
    slack_s: u64,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct GivenWhen {
    id: String,
    label: String,
    complaint: Vec<String>,
    drug: String,
    min_age_years: Option<i64>,
}

impl Questions {
    /// The last source of that name wins as a whole.
    ///
    /// # Errors
    /// A file that cannot be read, or none at all.
    pub fn read(sources: &[Source]) -> Result<Questions, Vec<Diagnostic>> {
        let source = sources.iter().rfind(|s| s.path == FILE);
        let source = source.ok_or_else(|| vec![Diagnostic::error(FILE, 0, 0, "the file is missing")])?;
        toml::from_str(source.text).map_err(|e| vec![toml_problem(source, &e)])
    }
}

/// One call's figures.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Figures {
    pub record: String,
    pub opened: String,
    /// From reaching the patient (else from opening) to the first measured vital sign, seconds.
    pub first_vitals_s: Option<u64>,
    /// Intervals between sets of vitals: within the time due, and all.
    pub on_time: (usize, usize),
    /// For each `given_when`: `given`, `withheld`, `not_given`, or empty where it does not apply.
    pub given: Vec<&'static str>,
    pub warnings: usize,
    pub acknowledged: usize,
    /// Warned of, and given all the same.
    pub given_after_warning: usize,
    /// Warnings after which something about them was recorded.
    pub followed: usize,
    pub unconfirmed: usize,
    pub open_plans: usize,
    pub corrections: usize,
    pub not_understood: usize,
}

/// Figures of patient 1 of a call.
pub fn figures(call: &Call, questions: &Questions, record: &str) -> Figures {
    let sets = vitals::sets(call, 1);
    let core: Vec<&Set> = sets.iter().filter(|s| s.entries.iter().any(|(m, _)| m.is_core())).collect();
    let about = call.about_advice();
    let warnings: Vec<_> = call.advice().filter(|(_, a)| is_warning(a.kind)).collect();
    let answered =
        |seq: u64| about.get(&seq).is_some_and(|events| events.iter().any(|e| matches!(e.body, Body::Acknowledged(_))));
    let count = |test: fn(&Body) -> bool| call.events.iter().filter(|e| test(&e.body)).count();
    Figures {
        record: record.into(),
        opened: call.start().map(|m| rfc3339(&m.at)).unwrap_or_default(),
        first_vitals_s: first_vitals(call, &core),
        on_time: on_time(call, questions, &core),
        given: questions.given_when.iter().map(|q| given(call, q)).collect(),
        acknowledged: warnings.iter().filter(|(e, _)| answered(e.seq)).count(),
        given_after_warning: call
            .ledger
            .of(Kind::MedicationGiven, 1)
            .filter(|given| sign::warned_before(call, given))
            .count(),
        followed: warnings.iter().filter(|(e, a)| followed::next_recorded(call, e, a).is_some()).count(),
        warnings: warnings.len(),
        unconfirmed: call.ledger.standing().filter(|e| e.unconfirmed()).count(),
        open_plans: call.open_plans(1).len(),
        corrections: count(|b| matches!(b, Body::Corrected(_) | Body::Retracted(_))),
        not_understood: not_understood(call.events),
    }
}

fn is_warning(kind: AdviceType) -> bool {
    matches!(kind, AdviceType::Contraindication | AdviceType::MissingFact | AdviceType::Dose)
}

fn first_vitals(call: &Call, core: &[&Set]) -> Option<u64> {
    let at_patient = call
        .ledger
        .of(Kind::Milestone, 1)
        .find(|e| e.finding.is(Field::Name, "at_patient"))
        .map(|e| happened(e).mono_ms);
    let from = at_patient.or(call.start().map(|m| m.mono_ms))?;
    let first = core.iter().filter(|s| !s.only_said_unchanged()).filter_map(|s| s.when()).map(|w| w.mono_ms).min()?;
    // Vitals before the arrival that the record names: one of the two times is wrong, and no interval is honest.
    Some(first.checked_sub(from)? / 1000)
}

/// Each interval between sets is judged by the priority in force when it began; none said counts as stable.
fn on_time(call: &Call, questions: &Questions, core: &[&Set]) -> (usize, usize) {
    let due = &questions.reassessment;
    let measured: Vec<u64> =
        core.iter().filter(|s| !s.only_said_unchanged()).filter_map(|s| s.when()).map(|w| w.mono_ms).collect();
    let gaps: Vec<bool> = measured
        .windows(2)
        .filter_map(|pair| match pair {
            [from, to] => {
                let said = call.ledger.of(Kind::Priority, 1).rfind(|e| e.when.mono_ms <= *from);
                let stable = said.is_none_or(|e| e.finding.is(Field::Level, "stable"));
                let limit = if stable { due.stable_s } else { due.unstable_s } + due.slack_s;
                Some((to - from) / 1000 <= limit)
            }
            _ => None,
        })
        .collect();
    (gaps.iter().filter(|on_time| **on_time).count(), gaps.len())
}

fn given(call: &Call, question: &GivenWhen) -> &'static str {
    let said = call.standing(1).any(|e| {
        let text = match e.finding.kind() {
            Kind::ChiefComplaint => e.finding.text(Field::Text),
            Kind::Symptom if e.finding.flag(Field::Present) != Some(false) => e.finding.text(Field::Name),
            _ => None,
        };
        text.is_some_and(|t| question.complaint.iter().any(|c| t.to_lowercase().contains(c.as_str())))
    });
    let age = merged_patient(call, 1).and_then(|(f, _)| f.int(Field::AgeYears));
    // An age that nobody said does not take the call out of the question.
    let old_enough = question.min_age_years.is_none_or(|min| age.is_none_or(|age| age >= min));
    if !said || !old_enough {
        return "";
    }
    let has = |kinds: &[Kind]| {
        call.standing(1).any(|e| kinds.contains(&e.finding.kind()) && e.finding.is(Field::Name, &question.drug))
    };
    match (has(&[Kind::MedicationGiven, Kind::MedicationTaken]), has(&[Kind::MedicationWithheld])) {
        (true, _) => "given",
        (false, true) => "withheld",
        (false, false) => "not_given",
    }
}

/// One line of the summary.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    pub question: String,
    pub value: String,
    /// How many calls, intervals or warnings it rests on.
    pub of: usize,
}

/// The summary over all calls.
pub fn summary(all: &[Figures], questions: &Questions) -> Vec<Answer> {
    let answer = |question: &str, value: String, of: usize| Answer { question: question.into(), value, of };
    let sum = |f: fn(&Figures) -> usize| all.iter().map(f).sum::<usize>();
    let mut firsts: Vec<u64> = all.iter().filter_map(|f| f.first_vitals_s).collect();
    firsts.sort_unstable();
    let (on_time, gaps) = (sum(|f| f.on_time.0), sum(|f| f.on_time.1));
    let warnings = sum(|f| f.warnings);
    let mut answers = vec![
        answer("calls", all.len().to_string(), all.len()),
        answer("time to first vitals, median", percentile(&firsts, 50), firsts.len()),
        answer("time to first vitals, 90th percentile", percentile(&firsts, 90), firsts.len()),
        answer("reassessments on time", share(on_time, gaps), gaps),
    ];
    for (n, question) in questions.given_when.iter().enumerate() {
        let states: Vec<&str> =
            all.iter().filter_map(|f| f.given.get(n).copied()).filter(|state| !state.is_empty()).collect();
        let given = states.iter().filter(|s| **s == "given").count();
        let withheld = states.iter().filter(|s| **s == "withheld").count();
        answers.push(answer(&question.label, share(given, states.len()), states.len()));
        let label = format!("{} withheld", question.drug);
        answers.push(answer(&label, share(withheld, states.len()), states.len()));
    }
    answers.extend([
        answer("warnings", warnings.to_string(), all.len()),
        answer("warnings acknowledged", share(sum(|f| f.acknowledged), warnings), warnings),
        answer(
            "warnings after which something about them was recorded",
            share(sum(|f| f.followed), warnings),
            warnings,
        ),
        answer("medications given after a warning", sum(|f| f.given_after_warning).to_string(), all.len()),
        answer("values left unconfirmed", sum(|f| f.unconfirmed).to_string(), all.len()),
        answer("plans never closed", sum(|f| f.open_plans).to_string(), all.len()),
        answer("corrections", sum(|f| f.corrections).to_string(), all.len()),
        answer("utterances not understood", sum(|f| f.not_understood).to_string(), all.len()),
    ]);
    answers
}

/// Nearest rank, as minutes and seconds.
fn percentile(sorted: &[u64], percent: usize) -> String {
    let rank = (sorted.len() * percent).div_ceil(100).max(1) - 1;
    sorted.get(rank).map_or_else(|| "no data".into(), |s| times::minutes_seconds(*s as i64))
}

fn share(part: usize, of: usize) -> String {
    if of == 0 {
        return "no data".into();
    }
    format!("{part} ({} %)", (part * 100 + of / 2) / of)
}

/// One row a call, for a spreadsheet.
pub fn table(all: &[Figures], questions: &Questions) -> String {
    let mut head: Vec<String> =
        ["record", "opened", "first_vitals_s", "reassessed_on_time", "reassessments"].map(String::from).to_vec();
    head.extend(questions.given_when.iter().map(|q| q.id.clone()));
    head.extend(
        [
            "warnings",
            "acknowledged",
            "followed",
            "given_after_warning",
            "unconfirmed",
            "open_plans",
            "corrections",
            "not_understood",
        ]
        .map(String::from),
    );
    let mut out = csv::row(&head);
    for f in all {
        let mut cells = vec![
            f.record.clone(),
            f.opened.clone(),
            f.first_vitals_s.map(|s| s.to_string()).unwrap_or_default(),
            f.on_time.0.to_string(),
            f.on_time.1.to_string(),
        ];
        cells.extend(f.given.iter().map(|g| g.to_string()));
        let counts = [
            f.warnings,
            f.acknowledged,
            f.followed,
            f.given_after_warning,
            f.unconfirmed,
            f.open_plans,
            f.corrections,
            f.not_understood,
        ];
        cells.extend(counts.map(|n| n.to_string()));
        out.push_str(&csv::row(&cells));
    }
    out
}

/// Utterances of which nothing was understood.
pub fn not_understood(events: &[crate::core::event::Event]) -> usize {
    let unmatched = |b: &Body| matches!(b, Body::Heard(h) if h.is_not_understood());
    events.iter().filter(|e| unmatched(&e.body)).count()
}
