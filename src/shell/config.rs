//! The user's settings: one table of keys with their meaning, legal values and defaults; everything else (reading,
//! complaints, `config show`, the commented file) follows from it.
//!
//! Order: defaults, `/etc/xdg/thirdhand/config.toml`, `$XDG_CONFIG_HOME/thirdhand/config.toml`; an option on the command
//! line stands over all. Data files are not settings; they are found by `shell::data`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::data::config_dir;
use crate::core::diagnostic::{Diagnostic, position};

/// What a key's value may be.
#[derive(Clone, Copy, Debug)]
pub enum Legal {
    Text,
    Texts,
    Choice(&'static [&'static str]),
    /// From, to, both included.
    Number(i64, i64),
    Bool,
}

#[derive(Clone, Copy, Debug)]
pub struct Key {
    /// Table and name: `voice.rate`.
    pub name: &'static str,
    /// One line for people, with the unit.
    pub meaning: &'static str,
    pub legal: Legal,
    /// As written in TOML; empty where nothing is set unless the user does.
    pub default: &'static str,
}

pub const KEYS: [Key; 11] = [
    Key {
        name: "microphone.device",
        meaning: "id or name of the microphone (`thirdhand devices`); unset: the system's default",
        legal: Legal::Text,
        default: "",
    },
    Key {
        name: "model.file",
        meaning: "a ggml Whisper file; unset: the usual folders",
        legal: Legal::Text,
        default: "",
    },
    Key {
        name: "voice.engine",
        meaning: "who speaks: auto (speech-dispatcher, else espeak-ng) or none",
        legal: Legal::Choice(&["auto", "none"]),
        default: "\"auto\"",
    },
    Key {
        name: "voice.output",
        meaning: "loudspeaker: sensitive words are not spoken; earpiece: the crew member alone hears them",
        legal: Legal::Choice(&["loudspeaker", "earpiece"]),
        default: "\"loudspeaker\"",
    },
    Key {
        name: "voice.rate",
        meaning: "speed of speech, -100 (slow) to 100 (fast); unset: speech-dispatcher's own setting",
        legal: Legal::Number(-100, 100),
        default: "",
    },
    Key {
        name: "voice.volume",
        meaning: "volume of speech, -100 to 100; unset: speech-dispatcher's own setting",
        legal: Legal::Number(-100, 100),
        default: "",
    },
    Key {
        name: "voice.earcons",
        meaning: "short sounds for heard, not understood and warning",
        legal: Legal::Bool,
        default: "true",
    },
    Key {
        name: "record.folder",
        meaning: "where each call gets a folder; unset: records in the data directory",
        legal: Legal::Text,
        default: "",
    },
    Key { name: "record.unit", meaning: "name of the unit, for the record", legal: Legal::Text, default: "" },
    Key {
        name: "record.crew",
        meaning: "names or numbers of the crew, for the record",
        legal: Legal::Texts,
        default: "[]",
    },
    Key {
        name: "record.purpose",
        meaning: "care or training; a training record is marked as such everywhere",
        legal: Legal::Choice(&["care", "training"]),
        default: "\"care\"",
    },
];

/// Where a value comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Origin {
    Default,
    File { path: PathBuf, line: usize },
}

impl std::fmt::Display for Origin {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Origin::Default => write!(f, "default"),
            Origin::File { path, line } => write!(f, "{}:{line}", path.display()),
        }
    }
}

#[derive(Clone, Debug, PartialEq)]
enum Value {
    Text(String),
    Texts(Vec<String>),
    Number(i64),
    Bool(bool),
}

/// Every setting in force and where it comes from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Config {
    values: BTreeMap<&'static str, (Value, Origin)>,
}

impl Config {
    /// Reads the files in force.
    ///
    /// # Errors
    /// Every complaint about every file, placed: syntax, unknown keys with a suggestion, values that cannot be.
    pub fn load() -> Result<Config, Vec<Diagnostic>> {
        let mut config = Config::defaults();
        let mut complaints = Vec::new();
        for path in files() {
            match std::fs::read_to_string(&path) {
                Ok(text) => config.lay_over(&path, &text, &mut complaints),
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
                Err(error) => {
                    let what = format!("the file cannot be read: {error}");
                    complaints.push(Diagnostic::error(&path.display().to_string(), 0, 0, what));
                }
            }
        }
        if complaints.is_empty() { Ok(config) } else { Err(complaints) }
    }

    pub fn defaults() -> Config {
        let mut config = Config::default();
        for key in KEYS.iter().filter(|key| !key.default.is_empty()) {
            let text = format!("value = {}", key.default);
            let table = DeTable::parse(&text).ok().map(Spanned::into_inner);
            let value = table.as_ref().and_then(|t| t.get("value")).and_then(|v| read(key, v.as_ref()).ok());
            config.values.extend(value.map(|value| (key.name, (value, Origin::Default))));
        }
        config
    }

    /// Complaints come in the order of the file, whatever the order of its tables in memory.
    fn lay_over(&mut self, path: &Path, text: &str, complaints: &mut Vec<Diagnostic>) {
        let before = complaints.len();
        self.read_file(path, text, complaints);
        complaints[before..].sort_by_key(|c| (c.line, c.column));
    }

