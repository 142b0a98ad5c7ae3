//! What falls due, derived from the record every time it is asked: no timer is stored, so none can be lost.
//!
//! A clock is (rule, anchor event); how often it spoke is counted in the record. Everything here is on the stopwatch.

use chrono::TimeDelta;

use crate::core::checklist;
use crate::core::clinical::age;
use crate::core::decimal::Decimal;
use crate::core::event::{Advice, AdviceType, Priority};
use crate::core::finding::{Field, Kind, Value};
use crate::core::ledger::Entry;
use crate::core::prompt::{Slots, render};
use crate::core::protocol::Protocol;
use crate::core::protocol::dose::minutes;
use crate::core::protocol::facts::{Answer, Facts, happened};
use crate::core::protocol::model::{Anchor, Clock, Recheck};
use crate::core::time::Moment;
use crate::core::vitals::{arrests, in_arrest};

use super::doubt::unanswered;
use super::medication::open_plans;
use super::stability::{Pace, crosses, pace};
use super::state::{Said, State, Watched};
use super::{Knowledge, delivery};

const MINUTE_MS: u64 = 60_000;
/// Vital signs said within this of each other are one look.
const ONE_LOOK_MS: u64 = 2 * MINUTE_MS;
/// Signs older than this are read only where there are no younger ones.
const LOOK_BACK_MS: u64 = 120 * MINUTE_MS;
/// The signs whose age the reassessment clock watches.
const CORE: [Kind; 4] = [Kind::BloodPressure, Kind::Pulse, Kind::Respirations, Kind::OxygenSaturation];
/// The same of a newborn, whose pressure nobody takes; the score is of all of them.
const NEWBORN: [Kind; 4] = [Kind::Pulse, Kind::Respirations, Kind::OxygenSaturation, Kind::Apgar];
/// What a newborn is looked at for, as the voice says it.
const NEWBORN_SIGNS: &str = "name.newborn_signs";

/// A stable patient at the hospital's door is being unloaded, and handed over. Our own choice, no source.
const UNLOADING_MS: u64 = 10 * MINUTE_MS;
/// What was asked for with all signs is not asked for by itself within this. Our own choice, no source.
const ASKED_WITH_VITALS_MS: u64 = 3 * MINUTE_MS;

/// So long after one reminder to look at the patient comes the other. Our own choice, no source.
const APART_MS: u64 = 8_000;
/// What a reminder to look at the patient again is about: all signs, or what a drug does.
const REASSESSMENT: &str = "reassessment";
const RECHECK: &str = "recheck_";

/// What tells of compressions, and of what interrupts them.
const COMPRESSIONS: [&str; 5] = ["cpr_started", "cpr_resumed", "cpr_paused", "aed_shock", "no_shock_advised"];

/// Something to be said at a moment of the stopwatch.
#[derive(Clone, Debug, PartialEq)]
pub struct Due {
    pub at_ms: u64,
    pub advice: Advice,
}

/// The next thing of every clock that runs, of every patient met, in order of time. `now` is the latest moment known.
pub fn dues(state: &State, knowledge: &Knowledge, now: Moment) -> Vec<Due> {
    if state.closed {
        return Vec::new();
    }
    let patients = state.patients();
    let resuscitated = patients.iter().any(|patient| state.watch(*patient).arrest());
    let mut out: Vec<Due> = Vec::new();
    for patient in patients {
        let watched = state.watch(patient);
        let mut theirs =
            patient_dues(&watched, knowledge, now, resuscitated || watched.transferred() || watched.given_up());
        if patient != state.patient() {
            theirs.iter_mut().for_each(|due| name_patient(&knowledge.protocol, patient, &mut due.advice));
        }
        out.extend(theirs);
    }
    delivery::keep_back(&state.ledger, &mut out);
    keep_apart(state, &mut out);
    out.sort_by_key(|due| due.at_ms);
    out
}

