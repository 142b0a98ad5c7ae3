//! The FHIR export: this project's own checks on every fixture and on records made at random, and (in a full build) the
//! official R4 JSON schema, UCUM and two libraries. None of the outside tools catches everything: a table of what each
//! catches is in DEVELOPERS.md.

#[path = "report/mod.rs"]
mod report;

use std::collections::{BTreeMap, BTreeSet};

use report::{Data, data, fixture, fixtures, random_record};
use serde_json::{Value as Json, json};
use thirdhand::core::event::Event;
use thirdhand::core::finding::Kind;
use thirdhand::core::report::Call;
use thirdhand::core::report::fhir::Export;

/// A thousand in a full build; fewer where the tests are to take seconds.
const RANDOM_RECORDS: u64 = if cfg!(feature = "voice") { 1000 } else { 60 };

/// HL7 FHIR R4 value set observation-vitalsignresult, as in npm `fhir` 4.12.0 (valuesets.json), with the code that the
/// US Core pulse oximetry profile adds.
const VITAL_CODES: [&str; 14] = [
    "85353-1", "9279-1", "8867-4", "2708-6", "59408-5", "8310-5", "8302-2", "9843-4", "29463-7", "39156-5", "85354-9",
    "8480-6", "8462-4", "8478-0",
];

/// HL7 FHIR R4 value set ucum-vitals-common, same place; `L/min` is US Core's for the inhaled flow component.
const VITAL_UNITS: [&str; 12] =
    ["%", "cm", "[in_i]", "kg", "g", "[lb_av]", "Cel", "[degF]", "mm[Hg]", "/min", "kg/m2", "m2"];

/// LOINC code and the UCUM units it may carry (the reference table of the FHIR pages; IHE PCC Paramedicine Care Summary).
const PAIRS: [(&str, &[&str]); 19] = [
    ("8867-4", &["/min"]),
    ("9279-1", &["/min"]),
    ("2708-6", &["%"]),
    ("59408-5", &["%"]),
    ("8310-5", &["Cel", "[degF]"]),
    ("29463-7", &["kg", "g", "[lb_av]"]),
    ("8480-6", &["mm[Hg]"]),
    ("8462-4", &["mm[Hg]"]),
    ("3151-8", &["L/min"]),
    ("2339-0", &["mg/dL"]),
    ("15074-8", &["mmol/L"]),
    ("19889-5", &["mm[Hg]"]),
    ("9269-2", &["{score}"]),
    ("9267-6", &["{score}"]),
    ("9270-0", &["{score}"]),
    ("9268-4", &["{score}"]),
    ("38208-5", &["{score}"]),
    ("30525-0", &["a", "mo", "d"]),
    ("85354-9", &[]),
];

fn document(events: &[Event], data: &Data, patient: i64) -> Json {
    let call = Call::read(events);
    Export::build(&call, &data.wording, &data.codes, patient).document()
}

fn codes(resource: &Json) -> Vec<&str> {
    let codings = resource.pointer("/code/coding").and_then(Json::as_array).into_iter().flatten();
    codings.filter_map(|c| c["code"].as_str()).collect()
}

/// Everything wrong with a document, in words.
fn problems(bundle: &Json) -> Vec<String> {
    let mut wrong = Vec::new();
    let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
    if bundle["type"] != "document" || bundle["identifier"]["value"].is_null() || bundle["timestamp"].is_null() {
        wrong.push("a document needs type, identifier and timestamp".into());
    }
    if entries.first().map(|e| &e["resource"]["resourceType"]) != Some(&json!("Composition")) {
        wrong.push("the first entry is no Composition".into());
    }
    let urls: BTreeSet<&str> = entries.iter().filter_map(|e| e["fullUrl"].as_str()).collect();
    if urls.len() != entries.len() {
        wrong.push(format!("{} entries, {} addresses", entries.len(), urls.len()));
    }
    let mut links: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for entry in &entries {
        let url = entry["fullUrl"].as_str().unwrap_or("");
        let resource = &entry["resource"];
        let targets = references(resource);
        for target in targets.iter().filter(|t| !urls.contains(**t)) {
            wrong.push(format!("{}: dangling reference {target}", resource["resourceType"]));
        }
        if resource["resourceType"] == "Observation" {
            wrong.extend(observation_problems(resource));
        }
        let dosage = &resource["dosage"];
        if resource["resourceType"] == "MedicationAdministration"
            && !dosage.is_null()
            && ["dose", "rateQuantity", "rateRatio"].iter().all(|key| dosage[key].is_null())
        {
            wrong.push("mad-1: a dosage without dose or rate".into());
        }
        links.insert(url, targets);
    }
    wrong.extend(unreachable(&entries, &links));
    wrong
}

