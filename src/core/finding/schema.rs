//! The table of everything a finding may say: kinds, fields, bounds and allowed words.
//!
//! A new field or kind is one line here; grammar data is checked against it. Bounds are what a record can hold at
//! all: a value outside them is heard but refused aloud. They follow the widest ranges of published EMS data sets
//! (NEMSIS v3.5.1 eVitals: pulse 0-500, glucose 0-2000, end-tidal CO2 0-760, GCS parts 4/5/6) narrowed to what a
//! person can have (common practice, no source). What is merely unlikely is asked about: see `core::limits`.

use std::str::FromStr;

use super::Value;
use crate::core::decimal::Decimal;

/// What a field may hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// A whole number within these bounds, both included.
    Int(i64, i64),
    /// A decimal number within these bounds (spelled exactly), both included.
    Number(&'static str, &'static str),
    Flag,
    /// One of a closed list of words.
    Word(&'static [&'static str]),
    /// A name from an open list, lower case, words joined by `_`.
    Name,
    /// Free text, as said.
    Text,
    /// RFC 3339 with offset.
    Time,
    /// `YYYY-MM`.
    Month,
    Group,
    List,
}

macro_rules! closed_names {
    ($(#[$doc:meta])* $name:ident { $($variant:ident = $text:literal,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $($variant,)* }

        impl $name {
            pub const ALL: &'static [$name] = &[$($name::$variant,)*];

            /// The spelling used in data files and in the record.
            pub fn name(self) -> &'static str {
                match self { $($name::$variant => $text,)* }
            }

            pub fn from_name(name: &str) -> Option<$name> {
                match name { $($text => Some($name::$variant),)* _ => None }
            }
        }
    };
}

closed_names! {
    /// What was found.
    Kind {
        Patient = "patient",
        ChiefComplaint = "chief_complaint",
        GeneralImpression = "general_impression",
        Mechanism = "mechanism",
        LastIntake = "last_intake",
        Events = "events",
        Symptom = "symptom",
        Allergy = "allergy",
        HomeMedication = "home_medication",
        History = "history",
        RecentUse = "recent_use",
        Pulse = "pulse",
        Respirations = "respirations",
        BloodPressure = "blood_pressure",
        OxygenSaturation = "oxygen_saturation",
        LungSounds = "lung_sounds",
        AccessoryMuscles = "accessory_muscles",
        CapillaryRefill = "capillary_refill",
        Skin = "skin",
        Glucose = "glucose",
        Temperature = "temperature",
        EndTidalCo2 = "end_tidal_co2",
        Gcs = "gcs",
        Consciousness = "consciousness",
        Orientation = "orientation",
        Pupils = "pupils",
        Exam = "exam",
        DistalFunction = "distal_function",
        Airway = "airway",
        Bleeding = "bleeding",
        Spinal = "spinal",
        Oxygen = "oxygen",
        OxygenCylinder = "oxygen_cylinder",
        MedicationPlanned = "medication_planned",
        MedicationGiven = "medication_given",
        MedicationWithheld = "medication_withheld",
        MedicationTaken = "medication_taken",
        MedicationCheck = "medication_check",
        Response = "response",
        Procedure = "procedure",
        Scene = "scene",
        ResourceRequest = "resource_request",
        StrokeScreen = "stroke_screen",
        LastKnownWell = "last_known_well",
        Pregnancy = "pregnancy",
        Burn = "burn",
        LossOfConsciousness = "loss_of_consciousness",
        CanSwallow = "can_swallow",
        Consent = "consent",
        Capacity = "capacity",
        Refusal = "refusal",
        Milestone = "milestone",
        Priority = "priority",
        Apgar = "apgar",
        EquipmentCheck = "equipment_check",
        Triage = "triage",
    }
}

