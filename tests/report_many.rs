//! Narrative, tables, and many calls: what a sentence rests on, what a list leaves out, figures reckoned by hand.

#[path = "report/mod.rs"]
mod report;

use std::collections::BTreeSet;
use std::path::Path;
use std::process::{Command, Output};

use report::{data, fixture, fixtures, folder, random_record};
use thirdhand::core::report::narrative::{self, Sentences, Shape};
use thirdhand::core::report::{Call, csv, state, vitals};
use thirdhand::shell::data::DataSet;

fn run(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_thirdhand")).args(args).output().unwrap()
}

fn stdout(output: &Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn sentences() -> Sentences {
    Sentences::read(&DataSet::built_in().sources("protocols/report/")).unwrap()
}

#[test]
fn every_sentence_rests_on_an_event_and_no_finding_is_left_out() {
    let (data, sentences) = (data(), sentences());
    let mut records: Vec<_> = fixtures().iter().map(|n| fixture(n)).collect();
    records.extend((0..60).map(|seed| random_record(seed, 80)));
    for events in records {
        let call = Call::read(&events);
        for shape in [Shape::Chronological, Shape::Soap] {
            let draft = narrative::draft(&call, &data.wording, &data.outline, &sentences, 1, shape);
            let left_out = narrative::left_out(&call, 1, &draft);
            assert!(left_out.is_empty(), "{shape:?}: {left_out:?} are in no sentence");
            for sentence in draft.iter().flat_map(|p| &p.sentences) {
                assert!(sentence.seqs.iter().all(|seq| call.event(*seq).is_some()), "{sentence:?}");
                let about_a_gap = ["not assessed", "No ", "Nothing "].iter().any(|w| sentence.text.contains(w));
                assert!(!sentence.seqs.is_empty() || about_a_gap, "{sentence:?} rests on nothing");
            }
        }
    }
}

#[test]
fn the_draft_says_that_it_is_no_report_and_invents_no_assessment() {
    let dir = tempfile::tempdir().unwrap();
    let record = folder(&dir.path().join("r"), &fixture("chest-pain"));
    let text = stdout(&run(&["narrative", record.to_str().unwrap(), "--shape", "soap"]));
    for words in
        ["not the patient care report", "SUBJECTIVE", "OBJECTIVE", "ASSESSMENT", "PLAN", "No impression was said"]
    {
        assert!(text.contains(words), "`{words}` is not in:\n{text}");
    }
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("112/70 mmHg") && flat.contains("not assessed or not said"), "{flat}");
}

/// A reader of RFC 4180, so that the writer is not checked by itself.
fn parse(text: &str) -> Vec<Vec<String>> {
    let (mut rows, mut row, mut cell, mut quoted) = (Vec::new(), Vec::new(), String::new(), false);
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        match (c, quoted) {
            ('"', true) if chars.peek() == Some(&'"') => {
                chars.next();
                cell.push('"');
            }
            ('"', _) => quoted = !quoted,
            (',', false) => row.push(std::mem::take(&mut cell)),
            ('\r', false) => {}
            ('\n', false) => {
                row.push(std::mem::take(&mut cell));
                rows.push(std::mem::take(&mut row));
            }
            (c, _) => cell.push(c),
        }
    }
    assert!(row.is_empty() && cell.is_empty(), "the table does not end with its last line");
    rows
}

#[test]
fn tables_read_back_whole() {
    let data = data();
    for seed in 0..30 {
        let events = random_record(seed, 80);
        let call = Call::read(&events);
        let rows = parse(&csv::events(&call, &data.wording));
        assert_eq!(rows.len(), events.len() + 1);
        assert!(rows.iter().all(|r| r.len() == rows[0].len()), "seed {seed}");
        let payload = rows[0].iter().position(|h| h == "payload").unwrap();
        for row in &rows[1..] {
            serde_json::from_str::<serde_json::Value>(&row[payload]).unwrap();
            assert!(row.iter().all(|c| !c.starts_with('=')), "a formula: {row:?}");
        }
        let sets = parse(&csv::vitals_sets(&call));
        assert_eq!(sets.len(), vitals::sets(&call, 1).len() + 1);
    }
    let events = fixture("chest-pain");
    let rows = parse(&csv::vitals_sets(&Call::read(&events)));
    let column = |name: &str| rows[0].iter().position(|h| h == name).unwrap();
    let cell = |row: usize, name: &str| rows[row][column(name)].as_str();
    assert_eq!((cell(1, "pulse_per_min"), cell(1, "systolic_mmhg"), cell(1, "diastolic_mmhg")), ("118", "112", "70"));
    assert_eq!((cell(2, "systolic_mmhg"), cell(2, "diastolic_mmhg")), ("104", "palpated"));
    assert_eq!(cell(2, "respirations_per_min"), "", "said to be unchanged is no measurement");
    assert_eq!(cell(1, "unconfirmed"), "oxygen_saturation");
}

