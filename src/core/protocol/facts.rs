//! What is established about a patient at a moment: three-valued, dated, never guessed.
//!
//! Unknown is never no. A value older than a condition's `max_age_min`, a "no change", a value not obtained and an
//! unconfirmed value that would clear a rule are all "not established"; an unconfirmed value may still trigger one.

use chrono::DateTime;

use crate::core::clinical::age;
use crate::core::condition as told;
use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::ledger::{Entry, Ledger};
use crate::core::prompt::Slots;
use crate::core::time::Moment;

use super::model::{
    AgeTest, AllergyTest, Condition, DropTest, FlagTest, NamedTest, NumberTest, TextTest, UseTest, WordTest,
};

const MINUTE_MS: u64 = 60_000;
const HOUR_MS: u64 = 3_600_000;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    Yes,
    No,
    /// Not established.
    Unknown,
}

/// An answer with the events it rests on and the values to be spoken.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    pub answer: Answer,
    pub because: Vec<u64>,
    pub slots: Slots,
}

impl Verdict {
    fn new(answer: Answer) -> Verdict {
        Verdict { answer, because: Vec::new(), slots: Vec::new() }
    }

    fn unknown() -> Verdict {
        Verdict::new(Answer::Unknown)
    }

    fn on(mut self, entry: &Entry) -> Verdict {
        self.because.push(entry.seq);
        self
    }

    fn slot(mut self, name: &str, value: Value) -> Verdict {
        self.slots.push((name.to_string(), value));
        self
    }
}

/// The class of names that mean everything not named: "no other allergies".
const ALL_ELSE: &str = "all_else";

/// Names of a class, as data gives them.
pub trait Classes {
    fn members(&self, class: &str) -> &[String];

    /// How the voice says a class.
    fn spoken_class(&self, class: &str) -> String;

    fn holds(&self, class: &str, name: &str) -> bool {
        self.members(class).iter().any(|member| member == name)
    }
}

/// One patient's record at one moment, asked on behalf of one drug.
#[derive(Clone, Copy)]
pub struct Facts<'a> {
    pub ledger: &'a Ledger,
    pub classes: &'a dyn Classes,
    pub patient: i64,
    /// Ages are counted back from here.
    pub now: Moment,
    /// The names of the drug that is asked about (`since_dose`).
    pub drug: &'a [String],
    /// The plan or dose asked about: doses told after it are not before it.
    pub asking: u64,
    /// Values that a report contradicted: they may trigger a rule, never clear one.
    pub disputed: &'a [u64],
}

/// A field of a kind, written `blood_pressure.systolic_mmhg`.
pub fn field_ref(text: &str) -> Option<(Kind, Field)> {
    let (kind, field) = text.split_once('.')?;
    let (kind, field) = (Kind::from_name(kind)?, Field::from_name(field)?);
    crate::core::finding::schema::shape(kind, field).map(|_| (kind, field))
}

