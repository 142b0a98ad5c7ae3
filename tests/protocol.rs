//! The encounter driven by findings alone, on a simulated stopwatch. Stories with speech are in `tests/encounters/`.

use chrono::DateTime;

use thirdhand::core::encounter::{Effect, Encounter, Input, Knowledge};
use thirdhand::core::event::{Body, Closed, Event, Opened};
use thirdhand::core::grammar::Grammar;
use thirdhand::core::protocol::{Protocol, finding_of};
use thirdhand::core::time::Moment;
use thirdhand::shell::data::DataSet;

/// What is told, what happens at which second, when it ends, and the advice that must be given and no other.
type Story<'a> = (&'a str, &'a [(u64, &'a str)], u64, &'a [&'a str]);

fn knowledge() -> Knowledge {
    let data = DataSet::built_in();
    let grammar = Grammar::load(&data.sources("grammars/")).unwrap_or_default();
    let protocol = Protocol::load(&data.sources("protocols/"))
        .unwrap_or_else(|all| panic!("{}", all.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")));
    Knowledge { grammar, protocol }
}

fn at(seconds: u64) -> Moment {
    let start = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    Moment::new(0, start).plus_ms(seconds * 1000)
}

/// Runs findings (second, JSON) until `end`; returns "second type about" of every advice, events too.
fn run(knowledge: &Knowledge, story: &[(u64, &str)], end: u64) -> (Vec<String>, Vec<Event>) {
    let mut encounter = Encounter::new(knowledge);
    let mut events = Vec::new();
    let mut take = |effects: Vec<Effect>| {
        events.extend(effects.into_iter().filter_map(|e| match e {
            Effect::Append(event) => Some(event),
            _ => None,
        }));
    };
    take(encounter.handle(Input::Open(Opened::default()), at(0)));
    for (second, json) in story.iter().copied().chain([(end, "")]) {
        while let Some(due) = encounter.next_deadline().filter(|due| *due <= second * 1000) {
            take(encounter.handle(Input::Tick, at(0).plus_ms(due)));
            assert!(encounter.next_deadline().is_none_or(|next| next > due), "a deadline does not pass");
        }
        if !json.is_empty() {
            take(encounter.handle(Input::Found(finding_of(json).unwrap()), at(second)));
        }
    }
    take(encounter.handle(Input::Close(Closed::default()), at(end)));
    let advice = events.iter().filter_map(|event| match &event.body {
        Body::Advice(a) => {
            let kind = serde_json::to_value(a.kind).unwrap();
            Some(format!("{} {} {}", event.when.mono_ms / 1000, kind.as_str().unwrap(), a.about))
        }
        _ => None,
    });
    (advice.collect(), events.clone())
}

const ASPIRIN: &str = r#"{"finding":"medication_planned","name":"aspirin","dose":324,"unit":"mg"}"#;
const NITRO: &str = r#"{"finding":"medication_planned","name":"nitroglycerin"}"#;
const NITRO_GIVEN: &str = r#"{"finding":"medication_given","name":"nitroglycerin"}"#;
const NKDA: &str = r#"{"finding":"allergy","none":true,"of":"medication"}"#;
const NO_PDE5: &str = r#"{"finding":"recent_use","class":"pde5_inhibitor","taken":false}"#;
const HIGH: &str = r#"{"finding":"blood_pressure","systolic_mmhg":152,"diastolic_mmhg":88}"#;
const LOW: &str = r#"{"finding":"blood_pressure","systolic_mmhg":94,"diastolic_mmhg":62}"#;

#[test]
fn plans_are_checked_before_the_hand_moves() {
    let k = knowledge();
    let cases: &[Story] = &[
        (
            "nothing known: two questions",
            &[(10, NITRO)],
            60,
            &["10 missing_fact nitroglycerin", "10 missing_fact nitroglycerin"],
        ),
        ("all known: silence", &[(5, HIGH), (8, NO_PDE5), (10, NITRO)], 60, &[]),
        (
            "low pressure holds",
            &[(5, LOW), (8, NO_PDE5), (10, NITRO)],
            60,
            &["5 abnormal_vital blood_pressure", "10 contraindication nitroglycerin"],
        ),
        (
            "the answer that makes a hold is spoken then",
            &[(5, HIGH), (10, NITRO), (20, r#"{"finding":"recent_use","name":"sildenafil","taken":true}"#)],
            60,
            &["10 missing_fact nitroglycerin", "20 contraindication nitroglycerin"],
        ),
        (
            "a denial by one name settles that name",
            &[(5, HIGH), (8, r#"{"finding":"recent_use","name":"sildenafil","taken":false}"#), (10, NITRO)],
            60,
            &["10 missing_fact nitroglycerin"],
        ),
        (
            "every name denied settles the class",
            &[
                (5, HIGH),
                (6, r#"{"finding":"recent_use","name":"sildenafil","taken":false}"#),
                (7, r#"{"finding":"recent_use","name":"tadalafil","taken":false}"#),
                (8, r#"{"finding":"recent_use","name":"vardenafil","taken":false}"#),
                (9, r#"{"finding":"recent_use","name":"avanafil","taken":false}"#),
                (10, NITRO),
            ],
            60,
            &[],
        ),
        (
            "an old pressure clears nothing",
            &[(5, HIGH), (8, NO_PDE5), (1900, NITRO)],
            1901,
            &["305 reminder reassessment", "425 reminder reassessment", "1900 missing_fact nitroglycerin"],
        ),
        (
            "an unconfirmed pressure clears nothing",
            &[(5, r#"{"finding":"blood_pressure","systolic_mmhg":152,"unconfirmed":true}"#), (8, NO_PDE5), (10, NITRO)],
            20,
            &["10 missing_fact nitroglycerin"],
        ),
        (
            "an unconfirmed pressure holds",
            &[(5, r#"{"finding":"blood_pressure","systolic_mmhg":84,"unconfirmed":true}"#), (8, NO_PDE5), (10, NITRO)],
            20,
            &["5 abnormal_vital blood_pressure", "10 contraindication nitroglycerin"],
        ),
        (
            "the patient's own doses count",
            &[
                (4, r#"{"finding":"medication_taken","name":"nitroglycerin","count":3}"#),
                (5, HIGH),
                (8, NO_PDE5),
                (10, NITRO),
            ],
            20,
            &["10 dose nitroglycerin"],
        ),
        (
            "too soon, and the pressure must be new",
            &[(5, HIGH), (8, NO_PDE5), (10, NITRO), (15, NITRO_GIVEN), (100, NITRO)],
            110,
            &["100 dose nitroglycerin", "100 missing_fact nitroglycerin"],
        ),
        ("aspirin with no allergies", &[(5, NKDA), (10, ASPIRIN)], 20, &[]),
        ("aspirin unasked", &[(10, ASPIRIN)], 20, &["10 missing_fact aspirin"]),
        (
            "aspirin allergy",
            &[(5, r#"{"finding":"allergy","name":"aspirin"}"#), (10, ASPIRIN)],
            20,
            &["10 contraindication aspirin"],
        ),
        (
            "class allergy asks",
            &[
                (4, r#"{"finding":"allergy","name":"ibuprofen"}"#),
                (5, r#"{"finding":"allergy","name":"aspirin","present":false}"#),
                (10, ASPIRIN),
            ],
            20,
            &["10 missing_fact aspirin"],
        ),
        (
            "dose outside",
            &[(5, NKDA), (10, r#"{"finding":"medication_planned","name":"aspirin","dose":650,"unit":"mg"}"#)],
            20,
            &["10 dose aspirin"],
        ),
        (
            "a doubtful dose runs the other checks",
            &[
                (5, r#"{"finding":"allergy","name":"aspirin"}"#),
                (10, r#"{"finding":"medication_planned","name":"aspirin","dose":650,"unit":"mg","unconfirmed":true}"#),
            ],
            20,
            &["10 contraindication aspirin"],
        ),
        (
            "given unannounced runs it too",
            &[
                (5, r#"{"finding":"allergy","name":"aspirin"}"#),
                (10, r#"{"finding":"medication_given","name":"aspirin"}"#),
            ],
            20,
            &["10 contraindication aspirin"],
        ),
    ];
    for (what, story, end, expected) in cases {
        assert_eq!(run(&k, story, *end).0, *expected, "{what}");
    }
}

#[test]
fn clocks_ring_once_escalate_once_and_are_settled() {
    let k = knowledge();
    let cases: &[Story] = &[
        (
            "unstable or unknown: five minutes, then once more",
            &[(30, LOW)],
            1800,
            &["30 abnormal_vital blood_pressure", "330 reminder reassessment", "450 reminder reassessment"],
        ),
        (
            "nitroglycerin is rechecked",
            &[(5, HIGH), (8, NO_PDE5), (10, NITRO), (20, NITRO_GIVEN), (200, HIGH), (300, HIGH)],
            400,
            &[],
        ),
        (
            "recheck rings",
            &[(5, HIGH), (8, NO_PDE5), (10, NITRO), (20, NITRO_GIVEN)],
            330,
            &["305 reminder reassessment", "320 reminder recheck_nitroglycerin"],
        ),
        ("a plan never closed is asked about once", &[(5, NKDA), (10, ASPIRIN)], 2000, &["310 omission aspirin"]),
        (
            "compressions",
            &[
                (0, r#"{"finding":"procedure","name":"cpr_started"}"#),
                (200, r#"{"finding":"procedure","name":"rosc"}"#),
            ],
            600,
            &["120 reminder cpr_cycle"],
        ),
        (
            "tourniquet",
            &[(60, r#"{"finding":"procedure","name":"tourniquet","site":"left_leg"}"#)],
            7400,
            &["3660 reminder tourniquet", "5460 reminder tourniquet", "7260 reminder tourniquet"],
        ),
    ];
    for (what, story, end, expected) in cases {
        assert_eq!(run(&k, story, *end).0, *expected, "{what}");
    }
}