#[test]
fn the_folded_state_keeps_what_was_replaced() {
    let events = fixture("chest-pain");
    let state = state::of(&Call::read(&events));
    let findings = state["patients"][0]["findings"].as_array().unwrap();
    let pulse = findings.iter().find(|f| f["seq"] == 9).unwrap();
    assert_eq!(pulse["finding"]["rate_per_min"], 118);
    assert_eq!(pulse["replaced"][0]["finding"]["rate_per_min"], 18);
    assert_eq!(state["intervals"][0]["seconds"], 355);
}

#[test]
fn training_is_never_listed_with_care_and_filters_hold() {
    let dir = tempfile::tempdir().unwrap();
    for name in fixtures() {
        folder(&dir.path().join("2027").join(&name), &fixture(&name));
    }
    let list = |more: &[&str]| {
        let mut args = vec!["records", dir.path().to_str().unwrap(), "--json"];
        args.extend(more);
        let text = stdout(&run(&args));
        let name = |line: &str| {
            let json: serde_json::Value = serde_json::from_str(line).unwrap();
            Path::new(json["record"].as_str().unwrap()).file_name().unwrap().to_str().unwrap().to_string()
        };
        text.lines().map(name).collect::<BTreeSet<_>>()
    };
    let names = |names: &[&str]| names.iter().map(|n| n.to_string()).collect::<BTreeSet<_>>();
    assert_eq!(list(&["--training"]), names(&["hard-text"]));
    assert!(!list(&[]).contains("hard-text"));
    assert_eq!(list(&["--complaint", "Chest Pain"]), names(&["chest-pain"]));
    assert_eq!(list(&["--drug", "aspirin"]), names(&["chest-pain", "open-plan"]));
    assert_eq!(list(&["--open"]), names(&["only-corrections"]));
    assert_eq!(list(&["--unconfirmed"]), names(&["chest-pain"]));
    assert_eq!(list(&["--since", "2027-03-02"]), names(&[]));
    assert_eq!(list(&["--unit", "ambulance 7"]), names(&["chest-pain"]));
    let missing = run(&["records", "nowhere-at-all"]);
    assert_eq!(missing.status.code(), Some(1));
}

#[test]
fn quality_figures_are_those_reckoned_by_hand() {
    let dir = tempfile::tempdir().unwrap();
    for name in fixtures() {
        folder(&dir.path().join(&name), &fixture(&name));
    }
    let text = stdout(&run(&["quality", dir.path().to_str().unwrap(), "--csv"]));
    let rows = parse(&text);
    let value = |question: &str| {
        let row = rows.iter().find(|r| r[0].starts_with(question)).unwrap_or_else(|| panic!("{question}: {text}"));
        (row[1].clone(), row[2].clone())
    };
    let is = |question: &str, v: &str, of: &str| assert_eq!(value(question), (v.into(), of.into()), "{question}");
    // Four care records; only chest-pain has vitals that stand: at patient 14:01:00, pulse at 14:01:30.
    is("calls", "4", "4");
    is("time to first vitals, median", "0:30", "1");
    // Sets at 14:01:30 and 14:07:00, no priority said: within 15 minutes.
    is("reassessments on time", "1 (100 %)", "1");
    is("aspirin given in chest pain", "1 (100 %)", "1");
    // #25 and #27; the second was acknowledged; both were followed.
    is("warnings", "2", "4");
    is("warnings acknowledged", "1 (50 %)", "2");
    is("warnings after which", "2 (100 %)", "2");
    is("values left unconfirmed", "1", "4");
    is("plans never closed", "1", "4");
    // Two corrections or retractions in only-corrections, one each in chest-pain and open-plan.
    is("corrections", "4", "4");
    is("utterances not understood", "1", "4");
}

