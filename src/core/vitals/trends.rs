//! What the numbers do over time: one row a trend, over a measured or derived series.

use std::collections::VecDeque;

use serde::Deserialize;

use super::limits::{self, Who};
use super::sets::Signal;
use super::ventilation::ASSISTED;
use super::{Level, VitalsRules, arrests, in_arrest};
use crate::core::clinical::{age::Age, gather, perfusion};
use crate::core::dataset::Entry as Row;
use crate::core::decimal::Decimal;
use crate::core::diagnostic::Diagnostic;
use crate::core::event::AdviceType;
use crate::core::finding::{Field, Kind};
use crate::core::ledger::{Entry, Ledger};
use crate::core::prompt::number_words;

/// Two values belong together when they were measured within this time, milliseconds.
const PAIR_MS: u64 = 180_000;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Measure {
    /// mmHg.
    Systolic,
    /// mmHg; needs a diastolic.
    PulsePressure,
    /// Pulse pressure in percent of the systolic.
    PulsePressurePercent,
    /// mmHg; needs a diastolic.
    MeanPressure,
    /// Beats a minute.
    Pulse,
    /// Breaths a minute.
    Respirations,
    /// Percent.
    Saturation,
    /// Pulse / systolic.
    ShockIndex,
    /// Total, 3 to 15.
    Gcs,
    /// Seconds.
    Refill,
}

impl Measure {
    /// In plain words.
    pub fn name(self) -> &'static str {
        match self {
            Measure::Systolic => "systolic pressure",
            Measure::PulsePressure => "pulse pressure",
            Measure::PulsePressurePercent => "pulse pressure in percent of the systolic",
            Measure::MeanPressure => "mean pressure",
            Measure::Pulse => "pulse",
            Measure::Respirations => "breathing rate",
            Measure::Saturation => "saturation",
            Measure::ShockIndex => "shock index",
            Measure::Gcs => "GCS",
            Measure::Refill => "capillary refill",
        }
    }
}

/// One `[[trend]]`. A row without `fall` or `rise` speaks when its thresholds are first met.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Trend {
    pub measure: Measure,
    /// Finding name.
    pub about: String,
    /// `{value}` is the latest value, in words.
    pub phrase: String,
    /// What it adds where its own sign is named in the same sentence: `falling`; empty: nothing.
    #[serde(default)]
    pub beside: Option<String>,
    /// Ids of age bands; every age where left out.
    #[serde(default)]
    pub ages: Vec<String>,
    /// From this age; the row says nothing of a child whose age is not known.
    #[serde(default)]
    pub from_years: Option<i64>,
    #[serde(default)]
    pub below_years: Option<i64>,
    /// Lower by this much than the highest within `within_minutes`.
    #[serde(default)]
    pub fall: Option<Decimal>,
    /// Higher by this much than the lowest within `within_minutes`.
    #[serde(default)]
    pub rise: Option<Decimal>,
    #[serde(default)]
    pub within_minutes: Option<u64>,
    /// Thresholds on the latest value.
    #[serde(default)]
    pub below: Option<Decimal>,
    #[serde(default)]
    pub above: Option<Decimal>,
    #[serde(default)]
    pub at_least: Option<Decimal>,
    /// Only beside a value of this finding that is inside its limits.
    #[serde(default)]
    pub with_normal: Option<String>,
    /// Not beside a value of this finding that is across an unstable limit.
    #[serde(default)]
    pub unless_unstable: Option<String>,
}

impl Trend {
    fn concerns(&self, age: Option<Age>, band: Option<&str>) -> bool {
        let banded = self.ages.is_empty() || band.is_some_and(|band| self.ages.iter().any(|id| id == band));
        let by_years = self.from_years.is_some() || self.below_years.is_some();
        banded
            && match age.map(Age::in_years) {
                Some(years) => {
                    self.from_years.is_none_or(|from| years >= from) && self.below_years.is_none_or(|b| years < b)
                }
                None => !by_years || !self.ages.is_empty(),
            }
    }

    /// Whether a value is beyond every threshold of the row.
    fn meets(&self, v: Decimal) -> bool {
        self.below.is_none_or(|n| v < n) && self.above.is_none_or(|n| v > n) && self.at_least.is_none_or(|n| v >= n)
    }
}

