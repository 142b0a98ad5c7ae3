//! What every report command shares: the record read with its warnings on stderr, and the wording in force.

use std::io::Write;
use std::path::Path;

use anyhow::{Result, bail};

use crate::core::diagnostic::Diagnostic;
use crate::core::event::Event;
use crate::core::report::{Call, Outline, Wording};
use crate::shell::data::DataSet;
use crate::shell::journal;

/// A record and the data to report on it.
pub struct Desk {
    pub events: Vec<Event>,
    pub wording: Wording,
    pub outline: Outline,
}

impl Desk {
    /// Reads the record (never writing there) and the report data.
    ///
    /// # Errors
    /// No record there, or data that does not load.
    pub fn open(record: &Path, data: &DataSet) -> Result<Desk> {
        let record = journal::read(record)?;
        for warning in record.warnings() {
            eprintln!("thirdhand: {warning}");
        }
        let sources = data.sources("protocols/report/");
        Ok(Desk {
            events: record.events,
            wording: loaded(Wording::read(&sources))?,
            outline: loaded(Outline::read(&sources))?,
        })
    }

    pub fn call(&self) -> Call<'_> {
        Call::read(&self.events)
    }
}

/// The value, or every complaint about its data.
pub fn loaded<T>(result: Result<T, Vec<Diagnostic>>) -> Result<T> {
    match result {
        Ok(value) => Ok(value),
        Err(problems) => {
            let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
            bail!("the report data does not load; `thirdhand check` explains\n{}", lines.join("\n"))
        }
    }
}

/// Writes to stdout; a reader that went away (`| head`) is no error.
pub fn print(text: &str) -> Result<()> {
    match std::io::stdout().lock().write_all(text.as_bytes()) {
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        other => Ok(other?),
    }
}
