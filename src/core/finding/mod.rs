//! The closed vocabulary of what can be found: a [`Kind`], and fields with typed values.
//!
//! What each kind may carry, its bounds and its allowed words are one table, [`schema`]. A finding does not know the
//! words that produced it, when it was said, or what follows from it.

pub mod schema;

use std::fmt;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::{Map, Value as Json};

use super::decimal::Decimal;
pub use schema::{Field, Kind, Shape};

/// The value of one field.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    Number(Decimal),
    Flag(bool),
    /// A word of a closed list, a name, a free text or a time: the schema says which.
    Text(String),
    /// Nested values, such as `said` of a temperature.
    Group(Vec<(String, Value)>),
    List(Vec<Value>),
}

impl Value {
    pub fn text(text: impl Into<String>) -> Value {
        Value::Text(text.into())
    }

    pub fn int(value: i64) -> Value {
        Value::Number(Decimal::from_int(value))
    }

    pub fn as_number(&self) -> Option<Decimal> {
        match self {
            Value::Number(number) => Some(*number),
            _ => None,
        }
    }

    pub fn as_flag(&self) -> Option<bool> {
        match self {
            Value::Flag(flag) => Some(*flag),
            _ => None,
        }
    }

    pub fn as_text(&self) -> Option<&str> {
        match self {
            Value::Text(text) => Some(text),
            _ => None,
        }
    }

    /// A part of a group: the `unit` of what was said.
    pub fn part(&self, name: &str) -> Option<&Value> {
        let Value::Group(parts) = self else { return None };
        parts.iter().find(|(part, _)| part == name).map(|(_, value)| value)
    }

    fn to_json(&self) -> Json {
        match self {
            Value::Number(number) => serde_json::to_value(number).unwrap_or(Json::Null),
            Value::Flag(flag) => Json::Bool(*flag),
            Value::Text(text) => Json::String(text.clone()),
            Value::Group(items) => Json::Object(items.iter().map(|(k, v)| (k.clone(), v.to_json())).collect()),
            Value::List(items) => Json::Array(items.iter().map(Value::to_json).collect()),
        }
    }

    fn from_json(json: &Json) -> Result<Value, String> {
        Ok(match json {
            Json::Number(n) => Value::Number(n.to_string().parse()?),
            Json::Bool(flag) => Value::Flag(*flag),
            Json::String(text) => Value::Text(text.clone()),
            Json::Array(items) => Value::List(items.iter().map(Value::from_json).collect::<Result<_, _>>()?),
            Json::Object(map) => Value::Group(
                map.iter().map(|(k, v)| Ok((k.clone(), Value::from_json(v)?))).collect::<Result<_, String>>()?,
            ),
            Json::Null => return Err("null is not a value".into()),
        })
    }
}

impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Value::Number(number) => write!(f, "{number}"),
            Value::Flag(flag) => write!(f, "{flag}"),
            Value::Text(text) => write!(f, "{text}"),
            Value::Group(_) | Value::List(_) => write!(f, "{}", self.to_json()),
        }
    }
}

/// One finding: fields stand in the schema's order, each at most once.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    kind: Kind,
    fields: Vec<(Field, Value)>,
}

impl Finding {
    pub fn new(kind: Kind) -> Finding {
        Finding { kind, fields: Vec::new() }
    }

    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// The same finding with `field` set (builder form of [`Finding::set`]).
    pub fn with(mut self, field: Field, value: Value) -> Finding {
        self.set(field, value);
        self
    }

    /// Sets or replaces a field, keeping the schema's order.
    pub fn set(&mut self, field: Field, value: Value) {
        let order = |f: Field| schema::order(self.kind, f);
        match self.fields.binary_search_by_key(&order(field), |(f, _)| order(*f)) {
            Ok(at) => self.fields[at].1 = value,
            Err(at) => self.fields.insert(at, (field, value)),
        }
    }

    pub fn remove(&mut self, field: Field) -> Option<Value> {
        let at = self.fields.iter().position(|(f, _)| *f == field)?;
        Some(self.fields.remove(at).1)
    }

