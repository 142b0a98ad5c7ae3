//! One sentence for a set of vital signs.
//!
//! Values said within a short time of each other are one set. The first abnormal utterance of a set is spoken about at
//! once, all its abnormal values in one sentence; a later value across an unstable limit is, too; the rest of the set is
//! gathered into one more sentence when the set ends. What was abnormal before is not named again. A trend told in the
//! breath of an abnormal value is part of its sentence.

use std::collections::BTreeMap;

use super::limits::{self, Way, Who};
use super::{Assessment, Level, SetRule, VitalsRules, arrests, in_arrest, trends};
use crate::core::clinical::{age, gather};
use crate::core::event::{AdviceType, Priority};
use crate::core::finding::Kind;
use crate::core::ledger::{Entry, Ledger};
use crate::core::time::Moment;

/// Most signs, and most trends, named in one sentence.
const SIGNS: usize = 4;
const TRENDS: usize = 3;
/// So many signs, each perhaps unstable, told in one breath are named at once. Our own choice; by NEWS2 three scores of 2
/// are a score of 6, which asks for an urgent look.
const SEVERAL: usize = 3;
/// The record is read back to a whole multiple of this.
const QUARTER_MS: u64 = 15 * 60_000;
/// Most trends of other signs named after the signs.
const BESIDE: usize = 2;

/// One abnormal value, or one trend, with the entry that completed it.
#[derive(Clone, Debug)]
pub struct Signal<'a> {
    pub kind: AdviceType,
    pub rule: &'a str,
    pub source: &'a str,
    pub about: &'a str,
    pub phrase: String,
    /// What a trend adds to the name of its own sign: `falling`.
    pub short: Option<String>,
    /// Trends of other signs told in the same breath, each with its place in the data.
    pub beside: Vec<(usize, String)>,
    /// A trend is told with it.
    pub changed: bool,
    pub level: Level,
    pub alone: bool,
    /// Place in the data: earlier rows are named first.
    pub rank: usize,
    pub because: Vec<u64>,
    /// The completing entry.
    pub seq: u64,
    pub from: Option<u64>,
    pub when: Moment,
}

struct Pending {
    active: Moment,
    assessment: Assessment,
}

/// Every sentence about sets that is due and recent at `now`, and the moments at which gathered ones fall due.
pub fn look(rules: &VitalsRules, ledger: &Ledger, patient: i64, now: Moment) -> (Vec<Assessment>, Vec<Moment>) {
    let Some(set) = &rules.set else { return (Vec::new(), Vec::new()) };
    let recent = set.body.raise_within_minutes.saturating_mul(60_000);
    let due = |p: &Pending| p.active.mono_ms <= now.mono_ms && now.since_ms(p.active) <= recent;
    let since_ms = reaches_back(rules, &set.body, ledger, patient, now);
    let all = pending(rules, &set.body, ledger, patient, since_ms);
    let moments = all.iter().map(|p| p.active).collect();
    (all.into_iter().filter(due).map(|p| p.assessment).collect(), moments)
}

/// From where on (stopwatch, ms) the record matters at `now`: what nobody remembers is not read. Never in the middle of
/// a set if it can be helped, so that sets stay the same from one reading to the next.
fn reaches_back(rules: &VitalsRules, set: &SetRule, ledger: &Ledger, patient: i64, now: Moment) -> u64 {
    let gather = set.gather_seconds.saturating_mul(1000);
    let remembered = now.mono_ms.saturating_sub(set.remember_minutes.saturating_mul(60_000));
    // A whole multiple of a quarter of an hour: it moves seldom.
    let about = remembered / QUARTER_MS * QUARTER_MS;
    if about == 0 {
        return 0;
    }
    let window = about.saturating_sub(QUARTER_MS);
    let older: Vec<u64> =
        vitals(rules, ledger, patient, window).iter().map(|e| e.when.mono_ms).take_while(|at| *at <= about).collect();
    let gap = older.iter().zip(older.iter().skip(1)).rev().find(|(a, b)| b.saturating_sub(**a) > gather);
    gap.map_or(about, |(_, after)| *after)
}

fn pending(rules: &VitalsRules, set: &SetRule, ledger: &Ledger, patient: i64, since_ms: u64) -> Vec<Pending> {
    let known_age = age::of(ledger, patient).map(|(age, _)| age);
    let starts = set_starts(rules, set, ledger, patient, since_ms);
    let mut signals = abnormal(rules, ledger, patient, since_ms);
    let mut changes = trends::signals(rules, ledger, patient, since_ms);
    let start_of = |seq: u64| starts.range(..=seq).next_back().map_or(seq, |(seq, _)| *seq);
    changes.retain(|trend| !joins(&mut signals, trend, start_of));
    signals.extend(changes);
    signals.sort_by_key(|signal| signal.seq);
    let mut out = Vec::new();
    for kind in [AdviceType::AbnormalVital, AdviceType::Trend] {
        let mut by_set: BTreeMap<u64, Vec<&Signal<'_>>> = BTreeMap::new();
        for signal in signals.iter().filter(|signal| signal.kind == kind) {
            by_set.entry(start_of(signal.seq)).or_default().push(signal);
        }
        for (start, members) in by_set {
            let opened = starts.get(&start).copied().or_else(|| members.first().map(|m| m.when));
            if let Some(opened) = opened {
                sentences(set, opened, &members, &mut out);
            }
        }
    }
    say_adult_once(set, known_age.is_none(), &mut out);
    out
}