fn references(value: &Json) -> Vec<&str> {
    match value {
        Json::Object(map) => map
            .iter()
            .flat_map(|(key, value)| match (key.as_str(), value.as_str()) {
                ("reference", Some(target)) => vec![target],
                _ => references(value),
            })
            .collect(),
        Json::Array(items) => items.iter().flat_map(references).collect(),
        _ => Vec::new(),
    }
}

/// R4 documents hold what the Composition reaches, and Provenance about it.
fn unreachable(entries: &[Json], links: &BTreeMap<&str, Vec<&str>>) -> Vec<String> {
    let mut reached = BTreeSet::new();
    let mut open: Vec<&str> = entries.first().and_then(|e| e["fullUrl"].as_str()).into_iter().collect();
    while let Some(url) = open.pop() {
        if reached.insert(url) {
            open.extend(links.get(url).into_iter().flatten());
        }
    }
    let lost = entries.iter().filter(|e| {
        let provenance = e["resource"]["resourceType"] == "Provenance";
        !provenance && !reached.contains(e["fullUrl"].as_str().unwrap_or(""))
    });
    lost.map(|e| format!("{} is not reached from the Composition", e["resource"]["resourceType"])).collect()
}

fn observation_problems(resource: &Json) -> Vec<String> {
    let mut wrong = Vec::new();
    let id = resource["id"].as_str().unwrap_or("?");
    let mut complain = |what: &str| wrong.push(format!("Observation {id} {:?}: {what}", codes(resource)));
    let category = resource.pointer("/category/0/coding/0/code").and_then(Json::as_str).unwrap_or("");
    let vital = category == "vital-signs";
    let text = |key: &str| resource[key].as_str().unwrap_or("");
    if text("status").is_empty() || category.is_empty() || resource["subject"].is_null() {
        complain("status, category or subject is missing");
    }
    let time = text("effectiveDateTime");
    if chrono::DateTime::parse_from_rfc3339(time).is_err() {
        complain("no time with offset");
    }
    if vital && !codes(resource).iter().all(|c| VITAL_CODES.contains(c)) {
        complain("not a code of the vital signs profile");
    }
    if !vital && codes(resource).iter().any(|c| VITAL_CODES.contains(c)) {
        complain("a vital sign's code outside the category");
    }
    let parts: Vec<&Json> = resource["component"].as_array().into_iter().flatten().collect();
    let members = resource["hasMember"].as_array().map_or(0, Vec::len);
    for (part, whole) in std::iter::once((resource, true)).chain(parts.iter().map(|p| (*p, false))) {
        let value = part.as_object().is_some_and(|o| o.keys().any(|k| k.starts_with("value")));
        let absent = !part["dataAbsentReason"].is_null();
        if value && absent {
            complain("a value and a reason for its absence");
        }
        if !value && !absent && !(whole && (!parts.is_empty() || members > 0)) {
            complain("neither a value nor a reason");
        }
        let unit = part.pointer("/valueQuantity/code").and_then(Json::as_str);
        for code in codes(part) {
            let allowed = PAIRS.iter().find(|(c, _)| *c == code).map(|(_, units)| *units);
            if let Some(unit) = unit
                && !allowed.is_some_and(|units| units.contains(&unit))
            {
                complain(&format!("{code} in {unit}"));
            }
        }
        if whole && vital && unit.is_some_and(|u| !VITAL_UNITS.contains(&u)) {
            complain("a unit outside the profile");
        }
    }
    wrong
}

#[test]
fn every_fixture_is_a_sound_document() {
    let data = data();
    for name in fixtures() {
        let events = fixture(&name);
        for patient in Call::read(&events).patients() {
            let wrong = problems(&document(&events, &data, *patient));
            assert!(wrong.is_empty(), "{name}, patient {patient}:\n{}", wrong.join("\n"));
        }
    }
}

