//! The encounter driven by findings alone, on a simulated stopwatch. Stories with speech are in `tests/encounters/`.

use std::collections::BTreeSet;

use chrono::DateTime;

use thirdhand::core::encounter::{Effect, Encounter, Input, Knowledge};
use thirdhand::core::event::{AdviceType, Body, Closed, Event, Opened};
use thirdhand::core::grammar::Grammar;
use thirdhand::core::protocol::facts::Classes;
use thirdhand::core::protocol::model::Condition;
use thirdhand::core::protocol::{Protocol, finding_of};
use thirdhand::core::source::Source;
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

fn from(hours: i64) -> Moment {
    let start = DateTime::parse_from_rfc3339("2027-03-01T14:00:00-05:00").unwrap();
    Moment::new(0, start + chrono::TimeDelta::hours(hours))
}

/// Runs findings (second, JSON) until `end`; returns "second type about" of every advice, events too.
fn run(knowledge: &Knowledge, story: &[(u64, &str)], end: u64) -> (Vec<String>, Vec<Event>) {
    run_from(knowledge, story, end, 0)
}

/// The same, begun so many hours later.
fn run_from(knowledge: &Knowledge, story: &[(u64, &str)], end: u64, hours: i64) -> (Vec<String>, Vec<Event>) {
    run_until(knowledge, story, end, hours, true)
}

/// The same; without `ticks` nobody calls between the last finding and the close, so that clocks are overdue then.
fn run_until(
    knowledge: &Knowledge,
    story: &[(u64, &str)],
    end: u64,
    hours: i64,
    ticks: bool,
) -> (Vec<String>, Vec<Event>) {
    let at = |seconds: u64| from(hours).plus_ms(seconds * 1000);
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
        let ticking = |due: &u64| *due <= second * 1000 && (ticks || !json.is_empty());
        while let Some(due) = encounter.next_deadline().filter(ticking) {
            take(encounter.handle(Input::Tick, from(hours).plus_ms(due)));
            assert!(encounter.next_deadline().is_none_or(|next| next > due), "a deadline does not pass");
        }
        if !json.is_empty() {
            take(encounter.handle(Input::Found(finding_of(json).unwrap()), at(second)));
        }
    }
    take(encounter.handle(Input::Close(Closed::default()), at(end)));
    assert_eq!(encounter.next_deadline(), None, "a closed record waits for nothing");
    for input in [Input::Tick, Input::Found(finding_of(NITRO).unwrap()), Input::Found(finding_of(LOW).unwrap())] {
        assert_eq!(
            encounter.handle(input, at(end + 7200)),
            Vec::new(),
            "nothing follows from anything after the close"
        );
    }
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
        ("a plan never closed is asked about once", &[(5, NKDA), (10, ASPIRIN)], 2000, &["190 omission aspirin"]),
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

/// The built-in set with `overlay` as a local file over it.
fn with_local(overlay: &str) -> Result<Knowledge, Vec<String>> {
    let data = DataSet::built_in();
    let mut sources = data.sources("protocols/");
    sources.push(Source { path: "protocols/local.toml", text: overlay, local: true });
    let grammar = Grammar::load(&data.sources("grammars/")).unwrap_or_default();
    let protocol =
        Protocol::load(&sources).map_err(|all| all.iter().map(ToString::to_string).collect::<Vec<String>>())?;
    Ok(Knowledge { grammar, protocol })
}

/// One published nitroglycerin rule as a local set: source, hold at a systolic of at most this, hours by drug.
struct Published {
    source: &'static str,
    hold_at_most: i64,
    hours: u32,
    tadalafil: u32,
}

