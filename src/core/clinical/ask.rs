//! A score asked for by name: inputs from the ledger, the formula, and the sentence from data.

use serde::Deserialize;

use super::apgar;
use super::burns;
use super::gather::Gather;
use super::gcs;
use super::news2::{self, Consciousness, Observations, Scale};
use super::perfusion;
use super::qsofa;
use super::rts;
use super::stroke;
use super::triage;
use super::{age, age::Age};
use crate::core::dataset::{Entry, Reader};
use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Kind};
use crate::core::ledger::Ledger;
use crate::core::time::Moment;
use crate::core::vitals::oxygen::{self, OxygenState};

/// Safe residual of a cylinder where the data name none (EMT textbook table, as quoted).
const RESIDUAL_PSI: i64 = 200;

/// The formulas this program knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Formula {
    News2,
    Gcs,
    Qsofa,
    ShockIndex,
    PediatricShockIndex,
    MeanPressure,
    PulsePressure,
    RevisedTraumaScore,
    Cincinnati,
    Apgar,
    RuleOfNines,
    Start,
    JumpStart,
    OxygenMinutes,
}

/// One `[[score]]` of `protocols/scores.toml`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ScoreRule {
    pub formula: Formula,
    /// Names under which it may be asked for.
    pub names: Vec<String>,
    /// The finding it is about.
    pub about: String,
    /// The answer: slots `{value}` `{band}` `{basis}` `{well}`.
    pub say: String,
    /// The refusal: slot `{missing}`.
    pub incomplete: String,
    /// Older values count as not known.
    pub max_age_minutes: u64,
    /// NEWS2: which saturation scale (1 unless a clinician has set 2).
    #[serde(default)]
    pub scale: Option<u8>,
    /// Refused below this age.
    #[serde(default)]
    pub from_years: Option<i64>,
    /// Refused from this age on.
    #[serde(default)]
    pub below_years: Option<i64>,
    /// Rule of nines: the child's figures below this age.
    #[serde(default)]
    pub child_below_years: Option<i64>,
    /// Cylinder: safe residual, psi.
    #[serde(default)]
    pub residual_psi: Option<i64>,
}

/// The spoken word for something a score needs: one `[[score_item]]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ScoreItem {
    pub item: String,
    pub say: String,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct ScoreRules {
    pub scores: Vec<Entry<ScoreRule>>,
    pub items: Vec<Entry<ScoreItem>>,
}

/// A score worked out.
#[derive(Clone, Debug, PartialEq)]
pub struct Score {
    /// The rule's id.
    pub name: String,
    pub about: String,
    /// As shown: `6`, `0.92`, `red`.
    pub value: String,
    pub band: String,
    /// Sub-scores by name.
    pub parts: Vec<(String, i64)>,
    pub because: Vec<u64>,
    pub source: String,
    /// The sentence, filled.
    pub say: String,
}

/// Why there is no score.
#[derive(Clone, Debug, PartialEq)]
pub struct Missing {
    pub name: String,
    pub about: String,
    /// What was not said, not fresh or not confirmed; finding names or parts. Empty where the score does not apply.
    pub missing: Vec<String>,
    pub source: String,
    /// The sentence, filled.
    pub say: String,
}

/// A formula's result before it has words.
struct Worked {
    value: String,
    band: String,
    parts: Vec<(String, i64)>,
    because: Vec<u64>,
    well: String,
    basis: &'static str,
}

impl Worked {
    fn new(value: impl ToString, band: impl ToString, because: Vec<u64>) -> Worked {
        Worked {
            value: value.to_string(),
            band: band.to_string(),
            parts: Vec::new(),
            because,
            well: String::new(),
            basis: "",
        }
    }
}