closed_names! {
    /// What a finding says about it.
    Field {
        AgeYears = "age_years",
        AgeMonths = "age_months",
        AgeDays = "age_days",
        Sex = "sex",
        WeightKg = "weight_kg",
        WeightSaid = "weight_said",
        Text = "text",
        Name = "name",
        Present = "present",
        Aspect = "aspect",
        Score = "score",
        Minutes = "minutes",
        None = "none",
        Of = "of",
        Reaction = "reaction",
        LastTaken = "last_taken",
        Class = "class",
        Taken = "taken",
        WithinHours = "within_hours",
        RatePerMin = "rate_per_min",
        Rhythm = "rhythm",
        Quality = "quality",
        Site = "site",
        Depth = "depth",
        Effort = "effort",
        SystolicMmhg = "systolic_mmhg",
        DiastolicMmhg = "diastolic_mmhg",
        Method = "method",
        Position = "position",
        Percent = "percent",
        On = "on",
        FlowLPerMin = "flow_l_per_min",
        Sound = "sound",
        Field = "field",
        Equal = "equal",
        Phase = "phase",
        Used = "used",
        Seconds = "seconds",
        Color = "color",
        Temperature = "temperature",
        Moisture = "moisture",
        MgPerDl = "mg_per_dl",
        MmolPerL = "mmol_per_l",
        Reading = "reading",
        Celsius = "celsius",
        Said = "said",
        Mmhg = "mmhg",
        Eye = "eye",
        Verbal = "verbal",
        Motor = "motor",
        Total = "total",
        NotTestable = "not_testable",
        Avpu = "avpu",
        Confused = "confused",
        Times = "times",
        Person = "person",
        Place = "place",
        Time = "time",
        Event = "event",
        Round = "round",
        Size = "size",
        SizeMm = "size_mm",
        Region = "region",
        Quadrant = "quadrant",
        Normal = "normal",
        Sign = "sign",
        Examined = "examined",
        Detail = "detail",
        Limb = "limb",
        Pulse = "pulse",
        Sensation = "sensation",
        Patent = "patent",
        Problem = "problem",
        Controlled = "controlled",
        Severity = "severity",
        Indicated = "indicated",
        Restricted = "restricted",
        Device = "device",
        Stopped = "stopped",
        Psi = "psi",
        Dose = "dose",
        Unit = "unit",
        Count = "count",
        Each = "each",
        Form = "form",
        Route = "route",
        Concentration = "concentration",
        Reason = "reason",
        Authority = "authority",
        Assisted = "assisted",
        Right = "right",
        Confirmed = "confirmed",
        Expires = "expires",
        To = "to",
        Change = "change",
        Attempts = "attempts",
        Success = "success",
        Safe = "safe",
        Ppe = "ppe",
        Patients = "patients",
        Hazard = "hazard",
        What = "what",
        Status = "status",
        Face = "face",
        Arm = "arm",
        Speech = "speech",
        Balance = "balance",
        Eyes = "eyes",
        Weeks = "weeks",
        Months = "months",
        Gravida = "gravida",
        Para = "para",
        Degree = "degree",
        Given = "given",
        By = "by",
        Item = "item",
        RisksTold = "risks_told",
        Witness = "witness",
        Signed = "signed",
        AlternativesTold = "alternatives_told",
        Level = "level",
        Minute = "minute",
        Appearance = "appearance",
        Grimace = "grimace",
        Activity = "activity",
        Respiration = "respiration",
        Passed = "passed",
        Tested = "tested",
        Category = "category",
        CanWalk = "can_walk",
        Side = "side",
        Unchanged = "unchanged",
        Unconfirmed = "unconfirmed",
        Approximate = "approximate",
        Comparator = "comparator",
        HappenedAt = "happened_at",
        BeforeArrival = "before_arrival",
        ReportedBy = "reported_by",
        Echoed = "echoed",
        Obtained = "obtained",
        Why = "why",
        Patient = "patient",
    }
}