impl<'a> Facts<'a> {
    /// Asked on behalf of no drug.
    pub fn new(ledger: &'a Ledger, classes: &'a dyn Classes, patient: i64, now: Moment) -> Facts<'a> {
        Facts { ledger, classes, patient, now, drug: &[], asking: u64::MAX, disputed: &[] }
    }

    pub fn evaluate(&self, condition: &Condition) -> Verdict {
        match condition {
            Condition::Number(test) => self.number(test),
            Condition::Drop(test) => self.drop_from_first(test),
            Condition::Word(test) => self.word(test),
            Condition::Flag(test) => self.flag(test),
            Condition::Named(test) => self.named(test),
            Condition::Text(test) => self.text(test),
            Condition::Use(test) => self.recent_use(test),
            Condition::Allergy(test) => self.allergy(test),
            Condition::Age(test) => self.age(test),
            Condition::Told(lines) => {
                self.last_of(lines).map_or_else(Verdict::unknown, |entry| Verdict::new(Answer::Yes).on(entry))
            }
            Condition::Any(all) => self.any(all),
            Condition::All(all) => self.all(all),
            Condition::Not(inner) => {
                let mut verdict = self.evaluate(inner);
                verdict.answer = match verdict.answer {
                    Answer::Yes => Answer::No,
                    Answer::No => Answer::Yes,
                    Answer::Unknown => Answer::Unknown,
                };
                verdict
            }
        }
    }

    fn any(&self, conditions: &[Condition]) -> Verdict {
        let verdicts: Vec<Verdict> = conditions.iter().map(|c| self.evaluate(c)).collect();
        let pick = |answer| verdicts.iter().find(|v| v.answer == answer).cloned();
        if let Some(yes) = pick(Answer::Yes) {
            return yes;
        }
        pick(Answer::Unknown).unwrap_or_else(|| merged(verdicts, Answer::No))
    }

    fn all(&self, conditions: &[Condition]) -> Verdict {
        let verdicts: Vec<Verdict> = conditions.iter().map(|c| self.evaluate(c)).collect();
        let pick = |answer| verdicts.iter().find(|v| v.answer == answer).cloned();
        if let Some(no) = pick(Answer::No) {
            return no;
        }
        pick(Answer::Unknown).unwrap_or_else(|| merged(verdicts, Answer::Yes))
    }

    /// The last entry that says something under `field`, if it was obtained. "No change" is shown, not measured: what was
    /// told before it stands with its own age, or could not be obtained.
    fn last(&self, kind: Kind, field: Field) -> Option<&'a Entry> {
        let said = |e: &&Entry| {
            let told = e.finding.get(field).is_some() || e.finding.flag(Field::Obtained) == Some(false);
            told && e.finding.flag(Field::Unchanged) != Some(true)
        };
        let last = self.ledger.of(kind, self.patient).rfind(said)?;
        last.finding.get(field).is_some().then_some(last)
    }

    fn age_ms(&self, entry: &Entry) -> u64 {
        let spoken = self.now.since_ms(entry.when);
        happened(&entry.finding)
            .map(|at| u64::try_from((self.now.at - at).num_milliseconds()).unwrap_or(0))
            .map_or(spoken, |ms| ms.max(spoken))
    }

    /// Not older than so many minutes. What others measured, or was measured before we came, is of unknown age where nobody
    /// said when.
    fn fresh(&self, entry: &Entry, max_age_min: Option<u32>) -> bool {
        let others = ["other_agency", "bystander", "family"].iter().any(|who| entry.finding.is(Field::ReportedBy, who));
        let before = others || entry.finding.flag(Field::BeforeArrival) == Some(true);
        let undated = before && entry.finding.get(Field::HappenedAt).is_none();
        max_age_min.is_none_or(|min| !undated && self.age_ms(entry) <= u64::from(min) * MINUTE_MS)
    }

    fn number(&self, test: &NumberTest) -> Verdict {
        let Some((kind, field)) = field_ref(&test.of) else { return Verdict::unknown() };
        let Some(entry) = self.last(kind, field) else { return Verdict::unknown() };
        let Some(value) = entry.finding.number(field) else { return Verdict::unknown().on(entry) };
        if !self.fresh(entry, test.max_age_min) || (test.since_dose && self.before_last_dose(entry)) {
            return Verdict::unknown().on(entry);
        }
        let verdict = |answer| Verdict::new(answer).on(entry).slot("value", Value::Number(value));
        match bounded(value, entry.finding.text(Field::Comparator), test) {
            Answer::No if self.doubted(entry) => verdict(Answer::Unknown),
            answer => verdict(answer),
        }
    }

    /// May trigger, may not clear.
    fn doubted(&self, entry: &Entry) -> bool {
        entry.unconfirmed() || self.disputed.contains(&entry.seq)
    }

    fn before_last_dose(&self, entry: &Entry) -> bool {
        self.ledger
            .of(Kind::MedicationGiven, self.patient)
            .filter(|e| e.seq < self.asking)
            .rfind(|e| e.finding.text(Field::Name).is_some_and(|name| self.drug.iter().any(|d| d == name)))
            .is_some_and(|given| given.when.mono_ms >= entry.when.mono_ms && given.seq > entry.seq)
    }

    fn drop_from_first(&self, test: &DropTest) -> Verdict {
        let Some((kind, field)) = field_ref(&test.of) else { return Verdict::unknown() };
        let measured = |e: &&Entry| e.finding.number(field).is_some() && e.finding.flag(Field::Unchanged) != Some(true);
        let Some(first) = self.ledger.of(kind, self.patient).find(measured) else { return Verdict::unknown() };
        let Some(last) = self.last(kind, field) else { return Verdict::unknown() };
        let (Some(from), Some(to)) = (first.finding.number(field), last.finding.number(field)) else {
            return Verdict::unknown();
        };
        if !self.fresh(last, test.max_age_min) {
            return Verdict::unknown().on(last);
        }
        let fell = from.as_f64() - to.as_f64();
        let far = test.by.is_some_and(|by| fell >= by.as_f64())
            || test.by_fraction.is_some_and(|part| fell >= part.as_f64() * from.as_f64());
        let answer = match far {
            true => Answer::Yes,
            false if self.doubted(last) || self.doubted(first) => Answer::Unknown,
            false => Answer::No,
        };
        Verdict::new(answer).on(first).on(last).slot("value", Value::Number(to)).slot("from", Value::Number(from))
    }

    fn word(&self, test: &WordTest) -> Verdict {
        let Some((kind, field)) = field_ref(&test.of) else { return Verdict::unknown() };
        let Some(entry) = self.last(kind, field) else { return Verdict::unknown() };
        let Some(word) = entry.finding.text(field) else { return Verdict::unknown().on(entry) };
        if !self.fresh(entry, test.max_age_min) {
            return Verdict::unknown().on(entry);
        }
        let verdict = |answer| Verdict::new(answer).on(entry).slot("value", Value::text(word));
        match (test.is.iter().any(|is| is == word), self.doubted(entry)) {
            (true, _) => verdict(Answer::Yes),
            (false, true) => verdict(Answer::Unknown),
            (false, false) => verdict(Answer::No),
        }
    }

    /// The last finding about this patient that satisfies one of these lines.
    pub fn last_of(&self, lines: &[String]) -> Option<&'a Entry> {
        let wanted = lines.iter().filter_map(|line| told::Condition::parse(line).ok());
        let last = |c: told::Condition| self.ledger.of(c.kind, self.patient).rfind(|e| c.holds(&e.finding));
        wanted.filter_map(last).max_by_key(|e| e.seq)
    }

    fn flag(&self, test: &FlagTest) -> Verdict {
        let Some((kind, field)) = field_ref(&test.of) else { return Verdict::unknown() };
        let Some(entry) = self.last(kind, field) else { return Verdict::unknown() };
        let Some(flag) = entry.finding.flag(field) else { return Verdict::unknown().on(entry) };
        if !self.fresh(entry, test.max_age_min) {
            return Verdict::unknown().on(entry);
        }
        if let Some(end) = self.last_of(&test.until).filter(|end| end.seq > entry.seq && flag == test.is) {
            return Verdict::new(if self.doubted(end) { Answer::Unknown } else { Answer::No }).on(end);
        }
        match (flag == test.is, self.doubted(entry)) {
            (true, _) => Verdict::new(Answer::Yes).on(entry),
            (false, true) => Verdict::unknown().on(entry),
            (false, false) => Verdict::new(Answer::No).on(entry),
        }
    }

    /// Present by any name: yes. Every name denied, or the whole kind said to be none: no.
    fn named(&self, test: &NamedTest) -> Verdict {
        let mut because = Vec::new();
        let mut denied = vec![false; test.names.len()];
        for kind in test.kinds.iter().filter_map(|k| Kind::from_name(k)) {
            for entry in self.ledger.of(kind, self.patient).rev() {
                if entry.finding.flag(Field::None) == Some(true) && !self.doubted(entry) {
                    because.push(entry.seq);
                    denied.iter_mut().for_each(|d| *d = true);
                }
                let name = entry.finding.text(Field::Name).or_else(|| entry.finding.text(Field::Sign));
                let Some(at) = test.names.iter().position(|n| Some(n.as_str()) == name) else { continue };
                let present = entry.finding.flag(Field::Present) != Some(false);
                let settled = denied.get(at).copied().unwrap_or(false);
                if present && !settled {
                    let name = Value::text(name.unwrap_or(""));
                    return Verdict::new(Answer::Yes).on(entry).slot("name", name);
                }
                if !present && !self.doubted(entry) {
                    because.push(entry.seq);
                    if let Some(slot) = denied.get_mut(at) {
                        *slot = true;
                    }
                }
            }
        }
        let answer = if !denied.is_empty() && denied.iter().all(|d| *d) { Answer::No } else { Answer::Unknown };
        Verdict { answer, because, slots: Vec::new() }
    }

    fn text(&self, test: &TextTest) -> Verdict {
        let mut settled = Verdict::unknown();
        for kind in test.kinds.iter().filter_map(|k| Kind::from_name(k)) {
            for entry in self.ledger.of(kind, self.patient) {
                if entry.finding.flag(Field::Present) == Some(false) {
                    continue;
                }
                let said = [Field::Text, Field::Name].iter().filter_map(|f| entry.finding.text(*f));
                let said = said.map(|t| format!(" {} ", t.to_lowercase().replace(['_', '-', ','], " ")));
                for text in said {
                    let has = |words: &[String]| words.iter().any(|word| text.contains(&format!(" {word} ")));
                    if has(&test.words) {
                        return Verdict::new(Answer::Yes).on(entry);
                    }
                    let open = test.open_with.iter().any(|end| text.contains(&format!("{end} ")));
                    if has(&test.settled_by) && !open && !self.doubted(entry) {
                        settled = Verdict::new(Answer::No).on(entry);
                    }
                }
            }
        }
        let told = || self.last_of(&test.settled_by_told).filter(|entry| !self.doubted(entry));
        match settled.answer {
            Answer::Unknown => told().map_or(settled, |entry| Verdict::new(Answer::No).on(entry)),
            _ => settled,
        }
    }

    /// Names first (the last word on each counts), then the class.
    fn recent_use(&self, test: &UseTest) -> Verdict {
        let members = self.classes.members(&test.class);
        let mut open: Vec<u64> = Vec::new();
        let mut denied: Vec<u64> = Vec::new();
        let class = self.last_use(|f| f.is(Field::Class, &test.class));
        let class_denial = class.filter(|e| self.denies(e, test.denial_hours.unwrap_or(test.hours)));
        let mut all_denied = !members.is_empty();
        for member in members {
            let hours = test.hours_of.get(member).copied().unwrap_or(test.hours);
            let said = self.last_use(|f| f.is(Field::Name, member));
            let home = test.home.then(|| self.home(member)).flatten();
            match (said, home) {
                (Some(said), _) if self.denies(said, hours) || self.surely_before(said, hours) => denied.push(said.seq),
                (Some(said), _) if is_denial(said) || !self.within(said, hours) => {
                    // Denied for a shorter time than the rule's, or with doubt; or taken, nobody knows when.
                    all_denied = false;
                    open.push(said.seq);
                }
                (Some(said), _) => return taken(said, member),
                (None, Some(home)) if class_denial.is_none_or(|denial| denial.seq < home.seq) => {
                    return taken(home, member);
                }
                _ => all_denied = false,
            }
        }
        match class {
            Some(entry) if class_denial.is_none() && !is_denial(entry) && self.within(entry, test.hours_max()) => {
                taken(entry, &self.classes.spoken_class(&test.class))
            }
            Some(entry) if class_denial.is_some() && open.is_empty() => Verdict::new(Answer::No).on(entry),
            _ if all_denied => Verdict { answer: Answer::No, because: denied, slots: Vec::new() },
            Some(entry) => Verdict::unknown().on(entry),
            None => Verdict { answer: Answer::Unknown, because: open, slots: Vec::new() },
        }
    }

    fn last_use(&self, about: impl Fn(&Finding) -> bool) -> Option<&'a Entry> {
        let of = |kind| self.ledger.of(kind, self.patient).rfind(|e| about(&e.finding));
        of(Kind::RecentUse).into_iter().chain(of(Kind::MedicationTaken)).max_by_key(|e| e.seq)
    }

    fn home(&self, name: &str) -> Option<&'a Entry> {
        let home = self.ledger.of(Kind::HomeMedication, self.patient).rfind(|e| e.finding.is(Field::Name, name))?;
        (home.finding.flag(Field::Present) != Some(false)).then_some(home)
    }

    /// A sure denial that covers at least the last `hours`.
    fn denies(&self, entry: &Entry, hours: u32) -> bool {
        let covers =
            entry.finding.number(Field::WithinHours).is_none_or(|said| said >= Decimal::from_int(hours.into()));
        is_denial(entry) && covers && !self.doubted(entry)
    }

    /// Taken, and not surely longer ago than `hours`.
    fn within(&self, entry: &Entry, hours: u32) -> bool {
        let limit = u64::from(hours) * HOUR_MS;
        match (happened(&entry.finding), entry.finding.number(Field::WithinHours)) {
            (Some(_), _) => self.age_ms(entry) <= limit,
            (None, Some(said)) => said <= Decimal::from_int(hours.into()),
            (None, None) => true,
        }
    }

    /// Taken at a time that is known to be longer ago than `hours`.
    fn surely_before(&self, entry: &Entry, hours: u32) -> bool {
        !is_denial(entry)
            && !self.doubted(entry)
            && happened(&entry.finding).is_some()
            && entry.finding.flag(Field::Approximate) != Some(true)
            && self.age_ms(entry) > u64::from(hours) * HOUR_MS
    }

    /// An exact name or a class member is yes even beside "no allergies": the worse one counts until corrected.
    fn allergy(&self, test: &AllergyTest) -> Verdict {
        let hits = |name: &str| {
            test.names.iter().any(|n| n == name)
                || test.class.as_deref().is_some_and(|c| c == name || self.classes.holds(c, name))
        };
        let mut verdict = Verdict::unknown();
        let mut denied: Vec<&str> = Vec::new();
        for entry in self.ledger.of(Kind::Allergy, self.patient).rev() {
            let name = entry.finding.text(Field::Name);
            let present = entry.finding.flag(Field::Present) != Some(false);
            if let Some(name) = name.filter(|name| hits(name)) {
                if present && !denied.contains(&name) {
                    return Verdict::new(Answer::Yes).on(entry).slot("name", Value::text(name));
                }
                if !present && !self.doubted(entry) {
                    denied.push(name);
                    if test.names.iter().any(|n| n == name) {
                        verdict = Verdict::new(Answer::No).on(entry);
                    }
                }
            }
            let no_others = !present && name.is_some_and(|name| self.classes.holds(ALL_ELSE, name));
            if (entry.finding.flag(Field::None) == Some(true) || no_others) && !self.doubted(entry) {
                verdict = Verdict::new(Answer::No).on(entry);
            }
        }
        verdict
    }

    fn age(&self, test: &AgeTest) -> Verdict {
        let Some((entry, years)) = self.age_years() else { return Verdict::unknown() };
        let below = test.below_years.is_none_or(|limit| years < limit.as_f64());
        let above = test.at_least_years.is_none_or(|limit| years >= limit.as_f64());
        let answer = match (below && above, self.doubted(entry)) {
            (true, _) => Answer::Yes,
            (false, true) => Answer::Unknown,
            (false, false) => Answer::No,
        };
        Verdict::new(answer).on(entry)
    }

    /// The patient's age in years (a fraction for the very young) and where it was said.
    pub fn age_years(&self) -> Option<(&'a Entry, f64)> {
        age::of(self.ledger, self.patient).map(|(age, entry)| (entry, age.as_years()))
    }

    /// The patient's weight as it was said, and where.
    pub fn weight(&self) -> Option<(&'a Entry, SaidWeight)> {
        let entry = self.ledger.of(Kind::Patient, self.patient).rfind(|e| e.finding.get(Field::WeightKg).is_some())?;
        let kg = entry.finding.number(Field::WeightKg)?;
        let said = entry.finding.get(Field::WeightSaid).and_then(pounds);
        Some((entry, SaidWeight { kg, lb: said }))
    }
}

