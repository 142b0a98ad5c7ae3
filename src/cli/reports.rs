//! What every report command shares: the record read with its warnings on stderr, and the wording in force.

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Result, bail};

use crate::core::diagnostic::Diagnostic;
use crate::core::event::Event;
use crate::core::redact::{self, Reader};
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
    /// Reads the record (never writing there) and the report data; for a `reader`, what that reader may see.
    ///
    /// # Errors
    /// No record there, or data that does not load.
    pub fn open(record: &Path, data: &DataSet, reader: Option<Reader>) -> Result<Desk> {
        let record = journal::read(record)?;
        for warning in record.warnings() {
            eprintln!("thirdhand: {warning}");
        }
        let sources = data.sources("protocols/report/");
        Ok(Desk {
            events: reader.map_or(record.events.clone(), |reader| redact::copy(&record.events, reader)),
            wording: loaded(Wording::read(&sources))?,
            outline: loaded(Outline::read(&sources))?,
        })
    }

    pub fn call(&self) -> Call<'_> {
        Call::read(&self.events)
    }
}

/// For whom a report is made.
#[derive(clap::Args)]
pub struct For {
    /// Leave out what this reader must not see: `hospital`, `crew`, `quality` or `teaching`
    #[arg(long = "for", value_name = "READER")]
    pub reader: Option<Reader>,
}

/// Folders below `paths` that hold a record (at most three levels down), in order.
///
/// # Errors
/// A path that is not there.
pub fn find_records(paths: &[PathBuf]) -> Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for path in paths {
        if !path.exists() {
            bail!("{}: no such folder", path.display());
        }
        look(path, 3, &mut found);
    }
    found.sort();
    found.dedup();
    Ok(found)
}

fn look(path: &Path, depth: usize, found: &mut Vec<PathBuf>) {
    if path.is_file() || path.join(journal::EVENTS).is_file() {
        return found.push(path.to_path_buf());
    }
    if depth > 0
        && let Ok(entries) = std::fs::read_dir(path)
    {
        let mut folders: Vec<PathBuf> = entries.flatten().map(|e| e.path()).filter(|p| p.is_dir()).collect();
        folders.sort();
        folders.iter().for_each(|folder| look(folder, depth - 1, found));
    }
}

/// Says on stderr which records could not be read; true when there were any.
pub fn read_each(paths: &[PathBuf], mut each: impl FnMut(&Path, Vec<Event>)) -> bool {
    let mut failed = false;
    for path in paths {
        match journal::read(path) {
            Ok(record) => {
                for warning in record.warnings().iter().filter(|_| record.bad.is_some()) {
                    eprintln!("thirdhand: {warning}");
                }
                each(path, record.events);
            }
            Err(error) => {
                eprintln!("thirdhand: {error:#}");
                failed = true;
            }
        }
    }
    failed
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
