//! What the program was told to do, behind its name.

use serde_json::{Map, Value as Json};

use super::Reader;
use crate::core::finding::Value;
use crate::core::grammar::{CapValue, Match, Phrase, Target};

impl Reader<'_> {
    pub(super) fn command(&mut self, command: usize, phrase: &Phrase, found: &Match) {
        let Some(entry) = self.grammar.command(command) else { return };
        let mut map = Map::new();
        map.insert("command".into(), entry.command.clone().into());
        for (key, value) in entry.sets.iter().chain(&phrase.command_sets) {
            map.insert(key.clone(), json(value));
        }
        for cap in &found.caps {
            let Some(Target::Key(key)) = self.grammar.slot(cap.slot).map(|s| &s.target) else { continue };
            let value = match &cap.value {
                CapValue::Item { list, item } => {
                    let item = self.grammar.item(*list, *item);
                    item.and_then(|i| i.sets.first()).map_or(Json::Null, |(_, v)| json(v))
                }
                CapValue::Number(number) => serde_json::to_value(number).unwrap_or(Json::Null),
                CapValue::Text(text) => text.clone().into(),
                CapValue::Seconds { seconds, .. } => (seconds / 60).into(),
                CapValue::Clock(clock) => format!("{:02}:{:02}", clock.hour, clock.minute).into(),
                CapValue::Month { year, month } => format!("{year:04}-{month:02}").into(),
            };
            map.insert(key.clone(), value);
        }
        self.meaning.nothing_else |= found.start == 0 && found.end == self.on.tokens.len();
        self.meaning.commands.push(map);
    }
}

pub(super) fn json(value: &Value) -> Json {
    match value {
        Value::Number(number) => serde_json::to_value(number).unwrap_or(Json::Null),
        Value::Flag(flag) => (*flag).into(),
        Value::Text(text) => text.clone().into(),
        other => other.to_string().into(),
    }
}