    fn read_file(&mut self, path: &Path, text: &str, complaints: &mut Vec<Diagnostic>) {
        let file = path.display().to_string();
        let place = |offset: usize| position(text, offset);
        let table = match DeTable::parse(text) {
            Ok(table) => table.into_inner(),
            Err(error) => {
                let (line, column) = place(error.span().map_or(0, |span| span.start));
                complaints.push(Diagnostic::error(&file, line, column, error.message().to_string()));
                return;
            }
        };
        for (section, entries) in &table {
            let (line, column) = place(section.span().start);
            let DeValue::Table(entries) = entries.as_ref() else {
                complaints.push(unknown(&file, line, column, section.as_ref()));
                continue;
            };
            for (name, value) in entries {
                let (line, column) = place(name.span().start);
                let full = format!("{}.{}", section.as_ref(), name.as_ref());
                let Some(key) = KEYS.iter().find(|key| key.name == full) else {
                    complaints.push(unknown(&file, line, column, &full));
                    continue;
                };
                match read(key, value.as_ref()) {
                    Ok(value) => {
                        self.values.insert(key.name, (value, Origin::File { path: path.to_path_buf(), line }));
                    }
                    Err(legal) => {
                        let (line, column) = place(value.span().start);
                        let found = text.get(value.span()).unwrap_or("").trim();
                        let what = format!("`{found}` cannot be the value of `{full}`");
                        complaints.push(Diagnostic::error(&file, line, column, what).hint(legal));
                    }
                }
            }
        }
    }

    pub fn text(&self, key: &str) -> Option<&str> {
        match self.values.get(key) {
            Some((Value::Text(text), _)) => Some(text),
            _ => None,
        }
    }

    pub fn texts(&self, key: &str) -> Vec<String> {
        match self.values.get(key) {
            Some((Value::Texts(texts), _)) => texts.clone(),
            _ => Vec::new(),
        }
    }

    pub fn number(&self, key: &str) -> Option<i64> {
        match self.values.get(key) {
            Some((Value::Number(number), _)) => Some(*number),
            _ => None,
        }
    }

    pub fn is_on(&self, key: &str) -> bool {
        matches!(self.values.get(key), Some((Value::Bool(true), _)))
    }

    /// Every key, its value as TOML (none where unset) and where that comes from.
    pub fn rows(&self) -> Vec<(&'static Key, Option<String>, Origin)> {
        KEYS.iter()
            .map(|key| match self.values.get(key.name) {
                Some((value, origin)) => (key, Some(value.to_toml()), origin.clone()),
                None => (key, None, Origin::Default),
            })
            .collect()
    }
}

impl Value {
    fn to_toml(&self) -> String {
        match self {
            Value::Text(text) => toml::Value::from(text.as_str()).to_string(),
            Value::Texts(texts) => toml::Value::from(texts.clone()).to_string(),
            Value::Number(number) => number.to_string(),
            Value::Bool(on) => on.to_string(),
        }
    }
}

/// The files that are read, the system's first. They need not exist.
pub fn files() -> Vec<PathBuf> {
    let system = std::env::var("XDG_CONFIG_DIRS").ok().filter(|dirs| !dirs.is_empty());
    let mut files: Vec<PathBuf> = system
        .as_deref()
        .unwrap_or("/etc/xdg")
        .split(':')
        .rev()
        .map(|dir| Path::new(dir).join("thirdhand/config.toml"))
        .collect();
    files.extend(config_dir().map(|dir| dir.join("config.toml")));
    files
}

/// A file with every key explained and commented out.
pub fn commented() -> String {
    let mut text = String::from("# Settings of thirdhand. Every line is a default; take the `#` away to change it.\n");
    let mut section = "";
    for key in KEYS {
        let (table, name) = key.name.split_once('.').unwrap_or(("", key.name));
        if table != section {
            section = table;
            text.push_str(&format!("\n[{table}]\n"));
        }
        let example = match (key.default, key.legal) {
            ("", Legal::Number(..)) => "0",
            ("", _) => "\"\"",
            (default, _) => default,
        };
        text.push_str(&format!("# {}\n#{name} = {example}\n", key.meaning));
    }
    text
}

fn unknown(file: &str, line: usize, column: usize, name: &str) -> Diagnostic {
    // Without its section a key is like the last part of the one that is meant.
    let likeness = |key: &Key| {
        let last = key.name.rsplit('.').next().filter(|_| !name.contains('.')).unwrap_or(key.name);
        strsim::jaro_winkler(last, name)
    };
    let nearest = KEYS.iter().map(|key| (likeness(key), key.name)).max_by(|a, b| a.0.total_cmp(&b.0));
    let hint = match nearest {
        _ if KEYS.iter().any(|key| key.name.split('.').next() == Some(name)) => {
            format!("it is a section: write `[{name}]` and its keys below it")
        }
        Some((likeness, key)) if likeness > 0.8 => match key.split_once('.').filter(|_| !name.contains('.')) {
            Some((section, key)) => format!("did you mean `{key}` below `[{section}]`?"),
            None => format!("did you mean `{key}`?"),
        },
        _ => "`thirdhand config show` lists the keys".into(),
    };
    Diagnostic::error(file, line, column, format!("`{name}` is no setting")).hint(hint)
}

