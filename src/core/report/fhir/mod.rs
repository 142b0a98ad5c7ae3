//! The record as HL7 FHIR R4: a document Bundle, or loose resources for bulk loading.
//!
//! Every resource rests on one finding or advice; what is not known is said to be so (`dataAbsentReason`,
//! `emptyReason`), never left to be read as "no". Nothing is deleted: what was taken back goes out as
//! `entered-in-error`, what was corrected as `corrected` with a Provenance that names the value before.
//! Specification: HL7 FHIR R4 (4.0.1), Bundle "document" rules, vital signs profile.

pub mod codes;
mod document;
mod medicine;
mod observation;

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Map, Value as Json, json};
use sha2::{Digest, Sha256};

use super::call::{Call, happened};
use super::review::{Desk, advice_type, merged_patient};
use super::wording::{Manner, Wording, plain};
use crate::core::event::{AdviceType, Body, Event, Priority};
use crate::core::finding::{Field, Kind};
use crate::core::ledger::Entry;
use crate::core::time::{Moment, rfc3339};
pub use codes::Codes;
use codes::{SNOMED, concept};

const TERMS: &str = "http://terminology.hl7.org/CodeSystem";

/// A resource and where it stands in the document.
#[derive(Clone, Debug)]
struct Item {
    section: &'static str,
    resource: Json,
    /// Words for the section's narrative.
    line: String,
    /// Not an entry of its section: reached through another resource.
    inner: bool,
}

/// One patient of one call as FHIR resources. References are relative (`Patient/<id>`).
pub struct Export<'a> {
    call: &'a Call<'a>,
    wording: &'a Wording,
    codes: &'a Codes,
    patient: i64,
    key: String,
    items: Vec<Item>,
    /// Resources that came from an event: its number to their references.
    made: BTreeMap<u64, Vec<String>>,
    /// Answers to each advice.
    answers: BTreeMap<u64, Vec<&'a Event>>,
    /// Plans that nothing closed.
    open_plans: Vec<u64>,
    /// Ids of Observations of the vital signs category.
    vital: BTreeSet<String>,
}

