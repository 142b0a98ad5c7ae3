//! Findings as Observations: measured numbers under LOINC and UCUM, everything else in the record's own words.

use serde_json::{Map, Value as Json, json};

use super::codes::{LOINC, Measure, UCUM, concept};
use super::{Export, coded, note};
use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Finding, Kind, Value};
use crate::core::ledger::Entry;
use crate::core::report::vitals::{self, obtained};
use crate::core::time::rfc3339;

impl Export<'_> {
    /// One Observation a measured number, one for what is left in words.
    pub(super) fn observations(&mut self, entry: &Entry) {
        let finding = &entry.finding;
        let kind = finding.kind();
        let section = section(kind);
        let codes = self.codes;
        let applies = |m: &&Measure| {
            m.finding == kind.name()
                && Field::from_name(&m.field).is_some_and(|f| finding.get(f).is_some())
                && (kind != Kind::Symptom || is_pain(finding))
        };
        let measures: Vec<&Measure> = codes.measure.iter().filter(applies).collect();
        if !obtained(finding)
            && let Some(measure) = codes.measure.iter().find(|m| m.finding == kind.name() && kind != Kind::Symptom)
        {
            return self.measured(entry, measure, section);
        }
        for measure in &measures {
            self.measured(entry, measure, section);
        }
        let worded = codes
            .worded
            .iter()
            .filter(|w| w.finding == kind.name())
            .filter(|w| w.field.as_deref().and_then(Field::from_name).is_some_and(|f| finding.get(f).is_some()));
        let worded: Vec<_> = worded.collect();
        for word in worded {
            let Some(value) = word.field.as_deref().and_then(Field::from_name).and_then(|f| finding.text(f)) else {
                continue;
            };
            let coding = json!({ "system": LOINC, "code": word.code, "display": word.display });
            let mut body = self.head(entry, &word.category, concept(vec![coding], &word.display));
            body.insert("valueCodeableConcept".into(), json!({ "text": self.words(value) }));
            let line = format!("{}: {}", word.display, self.words(value));
            self.add(section, entry.seq, "Observation", &word.code.clone(), body, line);
        }
        if kind == Kind::Patient {
            return self.age(entry);
        }
        if measures.is_empty() {
            self.worded(entry, section);
        }
    }

    /// The finding in its own words.
    pub(super) fn worded(&mut self, entry: &Entry, section: &'static str) {
        let kind = entry.finding.kind();
        let label = self.wording.label(kind).to_string();
        let whole = self.codes.worded.iter().find(|w| w.finding == kind.name() && w.field.is_none());
        let (category, codings) = match whole {
            Some(w) => (w.category.clone(), vec![json!({ "system": LOINC, "code": w.code, "display": w.display })]),
            None => (category(kind).to_string(), Vec::new()),
        };
        let mut body = self.head(entry, &category, concept(codings, &label));
        let text = self.text(entry);
        if obtained(&entry.finding) {
            body.insert("valueString".into(), if text.is_empty() { label.clone() } else { text.clone() }.into());
        } else {
            body.insert("dataAbsentReason".into(), why_absent(&entry.finding));
        }
        self.add(section, entry.seq, "Observation", "words", body, format!("{label}: {text}"));
    }

    fn measured(&mut self, entry: &Entry, measure: &Measure, section: &'static str) {
        let finding = &entry.finding;
        let codings = measure.codes.iter().map(|c| c.coding(LOINC)).collect();
        let label = self.wording.label(finding.kind()).to_string();
        let mut body = self.head(entry, &measure.category, concept(codings, &label));
        if let Some(profile) = &measure.profile {
            let url = format!("http://hl7.org/fhir/StructureDefinition/{profile}");
            body.insert("meta".into(), json!({ "profile": [url] }));
        }
        let components = self.components(finding);
        let panel = finding.kind() == Kind::BloodPressure;
        let restated = finding.flag(Field::Unchanged) == Some(true);
        if !obtained(finding) {
            body.insert("dataAbsentReason".into(), why_absent(finding));
        } else if restated {
            // Said to be unchanged: not a measurement, so no value that a graph could take for one.
            body.insert("dataAbsentReason".into(), coded("data-absent-reason", "not-performed"));
        } else if let Some(number) = Field::from_name(&measure.field).and_then(|f| finding.number(f))
            && !panel
        {
            let (number, unit) = as_said(finding, number, &measure.ucum);
            body.insert("valueQuantity".into(), quantity(number, &unit, finding.text(Field::Comparator)));
        }
        if let Some(method) = finding.text(Field::Method) {
            body.insert("method".into(), json!({ "text": self.words(method) }));
        }
        if !components.is_empty() && obtained(finding) && !restated {
            body.insert("component".into(), Json::Array(components));
        }
        let text = self.text(entry);
        note(&mut body, &text);
        let line = format!("{label}: {text}");
        let name = measure.field.clone();
        self.add(section, entry.seq, "Observation", &name, body, line);
    }

    fn components(&self, finding: &Finding) -> Vec<Json> {
        let panel = finding.kind() == Kind::BloodPressure;
        let of_kind = self.codes.component.iter().filter(|c| c.finding == finding.kind().name());
        of_kind
            .filter_map(|c| {
                let coding = json!({ "system": LOINC, "code": c.code, "display": c.display });
                let code = concept(vec![coding], &c.display);
                match Field::from_name(&c.field).and_then(|f| finding.number(f)) {
                    Some(number) => Some(json!({ "code": code, "valueQuantity": quantity(number, &c.ucum, None) })),
                    // A pressure by palpation has no diastolic: say so instead of leaving it out.
                    None if panel => {
                        let palpated = finding.is(Field::Method, "palpated");
                        let why = if palpated { "not-performed" } else { "unknown" };
                        Some(json!({ "code": code, "dataAbsentReason": coded("data-absent-reason", why) }))
                    }
                    None => None,
                }
            })
            .collect()
    }

    /// Status, category, code, subject, encounter, time.
    fn head(&self, entry: &Entry, category: &str, code: Json) -> Map<String, Json> {
        let mut body = Map::new();
        body.insert("status".into(), self.status(entry).into());
        body.insert("category".into(), json!([coded("observation-category", category)]));
        body.insert("code".into(), code);
        body.insert("subject".into(), self.subject());
        body.insert("encounter".into(), self.encounter());
        body.insert("effectiveDateTime".into(), Export::effective(entry).into());
        body
    }

    fn status(&self, entry: &Entry) -> &'static str {
        let closed = self.call.closed.map(|(e, _)| e.seq);
        match (entry.retracted, entry.replaced.last(), entry.unconfirmed()) {
            (Some(_), _, _) => "entered-in-error",
            (None, Some((_, by)), _) if closed.is_some_and(|c| *by > c) => "amended",
            (None, Some(_), _) => "corrected",
            (None, None, true) => "preliminary",
            (None, None, false) => "final",
        }
    }

    /// The age as said: R4's Patient has only a birth date, which nobody said.
    fn age(&mut self, entry: &Entry) {
        let units = [(Field::AgeYears, "a"), (Field::AgeMonths, "mo"), (Field::AgeDays, "d")];
        let Some((number, unit)) = units.iter().find_map(|(f, u)| Some((entry.finding.number(*f)?, *u))) else {
            return;
        };
        // LOINC 30525-0 Age, from memory.
        let coding = json!({ "system": LOINC, "code": "30525-0", "display": "Age" });
        let mut body = self.head(entry, "social-history", concept(vec![coding], "Age"));
        body.insert("valueQuantity".into(), quantity(number, unit, None));
        let text = self.text(entry);
        note(&mut body, &text);
        self.add("complaint", entry.seq, "Observation", "age", body, format!("Age: {number} {unit}"));
    }

    /// One panel a set of vitals, with its members.
    pub(super) fn vital_panels(&mut self) {
        let sets = vitals::sets(self.call, self.patient);
        for set in &sets {
            let mut members: Vec<String> = Vec::new();
            for (_, entry) in &set.entries {
                let made = self.made.get(&entry.seq).cloned().unwrap_or_default();
                members.extend(made.into_iter().filter(|r| self.is_vital(r)));
            }
            let (Some(when), Some((_, first))) = (set.when(), set.entries.first()) else { continue };
            if members.len() < 2 {
                continue;
            }
            let coding = json!({
                "system": LOINC, "code": "85353-1",
                "display": "Vital signs, weight, height, head circumference, oxygen saturation and BMI panel",
            });
            let mut body = Map::new();
            let profile = "http://hl7.org/fhir/StructureDefinition/vitalspanel";
            body.insert("meta".into(), json!({ "profile": [profile] }));
            body.insert("status".into(), "final".into());
            body.insert("category".into(), json!([coded("observation-category", "vital-signs")]));
            body.insert("code".into(), concept(vec![coding], "Vitals"));
            body.insert("subject".into(), self.subject());
            body.insert("encounter".into(), self.encounter());
            body.insert("effectiveDateTime".into(), rfc3339(&when.at).into());
            let members = members.into_iter().map(|r| json!({ "reference": r })).collect();
            body.insert("hasMember".into(), Json::Array(members));
            let line = format!("Vitals at {}", when.at.format("%H:%M"));
            self.add("vitals", first.seq, "Observation", "panel", body, line);
        }
    }

    fn is_vital(&self, reference: &str) -> bool {
        let id = reference.rsplit('/').next().unwrap_or("");
        self.vital.contains(id)
    }
}

