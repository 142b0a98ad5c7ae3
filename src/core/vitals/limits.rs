//! Limits by age: one row a limit, compared with one finding.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::{Level, VitalsRules, ventilation};
use crate::core::clinical::age::{self, Age};
use crate::core::dataset::Entry;
use crate::core::decimal::Decimal;
use crate::core::diagnostic::Diagnostic;
use crate::core::finding::{Field, Finding, Kind, Shape, schema};
use crate::core::ledger::{Entry as LedgerEntry, Ledger};

/// One `[[age_band]]`: ages from `from` up to but not including `below`, written with their unit (`28 days`, `1 year`).
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AgeBand {
    pub from: String,
    #[serde(default)]
    pub below: Option<String>,
    /// Taken when nobody said the age.
    #[serde(default)]
    pub when_unknown: bool,
}

/// One `[[limit]]`: which value of which finding is abnormal, for which ages.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    pub finding: String,
    pub field: String,
    /// Ids of age bands; every age where left out.
    #[serde(default)]
    pub ages: Vec<String>,
    /// Only for a patient said to be pregnant.
    #[serde(default)]
    pub pregnant: bool,
    /// Not for a baby born in this call so few minutes ago.
    #[serde(default)]
    pub from_minutes_of_life: Option<u64>,
    /// Abnormal when lower than this.
    #[serde(default)]
    pub below: Option<Decimal>,
    /// Abnormal when this or lower.
    #[serde(default)]
    pub at_most: Option<Decimal>,
    /// Abnormal when higher than this.
    #[serde(default)]
    pub above: Option<Decimal>,
    /// Abnormal when this or higher.
    #[serde(default)]
    pub at_least: Option<Decimal>,
    /// Added to the number for every whole year of age.
    #[serde(default)]
    pub per_year: Option<Decimal>,
    /// Abnormal words, or `true` / `false`.
    #[serde(default)]
    pub words: Vec<String>,
    /// How it is said: `low pressure`. Empty: it counts, and is never named.
    pub phrase: String,
    pub level: Level,
    /// False: counts, and is named beside others, but is never a sentence by itself.
    #[serde(default = "yes")]
    pub alone: bool,
}

fn yes() -> bool {
    true
}

/// What limits depend on of the patient, as far as anyone said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Who {
    pub age: Option<Age>,
    /// Said to be; also before it is confirmed, for it can only add a limit.
    pub pregnant: bool,
}

impl Who {
    pub fn of(ledger: &Ledger, patient: i64) -> Who {
        let age = age::of(ledger, patient).map(|(age, _)| age);
        // How many children she has had says nothing of today.
        let told = |f: &Finding| f.get(Field::Present).or(f.get(Field::Weeks)).or(f.get(Field::Months)).is_some();
        let last = ledger.of(Kind::Pregnancy, patient).rfind(|e| told(&e.finding));
        Who { age, pregnant: last.is_some_and(|e| e.finding.flag(Field::Present) != Some(false)) }
    }

    pub fn aged(age: Age) -> Who {
        Who { age: Some(age), pregnant: false }
    }
}

/// Which way a limit is crossed; one sign can be abnormal one way at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Way {
    Low,
    High,
    Word,
}

/// A limit crossed by a finding.
#[derive(Clone, Copy, Debug)]
pub struct Hit<'a> {
    pub limit: &'a Entry<Limit>,
    pub way: Way,
    /// The limit's place in the data: earlier rows are named first.
    pub rank: usize,
}

impl Limit {
    fn bound(&self, age: Option<Age>) -> Option<(Way, Decimal, bool)> {
        let (way, number, including) = match (self.below, self.at_most, self.above, self.at_least) {
            (Some(n), None, None, None) => (Way::Low, n, false),
            (None, Some(n), None, None) => (Way::Low, n, true),
            (None, None, Some(n), None) => (Way::High, n, false),
            (None, None, None, Some(n)) => (Way::High, n, true),
            _ => return None,
        };
        let Some(per_year) = self.per_year else { return Some((way, number, including)) };
        let years = Decimal::from_int(age?.in_years());
        Some((way, number.checked_add(per_year.checked_mul(years)?)?, including))
    }

