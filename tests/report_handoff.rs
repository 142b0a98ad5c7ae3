//! The verbal handover: every shape, digits for the eye and words for the ear, short enough, honest about gaps.

#[path = "report/mod.rs"]
mod report;

use report::{Data, data, fixture, fixtures, random_record};
use thirdhand::core::event::Event;
use thirdhand::core::report::Call;
use thirdhand::core::report::handoff::{Handoff, Teller, seconds};
use thirdhand::core::report::wording::Manner;

/// Longest spoken handoff, seconds.
const LONGEST: u32 = 45;

fn tell(events: &[Event], data: &Data, shape: &str, manner: Manner) -> Handoff {
    let call = Call::read(events);
    let teller = Teller { call: &call, wording: &data.wording, shapes: &data.shapes, patient: 1, manner };
    teller.tell(Some(shape)).unwrap()
}

#[test]
fn every_shape_gives_the_numbers_in_digits() {
    let data = data();
    let shapes: Vec<String> = data.shapes.ids().map(str::to_string).collect();
    assert_eq!(shapes, ["plain", "sbar", "mist", "imist-ambo"]);
    for shape in shapes {
        let text = tell(&fixture("chest-pain"), &data, &shape, Manner::Shown).lines();
        for words in [
            "60-year-old",
            "male",
            "chest pain",
            "112/70",
            "104/palp",
            "118/min",
            "aspirin 324 mg",
            "14:04",
            "enicillin",
            "isinopril",
            "sildenafil",
            "withheld nitroglycerin",
        ] {
            assert!(text.contains(words), "{shape} lacks `{words}`:\n{text}");
        }
        assert!(
            text.contains("91 %, on room air (UNCONFIRMED)"),
            "{shape} hides that a value is not confirmed:\n{text}"
        );
        assert!(text.contains("Not in the record: past history"), "{shape} does not name what is missing:\n{text}");
        assert!(
            !text.contains("18/min, irregular") || text.contains("118/min, irregular"),
            "{shape} gives the old value"
        );
    }
}

#[test]
fn aloud_it_has_words_no_digits_and_fits() {
    let data = data();
    let mut records: Vec<(String, Vec<Event>)> = fixtures().into_iter().map(|n| (n.clone(), fixture(&n))).collect();
    records.extend((0..25).map(|seed| (format!("random {seed}"), random_record(seed, 200))));
    for (name, events) in records {
        for shape in ["plain", "sbar", "mist", "imist-ambo"] {
            let told = tell(&events, &data, shape, Manner::Said);
            let text = told.lines();
            if name == "chest-pain" {
                assert!(!text.replace("CO2", "").chars().any(|c| c.is_ascii_digit()), "{shape}: {text}");
                assert!(text.contains("one oh four over palp"), "{shape}: {text}");
                assert!(text.contains("three twenty four milligrams"), "{shape}: {text}");
                assert!(seconds(&told, &data.shapes) <= LONGEST, "{shape}: {} s", seconds(&told, &data.shapes));
            }
            // A record at random may have more treatments than can be said; then all else gives way, and says so.
            let cut = text.contains("More is in the written record");
            assert!(seconds(&told, &data.shapes) <= LONGEST || cut, "{name}, {shape}: {text}");
        }
    }
}

#[test]
fn a_part_can_be_asked_for_alone() {
    let data = data();
    let events = fixture("chest-pain");
    let call = Call::read(&events);
    let teller = Teller { call: &call, wording: &data.wording, shapes: &data.shapes, patient: 1, manner: Manner::Said };
    let part = |id: &str| teller.tell_part(id).unwrap().lines();
    assert!(part("vitals").contains("one twelve over seventy") && !part("vitals").contains("aspirin"));
    assert!(part("treatment").contains("aspirin") && !part("treatment").contains("over palp"));
    assert!(part("history").to_lowercase().contains("penicillin"));
    assert!(part("short").contains("palp"));
    let error = teller.tell_part("everything").unwrap_err();
    assert!(error.contains("vitals, treatment, history, short"), "{error}");
}

#[test]
fn an_empty_record_says_so_and_names_every_essential() {
    let data = data();
    let text = tell(&fixture("empty"), &data, "plain", Manner::Shown).lines();
    for words in ["Nothing was recorded", "age and sex", "chief complaint", "vitals", "allergies", "home medications"] {
        assert!(text.contains(words), "`{words}` is not in:\n{text}");
    }
}

#[test]
fn a_plan_never_closed_is_named_and_a_retracted_value_is_not_told() {
    let data = data();
    let text = tell(&fixture("open-plan"), &data, "sbar", Manner::Shown).lines();
    assert!(text.to_lowercase().contains("planned, not said to be given: aspirin 324 mg"), "{text}");
    assert!(!text.contains("94/62"), "{text}");
}

#[test]
fn the_other_patient_is_not_mixed_in() {
    let data = data();
    let events = fixture("hard-text");
    let call = Call::read(&events);
    let teller =
        Teller { call: &call, wording: &data.wording, shapes: &data.shapes, patient: 2, manner: Manner::Shown };
    let text = teller.tell(None).unwrap().lines();
    assert!(text.contains("84/min") && !text.contains("80/min") && !text.contains("script"), "{text}");
}

/// The reckoning checked against sound: espeak-ng at its own rate.
#[cfg(feature = "voice")]
#[test]
fn aloud_it_takes_less_than_45_seconds() {
    let data = data();
    let dir = tempfile::tempdir().unwrap();
    for name in ["chest-pain", "open-plan", "empty"] {
        for shape in ["plain", "sbar", "mist", "imist-ambo"] {
            let text = tell(&fixture(name), &data, shape, Manner::Said).lines();
            let wav = dir.path().join("said.wav");
            let said = std::process::Command::new("espeak-ng").arg("-w").arg(&wav).arg(&text).status();
            assert!(said.expect("espeak-ng is missing: apt-get install espeak-ng").success());
            // 22.05 kHz, 16 bits, one channel.
            let seconds = (std::fs::metadata(&wav).unwrap().len() - 44) as f64 / 44_100.0;
            assert!(seconds < f64::from(LONGEST), "{name}, {shape}: {seconds:.1} s: {text}");
            assert!(seconds > 1.0, "{name}, {shape}: nothing was said");
        }
    }
}
