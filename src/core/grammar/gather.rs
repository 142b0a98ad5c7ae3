//! From filled slots to fields of a finding: units converted, times resolved, nothing guessed.

use chrono::{DateTime, FixedOffset, NaiveTime, TimeDelta};

use super::{Cap, CapValue, Grammar, Match, NumberRule, Source, Target};
use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Kind, Shape, Value, schema};
use crate::core::text::Half;
use crate::core::time::rfc3339;

/// One field that the words of a phrase set.
#[derive(Clone, Debug, PartialEq)]
pub struct Gathered {
    pub field: Field,
    pub value: Value,
    /// The words, as token places; empty for what the phrase itself means.
    pub start: usize,
    pub end: usize,
    /// Only where nothing else was said.
    pub default: bool,
    /// From this dose on it is no default.
    pub usual_below: Option<Decimal>,
    /// To be asked about whatever else.
    pub confirm: bool,
    /// Outside what the field can hold.
    pub impossible: bool,
    pub number: Option<NumberRule>,
    pub adjective: bool,
}

/// The fields that `found` sets in a finding of `kind`.
pub fn gather(grammar: &Grammar, found: &Match, kind: Kind, now: &DateTime<FixedOffset>) -> Vec<Gathered> {
    let mut all = Vec::new();
    let sets = grammar.phrase(found.phrase).map(|p| p.sets.as_slice()).unwrap_or_default();
    all.extend(sets.iter().map(|(field, value)| plain(*field, value.clone(), found.start, found.end)));
    for cap in &found.caps {
        of_cap(grammar, cap, kind, now, &mut all);
    }
    // "deformity negative to the legs": a phrase that denies denies what its words name.
    let denies = sets.contains(&(Field::Present, Value::Flag(false)));
    for named in all.iter_mut().filter(|g| denies && g.field == Field::Present) {
        named.value = Value::Flag(false);
    }
    all
}

fn plain(field: Field, value: Value, start: usize, end: usize) -> Gathered {
    Gathered {
        field,
        value,
        start,
        end,
        default: false,
        usual_below: None,
        confirm: false,
        impossible: false,
        number: None,
        adjective: false,
    }
}

fn of_cap(grammar: &Grammar, cap: &Cap, kind: Kind, now: &DateTime<FixedOffset>, all: &mut Vec<Gathered>) {
    let Some(slot) = grammar.slot(cap.slot) else { return };
    let base = |field: Field, value: Value| Gathered {
        impossible: cap.impossible,
        number: slot.number,
        ..plain(field, value, cap.start, cap.end)
    };
    match (&cap.value, &slot.target) {
        (CapValue::Item { list, item }, target) => {
            let Some(item) = grammar.item(*list, *item) else { return };
            for (at, (field, value)) in item.sets.iter().enumerate() {
                let field = match target {
                    Target::Field(own) if at == 0 => *own,
                    _ => *field,
                };
                let gathered = plain(field, value.clone(), cap.start, cap.end);
                all.push(Gathered { confirm: item.confirm, adjective: item.adjective, ..gathered });
            }
            for (field, value) in &item.default {
                let usual_below = item.usual_below.filter(|_| *field == Field::Route);
                all.push(Gathered { default: true, usual_below, ..plain(*field, value.clone(), cap.start, cap.end) });
            }
        }
        (CapValue::Number(value), Target::Field(field)) => {
            let Some((number, unit)) = converted(slot.source, *value) else {
                all.push(base(*field, Value::Number(*value)));
                return;
            };
            all.push(base(*field, Value::Number(number)));
            let beside = match field {
                Field::Celsius => Some(Field::Said),
                Field::WeightKg => Some(Field::WeightSaid),
                _ => None,
            };
            if let (Some(beside), Some(unit)) = (beside, unit) {
                let said =
                    Value::Group(vec![("value".into(), Value::Number(*value)), ("unit".into(), Value::text(unit))]);
                all.push(plain(beside, said, cap.start, cap.end));
            }
        }
        (CapValue::Text(text), Target::Field(field)) => {
            let text = match schema::shape(kind, *field) {
                Some(Shape::Name) => text.to_lowercase().replace([' ', '-'], "_"),
                _ => text.clone(),
            };
            // `{text:fall_word} {text:rest}`: the parts of one text.
            if let Some(part) = all.iter_mut().find(|g| g.field == *field && !g.default)
                && let Value::Text(so_far) = &mut part.value
            {
                so_far.push(' ');
                so_far.push_str(&text);
                part.end = cap.end;
                return;
            }
            all.push(base(*field, Value::Text(text)));
        }
        (CapValue::Seconds { seconds, approximate }, Target::Field(field)) => {
            let value = match slot.source {
                Source::Ago => {
                    let at = now.checked_sub_signed(TimeDelta::seconds(*seconds)).unwrap_or(*now);
                    Value::text(rfc3339(&at))
                }
                Source::Minutes => Value::Number(parts(*seconds, 60)),
                Source::Hours => Value::Number(parts(*seconds, 3600)),
                Source::Days => Value::Number(Decimal::from_int(seconds / 86_400)),
                _ => Value::Number(Decimal::from_int(*seconds)),
            };
            all.push(base(*field, value));
            if *approximate {
                all.push(plain(Field::Approximate, Value::Flag(true), cap.start, cap.end));
            }
        }
        (CapValue::Clock(clock), Target::Field(field)) => {
            let at = latest(*now, clock.hour, clock.minute, clock.half);
            all.push(base(*field, Value::text(rfc3339(&at))));
        }
        (CapValue::Month { year, month }, Target::Field(field)) => {
            all.push(base(*field, Value::text(format!("{year:04}-{month:02}"))));
        }
        (_, Target::Item | Target::Key(_)) => {}
    }
}