/// The number in UCUM; the unit is shown as written in UCUM too.
pub(super) fn quantity(number: Decimal, ucum: &str, comparator: Option<&str>) -> Json {
    let mut map = Map::new();
    map.insert("value".into(), json!(number));
    if let Some(comparator) = comparator {
        map.insert("comparator".into(), comparator.into());
    }
    map.insert("unit".into(), ucum.into());
    map.insert("system".into(), UCUM.into());
    map.insert("code".into(), ucum.into());
    Json::Object(map)
}

/// A temperature goes out in the unit it was said in.
fn as_said(finding: &Finding, number: Decimal, ucum: &str) -> (Decimal, String) {
    if finding.kind() == Kind::Temperature
        && let Some(Value::Group(said)) = finding.get(Field::Said)
    {
        let unit = said.iter().find_map(|(_, v)| v.as_text());
        let value = said.iter().find_map(|(_, v)| v.as_number());
        if let (Some(unit), Some(value)) = (unit, value)
            && unit.to_lowercase().contains('f')
        {
            return (value, "[degF]".into());
        }
    }
    (number, ucum.into())
}

fn is_pain(finding: &Finding) -> bool {
    finding.text(Field::Name).is_none_or(|name| name.contains("pain"))
}

fn why_absent(finding: &Finding) -> Json {
    let code = match finding.text(Field::Why) {
        Some("refused") => "asked-declined",
        Some("unable" | "equipment") => "not-performed",
        _ => "unknown",
    };
    coded("data-absent-reason", code)
}

fn section(kind: Kind) -> &'static str {
    match kind {
        Kind::Pulse
        | Kind::Respirations
        | Kind::BloodPressure
        | Kind::OxygenSaturation
        | Kind::Glucose
        | Kind::Temperature
        | Kind::EndTidalCo2
        | Kind::Gcs => "vitals",
        Kind::Patient
        | Kind::Symptom
        | Kind::GeneralImpression
        | Kind::Mechanism
        | Kind::Events
        | Kind::LastKnownWell
        | Kind::Milestone
        | Kind::Priority
        | Kind::Scene
        | Kind::ResourceRequest
        | Kind::Consent
        | Kind::Capacity
        | Kind::Refusal
        | Kind::Triage
        | Kind::EquipmentCheck => "complaint",
        Kind::LastIntake | Kind::Pregnancy => "history",
        Kind::MedicationCheck | Kind::Response | Kind::OxygenCylinder => "treatments",
        Kind::Spinal => "procedures",
        _ => "exam",
    }
}

fn category(kind: Kind) -> &'static str {
    match section(kind) {
        "complaint" | "history" => "survey",
        "treatments" | "procedures" => "procedure",
        _ => "exam",
    }
}