#[test]
fn random_records_are_sound_documents() {
    let data = data();
    for seed in 0..RANDOM_RECORDS {
        let events = random_record(seed, 30 + seed % 40);
        let wrong = problems(&document(&events, &data, 1));
        assert!(wrong.is_empty(), "seed {seed}:\n{}", wrong.join("\n"));
    }
}

/// A check that cannot fail is none: each of these faults must be seen.
#[test]
fn the_checks_see_what_they_are_for() {
    let data = data();
    let good = document(&fixture("chest-pain"), &data, 1);
    let at = |bundle: &Json, code: &str| {
        let entries = bundle["entry"].as_array().unwrap();
        entries.iter().position(|e| codes(&e["resource"]).contains(&code)).unwrap()
    };
    type Fault = (&'static str, fn(&mut Json), &'static str);
    let faults: [Fault; 6] = [
        ("8867-4", |r| r["valueQuantity"]["code"] = json!("bpm"), "8867-4 in bpm"),
        ("8867-4", |r| r["category"][0]["coding"][0]["code"] = json!("exam"), "outside the category"),
        ("85354-9", |r| drop(r["component"][0].as_object_mut().unwrap().remove("valueQuantity")), "neither a value"),
        ("2708-6", |r| r["subject"]["reference"] = json!("urn:uuid:0"), "dangling"),
        ("9279-1", |r| r["effectiveDateTime"] = json!("2027-03-01T14:01:00"), "no time with offset"),
        ("9279-1", |r| drop(r.as_object_mut().unwrap().remove("valueQuantity")), "neither a value"),
    ];
    for (code, break_it, expected) in faults {
        let mut bundle = good.clone();
        let at = at(&bundle, code);
        break_it(&mut bundle["entry"][at]["resource"]);
        let wrong = problems(&bundle).join("\n");
        assert!(wrong.contains(expected), "{code}: {expected} is not among:\n{wrong}");
    }
    let mut bundle = good.clone();
    let entries = bundle["entry"].as_array_mut().unwrap();
    let given = entries.iter_mut().find(|e| e["resource"]["resourceType"] == "MedicationAdministration").unwrap();
    given["resource"]["dosage"] = json!({ "text": "some" });
    entries.swap(0, 1);
    let wrong = problems(&bundle).join("\n");
    assert!(wrong.contains("mad-1") && wrong.contains("no Composition"), "{wrong}");
}

#[test]
fn unknown_is_never_no_and_withheld_is_never_given() {
    let data = data();
    let bundle = document(&fixture("chest-pain"), &data, 1);
    let resources: Vec<&Json> = bundle["entry"].as_array().unwrap().iter().map(|e| &e["resource"]).collect();
    let of = |kind: &str| resources.iter().filter(|r| r["resourceType"] == kind).copied().collect::<Vec<_>>();

    let withheld = of("MedicationAdministration").into_iter().find(|r| r["status"] == "not-done").unwrap();
    assert_eq!(withheld["statusReason"][0]["text"], "sildenafil this morning");
    let given: Vec<_> = of("MedicationAdministration").into_iter().filter(|r| r["status"] == "completed").collect();
    assert_eq!(given.len(), 2, "aspirin and oxygen");

    let palpated = resources.iter().filter(|r| codes(r).contains(&"85354-9")).nth(1).unwrap();
    assert_eq!(palpated["method"]["text"], "palpated");
    assert_eq!(palpated["component"][1]["dataAbsentReason"]["coding"][0]["code"], "not-performed");
    assert!(palpated["valueQuantity"].is_null());

    let corrected = resources.iter().find(|r| codes(r).contains(&"8867-4")).unwrap();
    assert_eq!((&corrected["status"], &corrected["valueQuantity"]["value"]), (&json!("corrected"), &json!(118)));
    let traces = of("Provenance");
    assert!(traces.iter().any(|p| p["entity"][0]["what"]["display"].as_str().unwrap().contains("was: Pulse: 18/min")));

    let doubtful = resources.iter().find(|r| codes(r).contains(&"2708-6")).unwrap();
    assert_eq!(doubtful["status"], "preliminary");
    let restated = resources.iter().filter(|r| codes(r).contains(&"9279-1")).nth(1).unwrap();
    assert!(restated["valueQuantity"].is_null(), "said to be unchanged is no measurement: {restated}");

    let sections = bundle["entry"][0]["resource"]["section"].as_array().unwrap();
    let history = sections.iter().find(|s| s["title"] == "History").unwrap();
    assert_eq!(history["emptyReason"]["coding"][0]["code"], "notasked");
}