/// Fields that any finding may carry besides its own.
pub const COMMON: &[(Field, Shape)] = &[
    (Field::Side, Shape::Word(&["left", "right", "both"])),
    (Field::Unchanged, Shape::Flag),
    (Field::Unconfirmed, Shape::Flag),
    (Field::Approximate, Shape::Flag),
    (Field::Comparator, Shape::Word(&["<", ">"])),
    (Field::HappenedAt, Shape::Time),
    (Field::BeforeArrival, Shape::Flag),
    (Field::ReportedBy, Shape::Word(&["patient", "family", "bystander", "other_agency"])),
    (Field::Echoed, Shape::Flag),
    (Field::Present, Shape::Flag),
    (Field::Obtained, Shape::Flag),
    (Field::Why, Shape::Word(&["refused", "unable", "equipment"])),
    (Field::Patient, Shape::Int(1, 99)),
];

/// The fields of `kind`, in the order in which they are written.
pub fn fields(kind: Kind) -> &'static [(Field, Shape)] {
    match kind {
        Kind::Patient => &[
            (Field::AgeYears, Shape::Int(0, 125)),
            (Field::AgeMonths, Shape::Int(0, 48)),
            (Field::AgeDays, Shape::Int(0, 60)),
            (Field::Sex, Shape::Word(&["male", "female"])),
            (Field::WeightKg, Shape::Number("0", "400")),
            (Field::WeightSaid, Shape::Group),
        ],
        Kind::ChiefComplaint
        | Kind::GeneralImpression
        | Kind::Mechanism
        | Kind::LastIntake
        | Kind::Events
        | Kind::LastKnownWell => &[(Field::Text, Shape::Text)],
        Kind::Symptom => &[
            (Field::Name, Shape::Name),
            (Field::Present, Shape::Flag),
            (Field::Aspect, Shape::Word(&["onset", "provocation", "quality", "radiation", "severity", "time"])),
            (Field::Text, Shape::Text),
            (Field::Score, Shape::Int(0, 10)),
            (Field::Minutes, Shape::Number("0", "1000000")),
        ],
        Kind::Allergy => &[
            (Field::Name, Shape::Name),
            (Field::None, Shape::Flag),
            (Field::Of, Shape::Word(&["medication", "any"])),
            (Field::Reaction, Shape::Text),
        ],
        Kind::HomeMedication => &[
            (Field::Name, Shape::Name),
            (Field::None, Shape::Flag),
            (Field::LastTaken, Shape::Time),
            (Field::Class, Shape::Name),
        ],
        Kind::History => &[(Field::Name, Shape::Name), (Field::Present, Shape::Flag), (Field::None, Shape::Flag)],
        Kind::RecentUse => &[
            (Field::Name, Shape::Name),
            (Field::Class, Shape::Name),
            (Field::Taken, Shape::Flag),
            (Field::WithinHours, Shape::Number("0", "10000")),
        ],
        Kind::Pulse => &[
            (Field::RatePerMin, Shape::Int(0, 350)),
            (Field::Rhythm, Shape::Word(&["regular", "irregular"])),
            (Field::Quality, Shape::Word(&["strong", "weak", "thready", "bounding"])),
            (Field::Site, Shape::Name),
            (Field::Present, Shape::Flag),
        ],
        Kind::Respirations => &[
            (Field::RatePerMin, Shape::Int(0, 120)),
            (Field::Rhythm, Shape::Word(&["regular", "irregular"])),
            (Field::Depth, Shape::Word(&["full", "shallow", "deep"])),
            (Field::Effort, Shape::Word(&["unlabored", "labored", "agonal", "assisted"])),
            (Field::Present, Shape::Flag),
        ],
        Kind::BloodPressure => &[
            (Field::SystolicMmhg, Shape::Int(20, 320)),
            (Field::DiastolicMmhg, Shape::Int(0, 250)),
            (Field::Method, Shape::Word(&["palpated", "auscultated", "automatic"])),
            (Field::Site, Shape::Name),
            (Field::Position, Shape::Name),
        ],
        Kind::OxygenSaturation => &[
            (Field::Percent, Shape::Int(0, 100)),
            (Field::On, Shape::Word(&["room_air", "oxygen"])),
            (Field::FlowLPerMin, Shape::Number("0", "60")),
        ],
        Kind::LungSounds => &[
            (
                Field::Sound,
                Shape::Word(&["clear", "wheezes", "crackles", "rhonchi", "stridor", "diminished", "absent"]),
            ),
            (Field::Present, Shape::Flag),
            (Field::Field, Shape::Word(&["upper", "lower", "all"])),
            (Field::Equal, Shape::Flag),
            (Field::Phase, Shape::Word(&["inspiratory", "expiratory"])),
        ],
        Kind::AccessoryMuscles => &[(Field::Used, Shape::Flag)],
        Kind::CapillaryRefill => &[(Field::Seconds, Shape::Number("0", "30"))],
        Kind::Skin => &[(Field::Color, Shape::Name), (Field::Temperature, Shape::Name), (Field::Moisture, Shape::Name)],
        Kind::Glucose => &[
            (Field::MgPerDl, Shape::Int(0, 2000)),
            (Field::MmolPerL, Shape::Number("0", "120")),
            (Field::Reading, Shape::Word(&["high", "low"])),
        ],
        Kind::Temperature => &[(Field::Celsius, Shape::Number("10", "50")), (Field::Said, Shape::Group)],
        Kind::EndTidalCo2 => &[(Field::Mmhg, Shape::Int(0, 200))],
        Kind::Gcs => &[
            (Field::Eye, Shape::Int(1, 4)),
            (Field::Verbal, Shape::Int(1, 5)),
            (Field::Motor, Shape::Int(1, 6)),
            (Field::Total, Shape::Int(3, 15)),
            (Field::NotTestable, Shape::List),
        ],
        Kind::Consciousness => {
            &[(Field::Avpu, Shape::Word(&["alert", "verbal", "pain", "unresponsive"])), (Field::Confused, Shape::Flag)]
        }
        Kind::Orientation => &[
            (Field::Times, Shape::Int(0, 4)),
            (Field::Person, Shape::Flag),
            (Field::Place, Shape::Flag),
            (Field::Time, Shape::Flag),
            (Field::Event, Shape::Flag),
        ],
        Kind::Pupils => &[
            (Field::Equal, Shape::Flag),
            (Field::Round, Shape::Flag),
            (Field::Normal, Shape::Flag),
            (Field::Reaction, Shape::Word(&["reactive", "brisk", "sluggish", "fixed"])),
            (Field::Size, Shape::Word(&["pinpoint", "constricted", "midpoint", "dilated"])),
            (Field::SizeMm, Shape::Number("0", "12")),
        ],
        Kind::Exam => &[
            (Field::Region, Shape::Name),
            (Field::Quadrant, Shape::Name),
            (Field::Normal, Shape::Flag),
            (Field::Sign, Shape::Name),
            (Field::Present, Shape::Flag),
            (Field::Examined, Shape::Flag),
            (Field::Detail, Shape::Text),
        ],
        Kind::DistalFunction => &[
            (Field::Limb, Shape::Name),
            (Field::Pulse, Shape::Flag),
            (Field::Motor, Shape::Flag),
            (Field::Sensation, Shape::Flag),
        ],
        Kind::Airway => &[(Field::Patent, Shape::Flag), (Field::Problem, Shape::Name)],
        Kind::Bleeding => &[
            (Field::Site, Shape::Name),
            (Field::Controlled, Shape::Flag),
            (Field::Severity, Shape::Name),
            (Field::Present, Shape::Flag),
        ],
        Kind::Spinal => {
            &[(Field::Indicated, Shape::Flag), (Field::Restricted, Shape::Flag), (Field::Device, Shape::Name)]
        }
        Kind::Oxygen => &[
            (
                Field::Device,
                Shape::Word(&[
                    "nasal_cannula",
                    "simple_mask",
                    "partial_rebreather",
                    "non_rebreather",
                    "venturi",
                    "bag_valve_mask",
                    "cpap",
                    "nebulizer",
                    "blow_by",
                ]),
            ),
            (Field::FlowLPerMin, Shape::Number("0", "60")),
            (Field::Stopped, Shape::Flag),
        ],
        Kind::OxygenCylinder => {
            &[(Field::Size, Shape::Word(&["d", "e", "m", "g", "h"])), (Field::Psi, Shape::Int(0, 3500))]
        }
        Kind::MedicationPlanned | Kind::MedicationGiven | Kind::MedicationWithheld | Kind::MedicationTaken => &[
            (Field::Name, Shape::Name),
            (Field::Dose, Shape::Number("0", "100000")),
            (Field::Unit, Shape::Word(&["mg", "mcg", "g", "ml", "puffs", "units"])),
            (Field::Count, Shape::Number("0", "100")),
            (Field::Each, Shape::Number("0", "100000")),
            (Field::Form, Shape::Name),
            (Field::Route, Shape::Name),
            (Field::Device, Shape::Name),
            (Field::Concentration, Shape::Text),
            (Field::Reason, Shape::Text),
            (Field::Authority, Shape::Word(&["standing", "online", "own_prescription"])),
            (Field::Assisted, Shape::Flag),
            (Field::Site, Shape::Name),
        ],
        Kind::MedicationCheck => &[
            (Field::Name, Shape::Name),
            (Field::Right, Shape::Word(&["patient", "medication", "dose", "route", "time", "expiry", "documentation"])),
            (Field::Confirmed, Shape::Flag),
            (Field::Expires, Shape::Month),
        ],
        Kind::Response => &[(Field::To, Shape::Name), (Field::Change, Shape::Word(&["better", "same", "worse"]))],
        Kind::Procedure => &[
            (Field::Name, Shape::Name),
            (Field::Site, Shape::Name),
            (Field::Attempts, Shape::Int(0, 20)),
            (Field::Success, Shape::Flag),
            (Field::Device, Shape::Name),
        ],
        Kind::Scene => &[
            (Field::Safe, Shape::Flag),
            (Field::Ppe, Shape::Flag),
            (Field::Patients, Shape::Int(0, 1000)),
            (Field::Hazard, Shape::Name),
        ],
        Kind::ResourceRequest => &[
            (Field::What, Shape::Name),
            (Field::Status, Shape::Word(&["requested", "en_route", "arrived", "cancelled"])),
        ],
        Kind::StrokeScreen => &[
            (Field::Face, Shape::Word(&["normal", "abnormal"])),
            (Field::Arm, Shape::Word(&["normal", "abnormal"])),
            (Field::Speech, Shape::Word(&["normal", "abnormal"])),
            (Field::Balance, Shape::Word(&["normal", "abnormal"])),
            (Field::Eyes, Shape::Word(&["normal", "abnormal"])),
        ],
        Kind::Pregnancy => &[
            (Field::Present, Shape::Flag),
            (Field::Weeks, Shape::Int(0, 45)),
            (Field::Months, Shape::Int(0, 10)),
            (Field::Gravida, Shape::Int(0, 30)),
            (Field::Para, Shape::Int(0, 30)),
        ],
        Kind::Burn => &[
            (Field::Present, Shape::Flag),
            (Field::Region, Shape::Name),
            (Field::Degree, Shape::Word(&["superficial", "partial", "full"])),
            (Field::Percent, Shape::Number("0", "100")),
        ],
        Kind::LossOfConsciousness => &[(Field::Present, Shape::Flag), (Field::Minutes, Shape::Number("0", "10000"))],
        Kind::CanSwallow => &[(Field::Present, Shape::Flag)],
        Kind::Consent => &[
            (Field::Given, Shape::Flag),
            (Field::Form, Shape::Word(&["expressed", "implied", "minor"])),
            (Field::By, Shape::Name),
        ],
        Kind::Capacity => &[(Field::Present, Shape::Flag), (Field::Item, Shape::Name)],
        Kind::Refusal => &[
            (Field::Of, Shape::Name),
            (Field::RisksTold, Shape::Flag),
            (Field::Witness, Shape::Text),
            (Field::Signed, Shape::Flag),
            (Field::AlternativesTold, Shape::Flag),
        ],
        Kind::Milestone => &[(
            Field::Name,
            Shape::Word(&[
                "dispatched",
                "en_route",
                "on_scene",
                "at_patient",
                "depart_scene",
                "at_destination",
                "transfer_of_care",
                "in_service",
            ]),
        )],
        Kind::Priority => &[(Field::Level, Shape::Word(&["stable", "potentially_unstable", "unstable"]))],
        Kind::Apgar => &[
            (Field::Minute, Shape::Int(1, 20)),
            (Field::Appearance, Shape::Int(0, 2)),
            (Field::Pulse, Shape::Int(0, 2)),
            (Field::Grimace, Shape::Int(0, 2)),
            (Field::Activity, Shape::Int(0, 2)),
            (Field::Respiration, Shape::Int(0, 2)),
            (Field::Total, Shape::Int(0, 10)),
        ],
        Kind::EquipmentCheck => &[
            (Field::Item, Shape::Name),
            (Field::Passed, Shape::Flag),
            (Field::Detail, Shape::Text),
            (Field::Expires, Shape::Month),
            (Field::Tested, Shape::Month),
        ],
        Kind::Triage => &[
            (Field::Category, Shape::Word(&["minor", "delayed", "immediate", "expectant"])),
            (Field::CanWalk, Shape::Flag),
        ],
    }
}