/// "Vitals due" and "Nitro five minutes" in one breath are one too many: the later one comes a moment after, and of two at
/// the same moment what a drug does is asked for first.
fn keep_apart(state: &State, dues: &mut [Due]) {
    let about_drug = |advice: &Advice| advice.kind == AdviceType::Reminder && advice.about.starts_with(RECHECK);
    let about_signs = |advice: &Advice| advice.kind == AdviceType::Reminder && advice.about == REASSESSMENT;
    let last_ms = |sort: &dyn Fn(&Advice) -> bool| {
        state.said.iter().rev().find(|said| sort(&said.advice)).map(|said| said.when.mono_ms)
    };
    let (drug_ms, signs_ms) = (last_ms(&about_drug), last_ms(&about_signs));
    let waits = |due: &mut Due, for_ms: Option<u64>| {
        let close = for_ms.filter(|at| (*at..*at + APART_MS).contains(&due.at_ms));
        due.at_ms = close.map_or(due.at_ms, |at| at + APART_MS);
    };
    dues.iter_mut().filter(|due| about_drug(&due.advice)).for_each(|due| waits(due, signs_ms));
    let with_drug: Vec<u64> = dues.iter().filter(|due| about_drug(&due.advice)).map(|due| due.at_ms).collect();
    for due in dues.iter_mut().filter(|due| about_signs(&due.advice)) {
        let at_once = with_drug.iter().copied().find(|at| *at == due.at_ms);
        waits(due, at_once.or(drug_ms));
    }
}

/// Whether what advice `target` told would fall due had it not been told: nobody did it, or acknowledged it, since. What
/// was said of it is set aside for the question and put back.
pub fn is_still_due(state: &mut State, knowledge: &Knowledge, target: u64, now: Moment) -> bool {
    let Some(told) = state.said.iter().find(|said| said.seq == target) else { return false };
    if told.acknowledged.is_some() {
        return false;
    }
    let (rule, anchor) = (told.advice.rule.clone(), told.anchor());
    let same = |advice: &Advice| advice.rule == rule && advice.because.first().copied() == anchor;
    let first = state.said.partition_point(|said| said.seq < target);
    let after = state.said.split_off(first);
    state.said.extend(after.iter().filter(|said| !same(&said.advice)).cloned());
    let due = dues(state, knowledge, now).iter().any(|due| same(&due.advice));
    state.said.truncate(first);
    state.said.extend(after);
    due
}

fn patient_dues(state: &Watched<'_>, knowledge: &Knowledge, now: Moment, quiet: bool) -> Vec<Due> {
    let protocol = &knowledge.protocol;
    let mut out: Vec<Due> = Vec::new();
    for clock in &protocol.clocks {
        out.extend(clock_dues(state, knowledge, clock, now, quiet));
    }
    if !quiet {
        let rechecks = protocol.rechecks.iter().filter(|_| !state.stays_behind());
        out.extend(rechecks.filter_map(|recheck| recheck_due(state, protocol, recheck)));
        out.extend(unanswered(protocol, state, Watched::patient(state)));
    }
    out
}

/// The crew is with another patient: whose clock it is, is said first.
pub fn name_patient(protocol: &Protocol, patient: i64, advice: &mut Advice) {
    advice.say = of_patient(protocol, patient, &advice.say);
    advice.say_aloud = advice.say_aloud.as_deref().map(|aloud| of_patient(protocol, patient, aloud));
}

fn of_patient(protocol: &Protocol, patient: i64, text: &str) -> String {
    let slots = vec![("number".to_string(), Value::int(patient)), ("text".to_string(), Value::text(text))];
    protocol.say("clock.other_patient", &slots).0
}

type ClockEntry = crate::core::protocol::Entry<Clock>;
type RecheckEntry = crate::core::protocol::Entry<Recheck>;