#[test]
fn the_same_record_gives_the_same_document_and_training_is_tagged() {
    let data = data();
    let events = random_record(7, 60);
    assert_eq!(document(&events, &data, 1), document(&events, &data, 1));
    let bundle = document(&events, &data, 1);
    for entry in bundle["entry"].as_array().unwrap() {
        assert_eq!(entry["resource"]["meta"]["tag"][0]["code"], "HTEST", "{}", entry["resource"]["resourceType"]);
    }
    let care = document(&random_record(8, 60), &data, 1);
    assert!(!care.to_string().contains("HTEST"));
}

#[test]
fn every_standing_dose_and_only_those_is_a_completed_administration() {
    let data = data();
    for seed in 0..60 {
        let events = random_record(seed, 80);
        let call = Call::read(&events);
        let bundle = document(&events, &data, 1);
        let exported = bundle["entry"].as_array().unwrap().iter().filter(|e| {
            let r = &e["resource"];
            r["resourceType"] == "MedicationAdministration"
                && ["completed", "in-progress", "stopped"].contains(&r["status"].as_str().unwrap_or(""))
        });
        let standing =
            call.standing(1).filter(|e| matches!(e.finding.kind(), Kind::MedicationGiven | Kind::Oxygen)).count();
        assert_eq!(exported.count(), standing, "seed {seed}");
    }
}

/// The outside validators, fetched by script into a cache (npm, PyPI).
#[cfg(feature = "voice")]
#[test]
fn outside_validators_accept_them_all() {
    use std::process::Command;

    let tools = report::root().join("tests/tools/fhir");
    let fetched = Command::new(tools.join("fetch.sh")).output().unwrap();
    assert!(fetched.status.success(), "the validators cannot be fetched: {}", String::from_utf8_lossy(&fetched.stderr));
    let cache = String::from_utf8(fetched.stdout).unwrap().trim().to_string();
    let data = data();
    let dir = tempfile::tempdir().unwrap();
    let mut files = Vec::new();
    let mut write = |name: String, bundle: &Json| {
        let path = dir.path().join(name);
        std::fs::write(&path, bundle.to_string()).unwrap();
        files.push(path);
    };
    for name in fixtures() {
        write(format!("{name}.json"), &document(&fixture(&name), &data, 1));
    }
    for seed in 0..RANDOM_RECORDS {
        write(format!("random-{seed}.json"), &document(&random_record(seed, 30 + seed % 40), &data, 1));
    }
    let run = |program: &str, first: &[String], files: &[std::path::PathBuf]| {
        let output = Command::new(program).args(first).args(files).output().unwrap();
        (output.status.success(), String::from_utf8_lossy(&output.stdout).to_string())
    };
    let schema = [tools.join("check.mjs").display().to_string(), cache.clone()];
    let libraries = [tools.join("check.py").display().to_string()];
    let python = format!("{cache}/venv/bin/python");
    for (program, first) in [("node", &schema[..]), (python.as_str(), &libraries[..])] {
        let (good, said) = run(program, first, &files);
        assert!(good, "{program}: {}", said.lines().take(30).collect::<Vec<_>>().join("\n"));
    }
    // Each refuses what the other lets through: a nonsense status, a missing one.
    let mut bundle = document(&fixture("chest-pain"), &data, 1);
    let at =
        bundle["entry"].as_array().unwrap().iter().position(|e| codes(&e["resource"]).contains(&"8867-4")).unwrap();
    bundle["entry"][at]["resource"]["status"] = json!("nonsense");
    let bad = dir.path().join("bad.json");
    std::fs::write(&bad, bundle.to_string()).unwrap();
    assert!(!run("node", &schema, std::slice::from_ref(&bad)).0, "the schema lets a nonsense status through");
    bundle["entry"][at]["resource"].as_object_mut().unwrap().remove("status");
    std::fs::write(&bad, bundle.to_string()).unwrap();
    assert!(!run(&python, &libraries, &[bad]).0, "the libraries let a missing status through");
}