/// A trend beside a sign named in the same breath is told with it: one sentence for both. Whether it was.
fn joins<'a>(signals: &mut [Signal<'a>], trend: &Signal<'a>, start_of: impl Fn(u64) -> u64) -> bool {
    let beside = |sign: &Signal<'a>| same_breath(sign, trend) && start_of(sign.seq) == start_of(trend.seq);
    if !signals.iter().any(|sign| sign.alone && beside(sign)) {
        return false;
    }
    let host = signals.iter_mut().filter(|sign| beside(sign)).min_by_key(|sign| sign.about != trend.about);
    let Some(sign) = host else { return false };
    match trend.short.as_deref().filter(|_| sign.about == trend.about) {
        Some("") => {}
        Some(short) => sign.phrase = format!("{}, {short}", sign.phrase),
        None => sign.beside.push((trend.rank, trend.phrase.clone())),
    }
    sign.because.extend(&trend.because);
    sign.changed = true;
    true
}

/// First event and moment of every set.
fn set_starts(
    rules: &VitalsRules,
    set: &SetRule,
    ledger: &Ledger,
    patient: i64,
    since_ms: u64,
) -> BTreeMap<u64, Moment> {
    let mut starts = BTreeMap::new();
    let mut open: Option<Moment> = None;
    for entry in vitals(rules, ledger, patient, since_ms) {
        let joins = open.is_some_and(|start| entry.when.since_ms(start) <= set.gather_seconds.saturating_mul(1000));
        if !joins {
            starts.insert(entry.seq, entry.when);
            open = Some(entry.when);
        }
    }
    starts
}

/// Measured entries of every kind that a limit looks at.
fn vitals<'a>(rules: &VitalsRules, ledger: &'a Ledger, patient: i64, since_ms: u64) -> Vec<&'a Entry> {
    let kinds: Vec<Kind> = rules.by_kind.keys().copied().collect();
    let mut all = ledger.of_any_since(&kinds, patient, since_ms);
    all.retain(|e| gather::measured(e));
    all
}

/// Limits newly crossed, in order of writing.
fn abnormal<'a>(rules: &'a VitalsRules, ledger: &Ledger, patient: i64, since_ms: u64) -> Vec<Signal<'a>> {
    let who = Who::of(ledger, patient);
    let mut named: BTreeMap<(Kind, Way), Level> = BTreeMap::new();
    let mut signals = Vec::new();
    let arrests = arrests(ledger, patient);
    for entry in vitals(rules, ledger, patient, since_ms) {
        let kind = entry.finding.kind();
        if in_arrest(&arrests, entry.when) {
            continue;
        }
        let Some(hit) = limits::told_beyond(rules, ledger, entry, who) else {
            if !entry.unconfirmed() && limits::clears(rules, &entry.finding) {
                // What went back inside may be named again only when it is grave.
                named.retain(|(k, _), level| *k != kind || *level < Level::Unstable);
            }
            continue;
        };
        let body = &hit.limit.body;
        if body.phrase.is_empty() {
            continue;
        }
        let before = named.insert((kind, hit.way), body.level);
        if before.is_some_and(|level| level >= body.level) {
            if let Some(level) = before {
                named.insert((kind, hit.way), level);
            }
            continue;
        }
        signals.push(Signal {
            kind: AdviceType::AbnormalVital,
            rule: hit.limit.id(),
            source: &hit.limit.head.source,
            about: &body.finding,
            phrase: body.phrase.clone(),
            short: None,
            beside: Vec::new(),
            changed: false,
            level: body.level,
            alone: body.alone,
            rank: hit.rank,
            because: vec![entry.seq],
            seq: entry.seq,
            from: entry.from,
            when: entry.when,
        });
    }
    signals
}

