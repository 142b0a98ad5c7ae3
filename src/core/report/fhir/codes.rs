//! The code tables of the exports: the data of `protocols/report/codes.toml`.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde_json::{Value as Json, json};

use crate::core::diagnostic::{Diagnostic, position};
use crate::core::finding::{Field, Kind, schema};
use crate::core::report::wording::toml_problem;
use crate::core::source::Source;

/// The file of this module below the data folder.
pub const FILE: &str = "protocols/report/codes.toml";

pub const LOINC: &str = "http://loinc.org";
pub const SNOMED: &str = "http://snomed.info/sct";
pub const RXNORM: &str = "http://www.nlm.nih.gov/research/umls/rxnorm";
pub const UCUM: &str = "http://unitsofmeasure.org";

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Codes {
    pub measure: Vec<Measure>,
    pub component: Vec<Component>,
    pub worded: Vec<Worded>,
    pub medication: BTreeMap<String, Code>,
    pub dose_unit: BTreeMap<String, String>,
    pub route: BTreeMap<String, Code>,
    pub procedure: BTreeMap<String, Code>,
    pub no_known: BTreeMap<String, Code>,
    pub section: BTreeMap<String, Code>,
}

#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Code {
    pub code: String,
    pub display: String,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measure {
    pub finding: String,
    pub field: String,
    pub category: String,
    pub profile: Option<String>,
    pub ucum: String,
    pub codes: Vec<Code>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Component {
    pub finding: String,
    pub field: String,
    pub ucum: String,
    pub code: String,
    pub display: String,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Worded {
    pub finding: String,
    pub field: Option<String>,
    pub category: String,
    pub code: String,
    pub display: String,
}

/// The sections a document may have, which the data must code.
pub const SECTIONS: [&str; 10] = [
    "document",
    "complaint",
    "history",
    "allergies",
    "medications",
    "vitals",
    "exam",
    "treatments",
    "procedures",
    "advice",
];

impl Codes {
    /// The last source of that name wins as a whole.
    ///
    /// # Errors
    /// A file that cannot be read, a finding or field that does not exist, a section without a code.
    pub fn read(sources: &[Source]) -> Result<Codes, Vec<Diagnostic>> {
        let source = sources.iter().rfind(|s| s.path == FILE);
        let source = source.ok_or_else(|| vec![Diagnostic::error(FILE, 0, 0, "the file is missing")])?;
        let codes: Codes = toml::from_str(source.text).map_err(|e| vec![toml_problem(source, &e)])?;
        let pairs = codes
            .measure
            .iter()
            .map(|m| (m.finding.as_str(), Some(m.field.as_str())))
            .chain(codes.component.iter().map(|c| (c.finding.as_str(), Some(c.field.as_str()))))
            .chain(codes.worded.iter().map(|w| (w.finding.as_str(), w.field.as_deref())));
        let mut problems: Vec<Diagnostic> = pairs
            .filter_map(|(finding, field)| {
                let what = unknown(finding, field)?;
                let (line, column) = source.text.find(finding).map_or((0, 0), |at| position(source.text, at));
                Some(Diagnostic::error(FILE, line, column, what))
            })
            .collect();
        for section in SECTIONS.iter().filter(|s| !codes.section.contains_key(**s)) {
            problems.push(Diagnostic::error(FILE, 0, 0, format!("no code for the section `{section}`")));
        }
        if problems.is_empty() { Ok(codes) } else { Err(problems) }
    }
}

fn unknown(finding: &str, field: Option<&str>) -> Option<String> {
    let Some(kind) = Kind::from_name(finding) else { return Some(format!("`{finding}` is no known finding")) };
    let field = field?;
    let known = Field::from_name(field).is_some_and(|f| schema::shape(kind, f).is_some());
    (!known).then(|| format!("`{field}` is no field of `{finding}`"))
}

impl Code {
    pub fn coding(&self, system: &str) -> Json {
        json!({ "system": system, "code": self.code, "display": self.display })
    }
}

/// A concept: codings, if there are any, and always words (R4 allows no empty text).
pub fn concept(codings: Vec<Json>, text: &str) -> Json {
    let text = if text.trim().is_empty() { "not said" } else { text };
    if codings.is_empty() { json!({ "text": text }) } else { json!({ "coding": codings, "text": text }) }
}
