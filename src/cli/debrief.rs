//! `thirdhand debrief`: a training call held against an instructor's list.

use std::fs;
use std::path::PathBuf;

use anyhow::{Context, Result};
use clap::Args;

use super::reports::{Desk, loaded, print};
use crate::core::CAUTION;
use crate::core::event::Body;
use crate::core::report::Call;
use crate::core::report::debrief::{self, List, Outcome};
use crate::core::report::times::minutes_seconds;
use crate::core::source::Source;
use crate::shell::data::DataSet;

/// Look back on a training call: order and minute of each step, omissions, unsafe plans
#[derive(Args)]
#[command(after_help = "Example:\n  thirdhand debrief calls/scenario-3 --checklist my-list.toml")]
pub struct Debrief {
    /// The record: its folder, or the events.jsonl in it
    record: PathBuf,
    /// The instructor's own list [default: the built-in medical patient assessment]
    #[arg(long, value_name = "FILE")]
    checklist: Option<PathBuf>,
}

/// `12 pieces of advice, 8 spoken.`
fn spoken(call: &Call) -> String {
    let advice = call.advice().count();
    let said = call.events.iter().filter(|e| matches!(e.body, Body::Spoken(_))).count();
    format!("{advice} pieces of advice, {said} spoken.")
}

pub fn run(args: &Debrief, data: &DataSet) -> Result<()> {
    let desk = Desk::open(&args.record, data, None)?;
    let list = match &args.checklist {
        None => loaded(List::read(&data.sources("protocols/report/")))?,
        Some(file) => {
            let name = file.display().to_string();
            let text = fs::read_to_string(file).with_context(|| format!("{name}: the list cannot be read"))?;
            loaded(List::parse(&Source { path: &name, text: &text, local: true }))?
        }
    };
    let call = desk.call();
    if call.training() {
        print(&format!("{}\n", desk.wording.phrase("training", &[])))?;
        let trainer = call.opened.and_then(|o| o.more.get("trainer")).and_then(|t| t.as_str());
        let heard = if trainer == Some("examiner") { "examiner: nothing was said or shown" } else { "coach" };
        print(&format!("With {heard}. {}\n", spoken(&call)))?;
    } else {
        eprintln!("thirdhand: this is a care record, not a training record");
    }
    let look = debrief::debrief(&call, &desk.wording, &list);
    print(&format!("Debrief: {}\n\n", look.list))?;
    for step in &look.steps {
        let result = match step.result {
            Outcome::Done => "done",
            Outcome::Late => "LATE",
            Outcome::TooEarly => "OUT OF ORDER",
            Outcome::Omitted => "OMITTED",
            Outcome::NotUsed => "not used",
        };
        let at = step.at_s.map(|s| minutes_seconds(i64::try_from(s).unwrap_or(i64::MAX))).unwrap_or_default();
        let order = step.order.map(|n| format!("{n}.")).unwrap_or_default();
        let seq = step.seq.map(|s| format!(" [#{s}]")).unwrap_or_default();
        print(&format!("{order:>4} {at:>7}  {result:<13} {}{seq}\n", step.say))?;
    }
    print("\nWarnings and risky plans\n")?;
    if look.risky_plans.is_empty() {
        print("  none\n")?;
    }
    for (line, seq) in &look.risky_plans {
        print(&format!("  {line} [#{seq}]\n"))?;
    }
    eprintln!("thirdhand: {CAUTION}");
    Ok(())
}
