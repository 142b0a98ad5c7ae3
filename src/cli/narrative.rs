//! `thirdhand narrative`: a draft of the narrative, every sentence with its events.

use std::path::PathBuf;

use anyhow::{Result, bail};
use clap::{Args, ValueEnum};

use super::reports::{Desk, For, loaded, print};
use crate::core::CAUTION;
use crate::core::report::narrative::{self, Sentences, Shape};
use crate::core::report::page::wrap;
use crate::shell::data::DataSet;

/// Draft the narrative of a record (not the patient care report)
#[derive(Args)]
#[command(after_help = "Example:\n  thirdhand narrative calls/2027-03-01 --shape soap")]
pub struct Narrative {
    /// The record: its folder, or the events.jsonl in it
    record: PathBuf,
    #[arg(long, value_enum, default_value = "chronological")]
    shape: ShapeName,
    /// Which patient, where the record speaks of several
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    patient: i64,
    #[command(flatten)]
    view: For,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ShapeName {
    Chronological,
    Soap,
}

pub fn run(args: &Narrative, data: &DataSet) -> Result<()> {
    let desk = Desk::open(&args.record, data, args.view.reader)?;
    let sentences = loaded(Sentences::read(&data.sources("protocols/report/")))?;
    let call = desk.call();
    if !call.patients().contains(&args.patient) {
        bail!("patient {} is not in this record; it speaks of {:?}", args.patient, call.patients());
    }
    let shape = match args.shape {
        ShapeName::Chronological => Shape::Chronological,
        ShapeName::Soap => Shape::Soap,
    };
    let mut out = String::new();
    if call.training() {
        out.push_str(&format!("{}\n", desk.wording.phrase("training", &[])));
    }
    out.push_str(&format!("{}\n{}\n", wrap(&sentences.draft, 0, 96), wrap(CAUTION, 0, 96)));
    for paragraph in narrative::draft(&call, &desk.wording, &desk.outline, &sentences, args.patient, shape) {
        out.push_str(&format!("\n{}\n", paragraph.title.to_uppercase()).replace("\n\n\n", "\n\n"));
        for sentence in &paragraph.sentences {
            let seqs: Vec<String> = sentence.seqs.iter().map(|s| format!("#{s}")).collect();
            let numbers = if seqs.is_empty() { String::new() } else { format!(" [{}]", seqs.join(" ")) };
            out.push_str(&format!("{}\n", wrap(&format!("{}{numbers}", sentence.text), 2, 96)));
        }
    }
    print(&out)
}
