//! `check`: every fault of the grammar and protocol data, with its place and a hint.

use std::path::PathBuf;

use anyhow::{Result, bail};
use clap::Args;

use super::trial;
use crate::core::diagnostic::Severity;
use crate::core::encounter::Knowledge;
use crate::core::grammar::Grammar;
use crate::core::protocol::Protocol;
use crate::core::report::Outline;
use crate::core::report::debrief::List;
use crate::core::report::fhir::Codes;
use crate::core::report::narrative::Sentences;
use crate::core::report::quality::Questions;
use crate::shell::data::DataSet;

/// Every error in the grammar and protocol data, with file, line and column
#[derive(Args, Debug)]
#[command(after_help = "Example:\n  thirdhand check my-service/")]
pub struct Check {
    /// Folder with local data; the user's configuration folder if left out
    dir: Option<PathBuf>,
}

impl Check {
    pub fn run(&self, common: Option<PathBuf>) -> Result<()> {
        let data = DataSet::find(self.dir.clone().or(common).as_deref())?;
        let mut faults = 0;
        let mut grammar_in_force = None;
        match Grammar::load(&data.sources("grammars/")) {
            Ok(grammar) => {
                grammar.warnings.iter().for_each(|warning| println!("{warning}"));
                let (frames, phrases, lists) = grammar.counts();
                println!("grammars: {frames} frames, {phrases} phrases, {lists} lists");
                grammar.changes.iter().for_each(|change| println!("local: {change}"));
                grammar_in_force = Some(grammar);
            }
            Err(complaints) => {
                faults += complaints.len();
                complaints.iter().for_each(|complaint| println!("{complaint}"));
            }
        }
        match Protocol::load(&data.sources("protocols/")) {
            Ok(protocol) => {
                protocol.warnings().iter().for_each(|warning| println!("{warning}"));
                println!("protocols: {}", protocol.counts());
                let built_in = DataSet::built_in();
                let built_in = Protocol::load(&built_in.sources("protocols/")).ok();
                protocol.summary(built_in.as_ref()).iter().for_each(|line| println!("{line}"));
                if let (Some(grammar), Some(dir)) = (grammar_in_force, &data.local) {
                    let tried = trial::report(&Knowledge { grammar, protocol }, dir)?;
                    tried.iter().for_each(|line| println!("{line}"));
                }
            }
            Err(complaints) => {
                faults += complaints.iter().filter(|c| c.severity == Severity::Error).count();
                complaints.iter().for_each(|complaint| println!("{complaint}"));
            }
        }
        let sources = data.sources("protocols/report/");
        let complaints: Vec<_> = Outline::read(&sources)
            .err()
            .into_iter()
            .chain(Codes::read(&sources).err())
            .chain(Sentences::read(&sources).err())
            .chain(Questions::read(&sources).err())
            .chain(List::read(&sources).err())
            .flatten()
            .collect();
        faults += complaints.len();
        match complaints.as_slice() {
            [] => println!("reports: {} files", sources.len()),
            all => all.iter().for_each(|complaint| println!("{complaint}")),
        }
        if faults > 0 {
            bail!("{faults} faults in the data");
        }
        println!("no faults");
        Ok(())
    }
}
