//! What the history and examination tables ask about: the data of `protocols/report/review.toml`.

use serde::Deserialize;

use super::call::Call;
use super::wording::toml_problem;
use crate::core::diagnostic::{Diagnostic, position};
use crate::core::finding::{Field, Finding, Kind};
use crate::core::ledger::Entry;
use crate::core::source::Source;

/// The file of this module below the data folder.
pub const FILE: &str = "protocols/report/review.toml";

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Outline {
    #[serde(default)]
    pub history: Vec<Topic>,
    #[serde(default)]
    pub exam: Vec<Topic>,
}

/// One row: what it gathers, and whether its absence shows.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Topic {
    pub label: String,
    #[serde(default)]
    pub kinds: Vec<String>,
    /// Where nothing of `kinds` was said: the first that is present of these stands in for it, and is named as what it is.
    #[serde(default)]
    pub instead: Vec<String>,
    /// Of a symptom: its aspect; empty for a symptom without one.
    pub aspect: Option<String>,
    /// Of an exam or a burn: the regions that belong here.
    #[serde(default)]
    pub region: Vec<String>,
    #[serde(default)]
    pub always: bool,
    #[serde(default)]
    pub essential: bool,
}

impl Topic {
    pub fn holds(&self, finding: &Finding) -> bool {
        if !self.region.is_empty() {
            return finding.kind() == Kind::Exam
                && finding.text(Field::Region).is_some_and(|r| self.region.iter().any(|x| x == r));
        }
        self.kinds.iter().any(|k| k == finding.kind().name())
            && self.aspect.as_deref().is_none_or(|aspect| finding.text(Field::Aspect).unwrap_or("") == aspect)
    }

    /// What of the call belongs here, or the one that stands in for it.
    pub fn gather<'a>(&self, call: &'a Call, patient: i64) -> Vec<&'a Entry> {
        let own: Vec<&Entry> = call.standing(patient).filter(|e| self.holds(&e.finding)).collect();
        if !own.is_empty() {
            return own;
        }
        call.standing(patient).filter(|e| self.stands_in(&e.finding)).take(1).collect()
    }

    fn stands_in(&self, finding: &Finding) -> bool {
        self.instead.iter().any(|k| k == finding.kind().name())
            && finding.get(Field::Name).is_some()
            && finding.flag(Field::Present) != Some(false)
            && finding.flag(Field::Obtained) != Some(false)
    }
}

impl Outline {
    /// The last source of that name wins as a whole: the order of rows is one thought.
    ///
    /// # Errors
    /// A file that cannot be read, an unknown kind, or no file at all.
    pub fn read(sources: &[Source]) -> Result<Outline, Vec<Diagnostic>> {
        let source = sources.iter().rfind(|s| s.path == FILE);
        let source = source.ok_or_else(|| vec![Diagnostic::error(FILE, 0, 0, "the file is missing")])?;
        let outline: Outline = toml::from_str(source.text).map_err(|e| vec![toml_problem(source, &e)])?;
        let kinds = outline.history.iter().chain(&outline.exam).flat_map(|t| t.kinds.iter().chain(&t.instead));
        let unknown: Vec<Diagnostic> = kinds
            .filter(|k| Kind::from_name(k).is_none())
            .map(|k| {
                let (line, column) = source.text.find(k.as_str()).map_or((0, 0), |at| position(source.text, at));
                Diagnostic::error(FILE, line, column, format!("`{k}` is no known finding"))
            })
            .collect();
        if unknown.is_empty() { Ok(outline) } else { Err(unknown) }
    }
}
