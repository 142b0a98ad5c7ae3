//! One line of data that a finding satisfies or not: `kind field=value field~words field`.
//!
//! `field=a|b` holds when the field has one of these values, `field~some words` (to the end of the line) when its text
//! contains the words, a bare `field` when it is there at all, `field!=value` unless it has that value; behind `~` may stand
//! `but some words` that its text must not contain. All must hold. A
//! condition knows the vocabulary and nothing of time or of who asks.

use crate::core::finding::{Field, Finding, Kind, Shape, Value, schema};

#[derive(Clone, Debug, PartialEq)]
enum Test {
    Present,
    OneOf(Vec<String>),
    NoneOf(Vec<String>),
    /// Any of the first, none of the second.
    Contains(Vec<String>, Vec<String>),
}

/// A parsed condition.
#[derive(Clone, Debug, PartialEq)]
pub struct Condition {
    pub kind: Kind,
    tests: Vec<(Field, Test)>,
}

impl Condition {
    /// Reads one line.
    ///
    /// # Errors
    /// An unknown kind, a field that the kind does not have, or a word that the field cannot hold; lower case, with the
    /// legal values.
    pub fn parse(line: &str) -> Result<Condition, String> {
        let (name, mut rest) = line.trim().split_once(' ').unwrap_or((line.trim(), ""));
        let kind = Kind::from_name(name).ok_or_else(|| format!("`{name}` is no known finding"))?;
        let mut tests = Vec::new();
        while !rest.trim().is_empty() {
            rest = rest.trim_start();
            let word = rest.split(' ').next().unwrap_or(rest);
            if let Some((field, _)) = word.split_once('~') {
                let words = rest.get(field.len() + 1..).unwrap_or("");
                let (wanted, not) = words.split_once(BUT).unwrap_or((words, ""));
                tests.push((known(kind, field)?, Test::Contains(phrases(wanted), phrases(not))));
                break;
            }
            tests.push(one(kind, word)?);
            rest = rest.get(word.len()..).unwrap_or("");
        }
        Ok(Condition { kind, tests })
    }

    /// Whether `finding` satisfies every part.
    pub fn holds(&self, finding: &Finding) -> bool {
        finding.kind() == self.kind && self.tests.iter().all(|(field, test)| passes(finding.get(*field), test))
    }

    /// Whether `finding` says that this could not be obtained: of the kind, `obtained` false, and in no field that it
    /// has contradicting the condition.
    pub fn could_not(&self, finding: &Finding) -> bool {
        finding.kind() == self.kind
            && finding.flag(Field::Obtained) == Some(false)
            && self.tests.iter().all(|(field, test)| {
                finding.get(*field).is_none_or(|value| passes(Some(value), test) || *field == Field::Obtained)
            })
    }
}

/// Between the words wanted and those that spoil them.
const BUT: &str = " but ";

fn phrases(words: &str) -> Vec<String> {
    words.split('|').map(|w| w.trim().to_lowercase()).filter(|w| !w.is_empty()).collect()
}

fn known(kind: Kind, name: &str) -> Result<Field, String> {
    let field = Field::from_name(name).filter(|field| schema::shape(kind, *field).is_some());
    field.ok_or_else(|| {
        let fields: Vec<_> = schema::fields(kind).iter().map(|(f, _)| f.name()).collect();
        format!("`{}` has no field `{name}`; it has {}", kind.name(), fields.join(", "))
    })
}

fn one(kind: Kind, word: &str) -> Result<(Field, Test), String> {
    let split = |text: &str| text.split('|').map(String::from).collect::<Vec<_>>();
    let (name, test) = match (word.split_once("!="), word.split_once('=')) {
        (Some((name, values)), _) => (name, Test::NoneOf(split(values))),
        (None, Some((name, values))) => (name, Test::OneOf(split(values))),
        (None, None) => (word, Test::Present),
    };
    let field = known(kind, name)?;
    let values = match &test {
        Test::OneOf(values) | Test::NoneOf(values) => values.as_slice(),
        _ => &[],
    };
    if let Some(Shape::Word(words)) = schema::shape(kind, field)
        && let Some(wrong) = values.iter().find(|value| !words.contains(&value.as_str()))
    {
        return Err(format!("{name} `{wrong}` is none of {}", words.join(", ")));
    }
    Ok((field, test))
}

fn passes(value: Option<&Value>, test: &Test) -> bool {
    let Some(value) = value else { return matches!(test, Test::NoneOf(_)) };
    match test {
        Test::Present => true,
        Test::OneOf(values) => values.contains(&value.to_string()),
        Test::NoneOf(values) => !values.contains(&value.to_string()),
        Test::Contains(wanted, not) => {
            let text = format!(" {} ", value.to_string().to_lowercase().replace(['_', ',', '.', '-'], " "));
            let holds = |all: &[String]| all.iter().any(|words| text.contains(&format!(" {words} ")));
            holds(wanted) && !holds(not)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_reads_as_it_says() {
        let c = Condition::parse("symptom name=chest_pain|chest_pressure present=true").unwrap();
        let f = Finding::new(Kind::Symptom).with(Field::Name, Value::text("chest_pain"));
        assert!(!c.holds(&f));
        assert!(c.holds(&f.with(Field::Present, Value::Flag(true))));
        let c = Condition::parse("chief_complaint text~chest pain|heart attack").unwrap();
        assert!(c.holds(&Finding::new(Kind::ChiefComplaint).with(Field::Text, Value::text("Chest pain, sudden"))));
        assert!(!c.holds(&Finding::new(Kind::ChiefComplaint).with(Field::Text, Value::text("chest painful"))));
        let c = Condition::parse("mechanism text~twisted his|rolled his but fell|stairs").unwrap();
        let told = |text: &str| Finding::new(Kind::Mechanism).with(Field::Text, Value::text(text));
        assert!(c.holds(&told("twisted his ankle on the grass")));
        assert!(!c.holds(&told("fell and twisted his ankle")));
    }

    #[test]
    fn what_the_vocabulary_lacks_is_named() {
        assert!(
            Condition::parse("pulse colour=red").unwrap_err().contains("has no field `colour`; it has rate_per_min")
        );
        assert!(Condition::parse("pulse rhythm=wavy").unwrap_err().contains("none of regular, irregular"));
        assert!(Condition::parse("puls").unwrap_err().contains("no known finding"));
    }
}