fn clock_dues(state: &Watched<'_>, knowledge: &Knowledge, clock: &ClockEntry, now: Moment, quiet: bool) -> Vec<Due> {
    // What concerns the scene, or a plan in hand, concerns the patient the crew is with.
    let with_us = state.patient() == State::patient(state);
    match clock.body.from {
        Anchor::Compressions => compressions(state, clock).into_iter().collect(),
        Anchor::CompressionPause => pause(state, clock).into_iter().collect(),
        Anchor::Tourniquet if !state.transferred() => tourniquets(state, clock),
        Anchor::RefusalSigned if with_us && !quiet => {
            refusal_signed(state, knowledge, clock, now).into_iter().collect()
        }
        // A plan can still be answered for; of a patient who signed and stays behind, nothing else can be done.
        Anchor::Plan if with_us && !quiet => plans(state, knowledge, clock, now),
        _ if quiet || state.stays_behind() => Vec::new(),
        Anchor::Vitals => reassessment(state, knowledge, clock).into_iter().collect(),
        Anchor::Scene if !with_us => Vec::new(),
        Anchor::Scene => scene(state, knowledge, clock, now).into_iter().collect(),
        Anchor::LastKnownWell => last_known_well(state, clock).into_iter().collect(),
        Anchor::StrokeScreen => stroke_screen(state, clock).into_iter().collect(),
        Anchor::Plan | Anchor::RefusalSigned | Anchor::Tourniquet => Vec::new(),
    }
}

/// A clock's sentence at `due_ms`.
fn ring(clock: &ClockEntry, about: &str, stage: usize, at_ms: u64, because: Vec<u64>, slots: Slots) -> Due {
    let body = &clock.body;
    let escalated = stage > 0 && body.escalate_after_min.is_some();
    let say = if escalated { body.escalated.as_deref().unwrap_or(&body.say) } else { &body.say };
    let advice = Advice {
        kind: body.kind,
        priority: if escalated { raised(body.priority) } else { body.priority },
        about: about.to_string(),
        say: render(say, &slots),
        rule: clock.id().to_string(),
        because,
        source: clock.head.source.clone(),
        say_aloud: None,
    };
    Due { at_ms, advice }
}

fn raised(priority: Priority) -> Priority {
    match priority {
        Priority::Low => Priority::Medium,
        Priority::Medium | Priority::High => Priority::High,
    }
}

fn ms(min: Decimal) -> u64 {
    (min.as_f64() * MINUTE_MS as f64).round().max(0.0) as u64
}

/// When the next stage is due: first `first_ms`, then once more after the first was said.
fn staged(rung: &[&Said], first_ms: u64, escalate: Option<Decimal>) -> Option<(usize, u64)> {
    if rung.iter().any(|s| s.acknowledged.is_some()) {
        return None;
    }
    match (rung, escalate) {
        ([], _) => Some((0, first_ms)),
        ([first], Some(after)) => Some((1, first.when.mono_ms + ms(after))),
        _ => None,
    }
}

fn number(value: u64) -> Value {
    Value::int(i64::try_from(value).unwrap_or(i64::MAX))
}

fn watched_signs(state: &Watched<'_>) -> &'static [Kind] {
    if age::newborn(&state.ledger, state.patient()) { &NEWBORN } else { &CORE }
}

/// Signs taken at `since_ms` of the stopwatch or later, oldest first.
fn looks<'s>(state: &'s Watched<'_>, since_ms: u64) -> Vec<&'s Entry> {
    let mut looks = state.ledger.of_any_since(watched_signs(state), state.patient(), since_ms);
    looks.retain(|e| is_look(e));
    looks
}

fn is_look(entry: &Entry) -> bool {
    entry.finding.flag(Field::Unchanged) != Some(true) && entry.finding.flag(Field::BeforeArrival) != Some(true)
}

/// The signs of the last two hours with the last full look among them; of the whole record where there is none. A long
/// record is not read whole at every word.
fn lately<'s>(state: &'s Watched<'_>) -> (Vec<&'s Entry>, Option<(u64, Moment)>) {
    let since_ms = state.latest_ms.saturating_sub(LOOK_BACK_MS);
    let mut ever = watched_signs(state).to_vec();
    let before = |kind: &Kind| {
        let mut older = state.ledger.of(*kind, state.patient()).take_while(|e| e.when.mono_ms < since_ms);
        older.any(is_look)
    };
    ever.retain(before);
    let recent = looks(state, since_ms);
    match last_look(&recent, ever) {
        None if since_ms > 0 => {
            let all = looks(state, 0);
            let look = last_look(&all, Vec::new());
            (all, look)
        }
        look => (recent, look),
    }
}