#[test]
fn a_debrief_tells_order_omissions_and_what_was_unsafe() {
    let dir = tempfile::tempdir().unwrap();
    let record = folder(&dir.path().join("r"), &fixture("chest-pain"));
    let list = dir.path().join("list.toml");
    std::fs::write(
        &list,
        "name = \"my list\"\n[[step]]\nid = \"bp\"\nsay = \"Pressure\"\nkinds = [\"blood_pressure\"]\nwithin_s = 60\n\
         [[step]]\nid = \"allergy\"\nsay = \"Allergies\"\nkinds = [\"allergy\"]\nafter = \"asa\"\n\
         [[step]]\nid = \"asa\"\nsay = \"Aspirin\"\nkinds = [\"medication_given\"]\nwhere = { name = \"aspirin\" }\n\
         [[step]]\nid = \"history\"\nsay = \"History\"\nkinds = [\"history\"]\n",
    )
    .unwrap();
    let text = stdout(&run(&["debrief", record.to_str().unwrap(), "--checklist", list.to_str().unwrap()]));
    let line = |word: &str| text.lines().find(|l| l.contains(word)).unwrap_or_else(|| panic!("{word}: {text}"));
    assert!(line("Pressure").contains("LATE") && line("Pressure").contains("1:45"), "{text}");
    assert!(line("Allergies").contains("OUT OF ORDER"), "{text}");
    assert!(line("Aspirin").contains("done") && line("Aspirin").contains("3.") && line("Aspirin").contains("4:10"));
    assert!(line("History").contains("OMITTED"), "{text}");
    assert!(text.contains("Hold nitroglycerin"), "{text}");
    std::fs::write(&list, "name = \"x\"\n[[step]]\nid = \"a\"\nsay = \"A\"\nkinds = [\"pulze\"]\n").unwrap();
    let bad = run(&["debrief", record.to_str().unwrap(), "--checklist", list.to_str().unwrap()]);
    assert_eq!(bad.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&bad.stderr).contains("`pulze` is no known finding"));
}

#[test]
fn a_copy_for_the_hospital_has_no_spoken_words() {
    let dir = tempfile::tempdir().unwrap();
    let record = folder(&dir.path().join("r"), &fixture("chest-pain"));
    let record = record.to_str().unwrap();
    let crew = stdout(&run(&["review", record, "--html", "-"]));
    let hospital = stdout(&run(&["review", record, "--html", "-", "--for", "hospital"]));
    assert!(crew.contains("about to give nitro") && !hospital.contains("about to give nitro"));
    assert!(hospital.contains("112/70") && !hospital.contains("Hold nitroglycerin"));
    let fhir = stdout(&run(&["export", record, "--format", "fhir", "--for", "hospital"]));
    assert!(fhir.contains("85354-9") && !fhir.contains("mumble"));
    assert_eq!(run(&["review", record, "--for", "anybody"]).status.code(), Some(2));
}

#[test]
fn bulk_lines_lie_in_one_file_a_type_and_a_bad_record_stops_none() {
    let dir = tempfile::tempdir().unwrap();
    let into = dir.path().join("bulk");
    let good = folder(&dir.path().join("a"), &fixture("chest-pain"));
    let missing = dir.path().join("nothing");
    let args = ["export", good.to_str().unwrap(), missing.to_str().unwrap()];
    let output = run(&[&args[..], &["--format", "ndjson", "--into", into.to_str().unwrap()]].concat());
    assert_eq!(output.status.code(), Some(1), "the missing record is told");
    let lines = std::fs::read_to_string(into.join("Observation.ndjson")).unwrap();
    for line in lines.lines() {
        let resource: serde_json::Value = serde_json::from_str(line).unwrap();
        assert_eq!(resource["resourceType"], "Observation");
        assert!(resource["subject"]["reference"].as_str().unwrap().starts_with("Patient/"));
    }
    assert!(into.join("MedicationAdministration.ndjson").exists() && into.join("Patient.ndjson").exists());

    let training = folder(&dir.path().join("b"), &fixture("hard-text"));
    let both = ["export", good.to_str().unwrap(), training.to_str().unwrap(), "--format", "ndjson"];
    let care = run(&both);
    assert!(!stdout(&care).contains("HTEST"), "training is among care");
    assert!(String::from_utf8_lossy(&care.stderr).contains("1 training records are left out"));
    let trained = stdout(&run(&[&both[..], &["--training"]].concat()));
    assert!(trained.lines().count() > 0 && trained.lines().all(|l| l.contains("HTEST")));
    for table in ["events", "vitals"] {
        let rows = stdout(&run(&["export", training.to_str().unwrap(), "--format", "csv", "--table", table]));
        assert!(rows.lines().skip(1).count() > 0 && rows.matches(",training\r\n").count() > 0, "{rows}");
    }
}