impl<'a> Export<'a> {
    pub fn build(call: &'a Call<'a>, wording: &'a Wording, codes: &'a Codes, patient: i64) -> Export<'a> {
        let mut export = Export {
            call,
            wording,
            codes,
            patient,
            key: record_key(call),
            items: Vec::new(),
            made: BTreeMap::new(),
            answers: call.about_advice(),
            open_plans: call.open_plans(patient).iter().map(|e| e.seq).collect(),
            vital: BTreeSet::new(),
        };
        for entry in call.ledger.entries().iter().filter(|e| e.finding.patient() == patient) {
            export.entry(entry);
        }
        export.vital_panels();
        for (event, advice) in call.advice() {
            export.advice(event, advice);
        }
        export.provenance();
        export
    }

    /// Every resource, the framing ones (Patient, Encounter, Device, ...) first; for bulk loading.
    pub fn resources(&self) -> Vec<Json> {
        let mut all = self.framing();
        all.extend(self.items.iter().map(|i| i.resource.clone()));
        all.into_iter().map(|r| self.tagged(r)).collect()
    }

    /// The document Bundle. Its time is that of the record's last event.
    pub fn document(&self) -> Json {
        document::bundle(self)
    }

    /// Training records carry the standard tag for test data on every resource.
    fn tagged(&self, mut resource: Json) -> Json {
        if self.call.training()
            && let Some(map) = resource.as_object_mut()
        {
            let tag =
                json!({ "system": format!("{TERMS}/v3-ActReason"), "code": "HTEST", "display": "test health data" });
            let meta = map.entry("meta").or_insert_with(|| json!({}));
            if let Some(meta) = meta.as_object_mut() {
                meta.insert("tag".into(), json!([tag]));
            }
        }
        resource
    }

    fn id(&self, name: &str) -> String {
        uuid(&format!("{}/{}/{name}", self.key, self.patient))
    }

    fn reference(&self, kind: &str, name: &str) -> Json {
        json!({ "reference": format!("{kind}/{}", self.id(name)) })
    }

    fn subject(&self) -> Json {
        self.reference("Patient", "patient")
    }

    fn encounter(&self) -> Json {
        self.reference("Encounter", "encounter")
    }

    fn device(&self) -> Json {
        self.reference("Device", "device")
    }

    fn text(&self, entry: &Entry) -> String {
        self.desk().text(entry)
    }

    fn line(&self, entry: &Entry) -> String {
        self.desk().line(entry)
    }

    fn desk(&self) -> Desk<'_> {
        Desk { call: self.call, wording: self.wording, start: self.call.start() }
    }

    fn words(&self, word: &str) -> String {
        self.wording.word(word, Manner::Shown)
    }

    /// Adds a resource made from event `seq`. `name` must be unique among the event's resources.
    fn add(
        &mut self,
        section: &'static str,
        seq: u64,
        kind: &str,
        name: &str,
        mut body: Map<String, Json>,
        line: String,
    ) {
        let id = self.id(&format!("{seq}/{name}"));
        let mut resource = Map::new();
        resource.insert("resourceType".into(), kind.into());
        resource.insert("id".into(), id.clone().into());
        resource.append(&mut body);
        self.made.entry(seq).or_default().push(format!("{kind}/{id}"));
        if resource.get("category").and_then(|c| c.pointer("/0/coding/0/code")) == Some(&json!("vital-signs")) {
            self.vital.insert(id);
        }
        self.items.push(Item { section, resource: Json::Object(resource), line, inner: false });
    }

    fn entry(&mut self, entry: &Entry) {
        match entry.finding.kind() {
            Kind::Allergy => self.allergy(entry),
            Kind::ChiefComplaint => self.condition(entry, "complaint", entry.finding.text(Field::Text)),
            Kind::Symptom if entry.finding.get(Field::Aspect).is_none() => {
                let name = entry.finding.text(Field::Name).map(|n| self.words(n));
                self.condition(entry, "complaint", name.as_deref());
            }
            Kind::History => {
                let name = entry.finding.text(Field::Name).map(|n| self.words(n));
                self.condition(entry, "history", name.as_deref());
            }
            Kind::MedicationGiven | Kind::MedicationWithheld => self.administration(entry),
            Kind::MedicationPlanned => self.plan(entry),
            Kind::MedicationTaken | Kind::HomeMedication | Kind::RecentUse => self.statement(entry),
            Kind::Oxygen => self.oxygen(entry),
            Kind::Procedure => self.procedure(entry),
            _ => self.observations(entry),
        }
    }

    fn allergy(&mut self, entry: &Entry) {
        let mut body = Map::new();
        let error = entry.retracted.is_some();
        if !error {
            body.insert("clinicalStatus".into(), coded("allergyintolerance-clinical", "active"));
        }
        let echoed = entry.confirmed.is_some() || entry.finding.flag(Field::Echoed) == Some(true);
        let absent = entry.finding.flag(Field::Present) == Some(false);
        let verification = match (error, absent, echoed) {
            (true, _, _) => "entered-in-error",
            (false, true, _) => "refuted",
            (false, false, true) => "confirmed",
            (false, false, false) => "unconfirmed",
        };
        body.insert("verificationStatus".into(), coded("allergyintolerance-verification", verification));
        let none = entry.finding.flag(Field::None) == Some(true);
        if !none && entry.finding.get(Field::Name).is_none() {
            return self.worded(entry, "allergies");
        }
        let codings = if none {
            let of = entry.finding.text(Field::Of).unwrap_or("medication");
            self.codes.no_known.get(of).map(|c| c.coding(SNOMED)).into_iter().collect()
        } else {
            entry.finding.text(Field::Name).map(|n| self.drug_codings(n)).unwrap_or_default()
        };
        let text = self.text(entry);
        let name = entry.finding.text(Field::Name).map_or(text.clone(), |n| self.words(n));
        body.insert("code".into(), concept(codings, if none { &text } else { &name }));
        body.insert("patient".into(), self.subject());
        body.insert("encounter".into(), self.encounter());
        body.insert("recordedDate".into(), rfc3339(&entry.when.at).into());
        if let Some(reaction) = entry.finding.text(Field::Reaction) {
            body.insert("reaction".into(), json!([{ "manifestation": [{ "text": plain(reaction) }] }]));
        }
        note(&mut body, &text);
        self.add("allergies", entry.seq, "AllergyIntolerance", "allergy", body, text);
    }

    fn condition(&mut self, entry: &Entry, section: &'static str, name: Option<&str>) {
        let text = self.text(entry);
        if entry.finding.flag(Field::None) == Some(true) || !super::vitals::obtained(&entry.finding) || name.is_none() {
            // "No past medical history" and "could not be asked" are statements, not conditions.
            return self.worded(entry, section);
        }
        let mut body = Map::new();
        let error = entry.retracted.is_some();
        if !error {
            // R4 has no code for "unknown whether still active": history says so by an extension.
            let status = if section == "complaint" {
                coded("condition-clinical", "active")
            } else {
                json!({ "extension": [absent("unknown")], "text": "not said whether active" })
            };
            body.insert("clinicalStatus".into(), status);
        }
        let verification = match (error, entry.finding.flag(Field::Present), entry.unconfirmed()) {
            (true, _, _) => "entered-in-error",
            (false, Some(false), _) => "refuted",
            (false, _, true) => "unconfirmed",
            (false, _, false) => "provisional",
        };
        body.insert("verificationStatus".into(), coded("condition-ver-status", verification));
        if section == "complaint" {
            body.insert("category".into(), json!([coded("condition-category", "encounter-diagnosis")]));
        }
        body.insert("code".into(), concept(Vec::new(), &plain(name.unwrap_or_default())));
        body.insert("subject".into(), self.subject());
        body.insert("encounter".into(), self.encounter());
        body.insert("recordedDate".into(), rfc3339(&entry.when.at).into());
        note(&mut body, &text);
        self.add(
            section,
            entry.seq,
            "Condition",
            "condition",
            body,
            self.wording.line(&entry.finding, entry.confirmed.is_some()),
        );
    }

    fn advice(&mut self, event: &Event, advice: &crate::core::event::Advice) {
        let about_us = advice.because.iter().filter_map(|seq| self.made.get(seq)).flatten();
        let implicated: Vec<Json> = about_us.map(|r| json!({ "reference": r })).collect();
        // A warning about another patient's findings has no place in this document.
        let other = |seq: &u64| self.call.ledger.find(*seq).is_some_and(|e| e.finding.patient() != self.patient);
        if advice.because.iter().any(other) && implicated.is_empty() {
            return;
        }
        let answers = self.answers.get(&event.seq).cloned().unwrap_or_default();
        let line = format!("{}: {}", self.words(advice_type(advice.kind)), plain(&advice.say));
        let mut body = Map::new();
        match advice.kind {
            AdviceType::Contraindication | AdviceType::MissingFact | AdviceType::Dose => {
                body.insert("status".into(), "final".into());
                body.insert("code".into(), concept(Vec::new(), &self.words(advice_type(advice.kind))));
                let severity = match advice.priority {
                    Priority::High => "high",
                    Priority::Medium => "moderate",
                    Priority::Low => "low",
                };
                body.insert("severity".into(), severity.into());
                body.insert("patient".into(), self.subject());
                body.insert("identifiedDateTime".into(), rfc3339(&event.when.at).into());
                body.insert("author".into(), self.device());
                if !implicated.is_empty() {
                    body.insert("implicated".into(), Json::Array(implicated));
                }
                let rule = format!("{} Rule {}; {}", plain(&advice.say), plain(&advice.rule), plain(&advice.source));
                body.insert("detail".into(), rule.into());
                let mitigation: Vec<Json> = answers.iter().filter_map(|e| self.mitigation(e)).collect();
                if !mitigation.is_empty() {
                    body.insert("mitigation".into(), Json::Array(mitigation));
                }
                self.add("advice", event.seq, "DetectedIssue", "advice", body, line);
            }
            _ => {
                let spoken = answers.iter().find(|e| matches!(e.body, Body::Spoken(_)));
                let status = if spoken.is_some() { "completed" } else { "unknown" };
                body.insert("status".into(), status.into());
                body.insert("category".into(), json!([{ "text": self.words(advice_type(advice.kind)) }]));
                let priority = if advice.priority == Priority::High { "urgent" } else { "routine" };
                body.insert("priority".into(), priority.into());
                body.insert("subject".into(), self.subject());
                if !implicated.is_empty() {
                    body.insert("about".into(), Json::Array(implicated));
                }
                body.insert("encounter".into(), self.encounter());
                let sent = spoken.map_or(event.when.at, |e| e.when.at);
                body.insert("sent".into(), rfc3339(&sent).into());
                body.insert("sender".into(), self.device());
                body.insert("payload".into(), json!([{ "contentString": plain(&advice.say) }]));
                note(&mut body, &format!("Rule {}; {}", plain(&advice.rule), plain(&advice.source)));
                self.add("advice", event.seq, "Communication", "advice", body, line);
            }
        }
    }

    fn mitigation(&self, event: &Event) -> Option<Json> {
        let (what, reason, by) = match &event.body {
            Body::Acknowledged(x) => ("acknowledged", &x.reason, &x.authorized_by),
            Body::Silenced(x) => ("silenced", &x.reason, &x.authorized_by),
            _ => return None,
        };
        let mut text = what.to_string();
        for part in [reason, by].into_iter().flatten() {
            text.push_str("; ");
            text.push_str(&plain(part));
        }
        Some(json!({ "action": { "text": text }, "date": rfc3339(&event.when.at) }))
    }

    /// Who said it and what it replaced: one Provenance an utterance, one a correction or retraction.
    fn provenance(&mut self) {
        let mut by_heard: BTreeMap<u64, Vec<String>> = BTreeMap::new();
        for (seq, references) in &self.made {
            if let Some(from) = self.call.event(*seq).and_then(|e| e.from) {
                by_heard.entry(from).or_default().extend(references.iter().cloned());
            }
        }
        for (heard, targets) in by_heard {
            let Some(event) = self.call.event(heard) else { continue };
            let Body::Heard(words) = &event.body else { continue };
            let said = words.text.as_deref().map_or_else(|| "words not kept".to_string(), plain);
            let display = format!("event {heard}, confidence {:.2}: {said}", words.confidence);
            let entity = json!([{ "role": "source", "what": { "display": display } }]);
            self.trace(heard, "heard", targets, event.when, None, entity);
        }
        for event in self.call.events {
            let (target, activity) = match &event.body {
                Body::Corrected(c) => (c.target, "UPDATE"),
                Body::Retracted(r) => (r.target, "NULLIFY"),
                _ => continue,
            };
            let Some(targets) = self.made.get(&target).cloned() else { continue };
            let old = self.call.ledger.find(target).and_then(|e| {
                let replaced = e.replaced.iter().find(|(_, by)| *by == event.seq).map(|(old, _)| old);
                replaced.or((activity == "NULLIFY").then_some(&e.finding))
            });
            let was = old.map_or_else(|| "value not in the record".into(), |f| self.wording.line(f, false));
            let entity = json!([{ "role": "revision", "what": { "display": format!("event {target}, was: {was}") } }]);
            self.trace(event.seq, "change", targets, event.when, Some(activity), entity);
        }
    }

    fn trace(
        &mut self,
        seq: u64,
        name: &str,
        targets: Vec<String>,
        when: Moment,
        activity: Option<&str>,
        entity: Json,
    ) {
        let mut body = Map::new();
        let targets: Vec<Json> = targets.into_iter().map(|t| json!({ "reference": t })).collect();
        body.insert("target".into(), Json::Array(targets));
        body.insert("recorded".into(), rfc3339(&when.at).into());
        if let Some(code) = activity {
            let system = format!("{TERMS}/v3-DataOperation");
            body.insert("activity".into(), json!({ "coding": [{ "system": system, "code": code }] }));
        }
        let assembler = coded("provenance-participant-type", "assembler");
        body.insert("agent".into(), json!([{ "type": assembler, "who": self.device() }]));
        body.insert("entity".into(), entity);
        let id = self.id(&format!("{seq}/{name}"));
        let mut resource = Map::new();
        resource.insert("resourceType".into(), "Provenance".into());
        resource.insert("id".into(), id.into());
        resource.append(&mut body);
        let resource = Json::Object(resource);
        self.items.push(Item { section: "provenance", resource, line: String::new(), inner: true });
    }

    /// Patient, Encounter, Device, and crew and unit where the record names them.
    fn framing(&self) -> Vec<Json> {
        let mut patient = Map::new();
        patient.insert("resourceType".into(), "Patient".into());
        patient.insert("id".into(), self.id("patient").into());
        let merged = merged_patient(self.call, self.patient);
        let sex = merged.as_ref().and_then(|(f, _)| f.text(Field::Sex)).unwrap_or("unknown");
        patient.insert("gender".into(), sex.into());
        let mut all = vec![Json::Object(patient), self.encounter_resource(), self.device_resource()];
        if let Some(opened) = self.call.opened {
            if !opened.unit.is_empty() {
                all.push(json!({ "resourceType": "Organization", "id": self.id("unit"), "name": plain(&opened.unit) }));
            }
            for (n, name) in opened.crew.iter().enumerate() {
                let id = self.id(&format!("crew/{n}"));
                all.push(json!({ "resourceType": "Practitioner", "id": id, "name": [{ "text": plain(name) }] }));
            }
        }
        all
    }

    fn encounter_resource(&self) -> Json {
        let mut map = Map::new();
        map.insert("resourceType".into(), "Encounter".into());
        map.insert("id".into(), self.id("encounter").into());
        let closed = self.call.closed.is_some();
        map.insert("status".into(), if closed { "finished" } else { "in-progress" }.into());
        map.insert(
            "class".into(),
            json!({ "system": format!("{TERMS}/v3-ActCode"), "code": "FLD", "display": "field" }),
        );
        map.insert("subject".into(), self.subject());
        if let Some(opened) = self.call.opened.filter(|o| !o.crew.is_empty()) {
            let crew = (0..opened.crew.len())
                .map(|n| json!({ "individual": self.reference("Practitioner", &format!("crew/{n}")) }))
                .collect();
            map.insert("participant".into(), Json::Array(crew));
        }
        if let Some(start) = self.call.start() {
            let mut period = Map::new();
            period.insert("start".into(), rfc3339(&start.at).into());
            if let (true, Some(end)) = (closed, self.call.end()) {
                period.insert("end".into(), rfc3339(&end.at).into());
            }
            map.insert("period".into(), Json::Object(period));
        }
        if self.call.opened.is_some_and(|o| !o.unit.is_empty()) {
            map.insert("serviceProvider".into(), self.reference("Organization", "unit"));
        }
        Json::Object(map)
    }

    fn device_resource(&self) -> Json {
        let version = self.call.opened.map_or("unknown", |o| o.version.as_str());
        let version = if version.is_empty() { "unknown" } else { version };
        json!({
            "resourceType": "Device",
            "id": self.id("device"),
            "deviceName": [{ "name": "thirdhand", "type": "user-friendly-name" }],
            "version": [{ "value": version }],
        })
    }

    /// What the finding was said to happen at, as FHIR wants it.
    fn effective(entry: &Entry) -> String {
        rfc3339(&happened(entry).at)
    }
}