/// The part of the record that is looked at.
struct Reading<'l> {
    ledger: &'l Ledger,
    patient: i64,
    /// Older entries are not read, stopwatch milliseconds.
    since_ms: u64,
    who: Who,
    arrests: Vec<(u64, bool)>,
}

impl<'l> Reading<'l> {
    fn of(&self, kinds: &[Kind]) -> Vec<&'l Entry> {
        self.ledger.of_any_since(kinds, self.patient, self.since_ms)
    }
}

/// One point of a series.
struct Point<'a> {
    value: Decimal,
    /// The entry that completed it.
    entry: &'a Entry,
    because: Vec<u64>,
    /// Stopwatch milliseconds at which it was true.
    when: i64,
}

/// Every time a trend was newly met, with the entry that completed it.
pub fn signals<'a>(rules: &'a VitalsRules, ledger: &Ledger, patient: i64, since_ms: u64) -> Vec<Signal<'a>> {
    let who = Who::of(ledger, patient);
    let band = limits::band(rules, who.age);
    let read = Reading { ledger, patient, since_ms, who, arrests: arrests(ledger, patient) };
    let mut signals = Vec::new();
    for (rank, row) in rules.trends.iter().enumerate() {
        if row.body.concerns(who.age, band) {
            row_signals(rules, row, rank, &read, &mut signals);
        }
    }
    signals
}

fn row_signals<'a>(
    rules: &'a VitalsRules,
    row: &'a Row<Trend>,
    rank: usize,
    read: &Reading<'_>,
    signals: &mut Vec<Signal<'a>>,
) {
    let points = series(row.body.measure, read);
    if points.is_empty() {
        return;
    }
    let company = Company::of(&row.body, read);
    let extremes = extremes(&row.body, &points);
    let mut raised: Option<Decimal> = None;
    for (at, point) in points.iter().enumerate() {
        if !row.body.meets(point.value) || !further(&row.body, raised, point.value) {
            continue;
        }
        let before = at.checked_sub(1).and_then(|before| points.get(before));
        let extreme = extremes.get(at).copied().flatten().and_then(|at| points.get(at));
        let baseline = match baseline(&row.body, point, before, extreme) {
            Baseline::Met(seq) => seq,
            Baseline::NotMet => continue,
        };
        let Some(beside) = company.beside(rules, &row.body, point, read.who) else { continue };
        if in_arrest(&read.arrests, point.entry.when) {
            continue;
        }
        raised = Some(point.value);
        let mut because = point.because.clone();
        because.extend(baseline.into_iter().chain(beside.iter().map(|e| e.seq)));
        because.sort_unstable();
        because.dedup();
        let last = beside.filter(|e| e.seq > point.entry.seq).unwrap_or(point.entry);
        signals.push(Signal {
            kind: AdviceType::Trend,
            rule: row.id(),
            source: &row.head.source,
            about: &row.body.about,
            phrase: row.body.phrase.replace("{value}", &number_words(point.value)),
            short: row.body.beside.clone(),
            beside: Vec::new(),
            changed: false,
            level: Level::PotentiallyUnstable,
            alone: true,
            rank,
            because,
            seq: last.seq,
            from: last.from,
            when: last.when,
        });
    }
}

enum Baseline {
    /// Thresholds and change are met; the event that the change is counted from.
    Met(Option<u64>),
    NotMet,
}