/// The sentences of one set: the first at once, grave ones at once, the rest together when the set ends.
fn sentences(set: &SetRule, opened: Moment, members: &[&Signal<'_>], out: &mut Vec<Pending>) {
    let mut groups: Vec<Vec<&Signal<'_>>> = Vec::new();
    for signal in members {
        match groups.last_mut() {
            Some(group) if group.last().is_some_and(|last| same_breath(last, signal)) => group.push(signal),
            _ => groups.push(vec![signal]),
        }
    }
    let mut spoken: Option<Level> = None;
    let mut named = 0;
    let grave = |signal: &&Signal<'_>| signal.alone && signal.level == Level::Unstable;
    let mut waiting: Vec<&Signal<'_>> = Vec::new();
    for group in groups {
        let worst = group.iter().map(|s| s.level).max();
        let speaks = group.iter().any(|s| s.alone);
        // So many told one after the other say as much as in one breath, unless it was said already how bad it is.
        let told: Vec<&Signal<'_>> = waiting.iter().chain(&group).copied().collect();
        let adds_up = spoken == Some(Level::PotentiallyUnstable) && named < SEVERAL && named + count(&told) >= SEVERAL;
        let several = several(&group) || adds_up;
        if speaks && (spoken.is_none() || worst > spoken || several || group.iter().any(grave)) {
            let active = group.last().map_or(opened, |s| s.when);
            waiting.extend(group);
            let again = spoken == Some(Level::Unstable) || (several && spoken.is_some() && worst <= spoken);
            out.extend(sentence(set, &std::mem::take(&mut waiting), active, again));
            spoken = spoken.max(worst);
            named += count(&told);
        } else {
            waiting.extend(group);
        }
    }
    if spoken.is_some() && waiting.iter().any(|s| s.alone) {
        // A value told at the very end belongs to the set: it is named with the rest, not after it.
        let ends = opened.plus_ms(set.gather_seconds.saturating_mul(1000).saturating_add(1));
        out.extend(sentence(set, &waiting, ends, true));
    }
}

/// Together they say more than each by itself: they do not wait.
fn several(signals: &[&Signal<'_>]) -> bool {
    count(signals) >= SEVERAL
}

fn count(signals: &[&Signal<'_>]) -> usize {
    signals.iter().filter(|s| s.alone && s.kind == AdviceType::AbnormalVital).count()
}

fn same_breath(a: &Signal<'_>, b: &Signal<'_>) -> bool {
    a.when == b.when || (a.from.is_some() && a.from == b.from)
}

fn sentence(set: &SetRule, signals: &[&Signal<'_>], active: Moment, also: bool) -> Option<Pending> {
    let mut ranked = signals.to_vec();
    ranked.sort_by_key(|s| (std::cmp::Reverse(s.level), s.rank));
    let lead = ranked.first()?;
    let most = if lead.kind == AdviceType::Trend { TRENDS } else { SIGNS };
    let mut beside: Vec<&(usize, String)> = ranked.iter().flat_map(|s| &s.beside).collect();
    beside.sort();
    let signs = ranked.iter().map(|s| s.phrase.as_str());
    let phrases: Vec<&str> =
        signs.chain(beside.into_iter().take(BESIDE).map(|(_, phrase)| phrase.as_str())).take(most).collect();
    let changed = signals.iter().any(|s| s.changed);
    let (template, priority) = match (lead.kind, lead.level, also) {
        (AdviceType::Trend, _, also) => (&set.say_trend, if also { Priority::Low } else { Priority::Medium }),
        (_, Level::Unstable, true) => (&set.say_also, Priority::Medium),
        (_, _, true) if several(signals) => (&set.say_also, Priority::Medium),
        (_, _, true) => (&set.say_also, Priority::Low),
        (_, Level::Unstable, _) => (&set.say_unstable, Priority::Medium),
        _ if changed => (&set.say_abnormal, Priority::Medium),
        _ => (&set.say_abnormal, Priority::Low),
    };
    let mut because: Vec<u64> = signals.iter().flat_map(|s| s.because.iter().copied()).collect();
    because.sort_unstable();
    because.dedup();
    let assessment = Assessment {
        key: key(lead.rule, &because),
        rule: lead.rule.to_string(),
        kind: lead.kind,
        about: lead.about.to_string(),
        priority,
        say: template.replace("{signs}", &phrases.join(", ")),
        changed,
        because,
        source: lead.source.to_string(),
    };
    Some(Pending { active, assessment })
}

/// Rule and events, as one text.
pub fn key(rule: &str, because: &[u64]) -> String {
    because.iter().fold(rule.to_string(), |key, seq| format!("{key}:{seq}"))
}

/// Where nobody said the age, the first sentence that used an adult limit says so.
fn say_adult_once(set: &SetRule, unknown: bool, out: &mut [Pending]) {
    if !unknown {
        return;
    }
    let first = out
        .iter_mut()
        .filter(|p| p.assessment.kind == AdviceType::AbnormalVital)
        .min_by_key(|p| (p.active.mono_ms, p.assessment.because.clone()));
    if let Some(first) = first {
        first.assessment.say.push_str(&set.adult_assumed);
    }
}