impl UseTest {
    fn hours_max(&self) -> u32 {
        self.hours_of.values().copied().chain([self.hours]).max().unwrap_or(self.hours)
    }
}

/// A weight in kilograms, and in pounds where pounds were said.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SaidWeight {
    pub kg: Decimal,
    pub lb: Option<Decimal>,
}

impl SaidWeight {
    /// Compared in the unit that was said: 66 lb is not below a limit printed as "30 kg (66 lb)".
    pub fn below(&self, limit: super::model::Weight) -> bool {
        self.lb.map_or(self.kg < limit.kg, |lb| lb < limit.lb)
    }
}

fn pounds(said: &Value) -> Option<Decimal> {
    if let Some(value) = ["lb", "lbs", "pounds"].iter().find_map(|unit| said.part(unit)) {
        return value.as_number();
    }
    let unit = said.part("unit")?.as_text()?;
    matches!(unit, "lb" | "lbs" | "pound" | "pounds").then(|| said.part("value")?.as_number()).flatten()
}

fn taken(entry: &Entry, name: &str) -> Verdict {
    Verdict::new(Answer::Yes).on(entry).slot("name", Value::text(name))
}

fn is_denial(entry: &Entry) -> bool {
    entry.finding.flag(Field::Taken) == Some(false) || entry.finding.flag(Field::Present) == Some(false)
}

