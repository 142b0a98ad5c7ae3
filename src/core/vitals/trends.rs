//! What the numbers do over time: one row a trend, over a measured or derived series.

use serde::Deserialize;

use super::sets::Signal;
use super::{Level, VitalsRules, arrests, in_arrest, limits};
use crate::core::clinical::{age, age::Age, gather, perfusion};
use crate::core::dataset::Entry as Row;
use crate::core::decimal::Decimal;
use crate::core::diagnostic::Diagnostic;
use crate::core::event::AdviceType;
use crate::core::finding::{Field, Kind};
use crate::core::ledger::{Entry, Ledger};

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
    /// `{value}` is the latest value.
    pub phrase: String,
    /// Ids of age bands; every age where left out.
    #[serde(default)]
    pub ages: Vec<String>,
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
    /// Whether a value is beyond every threshold of the row.
    fn meets(&self, v: Decimal) -> bool {
        self.below.is_none_or(|n| v < n) && self.above.is_none_or(|n| v > n) && self.at_least.is_none_or(|n| v >= n)
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
pub fn signals<'a>(rules: &'a VitalsRules, ledger: &Ledger, patient: i64) -> Vec<Signal<'a>> {
    let known_age = age::of(ledger, patient).map(|(age, _)| age);
    let band = limits::band(rules, known_age);
    let mut signals = Vec::new();
    for (rank, row) in rules.trends.iter().enumerate() {
        if row.body.ages.is_empty() || band.is_some_and(|band| row.body.ages.iter().any(|id| id == band)) {
            row_signals(rules, row, rank, ledger, patient, known_age, &mut signals);
        }
    }
    signals
}

fn row_signals<'a>(
    rules: &'a VitalsRules,
    row: &'a Row<Trend>,
    rank: usize,
    ledger: &Ledger,
    patient: i64,
    known_age: Option<Age>,
    signals: &mut Vec<Signal<'a>>,
) {
    let points = series(row.body.measure, ledger, patient);
    let arrests = arrests(ledger, patient);
    let mut raised: Option<Decimal> = None;
    for (at, point) in points.iter().enumerate() {
        if !row.body.meets(point.value) || !further(&row.body, raised, point.value) {
            continue;
        }
        let earlier = points.get(..at).unwrap_or_default();
        let baseline = match baseline(&row.body, point, earlier) {
            Baseline::Met(seq) => seq,
            Baseline::NotMet => continue,
        };
        let Some(beside) = beside(rules, &row.body, ledger, patient, point, known_age) else { continue };
        if in_arrest(&arrests, point.entry.when) {
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
            phrase: row.body.phrase.replace("{value}", &point.value.to_string()),
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

fn baseline(row: &Trend, point: &Point<'_>, earlier: &[Point<'_>]) -> Baseline {
    let v = point.value;
    let inside =
        row.below.is_none_or(|n| v < n) && row.above.is_none_or(|n| v > n) && row.at_least.is_none_or(|n| v >= n);
    if !inside {
        return Baseline::NotMet;
    }
    let window =
        row.within_minutes.map_or(i64::MAX, |minutes| minutes.saturating_mul(60_000).try_into().unwrap_or(i64::MAX));
    let first = earlier.partition_point(|p| point.when.saturating_sub(p.when) > window);
    let near = earlier.get(first..).unwrap_or_default().iter();
    let from = match (row.fall, row.rise) {
        (Some(fall), _) => near.max_by_key(|p| p.value).filter(|p| p.value.checked_sub(v).is_some_and(|d| d >= fall)),
        (_, Some(rise)) => near.min_by_key(|p| p.value).filter(|p| v.checked_sub(p.value).is_some_and(|d| d >= rise)),
        // What was beyond the threshold before, said or not, has not just got there.
        (None, None) if earlier.last().is_some_and(|before| row.meets(before.value)) => return Baseline::NotMet,
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

/// `None`: the row's company is missing or forbidden. Otherwise the entry that had to stand beside the point, if any.
fn beside<'l>(
    rules: &VitalsRules,
    row: &Trend,
    ledger: &'l Ledger,
    patient: i64,
    point: &Point<'_>,
    known_age: Option<Age>,
) -> Option<Option<&'l Entry>> {
    let near = |name: &str| {
        let kind = Kind::from_name(name)?;
        let all = || ledger.of(kind, patient).filter(|e| gather::measured(e));
        let at = |e: &&Entry| gather::measured_ms(e);
        // The last before, else the first after: what is said later changes neither.
        let before = all().rfind(|e| at(e) <= point.when && close(at(e), point.when));
        before.or_else(|| all().find(|e| at(e) > point.when && close(at(e), point.when)))
    };
    if let Some(name) = &row.unless_unstable {
        let level = near(name).and_then(|e| limits::crosses(rules, &e.finding, known_age));
        if level == Some(Level::Unstable) {
            return None;
        }
    }
    let Some(name) = &row.with_normal else { return Some(None) };
    let entry = near(name)?;
    let normal = limits::clears(rules, &entry.finding) && limits::crosses(rules, &entry.finding, known_age).is_none();
    (normal && !entry.unconfirmed()).then_some(Some(entry))
}

fn close(a: i64, b: i64) -> bool {
    a.abs_diff(b) <= PAIR_MS
}

fn series<'l>(measure: Measure, ledger: &'l Ledger, patient: i64) -> Vec<Point<'l>> {
    let mut points: Vec<Point<'l>> = match measure {
        Measure::ShockIndex => paired(ledger, patient),
        _ => singles(measure, ledger, patient),
    };
    points.sort_by_key(|p| (p.when, p.entry.seq));
    points
}

fn usable(entry: &Entry) -> bool {
    gather::measured(entry)
        && (entry.finding.get(Field::Comparator).is_none() || entry.finding.kind() == Kind::CapillaryRefill)
}

fn singles<'l>(measure: Measure, ledger: &'l Ledger, patient: i64) -> Vec<Point<'l>> {
    let (kind, field) = match measure {
        Measure::Pulse => (Kind::Pulse, Field::RatePerMin),
        Measure::Respirations => (Kind::Respirations, Field::RatePerMin),
        Measure::Saturation => (Kind::OxygenSaturation, Field::Percent),
        Measure::Gcs => (Kind::Gcs, Field::Total),
        Measure::Refill => (Kind::CapillaryRefill, Field::Seconds),
        _ => (Kind::BloodPressure, Field::SystolicMmhg),
    };
    let pair = |e: &Entry| Some((e.finding.int(Field::SystolicMmhg)?, e.finding.int(Field::DiastolicMmhg)?));
    let points = ledger.of(kind, patient).filter(|e| usable(e)).filter_map(|entry| {
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

fn paired<'l>(ledger: &'l Ledger, patient: i64) -> Vec<Point<'l>> {
    let mut points = Vec::new();
    let (mut pulse, mut pressure): (Option<&Entry>, Option<&Entry>) = (None, None);
    for entry in ledger.standing().filter(|e| e.finding.patient() == patient && usable(e)) {
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
