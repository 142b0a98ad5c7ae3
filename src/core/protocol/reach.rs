//! Whether a condition can ever hold: a bound outside what is recorded, a word that is never recorded.

use crate::core::decimal::Decimal;
use crate::core::finding::{Field, Kind, Value, schema};

use super::facts::field_ref;
use super::model::{AgeTest, Condition, NumberTest, WordTest};

/// Why this one test can never hold, in words; `Any`, `All` and `Not` are taken apart by the caller.
pub fn never(condition: &Condition) -> Vec<String> {
    match condition {
        Condition::Number(test) => number(test).into_iter().collect(),
        Condition::Word(test) => word(test),
        Condition::Age(test) => age(test).into_iter().collect(),
        Condition::Named(test) if test.names.is_empty() => vec!["`names` is empty: it can never hold".into()],
        Condition::Named(test) => without(&test.kinds, &[Field::Name, Field::Sign]),
        Condition::Text(test) => {
            let mut out = without(&test.kinds, &[Field::Text, Field::Name]);
            let shouted = test.words.iter().filter(|word| word.to_lowercase() != **word);
            out.extend(shouted.map(|word| format!("`{word}` can never be found: words are compared in lower case")));
            out
        }
        _ => Vec::new(),
    }
}

fn number(test: &NumberTest) -> Option<String> {
    let (kind, field) = field_ref(&test.of)?;
    let (least, most) = schema::bounds(kind, field)?;
    let low = [test.at_least, test.above, Some(least)].into_iter().flatten().max()?;
    let high = [test.at_most, test.below, Some(most)].into_iter().flatten().min()?;
    let open = |bound: Option<Decimal>, edge: Decimal| bound == Some(edge);
    let empty = low > high || (low == high && (open(test.above, low) || open(test.below, high)));
    empty.then(|| format!("`{}` can never be that: it lies between {least} and {most}", test.of))
}

fn word(test: &WordTest) -> Vec<String> {
    let Some((kind, field)) = field_ref(&test.of) else { return Vec::new() };
    test.is.iter().filter_map(|word| schema::problem(kind, field, &Value::text(word))).collect()
}

fn age(test: &AgeTest) -> Option<String> {
    let (below, least) = (test.below_years?, test.at_least_years?);
    (below <= least).then(|| format!("nobody is younger than {below} and at least {least} years"))
}

fn without(kinds: &[String], fields: &[Field]) -> Vec<String> {
    let lacks = |kind: &&String| {
        Kind::from_name(kind).is_some_and(|kind| fields.iter().all(|field| schema::shape(kind, *field).is_none()))
    };
    let wanted = fields.iter().map(|f| f.name()).collect::<Vec<_>>().join("` or `");
    kinds.iter().filter(lacks).map(|kind| format!("`{kind}` has no `{wanted}`: it can never hold")).collect()
}