    pub fn get(&self, field: Field) -> Option<&Value> {
        self.fields.iter().find(|(f, _)| *f == field).map(|(_, v)| v)
    }

    pub fn number(&self, field: Field) -> Option<Decimal> {
        self.get(field)?.as_number()
    }

    pub fn int(&self, field: Field) -> Option<i64> {
        self.number(field)?.as_int()
    }

    pub fn flag(&self, field: Field) -> Option<bool> {
        self.get(field)?.as_flag()
    }

    pub fn text(&self, field: Field) -> Option<&str> {
        self.get(field)?.as_text()
    }

    /// True when `field` holds exactly this word.
    pub fn is(&self, field: Field, word: &str) -> bool {
        self.text(field) == Some(word)
    }

    pub fn fields(&self) -> impl Iterator<Item = (Field, &Value)> {
        self.fields.iter().map(|(f, v)| (*f, v))
    }

    pub fn is_empty(&self) -> bool {
        self.fields.is_empty()
    }

    /// The patient this is about: 1 unless switched.
    pub fn patient(&self) -> i64 {
        self.int(Field::Patient).unwrap_or(1)
    }

    /// Every way in which this finding departs from the schema; empty when it is well formed.
    pub fn problems(&self) -> Vec<String> {
        self.fields.iter().filter_map(|(field, value)| schema::problem(self.kind, *field, value)).collect()
    }

    pub fn to_json(&self) -> Json {
        let mut map = Map::new();
        map.insert("finding".into(), Json::String(self.kind.name().into()));
        for (field, value) in &self.fields {
            map.insert(field.name().into(), value.to_json());
        }
        Json::Object(map)
    }

    /// Reads a finding back; an unknown kind or field is an error naming it.
    pub fn from_json(json: &Json) -> Result<Finding, String> {
        let map = json.as_object().ok_or("a finding is an object")?;
        let name = map.get("finding").and_then(Json::as_str).ok_or("a finding names its kind under `finding`")?;
        let kind = Kind::from_name(name).ok_or_else(|| format!("`{name}` is no known finding"))?;
        let mut finding = Finding::new(kind);
        for (key, value) in map.iter().filter(|(key, _)| *key != "finding") {
            let field = Field::from_name(key).ok_or_else(|| format!("`{key}` is no known field of `{name}`"))?;
            finding.set(field, Value::from_json(value)?);
        }
        Ok(finding)
    }
}

impl Serialize for Finding {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        self.to_json().serialize(s)
    }
}

impl<'de> Deserialize<'de> for Finding {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Finding::from_json(&Json::deserialize(d)?).map_err(D::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn json_keeps_the_contract_spelling_and_order() {
        let f = Finding::new(Kind::Pulse)
            .with(Field::Quality, Value::text("weak"))
            .with(Field::RatePerMin, Value::int(118))
            .with(Field::Rhythm, Value::text("irregular"));
        let json = serde_json::to_string(&f).unwrap();
        assert_eq!(json, r#"{"finding":"pulse","rate_per_min":118,"rhythm":"irregular","quality":"weak"}"#);
        assert_eq!(serde_json::from_str::<Finding>(&json).unwrap(), f);
    }

    #[test]
    fn a_value_outside_its_bounds_is_named() {
        let f = Finding::new(Kind::Pulse).with(Field::RatePerMin, Value::int(900));
        assert_eq!(f.problems(), ["rate_per_min 900 is outside 0 to 350"]);
        let f = Finding::new(Kind::Pulse).with(Field::Rhythm, Value::text("wavy"));
        assert!(f.problems()[0].contains("regular"));
    }

    #[test]
    fn every_kind_and_field_has_one_name() {
        for kind in Kind::ALL {
            assert_eq!(Kind::from_name(kind.name()), Some(*kind));
            for (field, _) in schema::fields(*kind) {
                assert_eq!(Field::from_name(field.name()), Some(*field));
            }
        }
    }
}