fn parts(seconds: i64, unit: i64) -> Decimal {
    match seconds % unit {
        0 => Decimal::from_int(seconds / unit),
        _ => Decimal::from_f64(seconds as f64 / unit as f64, 2).unwrap_or(Decimal::ZERO),
    }
}

/// The last moment not after `now` (five minutes' grace for clocks that differ) at which the clock showed this time.
fn latest(now: DateTime<FixedOffset>, hour: u8, minute: u8, half: Half) -> DateTime<FixedOffset> {
    let hours: &[u32] = match half {
        Half::Known => &[0],
        Half::Either => &[0, 12],
    };
    let mut best: Option<DateTime<FixedOffset>> = None;
    for extra in hours {
        let Some(time) = NaiveTime::from_hms_opt((u32::from(hour) + extra) % 24, u32::from(minute), 0) else {
            continue;
        };
        let today = now.date_naive().and_time(time).and_local_timezone(*now.offset()).single();
        let Some(mut at) = today else { continue };
        if at > now + TimeDelta::minutes(5) {
            at -= TimeDelta::days(1);
        }
        best = best.max(Some(at));
    }
    best.unwrap_or(now)
}

/// The value in the record's unit, and the unit said. Pounds are exact (1 lb = 0.45359237 kg, the international pound
/// of 1959); degrees Fahrenheit become Celsius to one decimal.
pub fn converted(source: Source, value: Decimal) -> Option<(Decimal, Option<&'static str>)> {
    let fahrenheit = |value: Decimal| Decimal::from_f64((value.as_f64() - 32.0) * 5.0 / 9.0, 1);
    match source {
        Source::Fahrenheit => Some((fahrenheit(value)?, Some("F"))),
        Source::Celsius => Some((value, Some("C"))),
        // Nobody is 50 to 79 degrees on either scale; below that only Celsius can be meant, above only Fahrenheit.
        Source::Degrees | Source::Tenths if value.as_f64() < 50.0 => Some((value, Some("C"))),
        Source::Degrees | Source::Tenths => Some((fahrenheit(value)?, Some("F"))),
        Source::Pounds => Some((value.checked_mul(Decimal::new(45_359_237, 8))?, Some("lb"))),
        Source::Kilograms => Some((value, Some("kg"))),
        Source::Number => Some((value, None)),
        _ => None,
    }
}