/// Rows of the reference matrix that give both a pressure and a window.
const MATRIX: &[Published] = &[
    Published {
        source: "Massachusetts statewide treatment protocols 2015.1",
        hold_at_most: 120,
        hours: 48,
        tadalafil: 48,
    },
    Published { source: "West Virginia EMT-Basic 2013", hold_at_most: 100, hours: 24, tadalafil: 72 },
    Published { source: "Hillsborough County FL BLS 2011", hold_at_most: 100, hours: 48, tadalafil: 48 },
    Published { source: "Hawaii paramedic standing orders", hold_at_most: 100, hours: 24, tadalafil: 72 },
    Published {
        source: "ACC/AHA UA/NSTEMI pocket guide (2012 focused update): below 90",
        hold_at_most: 89,
        hours: 24,
        tadalafil: 48,
    },
    Published {
        source: "Australasian study decks: below 90, tadalafil 4 days",
        hold_at_most: 89,
        hours: 24,
        tadalafil: 96,
    },
    Published { source: "Ontario base hospital: at least 100, any 48", hold_at_most: 99, hours: 48, tadalafil: 48 },
];

#[test]
fn the_nitroglycerin_matrix_row_by_row_as_local_sets() {
    for row in MATRIX {
        let Published { source, hold_at_most, hours, tadalafil } = row;
        let overlay = format!(
            r#"
source = "{source}"
effective = "2027-01-01"
[[rule]]
id = "local.pressure"
replaces = "nitroglycerin.pressure"
because = "the row of the matrix"
drug = "nitroglycerin"
effect = "hold"
if = {{ number = {{ of = "blood_pressure.systolic_mmhg", at_most = {hold_at_most}, max_age_min = 10 }} }}
unknown = "ask"
say = "{{drug}}, hold: pressure {{value!}}."
ask = "{{drug}}: pressure?"
[[rule]]
id = "local.pde5"
replaces = "nitroglycerin.pde5"
because = "the row of the matrix"
drug = "nitroglycerin"
effect = "hold"
if = {{ use = {{ class = "pde5_inhibitor", hours = {hours}, hours_of = {{ tadalafil = {tadalafil} }} }} }}
unknown = "ask"
say = "{{drug}}, hold: {{name}} on board."
ask = "{{drug}}: any E D drugs?"
"#
        );
        let k = with_local(&overlay).unwrap();
        let about_nitro = |facts: &[String]| {
            let mut story: Vec<(u64, &str)> = facts.iter().map(|f| (5, f.as_str())).collect();
            story.push((10, NITRO));
            let told = run(&k, &story, 20).0;
            told.into_iter().filter(|line| line.ends_with("nitroglycerin")).collect::<Vec<_>>()
        };
        let pressure = |s: i64| format!(r#"{{"finding":"blood_pressure","systolic_mmhg":{s}}}"#);
        let took = |name: &str, ago: i64| {
            let at = DateTime::parse_from_rfc3339("2027-03-01T14:00:05-05:00").unwrap() - chrono::TimeDelta::hours(ago);
            format!(r#"{{"finding":"recent_use","name":"{name}","taken":true,"happened_at":"{}"}}"#, at.to_rfc3339())
        };
        let (hold, silent) = (vec!["10 contraindication nitroglycerin".to_string()], Vec::<String>::new());
        let denied = NO_PDE5.to_string();
        assert_eq!(about_nitro(&[denied.clone(), pressure(*hold_at_most)]), hold, "{source}: at the floor");
        assert_eq!(about_nitro(&[denied.clone(), pressure(hold_at_most + 1)]), silent, "{source}: above the floor");
        let good = pressure(150);
        for (drug, window) in [("sildenafil", hours), ("vardenafil", hours), ("tadalafil", tadalafil)] {
            let inside = about_nitro(&[denied.clone(), good.clone(), took(drug, i64::from(*window) - 1)]);
            assert_eq!(inside, hold, "{source}: {drug} within {window} h");
            let outside = about_nitro(&[denied.clone(), good.clone(), took(drug, i64::from(*window) + 1)]);
            assert_eq!(outside, silent, "{source}: {drug} after {window} h");
        }
    }
}

/// Doses by weight: label figures with both printed units. (FDA labels EpiPen, Auvi-Q; NAEPP EPR-3 0.15 mg/kg, at least
/// 2.5 mg; acetaminophen 15 mg/kg, PMC8900682 table 2.)
#[test]
fn doses_by_weight_at_their_boundaries() {
    let k = knowledge();
    let said = |kg: &str, lb: &str| {
        let pounds =
            if lb.is_empty() { String::new() } else { format!(r#","weight_said":{{"value":{lb},"unit":"lb"}}"#) };
        format!(r#"{{"finding":"patient","age_years":5,"weight_kg":{kg}{pounds}}}"#)
    };
    let epi = |dose: &str| {
        format!(
            r#"{{"finding":"medication_planned","name":"epinephrine","dose":{dose},"unit":"mg","device":"auto_injector"}}"#
        )
    };
    let albuterol =
        |dose: &str| format!(r#"{{"finding":"medication_planned","name":"albuterol","dose":{dose},"unit":"mg"}}"#);
    let rows: &[(String, String, bool)] = &[
        (said("30", ""), epi("0.3"), true),
        (said("30", ""), epi("0.15"), false),
        (said("29.9", ""), epi("0.15"), true),
        (said("29.94", "66"), epi("0.3"), true),
        (said("29.94", "66"), epi("0.15"), false),
        (said("29.48", "65"), epi("0.15"), true),
        (said("15", ""), epi("0.15"), true),
        (said("14.97", "33"), epi("0.15"), true),
        (said("14.9", ""), epi("0.15"), false),
        (said("14.9", ""), epi("0.1"), true),
        (said("7.5", ""), epi("0.1"), true),
        (said("10", ""), albuterol("2.5"), true),
        (said("10", ""), albuterol("5"), false),
        (said("20", ""), albuterol("3"), true),
        (said("33", ""), albuterol("5"), true),
        (said("60", ""), albuterol("5"), true),
    ];
    for (patient, plan, right) in rows {
        let told = run(&k, &[(5, patient), (10, plan)], 20).0;
        let doses = told.iter().filter(|line| line.starts_with("10 dose")).count();
        assert_eq!(doses == 0, *right, "{patient} {plan}: {told:?}");
    }
}

#[test]
fn a_local_set_says_what_it_changes_and_errors_are_placed() {
    let data = DataSet::find(Some(std::path::Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/samples/local-set"))));
    let data = data.unwrap();
    let protocol = Protocol::load(&data.sources("protocols/")).unwrap();
    let summary = protocol.summary(Some(&shared().protocol)).join("\n");
    for part in ["replaces `nitroglycerin.pressure`", "at most 100", "takes away `aspirin.once`", "adds `ondansetron`"]
    {
        assert!(summary.contains(part), "{part}: {summary}");
    }
    let rule = |condition: &str| {
        format!(
            "[[rule]]\nid = \"x\"\nsource = \"s\"\neffective = \"2027-01-01\"\ndrug = \"aspirin\"\neffect = \"hold\"\n\
             if = {{ {condition} }}\nunknown = \"note\"\nsay = \"x\"\n"
        )
    };
    let wrong = [
        ("[[rule]]\nid = \"x\"\nsource = \"s\"\neffective = \"2027-01-01\"\ndrog = \"aspirin\"\n", "local.toml:5:1"),
        (
            "[[interval]]\nid = \"x\"\nsource = \"s\"\neffective = \"2027-01-01\"\ndrug = \"asprin\"\nminutes = 5\n",
            "is no drug here",
        ),
        ("[[interval]]\nid = \"x\"\ndrug = \"aspirin\"\nminutes = 5\n", "has no `source`"),
        (
            "[[interval]]\nid = \"nitroglycerin.interval\"\nsource = \"s\"\neffective = \"2027-01-01\"\ndrug = \"aspirin\"\nminutes = 5\n",
            "already defined",
        ),
        ("[[disable]]\nid = \"nitroglycerin.intervall\"\nbecause = \"b\"\n", "did you mean `nitroglycerin.interval`"),
    ];
    for (text, expected) in wrong {
        let complaints = with_local(text).err().unwrap_or_default().join("\n");
        assert!(complaints.contains(expected), "{expected}: {complaints}");
    }
    let never = [
        ("number = { of = \"oxygen_saturation.percent\", above = 100 }", "can never be that: it lies between"),
        ("number = { of = \"pulse.rate_per_min\", at_least = 120, below = 120 }", "can never be that"),
        ("word = { of = \"consciousness.avpu\", is = [\"sleepy\"] }", "sleepy"),
        ("age = { below_years = 8, at_least_years = 12 }", "nobody is younger than 8"),
        ("text = { in = [\"mechanism\"], words = [\"Fall\"] }", "lower case"),
        ("named = { in = [\"blood_pressure\"], names = [\"fall\"] }", "has no `name` or `sign`"),
    ];
    for (condition, expected) in never {
        let complaints = with_local(&rule(condition)).err().unwrap_or_default().join("\n");
        assert!(complaints.contains(expected), "{expected}: {complaints}");
    }
}

#[test]
fn figures_and_sentences_that_cannot_be_meant_are_refused() {
    let entry = |section: &str, lines: &str| {
        format!("[[{section}]]\nid = \"x\"\nsource = \"s\"\neffective = \"2027-01-01\"\n{lines}\n")
    };
    let dose = |lines: &str| entry("dose", &format!("drug = \"aspirin\"\nspoken = \"x\"\n{lines}"));
    let clock = |lines: &str| entry("clock", &format!("about = \"x\"\nfrom = \"vitals\"\nsay = \"x\"\n{lines}"));
    let maximum = |lines: &str| entry("maximum", &format!("drug = \"aspirin\"\n{lines}"));
    let wrong = [
        (dose("unit = \"mg\""), "it says no dose"),
        (dose("unit = \"mg\"\namounts = []"), "it says no dose"),
        (dose("unit = \"mgs\"\namounts = [4]"), "unit `mgs` is none of"),
        (dose("unit = \"mg\"\namounts = [4, 0]"), "`amounts` is 0"),
        (dose("unit = \"mg\"\nmin = 8\nmax = 4"), "`min` 8 is above `max` 4"),
        (dose("unit = \"mg\"\nmax = 4\nmin_weight = { kg = 30, lb = 88 }"), "30 kg and 88 lb are not one weight"),
        (clock("at_min = [-5]"), "`at_min` is -5"),
        (clock("at_min = [5]\nstable_min = -10"), "`stable_min` is -10"),
        (clock("at_min = []"), "it can never be due"),
        (clock("at_min = [5]\nescalated = \"Stop now.\""), "says `stop`"),
        (maximum("within_hours = 24"), "neither `doses` nor `total`"),
        (maximum("total = 325\nwithin_hours = 24"), "`total` needs its `unit`"),
        (maximum("doses = 1\nwithin_hours = 0"), "`within_hours` is 0"),
        (entry("interval", "drug = \"aspirin\"\nminutes = 0"), "`minutes` is 0"),
    ];
    for (text, expected) in wrong {
        let complaints = with_local(&text).err().unwrap_or_default().join("\n");
        assert!(complaints.contains(expected), "{expected}: {complaints}");
    }
    let right = [dose("unit = \"mg\"\nmax = 4\nmin_weight = { kg = 30, lb = 66 }"), clock("at_min = [0, 2.5]")];
    for text in right {
        assert_eq!(with_local(&text).err(), None, "{text}");
    }
}

/// Everything that a random call is made of.
fn lines() -> Vec<String> {
    let mut all: Vec<String> = [70, 88, 94, 100, 101, 120, 121, 124, 152, 190]
        .iter()
        .map(|s| format!(r#"{{"finding":"blood_pressure","systolic_mmhg":{s}}}"#))
        .collect();
    all.extend([
        r#"{"finding":"blood_pressure","systolic_mmhg":150,"unconfirmed":true}"#.into(),
        r#"{"finding":"blood_pressure","systolic_mmhg":150,"unchanged":true}"#.into(),
        r#"{"finding":"blood_pressure","obtained":false,"why":"unable"}"#.into(),
        r#"{"finding":"recent_use","class":"pde5_inhibitor","taken":false,"unconfirmed":true}"#.into(),
        r#"{"finding":"recent_use","name":"sildenafil","taken":true}"#.into(),
        r#"{"finding":"recent_use","name":"sildenafil","taken":false}"#.into(),
        r#"{"finding":"home_medication","name":"tadalafil"}"#.into(),
        r#"{"finding":"home_medication","none":true}"#.into(),
        r#"{"finding":"pulse","rate_per_min":88}"#.into(),
        r#"{"finding":"allergy","name":"aspirin"}"#.into(),
        r#"{"finding":"allergy","name":"penicillin"}"#.into(),
        r#"{"finding":"procedure","name":"cpr_started"}"#.into(),
        r#"{"finding":"procedure","name":"rosc"}"#.into(),
        r#"{"finding":"milestone","name":"transfer_of_care"}"#.into(),
        NO_PDE5.into(),
        NKDA.into(),
        NITRO.into(),
        NITRO.into(),
        NITRO_GIVEN.into(),
        ASPIRIN.into(),
    ]);
    all
}

/// Seconds between two things said: at once, some minutes, or about the ten minutes that a pressure is good for.
fn waits() -> impl proptest::strategy::Strategy<Value = u64> {
    proptest::prop_oneof![0u64..40, 0u64..400, 590u64..612]
}

/// Places in [`lines`]: half of them what decides about nitroglycerin, so that its plans meet every edge often.
fn deciding() -> impl proptest::strategy::Strategy<Value = usize> {
    let all = lines();
    let edge = |line: &String| {
        let pressure = ["120}", "121}", "152}"].iter().any(|end| line.ends_with(end));
        pressure || line == NITRO || line == NO_PDE5
    };
    let edges: Vec<usize> = all.iter().enumerate().filter(|(_, line)| edge(line)).map(|(at, _)| at).collect();
    proptest::prop_oneof![proptest::sample::select(edges), 0..all.len()]
}

/// What the record establishes before a nitroglycerin plan, worked out anew and plainly: `(bad, unknown)`.
fn plainly(before: &[(u64, String)], now: u64) -> (bool, bool) {
    let mut pressure: Option<(i64, bool, u64)> = None;
    let mut dose: Option<u64> = None;
    let (mut sildenafil, mut home, mut class) = (None, None, None);
    for (n, (second, line)) in before.iter().enumerate() {
        let json: serde_json::Value = serde_json::from_str(line).unwrap();
        let is = |key: &str, value: &str| json[key] == value;
        if is("finding", "blood_pressure") && json["unchanged"] != true {
            pressure = json["systolic_mmhg"].as_i64().map(|s| (s, json["unconfirmed"] == true, *second));
            if dose.is_some() && pressure.is_some() {
                dose = None;
            }
        }
        if is("finding", "medication_given") {
            dose = Some(*second);
        }
        if is("name", "sildenafil") && is("finding", "recent_use") {
            sildenafil = json["taken"].as_bool();
        }
        if is("finding", "home_medication") && is("name", "tadalafil") {
            home = Some(n);
        }
        if is("class", "pde5_inhibitor") {
            class = Some((n, json["unconfirmed"] != true));
        }
    }
    let fresh = pressure.filter(|(_, _, at)| now - at <= 600 && dose.is_none());
    let low = fresh.is_some_and(|(s, _, _)| s <= 120);
    let pressure_known = fresh.is_some_and(|(s, doubt, _)| s > 120 && !doubt);
    let denied = class.filter(|(_, sure)| *sure).map(|(n, _)| n);
    let taken = sildenafil == Some(true) || home.is_some_and(|home| denied.is_none_or(|denied| denied < home));
    (low || taken, !pressure_known || (!taken && denied.is_none()))
}

/// How many random calls; more for a long look (`THIRDHAND_CASES=20000`, in a release build).
fn cases() -> u32 {
    std::env::var("THIRDHAND_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(160)
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { cases: cases(), failure_persistence: None, ..Default::default() })]

    /// No contraindicated plan passes without a hold; an unknown never passes as a no; nothing speaks after the record
    /// closed, also where clocks were overdue then (`run_until` asserts that deadlines pass, and that a closed record is
    /// deaf).
    #[test]
    fn random_calls(
        steps in proptest::collection::vec((waits(), deciding()), 1..40),
        last in 0u64..3600,
        ticks: bool,
    ) {
        let k = shared();
        let all = lines();
        let mut second = 0;
        let mut story: Vec<(u64, String)> = Vec::new();
        for (wait, line) in steps {
            second += wait;
            story.push((second, all[line % all.len()].clone()));
        }
        let borrowed: Vec<(u64, &str)> = story.iter().map(|(s, line)| (*s, line.as_str())).collect();
        let (_, events) = run_until(k, &borrowed, second + last, 0, ticks);
        let plans: Vec<usize> = story.iter().enumerate().filter(|(_, (_, l))| l == NITRO).map(|(n, _)| n).collect();
        for plan in plans {
            let (at, _) = story[plan];
            let (bad, unknown) = plainly(&story[..plan], at);
            // What was said a minute ago about a plan told again need not be said again.
            let near = |e: &&Event| e.when.mono_ms / 1000 + 60 >= at && e.when.mono_ms / 1000 <= at;
            let said = |kind: AdviceType| events.iter().filter(near).any(|e| {
                matches!(&e.body, Body::Advice(a) if a.kind == kind && a.about == "nitroglycerin")
            });
            let held = said(AdviceType::Contraindication);
            proptest::prop_assert!(!bad || held, "a bad plan at {at} passed: {:?}", story);
            proptest::prop_assert!(bad || !unknown || held || said(AdviceType::MissingFact), "unknown passed at {at}: {:?}", story);
        }
        let closed = events.iter().position(|e| matches!(e.body, Body::Closed(_)));
        proptest::prop_assert_eq!(closed, Some(events.len() - 1));
    }

    /// Shifting all times shifts all outputs: the stopwatch alone decides.
    #[test]
    fn the_hour_of_day_changes_nothing(steps in proptest::collection::vec((0u64..400, 0usize..28), 1..20), hours in 1i64..200) {
        let k = shared();
        let all = lines();
        let mut second = 0;
        let story: Vec<(u64, &str)> = steps.iter().map(|(wait, line)| {
            second += wait;
            (second, all[line % all.len()].as_str())
        }).collect();
        let plain = run(k, &story, second + 900);
        let shifted = run_from(k, &story, second + 900, hours);
        proptest::prop_assert_eq!(plain.0, shifted.0);
    }
}

fn shared() -> &'static Knowledge {
    static SHARED: std::sync::OnceLock<Knowledge> = std::sync::OnceLock::new();
    SHARED.get_or_init(knowledge)
}

/// Two hours with a set of vital signs every five minutes and a drug now and then. An unoptimised build on a busy
/// machine is given more.
#[test]
fn a_two_hour_call_takes_under_a_second() {
    let k = knowledge();
    let mut story: Vec<(u64, &str)> = Vec::new();
    for n in 0..24 {
        let at = n * 300;
        story.extend([
            (at, HIGH),
            (at + 3, r#"{"finding":"pulse","rate_per_min":88}"#),
            (at + 6, r#"{"finding":"respirations","rate_per_min":16}"#),
            (at + 9, r#"{"finding":"oxygen_saturation","percent":97,"on":"room_air"}"#),
            (at + 12, r#"{"finding":"consciousness","avpu":"alert"}"#),
            (at + 15, r#"{"finding":"symptom","aspect":"severity","score":4}"#),
        ]);
        if n == 2 {
            story.extend([(at + 20, NKDA), (at + 30, ASPIRIN), (at + 40, NITRO)]);
        }
    }
    let begun = thirdhand::shell::clock::instant();
    let (told, _) = run(&k, &story, 7200);
    let took = begun.elapsed();
    assert!(!told.is_empty());
    let limit = if cfg!(debug_assertions) { 15.0 } else { 1.0 };
    assert!(took.as_secs_f64() < limit, "took {took:?}");
}

/// Processor time of this thread (user, in ticks): a busy machine does not count.
fn ticks() -> u64 {
    let stat = std::fs::read_to_string("/proc/thread-self/stat").unwrap();
    let after_name = stat.rsplit_once(')').unwrap().1;
    after_name.split_whitespace().nth(11).unwrap().parse().unwrap()
}

/// Four times the record takes about four times as long, not sixteen: old signs are not read again at every word.
#[test]
fn the_time_a_call_takes_grows_as_its_length() {
    let k = knowledge();
    let took = |sets: u64| {
        let story: Vec<(u64, &str)> = (0..sets)
            .flat_map(|n| {
                [(n * 60, HIGH), (n * 60 + 3, r#"{"finding":"pulse","rate_per_min":88}"#)].into_iter().chain([
                    (n * 60 + 6, r#"{"finding":"respirations","rate_per_min":16}"#),
                    (n * 60 + 9, r#"{"finding":"oxygen_saturation","percent":97,"on":"room_air"}"#),
                ])
            })
            .collect();
        let begun = ticks();
        run(&k, &story, sets * 60);
        (ticks() - begun).max(1)
    };
    let (short, long) = (took(100).min(took(100)), took(400));
    assert!(long < short * 9, "{short} ticks for 100 sets, {long} for 400");
}

/// Names that a condition looks for, and the members of its classes.
fn names_of(condition: &Condition, out: &mut BTreeSet<String>) {
    let class = |name: &str, out: &mut BTreeSet<String>| out.extend(shared().protocol.members(name).iter().cloned());
    match condition {
        Condition::Named(test) => out.extend(test.names.iter().cloned()),
        Condition::Use(test) => class(&test.class, out),
        Condition::Allergy(test) => {
            out.extend(test.names.iter().cloned());
            test.class.iter().for_each(|name| class(name, out));
        }
        Condition::Any(all) | Condition::All(all) => all.iter().for_each(|c| names_of(c, out)),
        Condition::Not(inner) => names_of(inner, out),
        _ => {}
    }
}

/// A hold that rests on a name which no grammar gives can never be spoken: "vomiting blood" is `hematemesis` in a finding.
#[test]
fn every_name_that_a_rule_asks_for_can_be_said() {
    let data = DataSet::built_in();
    let grammars: String = data.sources("grammars/").iter().map(|source| source.text).collect();
    let mut names = BTreeSet::new();
    shared().protocol.rules.iter().for_each(|rule| names_of(&rule.body.condition, &mut names));
    shared().protocol.concerns.iter().for_each(|concern| names_of(&concern.body.condition, &mut names));
    assert!(names.len() > 40, "{names:?}");
    let given = |name: &&String| {
        let meant =
            [format!("means = \"{name}\""), format!("name = \"{name}\""), format!("\"{}\"", name.replace('_', " "))];
        !meant.iter().any(|text| grammars.contains(text))
    };
    let never: Vec<&String> = names.iter().filter(given).collect();
    assert!(never.is_empty(), "no phrase gives these names: {never:?}");
}