/// The end of the last full look: at least two different signs, or every sign `ever` taken, told together. A sign told
/// again begins another look; one sign alone does not renew the others.
fn last_look(looks: &[&Entry], mut ever: Vec<Kind>) -> Option<(u64, Moment)> {
    let mut kinds: Vec<Kind> = Vec::new();
    let mut began: Option<Moment> = None;
    let mut full = None;
    for entry in looks {
        let kind = entry.finding.kind();
        if kinds.contains(&kind) || began.is_none_or(|began| entry.when.since_ms(began) > ONE_LOOK_MS) {
            kinds.clear();
            began = Some(entry.when);
        }
        kinds.push(kind);
        if !ever.contains(&kind) {
            ever.push(kind);
        }
        if kinds.len() >= 2.min(ever.len()) || kind == Kind::Apgar {
            full = Some((entry.seq, entry.when));
        }
    }
    full
}

fn reassessment(state: &Watched<'_>, knowledge: &Knowledge, clock: &ClockEntry) -> Option<Due> {
    let (looks, look) = lately(state);
    // A further patient's clock starts when we turn to them.
    let arrival = match state.patient() {
        1 => state.milestone("at_patient").map(|e| (e.seq, e.when)),
        further => state.met.get(&further).copied(),
    };
    let acknowledged = state
        .said
        .iter()
        .filter(|s| s.advice.rule == clock.id() && s.anchor().is_some_and(|anchor| state.concerns(anchor)))
        .filter_map(|s| s.acknowledged)
        .max_by_key(|(seq, _)| *seq);
    let (mut anchor, mut since) =
        [look.or(arrival), acknowledged].into_iter().flatten().max_by_key(|(_, when)| when.mono_ms)?;
    let unstable = clock.body.at_min.first().copied()?;
    // A patient of the long interval who turns bad by one sign is looked at again soon after it, not at once.
    let turned = looks.iter().find(|e| e.when.mono_ms > since.mono_ms + ms(unstable) && crosses(knowledge, state, e));
    if let Some(turned) = turned.filter(|_| state.said_about(clock.id(), anchor).next().is_none()) {
        (anchor, since) = (turned.seq, turned.when);
    }
    let stable = pace(knowledge, state, since) == Pace::Stable;
    let interval = clock.body.stable_min.filter(|_| stable).unwrap_or(unstable);
    let rung: Vec<&Said> = state.said_about(clock.id(), anchor).collect();
    let (stage, due_ms) = staged(&rung, since.mono_ms + ms(interval), clock.body.escalate_after_min)?;
    let at_ms = after_resuscitation(state, due_ms);
    let arrived = state.milestone("at_destination").map(|e| e.when.mono_ms).filter(|_| stage == 0 && stable);
    let at_ms = arrived.filter(|at| *at <= at_ms).map_or(at_ms, |at| at_ms.max(at + UNLOADING_MS));
    let slots = vec![("what".to_string(), Value::text(signs_due(state, &knowledge.protocol, clock, since)))];
    Some(ring(clock, &clock.body.about, stage, at_ms, vec![anchor], slots))
}

