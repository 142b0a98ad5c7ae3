//! Stories of vital signs, `tests/vitals/*.txt`: findings with their time, and under them what must be said (`>`), in
//! order and nothing else. `= level` asks how stable the patient is at that moment. `== title` begins a new story.

mod story;

use std::collections::BTreeSet;

use story::{Story, clock, files, moment, shipped};
use thirdhand::core::clinical::age::Age;
use thirdhand::core::decimal::Decimal;
use thirdhand::core::finding::{Field, Finding, Kind, Shape, Value, schema};
use thirdhand::core::time::Moment;
use thirdhand::core::vitals::{self, Assessment, VitalsRules, Who, limits};

struct Walk<'a> {
    rules: &'a VitalsRules,
    story: Story,
    now: Moment,
    given: BTreeSet<String>,
    said: Vec<String>,
    fired: BTreeSet<String>,
}

impl Walk<'_> {
    /// Lets time pass to `to`, stopping at every deadline on the way.
    fn pass(&mut self, to: Moment) {
        while let Some(due) = vitals::next_due(self.rules, &self.story.ledger, 1, self.now) {
            if due.mono_ms >= to.mono_ms {
                break;
            }
            self.now = due;
            self.collect();
        }
        self.now = to;
    }

    fn collect(&mut self) {
        let all: Vec<Assessment> = vitals::assess(self.rules, &self.story.ledger, 1, self.now);
        assert_eq!(all, vitals::assess(self.rules, &self.story.ledger, 1, self.now), "asking twice changes nothing");
        for a in all {
            if self.given.insert(a.key.clone()) {
                let kind = serde_json::to_value(a.kind).unwrap();
                let line = format!("{} {} {} | {}", clock(self.now), kind.as_str().unwrap(), a.about, a.say);
                self.said.push(line);
                self.fired.insert(a.rule);
                assert!(!a.because.is_empty() && !a.source.is_empty());
                assert!(a.because.iter().all(|seq| self.story.ledger.find(*seq).is_some()));
            }
        }
    }
}

/// Plays one story; returns the rules that fired.
fn play(rules: &VitalsRules, name: &str, lines: &[(usize, &str)], wrong: &mut String) -> BTreeSet<String> {
    let begin = moment("00:00");
    let mut walk = Walk {
        rules,
        story: Story::default(),
        now: begin,
        given: BTreeSet::new(),
        said: Vec::new(),
        fired: BTreeSet::new(),
    };
    let mut expected: Vec<String> = Vec::new();
    for (number, line) in lines {
        let line = line.trim();
        if let Some(said) = line.strip_prefix('>') {
            expected.push(said.trim().to_string());
        } else if let Some(level) = line.strip_prefix('=') {
            let stability = vitals::stability(rules, &walk.story.ledger, 1, walk.now);
            let got = stability.map_or("unknown", |s| s.level.name());
            if got != level.trim() {
                wrong.push_str(&format!("{name}:{number}: expected {level}, got {got}\n"));
            }
        } else {
            let (at, findings) = line.split_once(' ').unwrap_or((line, ""));
            walk.pass(moment(at));
            walk.story.say(at, findings);
            walk.collect();
        }
    }
    if walk.said != expected {
        let line = lines.first().map_or(0, |(n, _)| *n);
        let (got, want) = (walk.said.join("\n    > "), expected.join("\n    > "));
        wrong.push_str(&format!("{name}:{line}: said\n    > {got}\n  expected\n    > {want}\n"));
    }
    walk.fired
}

#[test]
fn stories() {
    let (rules, _) = shipped(VitalsRules::read);
    let mut wrong = String::new();
    for (name, text) in files("vitals") {
        let lines = text.lines().enumerate().map(|(n, l)| (n + 1, l.split('#').next().unwrap()));
        let mut story: Vec<(usize, &str)> = Vec::new();
        for (number, line) in lines.chain([(0, "==")]) {
            if line.starts_with("==") {
                if !story.is_empty() {
                    play(&rules, &name, &story, &mut wrong);
                }
                story.clear();
            } else if !line.trim().is_empty() {
                story.push((number, line));
            }
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
}

/// Ages at the edges of every band.
fn ages() -> Vec<Age> {
    let years = [1, 2, 3, 5, 6, 9, 10, 11, 12, 15, 16, 40].map(Age::years);
    [Age::days(0), Age::days(27), Age::days(28), Age::months(1), Age::months(11)].into_iter().chain(years).collect()
}

/// Every row is reachable: some value at some age crosses it and no graver row, and another value crosses nothing.
#[test]
fn every_limit_fires_for_one_value_and_is_silent_for_another() {
    let (rules, _) = shipped(VitalsRules::read);
    let looked_at: BTreeSet<(&str, &str)> =
        rules.limits.iter().map(|row| (row.body.finding.as_str(), row.body.field.as_str())).collect();
    let mut fired = BTreeSet::new();
    let mut quiet = BTreeSet::new();
    for (kind, field) in looked_at {
        let (kind, field) = (Kind::from_name(kind).unwrap(), Field::from_name(field).unwrap());
        for age in ages() {
            let people = [Who::aged(age), Who { pregnant: true, ..Who::aged(age) }];
            for (who, value) in
                people.into_iter().flat_map(|who| values(kind, field).into_iter().map(move |v| (who, v)))
            {
                match limits::crossed(&rules, &Finding::new(kind).with(field, value), who) {
                    Some(hit) => drop(fired.insert(hit.limit.id().to_string())),
                    None => drop(quiet.insert((kind, field, limits::band(&rules, Some(age))))),
                }
            }
        }
    }
    let never: Vec<_> = rules.limits.iter().map(|l| l.id()).filter(|id| !fired.contains(*id)).collect();
    assert_eq!(never, Vec::<&str>::new(), "rows that nothing crosses");
    for row in &rules.limits {
        let place = |band: Option<&str>| {
            quiet.iter().any(|(k, f, b)| {
                k.name() == row.body.finding
                    && (f.name() == row.body.field || !row.body.words.is_empty())
                    && (band.is_none() || *b == band)
            })
        };
        assert!(row.body.ages.iter().all(|band| place(Some(band))) && place(None), "{}: always crossed", row.id());
    }
}

/// Every value a limited field can hold (numbers in the steps that a limit is written in).
fn values(kind: Kind, field: Field) -> Vec<Value> {
    match schema::shape(kind, field) {
        Some(Shape::Word(words)) => words.iter().map(|word| Value::text(*word)).collect(),
        Some(Shape::Flag) => vec![Value::Flag(true), Value::Flag(false)],
        Some(Shape::Number(..)) => (0..450).map(|tenths| Value::Number(Decimal::new(tenths, 1))).collect(),
        _ => (0..420).map(Value::int).collect(),
    }
}

#[test]
fn every_age_from_birth_has_one_band() {
    let (rules, _) = shipped(VitalsRules::read);
    for days in 0..=40 {
        assert!(limits::band(&rules, Some(Age::days(days))).is_some(), "{days} days");
    }
    for months in 0..1500 {
        assert!(limits::band(&rules, Some(Age::months(months))).is_some(), "{months} months");
    }
    assert_eq!(limits::band(&rules, None), Some("adult"));
}

#[test]
fn no_sentence_is_longer_than_twelve_words_for_two_signs() {
    let (rules, _) = shipped(VitalsRules::read);
    let set = rules.set.as_ref().unwrap();
    for limit in &rules.limits {
        let say = set.body.say_unstable.replace("{signs}", &format!("{}, {}", limit.body.phrase, limit.body.phrase));
        assert!(say.split_whitespace().count() <= 12, "{say}");
    }
}