impl ScoreRules {
    /// Takes `[[score]]` and `[[score_item]]` and checks them.
    pub fn read(reader: &mut Reader<'_>) -> ScoreRules {
        let rules = ScoreRules { scores: reader.take("score"), items: reader.take("score_item") };
        for rule in &rules.scores {
            if rule.body.scale.is_some_and(|scale| !matches!(scale, 1 | 2)) {
                reader.report([rule.error(format!("`{}`: scale is 1 or 2", rule.id()))]);
            }
            if rule.body.names.is_empty() {
                reader.report([rule.error(format!("`{}` has no name to be asked by", rule.id()))]);
            }
        }
        rules
    }

    /// The rule that `name` asks for.
    pub fn find(&self, name: &str) -> Option<&Entry<ScoreRule>> {
        self.scores.iter().find(|rule| rule.id() == name || rule.body.names.iter().any(|n| n == name))
    }

    fn word(&self, item: &str) -> String {
        let known = self.items.iter().find(|i| i.body.item == item);
        known.map_or_else(|| item.replace('_', " "), |i| i.body.say.clone())
    }
}

/// The answer as a sentence, whether it is a score or a refusal; `None` for a name nobody knows.
pub fn answer(name: &str, rules: &ScoreRules, ledger: &Ledger, patient: i64, now: Moment) -> Option<String> {
    rules.find(name)?;
    Some(match score(name, rules, ledger, patient, now) {
        Ok(score) => score.say,
        Err(missing) => missing.say,
    })
}

/// Works out the score called `name` for `patient` from what stands at `now`.
///
/// # Errors
/// Every input that was never said, is older than the rule allows, still in doubt, or not exact, by name; or that the
/// score is not for this patient's age.
pub fn score(name: &str, rules: &ScoreRules, ledger: &Ledger, patient: i64, now: Moment) -> Result<Score, Missing> {
    supposing(name, rules, ledger, patient, Supposed::default(), now)
}

/// What the question itself supposes: "how long will the D last at fifteen liters".
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Supposed<'a> {
    /// Litres a minute.
    pub flow: Option<Decimal>,
    /// Of the cylinder, as the record spells it.
    pub size: Option<&'a str>,
}

/// [`score`] with what the question supposes in place of what the record has.
///
/// # Errors
/// As [`score`].
pub fn supposing(
    name: &str,
    rules: &ScoreRules,
    ledger: &Ledger,
    patient: i64,
    supposed: Supposed<'_>,
    now: Moment,
) -> Result<Score, Missing> {
    let Some(rule) = rules.find(name) else {
        let refused = Missing {
            name: name.into(),
            about: name.into(),
            missing: vec![],
            source: String::new(),
            say: String::new(),
        };
        return Err(refused);
    };
    let gather = Gather { ledger, patient, now, max_age_ms: rule.body.max_age_minutes.saturating_mul(60_000) };
    let known_age = age::of(ledger, patient).map(|(age, _)| age);
    let refuse = |missing: Vec<String>| {
        let words: Vec<String> = missing.iter().map(|item| rules.word(item)).collect();
        Missing {
            name: rule.id().into(),
            about: rule.body.about.clone(),
            say: rule.body.incomplete.replace("{missing}", &words.join(", ")),
            source: rule.head.source.clone(),
            missing,
        }
    };
    let outside = known_age.is_some_and(|age| {
        rule.body.from_years.is_some_and(|from| age.in_years() < from)
            || rule.body.below_years.is_some_and(|below| age.in_years() >= below)
    });
    if outside {
        return Err(refuse(vec!["right_age".into()]));
    }
    let worked = work(&rule.body, name, gather, supposed, known_age).map_err(refuse)?;
    let say = rule.body.say.replace("{value}", &worked.value).replace("{band}", &worked.band);
    let say = say.replace("{well}", &worked.well).replace("{basis}", worked.basis);
    Ok(Score {
        name: rule.id().into(),
        about: rule.body.about.clone(),
        value: worked.value,
        band: worked.band,
        parts: worked.parts,
        because: worked.because,
        source: rule.head.source.clone(),
        say: say.trim().trim_end_matches(',').to_string(),
    })
}

type Outcome = Result<Worked, Vec<String>>;