/// What fell due in a resuscitation waits until somebody has had a moment to look at the living.
fn after_resuscitation(state: &Watched<'_>, due_ms: u64) -> u64 {
    let back = state.circulation_back().map(|e| e.when.mono_ms).filter(|back| due_ms <= *back);
    back.map_or(due_ms, |back| back + MINUTE_MS)
}

/// The signs taken so far and not since `since`, as the voice names them; all of them where none was.
fn signs_due(state: &Watched<'_>, protocol: &Protocol, clock: &ClockEntry, since: Moment) -> String {
    if let Some(signs) = protocol.prompt(NEWBORN_SIGNS).filter(|_| age::newborn(&state.ledger, state.patient())) {
        return signs.to_string();
    }
    let due =
        |kind: &Kind| state.ledger.latest(*kind, state.patient()).is_some_and(|e| e.when.mono_ms <= since.mono_ms);
    let taken: Vec<Kind> = CORE.into_iter().filter(due).collect();
    let years = age::of(&state.ledger, state.patient()).map(|(age, _)| age.in_years());
    let too_young = years.zip(clock.body.pressure_from_years).is_some_and(|(years, from)| years < from);
    let kinds = match taken.is_empty() {
        true => CORE.into_iter().filter(|kind| !(too_young && *kind == Kind::BloodPressure)).collect(),
        false => taken,
    };
    let names: Vec<String> = kinds.iter().map(|k| spoken_kind(protocol, k.name())).collect();
    names.join(", ")
}

/// How the voice names a finding or a timer.
pub fn spoken_kind(protocol: &Protocol, name: &str) -> String {
    match protocol.prompt(&format!("name.{name}")) {
        Some(text) => text.to_string(),
        None => protocol.spoken(name),
    }
}

fn recheck_due(state: &Watched<'_>, protocol: &Protocol, recheck: &RecheckEntry) -> Option<Due> {
    let body = &recheck.body;
    let names = protocol.names(&body.drug);
    let ours = |e: &&Entry| {
        e.finding.flag(Field::Present) != Some(false) && e.finding.flag(Field::BeforeArrival) != Some(true)
    };
    let named = |e: &&Entry| e.finding.text(Field::Name).is_some_and(|name| names.iter().any(|n| n == name));
    let of = |kind| state.ledger.of(kind, state.patient()).filter(ours);
    let dose = of(Kind::MedicationGiven).rfind(named);
    let oxygen = of(Kind::Oxygen).rfind(|e| {
        body.drug == "oxygen" && e.finding.flag(Field::Stopped) != Some(true) && !told_with_saturation(state, e)
    });
    let given = dose.into_iter().chain(oxygen).max_by_key(|e| e.seq)?;
    if body.drug == "oxygen" && oxygen_stopped_since(state, given) {
        return None;
    }
    // Told late, it runs from when it went in, and what was looked at since then counts.
    let went_in_ms = u64::try_from(began_ms(given)).unwrap_or(0);
    let settled_from = went_in_ms + u64::from(body.not_before_min) * MINUTE_MS;
    let by_response = body.by.iter().any(|by| by == Kind::Response.name());
    let settles = |e: &&Entry| {
        let kind = e.finding.kind();
        let response = kind == Kind::Response
            && by_response
            && e.finding.text(Field::To).is_none_or(|to| names.iter().any(|n| n == to));
        let looked = kind != Kind::Response
            && body.by.iter().any(|by| by == kind.name())
            && e.when.mono_ms >= settled_from
            && e.finding.flag(Field::Unchanged) != Some(true);
        let after = e.seq > given.seq || (went_in_ms < given.when.mono_ms && e.when.mono_ms > went_in_ms);
        after && (response || looked)
    };
    let kinds = body.by.iter().filter_map(|by| Kind::from_name(by)).chain([Kind::Response]);
    if kinds.into_iter().any(|kind| state.ledger.of(kind, state.patient()).any(|e| settles(&e))) {
        return None;
    }
    let rung: Vec<&Said> = state.said_about(recheck.id(), given.seq).collect();
    let first = (went_in_ms + u64::from(body.after_min) * MINUTE_MS).max(given.when.mono_ms);
    let (stage, at_ms) = staged(&rung, first, Some(Decimal::from_int(body.escalate_after_min.into())))?;
    if body.with_vitals && vitals_were_asked(state, protocol, at_ms) {
        return None;
    }
    let slots = vec![("drug".to_string(), Value::text(protocol.spoken(&body.drug)))];
    let advice = Advice {
        kind: AdviceType::Reminder,
        priority: if stage > 0 { raised(body.priority) } else { body.priority },
        about: format!("{RECHECK}{}", body.drug),
        say: render(if stage > 0 { &body.escalated } else { &body.say }, &slots),
        rule: recheck.id().to_string(),
        because: vec![given.seq],
        source: recheck.head.source.clone(),
        say_aloud: None,
    };
    Some(Due { at_ms: after_resuscitation(state, at_ms), advice })
}

