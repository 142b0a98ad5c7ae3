//! One complaint about a data file: where, what, what to do. Readers return all of them, never only the first.

use std::fmt;

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    Warning,
    Error,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Diagnostic {
    pub severity: Severity,
    /// As the user knows it, relative to the data folder.
    pub file: String,
    /// From 1; 0 where the whole file is meant.
    pub line: usize,
    /// From 1, in characters.
    pub column: usize,
    /// Lower case, with the offending value in backticks and the legal ones.
    pub message: String,
    pub hint: Option<String>,
}

impl Diagnostic {
    pub fn error(file: &str, line: usize, column: usize, message: impl Into<String>) -> Diagnostic {
        Diagnostic { severity: Severity::Error, file: file.into(), line, column, message: message.into(), hint: None }
    }

    pub fn warning(file: &str, line: usize, column: usize, message: impl Into<String>) -> Diagnostic {
        Diagnostic { severity: Severity::Warning, ..Diagnostic::error(file, line, column, message) }
    }

    pub fn hint(mut self, hint: impl Into<String>) -> Diagnostic {
        self.hint = Some(hint.into());
        self
    }
}

/// `file:line:col: error: message (hint: ...)`, one line.
impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        };
        write!(f, "{}:{}:{}: {word}: {}", self.file, self.line, self.column, self.message)?;
        match &self.hint {
            Some(hint) => write!(f, " (hint: {hint})"),
            None => Ok(()),
        }
    }
}

/// Line and column (both from 1) of byte `offset` in `text`.
pub fn position(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
    (line, column)
}