fn work(rule: &ScoreRule, name: &str, g: Gather<'_>, supposed: Supposed<'_>, age: Option<Age>) -> Outcome {
    match rule.formula {
        Formula::News2 => work_news2(rule, name, g),
        Formula::Gcs => work_gcs(g),
        Formula::Qsofa => work_qsofa(g),
        Formula::ShockIndex => work_shock_index(g),
        Formula::PediatricShockIndex => work_sipa(g, age),
        Formula::MeanPressure | Formula::PulsePressure => work_pressures(rule.formula, g),
        Formula::RevisedTraumaScore => work_rts(g),
        Formula::Cincinnati => work_cincinnati(g),
        Formula::Apgar => work_apgar(g),
        Formula::RuleOfNines => work_nines(rule, g, age),
        Formula::Start | Formula::JumpStart => work_triage(rule.formula, g),
        Formula::OxygenMinutes if supposed != Supposed::default() => work_supposed_oxygen(rule, g, supposed),
        Formula::OxygenMinutes => work_oxygen(rule, g),
    }
}

fn owned(missing: Vec<&'static str>) -> Vec<String> {
    missing.into_iter().map(String::from).collect()
}

/// The events that were used, in order, each once.
fn seqs(all: impl IntoIterator<Item = Option<u64>>) -> Vec<u64> {
    let mut seqs: Vec<u64> = all.into_iter().flatten().collect();
    seqs.sort_unstable();
    seqs.dedup();
    seqs
}

fn work_news2(rule: &ScoreRule, name: &str, g: Gather<'_>) -> Outcome {
    let respirations = g.int(Kind::Respirations, Field::RatePerMin);
    let saturation = g.int(Kind::OxygenSaturation, Field::Percent);
    let breathing = oxygen::latest_state(g.ledger, g.patient);
    let pressure = g.int(Kind::BloodPressure, Field::SystolicMmhg);
    let pulse = g.int(Kind::Pulse, Field::RatePerMin);
    let alert = g.alert();
    let temperature = g.number(Kind::Temperature, Field::Celsius);
    let two = rule.scale == Some(2) || name.ends_with("scale_2") || name.ends_with("scale_two");
    let set = Observations {
        respirations: respirations.map(|r| r.0),
        saturation: saturation.map(|r| r.0),
        on_oxygen: match breathing {
            OxygenState::RoomAir { .. } => Some(false),
            OxygenState::Oxygen { .. } => Some(true),
            OxygenState::NotStated => None,
        },
        systolic: pressure.map(|r| r.0),
        pulse: pulse.map(|r| r.0),
        consciousness: alert.map(|(alert, _)| if alert { Consciousness::Alert } else { Consciousness::Other }),
        temperature: temperature.map(|r| r.value),
        scale: if two { Scale::Two } else { Scale::One },
    };
    let result = news2::news2(&set).map_err(owned)?;
    let because = seqs([respirations, saturation, pressure, pulse].map(|r| r.map(|r| r.1)));
    let because = seqs(because.into_iter().map(Some).chain([alert.map(|a| a.1), temperature.map(|t| t.seq)]));
    let mut worked = Worked::new(result.total(), result.band(), because);
    worked.parts = news2::PARTS.iter().zip(result.parts).map(|(n, p)| (n.to_string(), i64::from(p))).collect();
    Ok(worked)
}

fn work_gcs(g: Gather<'_>) -> Outcome {
    let Some(entry) = g.entries(Kind::Gcs).next() else { return Err(vec!["gcs".into()]) };
    let f = &entry.finding;
    let parts = gcs::Parts { eye: f.int(Field::Eye), verbal: f.int(Field::Verbal), motor: f.int(Field::Motor) };
    let none_said = parts == gcs::Parts::default();
    let total = match (gcs::total(parts), f.int(Field::Total)) {
        (Ok(total), _) => total,
        (Err(_), Some(total)) if none_said && f.get(Field::NotTestable).is_none() => total,
        (Err(gcs::Refused::Missing(missing)), _) => return Err(owned(missing)),
        (Err(gcs::Refused::Impossible(part)), _) => return Err(vec![part.into()]),
    };
    let mut worked = Worked::new(total, gcs::band(total), vec![entry.seq]);
    let named = [("eye", parts.eye), ("verbal", parts.verbal), ("motor", parts.motor)];
    worked.parts = named.iter().filter_map(|(n, p)| Some((n.to_string(), (*p)?))).collect();
    Ok(worked)
}