/// A moment before `at_ms` all signs were said to be due, the saturation among them, and it was not taken since.
fn vitals_were_asked(state: &Watched<'_>, protocol: &Protocol, at_ms: u64) -> bool {
    let clock = |rule: &str| protocol.clocks.iter().any(|c| c.id() == rule && c.body.from == Anchor::Vitals);
    let theirs = |said: &Said| clock(&said.advice.rule) && said.anchor().is_some_and(|anchor| state.concerns(anchor));
    let asked = state.said.iter().rev().find(|said| theirs(said) && said.when.mono_ms <= at_ms);
    let taken = state.ledger.latest(Kind::OxygenSaturation, state.patient());
    asked.zip(taken).is_some_and(|(asked, taken)| {
        taken.when.mono_ms <= asked.when.mono_ms && at_ms <= asked.when.mono_ms + ASKED_WITH_VITALS_MS
    })
}

/// "Ninety eight on the neb" tells what was breathed: nothing was begun.
fn told_with_saturation(state: &Watched<'_>, oxygen: &Entry) -> bool {
    state.ledger.of(Kind::OxygenSaturation, state.patient()).any(|e| e.from == oxygen.from)
}

fn oxygen_stopped_since(state: &Watched<'_>, given: &Entry) -> bool {
    state
        .ledger
        .of(Kind::Oxygen, state.patient())
        .any(|e| e.seq > given.seq && e.finding.flag(Field::Stopped) == Some(true))
}

/// When something happened on the stopwatch: as said ("ten minutes ago"), else when it was said. May lie before the
/// record began: negative.
fn began_ms(entry: &Entry) -> i64 {
    let spoken = i64::try_from(entry.when.mono_ms).unwrap_or(i64::MAX);
    let earlier = happened(&entry.finding).map_or(TimeDelta::zero(), |at| entry.when.at - at);
    spoken - earlier.num_milliseconds().max(0)
}

/// Thresholds after an anchor, one after the other; those that had passed when it was told are skipped.
fn thresholds(state: &Watched<'_>, clock: &ClockEntry, entry: &Entry) -> Option<(u64, u64)> {
    let began = began_ms(entry);
    let told = i64::try_from(entry.when.mono_ms).unwrap_or(i64::MAX);
    let ahead: Vec<i64> = clock
        .body
        .at_min
        .iter()
        .map(|min| began + i64::try_from(ms(*min)).unwrap_or(i64::MAX / 2))
        .filter(|at| *at > told)
        .collect();
    let rung = state.said_about(clock.id(), entry.seq).count();
    let at = u64::try_from(*ahead.get(rung)?).ok()?;
    Some((at, u64::try_from(i64::try_from(at).ok()? - began).ok()? / MINUTE_MS))
}