/// For every point the place of the highest (for a fall) or lowest (for a rise) point within the window before it.
fn extremes(row: &Trend, points: &[Point<'_>]) -> Vec<Option<usize>> {
    let minutes = row.within_minutes.unwrap_or(u64::MAX).saturating_mul(60_000);
    let window = i64::try_from(minutes).unwrap_or(i64::MAX);
    // Places whose values fall (or rise) strictly from front to back: the front is the extreme of the window.
    let mut kept: VecDeque<(usize, i64, Decimal)> = VecDeque::new();
    let mut out = Vec::with_capacity(points.len());
    for (at, point) in points.iter().enumerate() {
        while kept.front().is_some_and(|(_, when, _)| point.when.saturating_sub(*when) > window) {
            kept.pop_front();
        }
        out.push(kept.front().map(|(at, ..)| *at));
        let beaten = |value: Decimal| if row.fall.is_some() { value <= point.value } else { value > point.value };
        while kept.back().is_some_and(|(.., value)| beaten(*value)) {
            kept.pop_back();
        }
        kept.push_back((at, point.when, point.value));
    }
    out
}

fn baseline(row: &Trend, point: &Point<'_>, before: Option<&Point<'_>>, extreme: Option<&Point<'_>>) -> Baseline {
    let v = point.value;
    if !row.meets(v) {
        return Baseline::NotMet;
    }
    let from = match (row.fall, row.rise) {
        (Some(fall), _) => extreme.filter(|p| p.value.checked_sub(v).is_some_and(|d| d >= fall)),
        (_, Some(rise)) => extreme.filter(|p| v.checked_sub(p.value).is_some_and(|d| d >= rise)),
        // What was beyond the threshold before, said or not, has not just got there.
        (None, None) if before.is_some_and(|before| row.meets(before.value)) => return Baseline::NotMet,
        (None, None) => return Baseline::Met(None),
    };
    from.map_or(Baseline::NotMet, |p| Baseline::Met(p.because.last().copied()))
}

/// Not raised before, or changed as much again since.
fn further(row: &Trend, raised: Option<Decimal>, value: Decimal) -> bool {
    let Some(raised) = raised else { return true };
    match (row.fall, row.rise) {
        (Some(fall), _) => raised.checked_sub(value).is_some_and(|d| d >= fall),
        (_, Some(rise)) => value.checked_sub(raised).is_some_and(|d| d >= rise),
        (None, None) => true,
    }
}

/// The measured values that a row wants, or does not want, beside its own, by the time at which they were true.
struct Company<'l> {
    unwanted: Vec<(i64, &'l Entry)>,
    wanted: Vec<(i64, &'l Entry)>,
}

impl<'l> Company<'l> {
    fn of(row: &Trend, read: &Reading<'l>) -> Company<'l> {
        let measured = |name: &Option<String>| {
            let kind = name.as_deref().and_then(Kind::from_name);
            let entries = kind.into_iter().flat_map(|kind| read.of(&[kind])).filter(|e| gather::measured(e));
            let mut by_time: Vec<(i64, &Entry)> = entries.map(|e| (gather::measured_ms(e), e)).collect();
            by_time.sort_by_key(|(at, e)| (*at, e.seq));
            by_time
        };
        Company { unwanted: measured(&row.unless_unstable), wanted: measured(&row.with_normal) }
    }

    /// `None`: the row's company is missing or forbidden. Otherwise the entry that had to stand beside the point, if any.
    fn beside(&self, rules: &VitalsRules, row: &Trend, point: &Point<'_>, who: Who) -> Option<Option<&'l Entry>> {
        let level = near(&self.unwanted, point).and_then(|e| limits::crosses(rules, &e.finding, who));
        if level == Some(Level::Unstable) {
            return None;
        }
        if row.with_normal.is_none() {
            return Some(None);
        }
        let entry = near(&self.wanted, point)?;
        let crosses = limits::crosses(rules, &entry.finding, who).is_some();
        (limits::clears(rules, &entry.finding) && !crosses && !entry.unconfirmed()).then_some(Some(entry))
    }
}

/// The last before, else the first after: what is said later changes neither.
fn near<'l>(by_time: &[(i64, &'l Entry)], point: &Point<'_>) -> Option<&'l Entry> {
    let after = by_time.partition_point(|(at, _)| *at <= point.when);
    let before = after.checked_sub(1).and_then(|before| by_time.get(before));
    let close_by = |found: Option<&(i64, &'l Entry)>| found.filter(|(at, _)| close(*at, point.when)).map(|(_, e)| *e);
    close_by(before).or_else(|| close_by(by_time.get(after)))
}

fn close(a: i64, b: i64) -> bool {
    a.abs_diff(b) <= PAIR_MS
}

fn series<'l>(measure: Measure, read: &Reading<'l>) -> Vec<Point<'l>> {
    let mut points: Vec<Point<'l>> = match measure {
        Measure::ShockIndex => paired(read),
        _ => singles(measure, read),
    };
    points.sort_by_key(|p| (p.when, p.entry.seq));
    points
}

fn usable(entry: &Entry) -> bool {
    // Breaths that we give rise as we squeeze.
    gather::measured(entry)
        && !entry.finding.is(Field::Effort, ASSISTED)
        && (entry.finding.get(Field::Comparator).is_none() || entry.finding.kind() == Kind::CapillaryRefill)
}