    /// The way in which `finding` crosses this limit, if it certainly does.
    pub fn crossed_by(&self, finding: &Finding, age: Option<Age>) -> Option<Way> {
        let field = Field::from_name(&self.field)?;
        if finding.kind().name() != self.finding || finding.flag(Field::Obtained) == Some(false) {
            return None;
        }
        if !self.words.is_empty() {
            let value = finding.get(field)?.to_string();
            return self.words.contains(&value).then_some(Way::Word);
        }
        let (value, (way, bound, including)) = (finding.number(field)?, self.bound(age)?);
        let crossed = match (way, finding.text(Field::Comparator)) {
            // "under 90" is surely below 90; "over 90" may be anything above.
            (Way::Low, Some("<")) | (Way::High, Some(">")) if value == bound => true,
            (Way::Low, Some(">")) | (Way::High, Some("<")) => false,
            (Way::Low, _) => value < bound || (including && value == bound),
            (Way::High, _) => value > bound || (including && value == bound),
            (Way::Word, _) => false,
        };
        crossed.then_some(way)
    }
}

/// The band an age falls into; the one for an unknown age where there is none.
pub fn band(rules: &VitalsRules, age: Option<Age>) -> Option<&str> {
    let found = match age {
        None => rules.bands.iter().find(|b| b.body.when_unknown),
        Some(age) => {
            let days = age.in_days();
            rules.bands.iter().find(|b| {
                in_days(&b.body.from).is_some_and(|from| from <= days)
                    && b.body.below.as_deref().is_none_or(|below| in_days(below).is_some_and(|below| days < below))
            })
        }
    };
    found.map(|b| b.id())
}

/// `28 days`, `3 months`, `1 year` in days (month 30, year 365).
pub fn in_days(text: &str) -> Option<i64> {
    let (number, unit) = text.split_once(' ')?;
    let per = match unit {
        "day" | "days" => 1,
        "month" | "months" => 30,
        "year" | "years" => 365,
        _ => return None,
    };
    number.parse::<i64>().ok()?.checked_mul(per)
}

/// Rows by the finding they look at.
pub fn by_kind(limits: &[Entry<Limit>]) -> BTreeMap<Kind, Vec<(usize, Field)>> {
    let mut index: BTreeMap<Kind, Vec<(usize, Field)>> = BTreeMap::new();
    for (at, limit) in limits.iter().enumerate() {
        if let (Some(kind), Some(field)) = (Kind::from_name(&limit.body.finding), Field::from_name(&limit.body.field)) {
            index.entry(kind).or_default().push((at, field));
        }
    }
    index
}

/// The worst limit that `finding` crosses for this patient.
pub fn crossed<'a>(rules: &'a VitalsRules, finding: &Finding, who: Who) -> Option<Hit<'a>> {
    let band = band(rules, who.age)?;
    let rows = rules.by_kind.get(&finding.kind())?;
    let hits = rows.iter().filter_map(|(rank, field)| {
        let (rank, limit) = (*rank, rules.limits.get(*rank)?);
        finding.get(*field)?;
        let of_age = limit.body.ages.is_empty() || limit.body.ages.iter().any(|id| id == band);
        let applies = of_age && (who.pregnant || !limit.body.pregnant);
        let way = applies.then(|| limit.body.crossed_by(finding, who.age)).flatten()?;
        Some(Hit { limit, way, rank })
    });
    hits.max_by_key(|hit| (hit.limit.body.level, std::cmp::Reverse(hit.rank)))
}

/// The worst limit that `entry` crosses with what was known when it was told: a slow rate while we breathe for the patient
/// is ours. One that is grave is said all the same: it may be the patient's own.
pub fn crossed_then<'a>(rules: &'a VitalsRules, ledger: &Ledger, entry: &LedgerEntry, who: Who) -> Option<Hit<'a>> {
    as_known(rules, ledger, entry, who, crossed(rules, &entry.finding, who))
}