fn tourniquets(state: &Watched<'_>, clock: &ClockEntry) -> Vec<Due> {
    let on = state
        .named(Kind::Procedure, &["tourniquet"])
        .filter(|e| e.finding.flag(Field::Success) != Some(false) && e.finding.flag(Field::Present) != Some(false));
    let off = |entry: &Entry| {
        state
            .named(Kind::Procedure, &["tourniquet_removed", "tourniquet_converted", "tourniquet_released"])
            .any(|e| e.seq > entry.seq)
    };
    let due = |entry: &Entry| {
        let (at_ms, minutes) = thresholds(state, clock, entry)?;
        let slots = vec![("minutes".to_string(), number(minutes))];
        Some(ring(clock, &clock.body.about, 0, at_ms, vec![entry.seq], slots))
    };
    on.filter(|e| !off(e)).filter_map(due).collect()
}

fn compressions(state: &Watched<'_>, clock: &ClockEntry) -> Option<Due> {
    if !state.arrest() || state.transferred() {
        return None;
    }
    let last = state.named(Kind::Procedure, &COMPRESSIONS).next_back()?;
    if last.finding.is(Field::Name, "cpr_paused") {
        return None;
    }
    let every = u64::from(clock.body.every_min?) * MINUTE_MS;
    let rung = state.said_about(clock.id(), last.seq).count() as u64;
    Some(ring(clock, &clock.body.about, 0, last.when.mono_ms + every * (rung + 1), vec![last.seq], Slots::new()))
}

fn pause(state: &Watched<'_>, clock: &ClockEntry) -> Option<Due> {
    if !state.arrest() || state.transferred() {
        return None;
    }
    let last = state.named(Kind::Procedure, &COMPRESSIONS).next_back()?;
    if !last.finding.is(Field::Name, "cpr_paused") && !resumption_is_missed(state, last) {
        return None;
    }
    let (at_ms, _) = thresholds(state, clock, last)?;
    Some(ring(clock, &clock.body.about, 0, at_ms, vec![last.seq], Slots::new()))
}

/// A shock or the word that none is advised ends the pause that was told before it. A crew that told each time when the
/// chest was pressed again is asked where it does not.
fn resumption_is_missed(state: &Watched<'_>, analysed: &Entry) -> bool {
    let told: Vec<&Entry> = state.named(Kind::Procedure, &COMPRESSIONS).collect();
    let is = |entry: &Entry, names: [&str; 2]| names.iter().any(|name| entry.finding.is(Field::Name, name));
    let analysis = |entry: &Entry| is(entry, ["aed_shock", "no_shock_advised"]);
    let paused_before = |entry: &Entry| {
        let before = told.iter().rev().find(|e| e.seq < entry.seq);
        before.is_some_and(|before| before.finding.is(Field::Name, "cpr_paused"))
    };
    let mut earlier = told.windows(2).filter_map(|pair| match pair {
        [one, next] if analysis(one) && one.seq < analysed.seq => Some(is(next, ["cpr_started", "cpr_resumed"])),
        _ => None,
    });
    let habit = earlier.next().is_some_and(|first| first && earlier.all(|resumed| resumed));
    analysis(analysed) && paused_before(analysed) && habit
}

fn scene(state: &Watched<'_>, knowledge: &Knowledge, clock: &ClockEntry, now: Moment) -> Option<Due> {
    let arrived = state.milestone("on_scene").or_else(|| state.milestone("at_patient"))?;
    if ["depart_scene", "at_destination"].iter().any(|m| state.milestone(m).is_some()) {
        return None;
    }
    let facts = Facts::new(&state.ledger, &knowledge.protocol, state.patient(), now);
    let matters = clock.body.only_if.as_ref().map(|c| facts.evaluate(c));
    if matters.as_ref().is_some_and(|v| v.answer != Answer::Yes) {
        return None;
    }
    let rung: Vec<&Said> = state.said_about(clock.id(), arrived.seq).collect();
    let first = arrived.when.mono_ms + ms(clock.body.at_min.first().copied()?);
    let (stage, at_ms) = staged(&rung, first, clock.body.escalate_after_min)?;
    let passed = at_ms.max(state.latest_ms).saturating_sub(arrived.when.mono_ms) / MINUTE_MS;
    let mut because = vec![arrived.seq];
    because.extend(matters.map(|v| v.because).unwrap_or_default());
    let slots = vec![("minutes".to_string(), number(passed))];
    Some(ring(clock, &clock.body.about, stage, at_ms, because, slots))
}