fn singles<'l>(measure: Measure, read: &Reading<'l>) -> Vec<Point<'l>> {
    let (kind, field) = match measure {
        Measure::Pulse => (Kind::Pulse, Field::RatePerMin),
        Measure::Respirations => (Kind::Respirations, Field::RatePerMin),
        Measure::Saturation => (Kind::OxygenSaturation, Field::Percent),
        Measure::Gcs => (Kind::Gcs, Field::Total),
        Measure::Refill => (Kind::CapillaryRefill, Field::Seconds),
        _ => (Kind::BloodPressure, Field::SystolicMmhg),
    };
    let pair = |e: &Entry| Some((e.finding.int(Field::SystolicMmhg)?, e.finding.int(Field::DiastolicMmhg)?));
    let points = read.of(&[kind]).into_iter().filter(|e| usable(e)).filter_map(|entry| {
        let value = match measure {
            Measure::PulsePressure => pair(entry).map(|(s, d)| Decimal::from_int(perfusion::pulse_pressure(s, d))),
            Measure::PulsePressurePercent => pair(entry)
                .filter(|(s, _)| *s > 0)
                .and_then(|(s, d)| Decimal::from_f64(perfusion::pulse_pressure(s, d) as f64 * 100.0 / s as f64, 1)),
            Measure::MeanPressure => pair(entry).and_then(|(s, d)| perfusion::mean_pressure(s, d)),
            Measure::Refill if entry.finding.is(Field::Comparator, "<") => None,
            // "Over two seconds" is more than two.
            Measure::Refill if entry.finding.is(Field::Comparator, ">") => {
                entry.finding.number(field).and_then(|seconds| seconds.checked_add(Decimal::new(1, 1)))
            }
            _ => entry.finding.number(field),
        }?;
        Some(Point { value, entry, because: vec![entry.seq], when: gather::measured_ms(entry) })
    });
    points.collect()
}

fn paired<'l>(read: &Reading<'l>) -> Vec<Point<'l>> {
    let mut points = Vec::new();
    let (mut pulse, mut pressure): (Option<&Entry>, Option<&Entry>) = (None, None);
    for entry in read.of(&[Kind::Pulse, Kind::BloodPressure]).into_iter().filter(|e| usable(e)) {
        match entry.finding.kind() {
            Kind::Pulse if entry.finding.int(Field::RatePerMin).is_some() => pulse = Some(entry),
            Kind::BloodPressure => pressure = Some(entry),
            _ => continue,
        }
        let Some((p, b)) = pulse.zip(pressure) else { continue };
        let rates = p.finding.int(Field::RatePerMin).zip(b.finding.int(Field::SystolicMmhg));
        let index = rates.and_then(|(rate, systolic)| perfusion::shock_index(rate, systolic));
        if let (Some(value), true) = (index, close(gather::measured_ms(p), gather::measured_ms(b))) {
            let when = gather::measured_ms(entry);
            points.push(Point { value, entry, because: vec![p.seq.min(b.seq), p.seq.max(b.seq)], when });
        }
    }
    points
}

/// Complaints about rows that could never speak.
pub fn check(rules: &VitalsRules, complaints: &mut Vec<Diagnostic>) {
    for row in &rules.trends {
        let mut complain = |text: String| complaints.push(row.error(format!("`{}`: {text}", row.id())));
        let body = &row.body;
        if let Some(wrong) = body.ages.iter().find(|age| !rules.bands.iter().any(|b| b.id() == *age)) {
            complain(format!("`{wrong}` is no [[age_band]]"));
        }
        let changes = body.fall.is_some() || body.rise.is_some();
        if changes && body.within_minutes.is_none() {
            complain("a change needs `within_minutes`".into());
        }
        if !changes && body.below.is_none() && body.above.is_none() && body.at_least.is_none() {
            complain("neither a change (`fall`, `rise`) nor a threshold (`below`, `above`, `at_least`)".into());
        }
        for name in [&body.with_normal, &body.unless_unstable].into_iter().flatten().chain([&body.about]) {
            if Kind::from_name(name).is_none() {
                complain(format!("`{name}` is no known finding"));
            }
        }
    }
}