/// The value, or what it may be.
fn read(key: &Key, value: &DeValue) -> Result<Value, String> {
    let text = |value: &DeValue| match value {
        DeValue::String(text) => Some(text.to_string()),
        _ => None,
    };
    match key.legal {
        Legal::Text => text(value).filter(|t| !t.is_empty()).map(Value::Text).ok_or("a text in quotes".into()),
        Legal::Choice(choices) => text(value)
            .filter(|t| choices.contains(&t.as_str()))
            .map(Value::Text)
            .ok_or(format!("one of {}", choices.iter().map(|c| format!("`\"{c}\"`")).collect::<Vec<_>>().join(", "))),
        Legal::Bool => match value {
            DeValue::Boolean(on) => Ok(Value::Bool(*on)),
            _ => Err("`true` or `false`".into()),
        },
        Legal::Number(from, to) => match value {
            DeValue::Integer(number) => i64::from_str_radix(number.as_str(), number.radix())
                .ok()
                .filter(|n| (from..=to).contains(n))
                .map(Value::Number),
            _ => None,
        }
        .ok_or(format!("a whole number from {from} to {to}")),
        Legal::Texts => match value {
            DeValue::Array(items) => {
                items.iter().map(|i| text(i.as_ref())).collect::<Option<Vec<_>>>().map(Value::Texts)
            }
            _ => None,
        }
        .ok_or("a list of texts: `[\"first\", \"second\"]`".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn laid(text: &str) -> (Config, Vec<String>) {
        let mut config = Config::defaults();
        let mut complaints = Vec::new();
        config.lay_over(Path::new("config.toml"), text, &mut complaints);
        (config, complaints.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn a_value_is_read_and_remembers_its_line() {
        let (config, complaints) = laid("[voice]\n\nrate = -20\n[record]\ncrew = [\"A\", \"B\"]\n");
        assert_eq!(complaints, Vec::<String>::new());
        assert_eq!(config.number("voice.rate"), Some(-20));
        assert_eq!(config.texts("record.crew"), ["A", "B"]);
        assert_eq!(config.text("voice.engine"), Some("auto"), "a default");
        let row = config.rows().into_iter().find(|(key, ..)| key.name == "voice.rate").unwrap();
        assert_eq!(row.2.to_string(), "config.toml:3");
    }

    #[test]
    fn every_unknown_key_is_refused_with_a_suggestion() {
        let (_, complaints) = laid("[voice]\nrat = 1\n[mikrophone]\ndevice = \"x\"\ncolour = 1");
        assert_eq!(
            complaints,
            [
                "config.toml:2:1: error: `voice.rat` is no setting (hint: did you mean `voice.rate`?)",
                "config.toml:4:1: error: `mikrophone.device` is no setting (hint: did you mean `microphone.device`?)",
                "config.toml:5:1: error: `mikrophone.colour` is no setting (hint: did you mean `microphone.device`?)"
            ]
        );
    }

    #[test]
    fn a_key_without_its_section_is_refused_with_the_section() {
        let (_, complaints) = laid("devise = \"x\"\nvoice = 3\ncolour = 1\n");
        assert_eq!(
            complaints,
            [
                "config.toml:1:1: error: `devise` is no setting (hint: did you mean `device` below `[microphone]`?)",
                "config.toml:2:1: error: `voice` is no setting \
                 (hint: it is a section: write `[voice]` and its keys below it)",
                "config.toml:3:1: error: `colour` is no setting (hint: `thirdhand config show` lists the keys)",
            ]
        );
    }

    #[test]
    fn a_value_that_cannot_be_is_refused_with_those_that_can() {
        let (_, complaints) = laid("[voice]\nrate = 200\noutput = \"ear\"\nearcons = 1\n");
        assert_eq!(
            complaints,
            [
                "config.toml:2:8: error: `200` cannot be the value of `voice.rate` \
                 (hint: a whole number from -100 to 100)",
                "config.toml:3:10: error: `\"ear\"` cannot be the value of `voice.output` \
                 (hint: one of `\"loudspeaker\"`, `\"earpiece\"`)",
                "config.toml:4:11: error: `1` cannot be the value of `voice.earcons` (hint: `true` or `false`)",
            ]
        );
    }

    /// The commented file with its comment signs taken away is a legal file that changes nothing that is set.
    #[test]
    fn the_commented_file_is_legal() {
        let bare: String = commented()
            .lines()
            .filter(|line| !line.starts_with("# ") && !line.ends_with("\"\""))
            .map(|line| format!("{}\n", line.trim_start_matches('#')))
            .collect();
        let (config, complaints) = laid(&bare);
        assert_eq!(complaints, Vec::<String>::new());
        assert_eq!(config.text("voice.output"), Some("loudspeaker"));
    }
}
