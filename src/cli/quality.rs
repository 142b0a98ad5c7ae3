//! `thirdhand quality`: a service's questions over a folder of records.

use std::path::PathBuf;

use anyhow::{Result, bail};
use clap::Args;

use super::reports::{find_records, loaded, print, read_each};
use crate::core::redact::{self, Reader};
use crate::core::report::quality::{self, Questions};
use crate::core::report::{Call, csv};
use crate::shell::data::DataSet;

/// Figures over many records: time to first vitals, reassessments on time, warnings and what followed
#[derive(Args)]
#[command(after_help = "Examples:\n  thirdhand quality calls\n  thirdhand quality calls --csv --calls > calls.csv")]
pub struct Quality {
    /// Folders with records (three levels deep)
    #[arg(required = true)]
    folders: Vec<PathBuf>,
    /// Comma-separated
    #[arg(long)]
    csv: bool,
    /// One row a call instead of the summary
    #[arg(long)]
    calls: bool,
    /// The training records instead of the care records
    #[arg(long)]
    training: bool,
}

pub fn run(args: &Quality, data: &DataSet) -> Result<()> {
    let questions = loaded(Questions::read(&data.sources("protocols/report/")))?;
    let mut all = Vec::new();
    let failed = read_each(&find_records(&args.folders)?, |path, events| {
        if Call::read(&events).training() == args.training {
            // Figures need the advice and the counts of what was not understood, never the words.
            let unmatched = quality::not_understood(&events);
            let events = redact::copy(&events, Reader::Quality);
            let mut figures = quality::figures(&Call::read(&events), &questions, &path.display().to_string());
            figures.not_understood = unmatched;
            all.push(figures);
        }
    });
    if args.training {
        eprintln!("thirdhand: these are training records, not patients");
    }
    if args.calls {
        print(&quality::table(&all, &questions))?;
    } else {
        let answers = quality::summary(&all, &questions);
        for (n, a) in answers.iter().enumerate() {
            if args.csv {
                if n == 0 {
                    print(&csv::row(&["question".into(), "value".into(), "of".into()]))?;
                }
                print(&csv::row(&[a.question.clone(), a.value.clone(), a.of.to_string()]))?;
            } else {
                print(&format!("{:<58} {:>16}  of {}\n", a.question, a.value, a.of))?;
            }
        }
    }
    if failed { bail!("some records could not be read") } else { Ok(()) }
}