/// A concept of one of HL7's own code systems.
fn coded(system: &str, code: &str) -> Json {
    json!({ "coding": [{ "system": format!("{TERMS}/{system}"), "code": code }] })
}

/// The data-absent-reason extension.
fn absent(code: &str) -> Json {
    json!({ "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": code })
}

fn note(body: &mut Map<String, Json>, text: &str) {
    if !text.is_empty() {
        body.insert("note".into(), json!([{ "text": text }]));
    }
}

/// A name for the record that later amendments do not change: a digest of its lines up to the first `closed`.
pub fn record_key(call: &Call) -> String {
    let mut hash = Sha256::new();
    for event in call.events {
        hash.update(event.to_line().as_bytes());
        if matches!(event.body, Body::Closed(_)) {
            break;
        }
    }
    hash.finalize().iter().map(|b| format!("{b:02x}")).collect()
}

/// A name-based UUID (RFC 9562 form, digest SHA-256), so that an export made twice is the same.
fn uuid(name: &str) -> String {
    let digest = Sha256::digest(name.as_bytes());
    let mut hex: Vec<char> =
        digest.iter().take(16).flat_map(|b| format!("{b:02x}").chars().collect::<Vec<_>>()).collect();
    if let Some(version) = hex.get_mut(12) {
        *version = '8';
    }
    if let Some(variant) = hex.get_mut(16) {
        *variant = 'a';
    }
    let part = |from: usize, to: usize| hex.iter().skip(from).take(to - from).collect::<String>();
    format!("{}-{}-{}-{}-{}", part(0, 8), part(8, 12), part(12, 16), part(16, 20), part(20, 32))
}