/// The same of a value that lies beyond a limit as it was told; what only lies beyond one as breaths of ours is not told.
pub fn told_beyond<'a>(rules: &'a VitalsRules, ledger: &Ledger, entry: &LedgerEntry, who: Who) -> Option<Hit<'a>> {
    let hit = crossed(rules, &entry.finding, who)?;
    as_known(rules, ledger, entry, who, Some(hit))
}

fn as_known<'a>(
    rules: &'a VitalsRules,
    ledger: &Ledger,
    entry: &LedgerEntry,
    who: Who,
    hit: Option<Hit<'a>>,
) -> Option<Hit<'a>> {
    let young = |hit: &Hit<'_>| hit.limit.body.from_minutes_of_life.is_some_and(|least| younger(ledger, entry, least));
    let hit = hit.filter(|hit| !young(hit));
    let grave = hit.is_some_and(|hit| hit.limit.body.level == Level::Unstable);
    let given = if grave { None } else { ventilation::as_given(ledger, entry) };
    given.map_or(hit, |given| crossed(rules, &given, who))
}

fn younger(ledger: &Ledger, entry: &LedgerEntry, minutes: u64) -> bool {
    let birth = age::born_here(ledger, entry.finding.patient());
    birth.is_some_and(|birth| entry.when.since_ms(birth.when) < minutes.saturating_mul(60_000))
}

/// The level of the worst limit that this one finding crosses; `None` when it crosses none.
pub fn crosses(rules: &VitalsRules, finding: &Finding, who: Who) -> Option<Level> {
    crossed(rules, finding, who).map(|hit| hit.limit.body.level)
}

/// Whether `finding` carries a value that a limit looks at, so that not crossing it means something.
pub fn clears(rules: &VitalsRules, finding: &Finding) -> bool {
    let rows = rules.by_kind.get(&finding.kind());
    rows.is_some_and(|rows| rows.iter().any(|(_, field)| finding.get(*field).is_some()))
}

/// Complaints about rows that could never be looked up.
pub fn check(rules: &VitalsRules, complaints: &mut Vec<Diagnostic>) {
    for band in &rules.bands {
        let below = band.body.below.as_deref();
        if in_days(&band.body.from).is_none() || below.is_some_and(|below| in_days(below).is_none()) {
            complaints.push(
                band.error(format!("`{}`: an age is written with its unit", band.id())).hint("`28 days`, `1 year`"),
            );
        }
    }
    for limit in &rules.limits {
        check_limit(rules, limit, complaints);
    }
}

fn check_limit(rules: &VitalsRules, limit: &Entry<Limit>, complaints: &mut Vec<Diagnostic>) {
    let (id, body) = (limit.id(), &limit.body);
    let mut complain = |text: String| complaints.push(limit.error(format!("`{id}`: {text}")));
    let Some(kind) = Kind::from_name(&body.finding) else {
        return complain(format!("`{}` is no known finding", body.finding));
    };
    let Some(shape) = Field::from_name(&body.field).and_then(|field| schema::shape(kind, field)) else {
        return complain(format!("`{}` has no field `{}`", body.finding, body.field));
    };
    if let Some(wrong) = body.ages.iter().find(|age| !rules.bands.iter().any(|b| b.id() == *age)) {
        complain(format!("`{wrong}` is no [[age_band]]"));
    }
    let numbers = [body.below, body.at_most, body.above, body.at_least].iter().flatten().count();
    match (numbers, body.words.is_empty()) {
        (1, true) if matches!(shape, Shape::Int(..) | Shape::Number(..)) => {}
        (0, false) if !matches!(shape, Shape::Int(..) | Shape::Number(..)) => {
            if let (Shape::Word(known), Some(wrong)) = (shape, body.words.iter().find(|w| !is_word(shape, w))) {
                complain(format!("`{wrong}` is none of {}", known.join(", ")));
            }
        }
        _ => complain("a limit is one of below, at_most, above, at_least (numbers) or words".into()),
    }
}

fn is_word(shape: Shape, word: &str) -> bool {
    match shape {
        Shape::Word(words) => words.contains(&word),
        Shape::Flag => matches!(word, "true" | "false"),
        _ => true,
    }
}
