//! The document Bundle: a Composition first, every resource reachable from it.

use serde_json::{Map, Value as Json, json};

use super::codes::{LOINC, SECTIONS};
use super::{Export, TERMS};
use crate::core::CAUTION;
use crate::core::event::Body;
use crate::core::report::chart::escape;
use crate::core::time::rfc3339;

/// The whole document.
pub fn bundle(export: &Export) -> Json {
    let mut entries = vec![entry(export, composition(export))];
    entries.extend(export.resources().into_iter().map(|r| entry(export, r)));
    let mut bundle = Map::new();
    bundle.insert("resourceType".into(), "Bundle".into());
    bundle.insert("id".into(), export.id("bundle").into());
    let identifier = json!({ "system": "urn:ietf:rfc:3986", "value": format!("urn:uuid:{}", export.id("bundle")) });
    bundle.insert("identifier".into(), identifier);
    bundle.insert("type".into(), "document".into());
    bundle.insert("timestamp".into(), time(export).into());
    bundle.insert("entry".into(), Json::Array(entries));
    export.tagged(Json::Object(bundle))
}

/// The time of the record's last event: the export itself knows no clock.
fn time(export: &Export) -> String {
    export.call.events.iter().map(|e| e.when.at).max().map_or_else(|| "1970-01-01T00:00:00Z".into(), |at| rfc3339(&at))
}

fn entry(export: &Export, resource: Json) -> Json {
    let resource = export.tagged(absolute(resource));
    let id = resource.get("id").and_then(Json::as_str).unwrap_or("").to_string();
    json!({ "fullUrl": format!("urn:uuid:{id}"), "resource": resource })
}

/// References inside a document point at the entries' `fullUrl`.
fn absolute(value: Json) -> Json {
    match value {
        Json::Object(map) => Json::Object(
            map.into_iter()
                .map(|(key, value)| match (key.as_str(), value.as_str()) {
                    ("reference", Some(reference)) => {
                        let id = reference.rsplit('/').next().unwrap_or("");
                        (key, format!("urn:uuid:{id}").into())
                    }
                    _ => (key, absolute(value)),
                })
                .collect(),
        ),
        Json::Array(items) => Json::Array(items.into_iter().map(absolute).collect()),
        other => other,
    }
}

fn composition(export: &Export) -> Json {
    let call = export.call;
    let mut map = Map::new();
    map.insert("resourceType".into(), "Composition".into());
    map.insert("id".into(), export.id("composition").into());
    map.insert("text".into(), narrative(&[CAUTION.to_string(), export.wording.phrase("not_the_report", &[])]));
    let closed = call.closed.map(|(e, c)| (e.seq, c.reason.as_str()));
    let changed_after =
        |seq: u64| call.events.iter().any(|e| e.seq > seq && matches!(e.body, Body::Corrected(_) | Body::Retracted(_)));
    let status = match closed {
        Some((seq, _)) if changed_after(seq) => "amended",
        Some((_, "signed_off")) => "final",
        _ => "preliminary",
    };
    map.insert("status".into(), status.into());
    let kind = export.codes.section.get("document").map(|c| c.coding(LOINC)).into_iter().collect();
    map.insert("type".into(), super::concept(kind, "Record of a call, heard by a machine"));
    map.insert("subject".into(), export.subject());
    map.insert("encounter".into(), export.encounter());
    map.insert("date".into(), time(export).into());
    map.insert("author".into(), json!([export.device()]));
    let training =
        if call.training() { format!("{}: ", export.wording.phrase("training", &[])) } else { String::new() };
    map.insert("title".into(), format!("{training}Record of a call, not the patient care report").into());
    if call.opened.is_some_and(|o| !o.unit.is_empty()) {
        map.insert("custodian".into(), export.reference("Organization", "unit"));
    }
    let sections: Vec<Json> = SECTIONS.iter().filter(|s| **s != "document").map(|s| section(export, s)).collect();
    map.insert("section".into(), Json::Array(sections));
    Json::Object(map)
}

fn section(export: &Export, name: &str) -> Json {
    let code = export.codes.section.get(name);
    let items: Vec<_> = export.items.iter().filter(|i| i.section == name && !i.inner).collect();
    let mut map = Map::new();
    let title = match name {
        "complaint" => "Complaint and circumstances",
        "history" => "History",
        "allergies" => "Allergies",
        "medications" => "Medications and doses before us",
        "vitals" => "Vitals",
        "exam" => "Examination",
        "treatments" => "Medications",
        "procedures" => "Procedures",
        _ => "Advice of the program",
    };
    map.insert("title".into(), title.into());
    map.insert("code".into(), super::concept(code.map(|c| c.coding(LOINC)).into_iter().collect(), title));
    if items.is_empty() {
        let not_asked = export.wording.phrase("not_asked", &[]);
        map.insert("text".into(), narrative(&[not_asked]));
        map.insert("emptyReason".into(), empty_reason(name));
        return Json::Object(map);
    }
    let lines: Vec<String> = items.iter().map(|i| i.line.clone()).collect();
    map.insert("text".into(), narrative(&lines));
    let entries = items
        .iter()
        .filter_map(|i| {
            let kind = i.resource.get("resourceType")?.as_str()?;
            let id = i.resource.get("id")?.as_str()?;
            Some(json!({ "reference": format!("{kind}/{id}") }))
        })
        .collect();
    map.insert("entry".into(), Json::Array(entries));
    Json::Object(map)
}

/// Nobody asked is not "none": history says not asked, what would have been done says unavailable.
fn empty_reason(name: &str) -> Json {
    let code = match name {
        "history" | "allergies" | "medications" | "complaint" => "notasked",
        _ => "unavailable",
    };
    json!({ "coding": [{ "system": format!("{TERMS}/list-empty-reason"), "code": code }] })
}

fn narrative(lines: &[String]) -> Json {
    let items: String = lines.iter().map(|l| format!("<p>{}</p>", escape(l))).collect();
    json!({ "status": "generated", "div": format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{items}</div>") })
}