/// What `field` holds in `kind`, or `None` if it has no place there.
pub fn shape(kind: Kind, field: Field) -> Option<Shape> {
    fields(kind).iter().chain(COMMON).find(|(f, _)| *f == field).map(|(_, shape)| *shape)
}

/// Where `field` stands in the written order of `kind`: its own fields first, then the common ones.
pub fn order(kind: Kind, field: Field) -> usize {
    fields(kind).iter().chain(COMMON).position(|(f, _)| *f == field).unwrap_or(usize::MAX - field as usize)
}

/// Why `value` may not stand under `field`, or `None` if it may.
pub fn problem(kind: Kind, field: Field, value: &Value) -> Option<String> {
    let name = field.name();
    let Some(shape) = shape(kind, field) else {
        return Some(format!("{} has no field `{name}`", kind.name()));
    };
    let fits = match (shape, value) {
        (Shape::Int(low, high), Value::Number(n)) => match n.as_int() {
            Some(whole) if (low..=high).contains(&whole) => true,
            Some(_) => return Some(format!("{name} {n} is outside {low} to {high}")),
            None => return Some(format!("{name} {n} is not a whole number")),
        },
        (Shape::Number(low, high), Value::Number(n)) => {
            if !bound(low, high).is_some_and(|(low, high)| low <= *n && *n <= high) {
                return Some(format!("{name} {n} is outside {low} to {high}"));
            }
            true
        }
        (Shape::Word(words), Value::Text(word)) => {
            if !words.contains(&word.as_str()) {
                return Some(format!("{name} `{word}` is none of {}", words.join(", ")));
            }
            true
        }
        (Shape::Flag, Value::Flag(_)) | (Shape::Text | Shape::Time, Value::Text(_)) => true,
        (Shape::Name, Value::Text(word)) => !word.is_empty(),
        (Shape::Month, Value::Text(month)) => is_month(month),
        (Shape::Group, Value::Group(_)) | (Shape::List, Value::List(_)) => true,
        _ => false,
    };
    (!fits).then(|| format!("{name} cannot be `{value}`"))
}

/// The numeric bounds of a field, if it holds a number.
pub fn bounds(kind: Kind, field: Field) -> Option<(Decimal, Decimal)> {
    match shape(kind, field)? {
        Shape::Int(low, high) => Some((low.into(), high.into())),
        Shape::Number(low, high) => bound(low, high),
        _ => None,
    }
}

fn bound(low: &str, high: &str) -> Option<(Decimal, Decimal)> {
    Some((Decimal::from_str(low).ok()?, Decimal::from_str(high).ok()?))
}

fn is_month(text: &str) -> bool {
    let Some((year, month)) = text.split_once('-') else { return false };
    year.len() == 4 && month.len() == 2 && year.parse::<u16>().is_ok() && matches!(month.parse::<u8>(), Ok(1..=12))
}
