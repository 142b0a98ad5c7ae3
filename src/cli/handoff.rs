//! `thirdhand handoff`: the verbal handover of a record, for the eye or for the ear.

use std::path::PathBuf;

use anyhow::{Result, bail};
use clap::Args;

use super::reports::{Desk, loaded, print};
use crate::core::CAUTION;
use crate::core::report::handoff::{self, Shapes, Teller};
use crate::core::report::wording::Manner;
use crate::shell::data::DataSet;

/// Give the verbal handover of a record
#[derive(Args)]
#[command(after_help = "Examples:\n  thirdhand handoff calls/2027-03-01\n  \
                        thirdhand handoff calls/2027-03-01 --shape imist-ambo --speak")]
pub struct Handoff {
    /// The record: its folder, or the events.jsonl in it
    record: PathBuf,
    /// plain, sbar, mist or imist-ambo
    #[arg(long, value_name = "SHAPE")]
    shape: Option<String>,
    /// Only the part with this label (as printed), for example `Allergies`
    #[arg(long, value_name = "LABEL")]
    part: Option<String>,
    /// Which patient, where the record speaks of several
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    patient: i64,
    /// Say it aloud, numbers in words
    #[arg(long)]
    speak: bool,
    /// Print what `--speak` would say
    #[arg(long)]
    words: bool,
}

pub fn run(args: &Handoff, data: &DataSet) -> Result<()> {
    let desk = Desk::open(&args.record, data)?;
    let shapes = loaded(Shapes::read(&data.sources("protocols/report/")))?;
    let call = desk.call();
    if !call.patients().contains(&args.patient) {
        let there: Vec<String> = call.patients().iter().map(ToString::to_string).collect();
        bail!("patient {} is not in this record; it speaks of: {}", args.patient, there.join(", "));
    }
    let manner = if args.speak || args.words { Manner::Said } else { Manner::Shown };
    let teller = Teller { call: &call, wording: &desk.wording, shapes: &shapes, patient: args.patient, manner };
    let mut handoff = teller.tell(args.shape.as_deref()).map_err(anyhow::Error::msg)?;
    if let Some(part) = &args.part {
        let labels: Vec<String> = handoff.parts.iter().map(|p| p.label.clone()).filter(|l| !l.is_empty()).collect();
        handoff.parts.retain(|p| p.label.eq_ignore_ascii_case(part));
        if handoff.parts.is_empty() {
            bail!("no part `{part}` in this handoff; it has: {}", labels.join(", "));
        }
    }
    if call.training() {
        print(&format!("{}\n", desk.wording.phrase("training", &[])))?;
    }
    print(&handoff.lines())?;
    if manner == Manner::Said {
        eprintln!("thirdhand: about {} aloud", handoff::length(handoff::seconds(&handoff, &shapes)));
    }
    eprintln!("thirdhand: {CAUTION}");
    Ok(())
}