fn work_qsofa(g: Gather<'_>) -> Outcome {
    let rate = g.int(Kind::Respirations, Field::RatePerMin);
    let pressure = g.int(Kind::BloodPressure, Field::SystolicMmhg);
    let alert = g.alert();
    let set = qsofa::Observations {
        respirations: rate.map(|r| r.0),
        systolic: pressure.map(|r| r.0),
        altered: alert.map(|a| !a.0),
    };
    let points = qsofa::qsofa(&set).map_err(owned)?;
    let total = points.iter().sum();
    Ok(Worked::new(total, qsofa::band(total), seqs([rate.map(|r| r.1), pressure.map(|r| r.1), alert.map(|a| a.1)])))
}

/// A whole number and the event that said it.
type Said = (i64, u64);

/// Pulse and systolic, or what is missing.
fn pulse_and_pressure(g: Gather<'_>) -> Result<(Said, Said), Vec<String>> {
    let pulse = g.int(Kind::Pulse, Field::RatePerMin);
    let pressure = g.int(Kind::BloodPressure, Field::SystolicMmhg);
    match (pulse, pressure) {
        (Some(pulse), Some(pressure)) => Ok((pulse, pressure)),
        _ => Err([("pulse", pulse.is_none()), ("blood_pressure", pressure.is_none())]
            .iter()
            .filter(|(_, missing)| *missing)
            .map(|(name, _)| name.to_string())
            .collect()),
    }
}

fn work_shock_index(g: Gather<'_>) -> Outcome {
    let (pulse, pressure) = pulse_and_pressure(g)?;
    let index = perfusion::shock_index(pulse.0, pressure.0).ok_or_else(|| vec!["blood_pressure".to_string()])?;
    let value = index.as_f64();
    let band = if value >= 1.0 {
        "high"
    } else if value > 0.9 {
        "raised"
    } else {
        "not raised"
    };
    Ok(Worked::new(index, band, seqs([Some(pulse.1), Some(pressure.1)])))
}

fn work_sipa(g: Gather<'_>, age: Option<Age>) -> Outcome {
    let both = pulse_and_pressure(g);
    let Some(age) = age else {
        let mut missing = both.err().unwrap_or_default();
        missing.push("age".into());
        return Err(missing);
    };
    let (pulse, pressure) = both?;
    let index = perfusion::shock_index(pulse.0, pressure.0).ok_or_else(|| vec!["blood_pressure".to_string()])?;
    let raised = perfusion::sipa_raised(pulse.0, pressure.0, age.in_years());
    let band = match raised {
        Some(true) => "raised",
        Some(false) => "not raised",
        None => return Err(vec!["right_age".into()]),
    };
    Ok(Worked::new(index, band, seqs([Some(pulse.1), Some(pressure.1)])))
}

fn work_pressures(formula: Formula, g: Gather<'_>) -> Outcome {
    let latest = g.entries(Kind::BloodPressure).find(|e| e.finding.get(Field::Comparator).is_none());
    let entry = latest.ok_or_else(|| vec!["blood_pressure".to_string()])?;
    let pair = entry.finding.int(Field::SystolicMmhg).zip(entry.finding.int(Field::DiastolicMmhg));
    let (systolic, diastolic) = pair.ok_or_else(|| vec!["diastolic".to_string()])?;
    let value = match formula {
        Formula::PulsePressure => perfusion::pulse_pressure(systolic, diastolic).to_string(),
        _ => {
            let mean = perfusion::mean_pressure(systolic, diastolic);
            mean.ok_or_else(|| vec!["blood_pressure".to_string()])?.to_string()
        }
    };
    let band = match formula {
        Formula::PulsePressure if perfusion::narrow(systolic, diastolic) => "narrow",
        _ => "",
    };
    Ok(Worked::new(value, band, vec![entry.seq]))
}

