//! Drugs and what was done: given, withheld, planned, taken before us, oxygen, procedures.

use serde_json::{Map, Value as Json, json};

use super::codes::{RXNORM, SNOMED, concept};
use super::observation::quantity;
use super::{Export, note};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::Entry;
use crate::core::report::call::happened;
use crate::core::report::wording::plain;
use crate::core::time::rfc3339;

impl Export<'_> {
    pub(super) fn drug_codings(&self, name: &str) -> Vec<Json> {
        self.codes.medication.get(name).map(|c| c.coding(RXNORM)).into_iter().collect()
    }

    fn medication(&self, finding: &Finding) -> Json {
        let name = finding.text(Field::Name).or(finding.text(Field::Class));
        match name {
            Some(name) => concept(self.drug_codings(name), &self.words(name)),
            None => concept(Vec::new(), "not said"),
        }
    }

    /// Dose and route; `None` without a dose, which R4 demands of a dosage (mad-1). The words go into the note then.
    fn dosage(&self, finding: &Finding) -> Option<Json> {
        let unit = finding.text(Field::Unit).and_then(|u| self.codes.dose_unit.get(u));
        let (dose, unit) = (finding.number(Field::Dose)?, unit?);
        let mut map = Map::new();
        if let Some(route) = finding.text(Field::Route) {
            let codings = self.codes.route.get(route).map(|c| c.coding(SNOMED)).into_iter().collect();
            map.insert("route".into(), concept(codings, &self.words(route)));
        }
        map.insert("dose".into(), quantity(dose, unit, None));
        Some(Json::Object(map))
    }

    pub(super) fn administration(&mut self, entry: &Entry) {
        let finding = &entry.finding;
        let withheld = finding.kind() == Kind::MedicationWithheld;
        let status = match (entry.retracted, withheld) {
            (Some(_), _) => "entered-in-error",
            (None, true) => "not-done",
            (None, false) => "completed",
        };
        let mut body = Map::new();
        body.insert("status".into(), status.into());
        if withheld {
            let reason = finding.text(Field::Reason).map_or_else(|| "reason not said".into(), plain);
            body.insert("statusReason".into(), json!([{ "text": reason }]));
        }
        self.drug_body(entry, &mut body);
        if let Some(dosage) = self.dosage(finding) {
            body.insert("dosage".into(), dosage);
        }
        self.finish(entry, "MedicationAdministration", body);
    }

    /// A plan that was never closed is a plan, not a dose.
    pub(super) fn plan(&mut self, entry: &Entry) {
        let open = self.open_plans.contains(&entry.seq);
        let status = match (entry.retracted, open) {
            (Some(_), _) => "entered-in-error",
            (None, true) => "unknown",
            (None, false) => "completed",
        };
        let mut body = Map::new();
        body.insert("status".into(), status.into());
        body.insert("intent".into(), "plan".into());
        body.insert("medicationCodeableConcept".into(), self.medication(&entry.finding));
        body.insert("subject".into(), self.subject());
        body.insert("encounter".into(), self.encounter());
        body.insert("authoredOn".into(), rfc3339(&entry.when.at).into());
        let text = self.text(entry);
        let mut words = Map::new();
        words.insert("text".into(), if text.is_empty() { "not said".into() } else { text.clone().into() });
        body.insert("dosageInstruction".into(), json!([words]));
        note(&mut body, &text);
        self.finish(entry, "MedicationRequest", body);
    }

    /// Doses before us, home medications, recent use: statements, never shown as ours.
    pub(super) fn statement(&mut self, entry: &Entry) {
        let finding = &entry.finding;
        let section = "medications";
        if finding.flag(Field::None) == Some(true) || !crate::core::report::vitals::obtained(finding) {
            return self.worded(entry, section);
        }
        let denied = finding.flag(Field::Taken) == Some(false) || finding.flag(Field::Present) == Some(false);
        let status = match (entry.retracted, denied, finding.kind()) {
            (Some(_), _, _) => "entered-in-error",
            (None, true, _) => "not-taken",
            (None, false, Kind::MedicationTaken) => "completed",
            (None, false, Kind::HomeMedication) => "active",
            (None, false, _) => "unknown",
        };
        let mut body = Map::new();
        body.insert("status".into(), status.into());
        body.insert("medicationCodeableConcept".into(), self.medication(finding));
        body.insert("subject".into(), self.subject());
        body.insert("context".into(), self.encounter());
        let last = finding.text(Field::LastTaken).or(finding.text(Field::HappenedAt));
        if let Some(at) = last.and_then(|t| chrono::DateTime::parse_from_rfc3339(t).ok()) {
            body.insert("effectiveDateTime".into(), rfc3339(&at).into());
        }
        body.insert("dateAsserted".into(), rfc3339(&entry.when.at).into());
        let text = self.text(entry);
        note(&mut body, &text);
        if let Some(mut dosage) = self.dosage(finding) {
            if let Some(map) = dosage.as_object_mut()
                && let Some(dose) = map.remove("dose")
            {
                map.insert("doseAndRate".into(), json!([{ "doseQuantity": dose }]));
            }
            body.insert("dosage".into(), json!([dosage]));
        }
        let line = format!("{}: {text}", self.wording.label(finding.kind()));
        self.add(section, entry.seq, "MedicationStatement", "drug", body, line);
    }

    /// Oxygen runs from this finding to the next word about it.
    pub(super) fn oxygen(&mut self, entry: &Entry) {
        let finding = &entry.finding;
        let stopped = finding.flag(Field::Stopped) == Some(true);
        let next = self.call.ledger.of(Kind::Oxygen, self.patient).find(|e| e.seq > entry.seq).map(happened);
        let end = next.or_else(|| self.call.closed.map(|(e, _)| e.when));
        let mut body = Map::new();
        let status = match (entry.retracted, next, stopped) {
            (Some(_), _, _) => "entered-in-error",
            (None, _, true) => "stopped",
            (None, Some(_), false) => "completed",
            (None, None, false) if self.call.closed.is_some() => "completed",
            (None, None, false) => "in-progress",
        };
        body.insert("status".into(), status.into());
        body.insert("medicationCodeableConcept".into(), concept(self.drug_codings("oxygen"), "oxygen"));
        body.insert("subject".into(), self.subject());
        body.insert("context".into(), self.encounter());
        let start = happened(entry);
        match end.filter(|e| !stopped && e.at > start.at) {
            Some(end) => {
                let period = json!({ "start": rfc3339(&start.at), "end": rfc3339(&end.at) });
                body.insert("effectivePeriod".into(), period);
            }
            None => {
                body.insert("effectiveDateTime".into(), rfc3339(&start.at).into());
            }
        }
        let text = self.text(entry);
        note(&mut body, &text);
        if let Some(flow) = finding.number(Field::FlowLPerMin) {
            let mut dosage = Map::new();
            if let Some(device) = finding.text(Field::Device) {
                dosage.insert("method".into(), json!({ "text": self.words(device) }));
            }
            dosage.insert("rateQuantity".into(), quantity(flow, "L/min", None));
            body.insert("dosage".into(), Json::Object(dosage));
        }
        let line = format!("{}: {text}", self.wording.label(Kind::Oxygen));
        self.add("treatments", entry.seq, "MedicationAdministration", "drug", body, line);
    }

    pub(super) fn procedure(&mut self, entry: &Entry) {
        let finding = &entry.finding;
        let mut body = Map::new();
        let status = match (entry.retracted, finding.flag(Field::Obtained)) {
            (Some(_), _) => "entered-in-error",
            (None, Some(false)) => "not-done",
            (None, _) => "completed",
        };
        body.insert("status".into(), status.into());
        let name = finding.text(Field::Name).unwrap_or("not said");
        let codings = self.codes.procedure.get(name).map(|c| c.coding(SNOMED)).into_iter().collect();
        body.insert("code".into(), concept(codings, &self.words(name)));
        body.insert("subject".into(), self.subject());
        body.insert("encounter".into(), self.encounter());
        body.insert("performedDateTime".into(), Export::effective(entry).into());
        if let Some(site) = finding.text(Field::Site) {
            body.insert("bodySite".into(), json!([{ "text": self.words(site) }]));
        }
        if let Some(success) = finding.flag(Field::Success) {
            let outcome = if success { "successful" } else { "not successful" };
            body.insert("outcome".into(), json!({ "text": outcome }));
        }
        let text = self.text(entry);
        note(&mut body, &text);
        let line = format!("{}: {text}", self.wording.label(Kind::Procedure));
        self.add("procedures", entry.seq, "Procedure", "procedure", body, line);
    }

    fn drug_body(&self, entry: &Entry, body: &mut Map<String, Json>) {
        body.insert("medicationCodeableConcept".into(), self.medication(&entry.finding));
        body.insert("subject".into(), self.subject());
        body.insert("context".into(), self.encounter());
        body.insert("effectiveDateTime".into(), Export::effective(entry).into());
        note(body, &self.text(entry));
    }

    fn finish(&mut self, entry: &Entry, kind: &str, body: Map<String, Json>) {
        let line = self.line(entry);
        self.add("treatments", entry.seq, kind, "drug", body, line);
    }
}