fn last_known_well(state: &Watched<'_>, clock: &ClockEntry) -> Option<Due> {
    let entry = state.ledger.of(Kind::LastKnownWell, state.patient()).rfind(|e| happened(&e.finding).is_some())?;
    let (at_ms, minutes) = thresholds(state, clock, entry)?;
    let slots = vec![("hours".to_string(), number(minutes / 60))];
    Some(ring(clock, &clock.body.about, 0, at_ms, vec![entry.seq], slots))
}

fn stroke_screen(state: &Watched<'_>, clock: &ClockEntry) -> Option<Due> {
    if state.ledger.latest(Kind::LastKnownWell, state.patient()).is_some() {
        return None;
    }
    let items = [Field::Face, Field::Arm, Field::Speech, Field::Balance, Field::Eyes];
    let abnormal = |e: &&Entry| items.iter().any(|item| e.finding.is(*item, "abnormal"));
    let entry = state.ledger.of(Kind::StrokeScreen, state.patient()).find(abnormal)?;
    let (at_ms, _) = thresholds(state, clock, entry)?;
    Some(ring(clock, &clock.body.about, 0, at_ms, vec![entry.seq], Slots::new()))
}

fn plans(state: &Watched<'_>, knowledge: &Knowledge, clock: &ClockEntry, now: Moment) -> Vec<Due> {
    let protocol = &knowledge.protocol;
    let resuscitation = arrests(&state.ledger, state.patient());
    let due = |subject: super::medication::Subject| {
        // Nobody has a hand free in a resuscitation, nor remembers afterwards which dose was which.
        if in_arrest(&resuscitation, subject.when) {
            return None;
        }
        if state.said.iter().any(|said| super::answers::asks_of_plan(protocol, said, subject.plan.seq)) {
            return None;
        }
        let at_ms = subject.when.mono_ms + ms(clock.body.at_min.first().copied()?);
        let slots = vec![("drug".to_string(), Value::text(protocol.spoken(&subject.plan.drug)))];
        Some(ring(clock, &subject.plan.drug, 0, at_ms, vec![subject.plan.seq], slots))
    };
    open_plans(state, protocol, now).into_iter().filter_map(due).collect()
}

/// A refusal ends without a handover: what its list still lacks is named once, a moment after the signature.
fn refusal_signed(state: &Watched<'_>, knowledge: &Knowledge, clock: &ClockEntry, now: Moment) -> Option<Due> {
    let signed = state.ledger.of(Kind::Refusal, state.patient()).find(|e| e.finding.get(Field::Signed).is_some())?;
    if state.said_about(clock.id(), signed.seq).next().is_some() {
        return None;
    }
    let lists = &knowledge.protocol.checklists;
    let gaps = checklist::grave_of(lists, &state.ledger, state.patient(), &clock.body.about, now);
    let what = lists.name(&gaps)?;
    let when = state.signed.get(&Watched::patient(state)).copied().unwrap_or(signed.when);
    let at_ms = when.mono_ms + ms(clock.body.at_min.first().copied()?);
    let slots = vec![("what".to_string(), Value::text(what))];
    Some(ring(clock, &clock.body.about, 0, at_ms, vec![signed.seq], slots))
}

/// Minutes until a due moment, rounded down.
pub fn minutes_until(due: &Due, now: Moment) -> u64 {
    minutes(now, Moment { mono_ms: due.at_ms, at: now.at })
}