fn work_rts(g: Gather<'_>) -> Outcome {
    let scale = work_gcs(g).ok();
    let total = scale.as_ref().and_then(|w| w.value.parse().ok());
    let pressure = g.int(Kind::BloodPressure, Field::SystolicMmhg);
    let rate = g.int(Kind::Respirations, Field::RatePerMin);
    let result = rts::rts(total, pressure.map(|r| r.0), rate.map(|r| r.0)).map_err(owned)?;
    let scale_seq = scale.and_then(|w| w.because.first().copied());
    let because = seqs([scale_seq, pressure.map(|r| r.1), rate.map(|r| r.1)]);
    let mut worked = Worked::new(result.triage(), result.band(), because);
    worked.parts = vec![
        ("gcs".into(), result.gcs),
        ("blood_pressure".into(), result.systolic),
        ("respirations".into(), result.respirations),
    ];
    Ok(worked)
}

fn work_cincinnati(g: Gather<'_>) -> Outcome {
    let look = |field| g.word(Kind::StrokeScreen, field).map(|(word, seq)| (word == "abnormal", seq));
    let (face, arm, speech) = (look(Field::Face), look(Field::Arm), look(Field::Speech));
    let items = stroke::Items { face: face.map(|i| i.0), arm: arm.map(|i| i.0), speech: speech.map(|i| i.0) };
    let abnormal = stroke::cincinnati(items).map_err(owned)?;
    let because = seqs([face, arm, speech].map(|i| i.map(|i| i.1)));
    let mut worked = Worked::new(abnormal, stroke::band(abnormal), because);
    let well = g.ledger.of(Kind::LastKnownWell, g.patient).rev().find(|e| e.finding.get(Field::HappenedAt).is_some());
    worked.well = match well {
        Some(entry) => format!("{} minutes ago", super::gather::age_ms(entry, g.now) / 60_000),
        None => "not stated".into(),
    };
    Ok(worked)
}

fn work_apgar(g: Gather<'_>) -> Outcome {
    let Some(entry) = g.entries(Kind::Apgar).next() else { return Err(owned(apgar::PARTS.to_vec())) };
    let f = &entry.finding;
    let fields = [Field::Appearance, Field::Pulse, Field::Grimace, Field::Activity, Field::Respiration];
    let parts = fields.map(|field| f.int(field));
    let total = match (apgar::total(parts), f.int(Field::Total)) {
        (Ok(total), _) => total,
        (Err(_), Some(total)) if parts == [None; 5] => total,
        (Err(missing), _) => return Err(owned(missing)),
    };
    Ok(Worked::new(total, apgar::band(total), vec![entry.seq]))
}

fn work_nines(rule: &ScoreRule, g: Gather<'_>, age: Option<Age>) -> Outcome {
    let burns: Vec<_> = g
        .entries(Kind::Burn)
        .filter(|e| e.finding.flag(Field::Present) != Some(false) && !e.finding.is(Field::Degree, "superficial"))
        .collect();
    let named: Vec<String> = burns.iter().filter_map(|e| region(e)).collect();
    if named.is_empty() {
        return Err(vec!["burn_regions".into()]);
    }
    let child = rule.child_below_years.zip(age).is_some_and(|(below, age)| age.in_years() < below);
    let regions = named.iter().map(String::as_str);
    let percent = burns::percent(regions, child).map_err(|unknown| vec![unknown.to_string()])?;
    let mut worked = Worked::new(percent, "", seqs(burns.iter().map(|e| Some(e.seq))));
    worked.basis = match age {
        None => "adult figures, age not known",
        Some(_) if child => "child figures",
        Some(_) => "",
    };
    Ok(worked)
}