pub(crate) fn happened(finding: &Finding) -> Option<DateTime<chrono::FixedOffset>> {
    DateTime::parse_from_rfc3339(finding.text(Field::HappenedAt).or_else(|| finding.text(Field::LastTaken))?).ok()
}

/// Whether `value` lies within every bound of the test; "under" and "over" values are compared as what they can be.
fn bounded(value: Decimal, comparator: Option<&str>, test: &NumberTest) -> Answer {
    let low = |limit: Option<Decimal>, strict: bool| {
        limit.map_or(Answer::Yes, |limit| match comparator {
            Some("<") if value <= limit => Answer::Yes,
            Some("<") => Answer::Unknown,
            Some(">") if value >= limit => Answer::No,
            Some(">") => Answer::Unknown,
            _ if value < limit || (!strict && value == limit) => Answer::Yes,
            _ => Answer::No,
        })
    };
    let high = |limit: Option<Decimal>, strict: bool| {
        limit.map_or(Answer::Yes, |limit| match comparator {
            Some(">") if value >= limit => Answer::Yes,
            Some(">") => Answer::Unknown,
            Some("<") if value <= limit => Answer::No,
            Some("<") => Answer::Unknown,
            _ if value > limit || (!strict && value == limit) => Answer::Yes,
            _ => Answer::No,
        })
    };
    let answers = [low(test.below, true), low(test.at_most, false), high(test.above, true), high(test.at_least, false)];
    if answers.contains(&Answer::No) {
        Answer::No
    } else if answers.contains(&Answer::Unknown) {
        Answer::Unknown
    } else {
        Answer::Yes
    }
}

fn merged(verdicts: Vec<Verdict>, answer: Answer) -> Verdict {
    let mut out = Verdict::new(answer);
    for verdict in verdicts {
        out.because.extend(verdict.because);
        out.slots.extend(verdict.slots);
    }
    out
}