/// Every reader sees a dose that only the plan named, called planned, and none sees it as said.
#[test]
fn a_dose_that_only_the_plan_named_is_shown_as_planned_everywhere() {
    let dir = tempfile::tempdir().unwrap();
    let mut events = fixture("open-plan");
    events.truncate(3);
    let given = serde_json::json!({"seq": 4, "at": "2027-03-01T14:01:00.000-05:00", "mono_ms": 60_000,
        "kind": "finding", "finding": {"finding": "medication_given", "name": "aspirin"}});
    events.push(thirdhand::core::event::Event::from_json(&given).unwrap());
    let record = report::folder(&dir.path().join("call"), &events);
    let record = record.to_str().unwrap();
    for args in [
        &["review", record][..],
        &["handoff", record],
        &["narrative", record],
        &["narrative", record, "--shape", "soap"],
        &["export", record, "--format", "csv"],
        &["export", record, "--format", "fhir"],
    ] {
        let output = run(args);
        let said = String::from_utf8(output.stdout).unwrap();
        let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains("planned 324 mg"), "{args:?}: {said}");
    }
    let fhir = String::from_utf8(run(&["export", record, "--format", "fhir"]).stdout).unwrap();
    let bundle: serde_json::Value = serde_json::from_str(&fhir).unwrap();
    let given = bundle["entry"].as_array().unwrap().iter().map(|e| &e["resource"]);
    let given = given.into_iter().find(|r| r["resourceType"] == "MedicationAdministration").unwrap();
    assert!(given["dosage"].is_null(), "nobody said what was given: {given}");
}

/// A coach speaks and shows; an examiner is silent, yet the record and the debrief have everything.
#[test]
fn a_coach_shows_its_advice_and_an_examiner_keeps_it_for_the_debrief() {
    let dir = tempfile::tempdir().unwrap();
    let script = report::root().join("samples/chest-pain.call");
    let replay = |name: &str, more: &[&str]| {
        let record = dir.path().join(name);
        let args = ["replay", script.to_str().unwrap(), "--voice", "none", "--record", record.to_str().unwrap()];
        (run(&[&args[..], more].concat()), record)
    };
    let (output, coached) = replay("coach", &["--purpose", "training"]);
    assert!(stdout(&output).contains(">>>"), "a coach shows its warnings");
    let (output, examined) = replay("examiner", &["--trainer", "examiner"]);
    assert_eq!(stdout(&output), "", "an examiner shows nothing");
    let kinds = |record: &Path| {
        let text = std::fs::read_to_string(record.join("events.jsonl")).unwrap();
        text.lines().filter(|l| l.contains("\"kind\":\"advice\"")).count()
    };
    assert_eq!(kinds(&coached), kinds(&examined), "the examiner notes what the coach says");
    for (record, words) in [(&coached, "With coach."), (&examined, "With examiner: nothing was said or shown.")] {
        let said = stdout(&run(&["debrief", record.to_str().unwrap()]));
        assert!(said.contains(words) && said.contains("TRAINING"), "{said}");
        assert!(said.contains("Warnings and risky plans\n  ") && !said.contains("plans\n  none"), "{said}");
        let care = stdout(&run(&["records", dir.path().to_str().unwrap()]));
        assert!(!care.contains(record.file_name().unwrap().to_str().unwrap()), "{care}");
    }
    let (output, _) = replay("patient", &["--purpose", "care", "--trainer", "examiner"]);
    assert_eq!(output.status.code(), Some(2), "nobody is examined at a patient's side");
    assert!(!dir.path().join("patient").exists());
}

/// Into an existing engine and back: what DuckDB counts in the bulk export is what was made.
#[cfg(feature = "voice")]
#[test]
fn a_bulk_export_is_counted_right_by_duckdb() {
    let script = report::root().join("scripts/bench-bulk.sh");
    let output = Command::new(script).args([env!("CARGO_BIN_EXE_thirdhand"), "120"]).output().unwrap();
    let said = stdout(&output);
    assert!(said.contains("120 records exported") && said.contains("calls: 120"), "{said}");
}