/// A burn's region with the side said beside it: `arm` and `left` make `left_arm`.
fn region(entry: &crate::core::ledger::Entry) -> Option<String> {
    let region = entry.finding.text(Field::Region)?;
    Some(match entry.finding.text(Field::Side) {
        Some("both") if region.ends_with("arm") => "both_arms".into(),
        Some("both") if region.ends_with("leg") => "both_legs".into(),
        Some(side @ ("left" | "right")) if !region.starts_with(side) => format!("{side}_{region}"),
        _ => region.to_string(),
    })
}

fn work_triage(formula: Formula, g: Gather<'_>) -> Outcome {
    let walks = g.flag(Kind::Triage, Field::CanWalk);
    let rate = g.int(Kind::Respirations, Field::RatePerMin);
    let breathing = g.flag(Kind::Respirations, Field::Present);
    let pulse = g.flag(Kind::Pulse, Field::Present);
    let beats = g.int(Kind::Pulse, Field::RatePerMin);
    let refill = g.entries(Kind::CapillaryRefill).find_map(|e| Some((slow_refill(e)?, e.seq)));
    let alert = g.alert();
    let avpu = g.word(Kind::Consciousness, Field::Avpu);
    let motor = g.int(Kind::Gcs, Field::Motor);
    let signs = triage::Signs {
        walks: walks.map(|w| w.0),
        breathing: breathing.map(|b| b.0),
        rate: rate.map(|r| r.0),
        pulse: pulse.map(|p| p.0).or(beats.map(|b| b.0 > 0)),
        slow_refill: refill.map(|r| r.0),
        obeys: motor.map(|m| m.0 == 6).or(alert.filter(|a| a.0).map(|_| true)).or(not_awake(avpu)),
        responds: avpu.map(|(word, _)| word != "unresponsive"),
        ..triage::Signs::default()
    };
    let result = match formula {
        Formula::JumpStart => triage::jump_start(&signs),
        _ => triage::start(&signs),
    };
    let category = result.map_err(|missing| vec![missing.to_string()])?;
    let used = [walks.map(|x| x.1), rate.map(|x| x.1), pulse.map(|x| x.1), beats.map(|x| x.1), refill.map(|x| x.1)];
    let because = seqs(used.into_iter().chain([breathing.map(|x| x.1), avpu.map(|x| x.1), motor.map(|x| x.1)]));
    Ok(Worked::new(category.colour(), category.name(), because))
}

/// Somebody who answers only to pain, or not at all, follows no commands.
fn not_awake(avpu: Option<(&str, u64)>) -> Option<bool> {
    avpu.filter(|(word, _)| matches!(*word, "pain" | "unresponsive")).map(|_| false)
}

/// Over 2 s; `None` where "under three" could be either.
fn slow_refill(entry: &crate::core::ledger::Entry) -> Option<bool> {
    let seconds = entry.finding.number(Field::Seconds)?;
    let two = crate::core::decimal::Decimal::from_int(2);
    match entry.finding.text(Field::Comparator) {
        Some("<") => (seconds <= two).then_some(false),
        Some(_) => (seconds >= two).then_some(true),
        None => Some(seconds > two),
    }
}

/// Litres a minute that nobody has set yet, of a cylinder that may be another than the one that was read last.
fn work_supposed_oxygen(rule: &ScoreRule, g: Gather<'_>, supposed: Supposed<'_>) -> Outcome {
    let residual = rule.residual_psi.unwrap_or(RESIDUAL_PSI);
    let minutes = oxygen::minutes_at(g.ledger, g.patient, residual, supposed.flow, supposed.size).map_err(owned)?;
    Ok(Worked::new(minutes.0, "", minutes.1))
}

fn work_oxygen(rule: &ScoreRule, g: Gather<'_>) -> Outcome {
    let clock = oxygen::cylinder(g.ledger, g.patient, rule.residual_psi.unwrap_or(RESIDUAL_PSI));
    let clock = clock.map_err(owned)?;
    let minutes = clock.empty_at.since_ms(g.now) / 60_000;
    Ok(Worked::new(minutes, "", clock.because))
}
