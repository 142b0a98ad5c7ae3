//! `thirdhand records`: what records there are, filtered. Training records are never listed with care records.

use std::path::PathBuf;

use anyhow::{Result, bail};
use chrono::NaiveDate;
use clap::Args;
use serde_json::json;

use super::reports::{find_records, loaded, print, read_each};
use crate::core::finding::{Field, Kind};
use crate::core::report::review::merged_patient;
use crate::core::report::times::minutes_seconds;
use crate::core::report::wording::{Manner, plain};
use crate::core::report::{Call, Wording};
use crate::core::time::rfc3339;
use crate::shell::data::{self, DataSet};

/// List the records below folders
#[derive(Args)]
#[command(after_help = "Example:\n  thirdhand records calls --since 2027-03-01 --drug aspirin --unconfirmed")]
pub struct Records {
    /// Folders to look into (three levels deep) [default: the data folder's records]
    folders: Vec<PathBuf>,
    /// Opened on this day or later, YYYY-MM-DD
    #[arg(long, value_name = "DAY")]
    since: Option<NaiveDate>,
    /// Opened on this day or earlier
    #[arg(long, value_name = "DAY")]
    until: Option<NaiveDate>,
    /// With these words in the complaint or a symptom
    #[arg(long, value_name = "WORDS")]
    complaint: Option<String>,
    /// In which this drug was planned, given, withheld or taken
    #[arg(long, value_name = "NAME")]
    drug: Option<String>,
    /// Recorded by this unit
    #[arg(long, value_name = "UNIT")]
    unit: Option<String>,
    /// With a high-priority warning
    #[arg(long)]
    warned: bool,
    /// With a value that was never confirmed
    #[arg(long)]
    unconfirmed: bool,
    /// Never closed
    #[arg(long)]
    open: bool,
    /// The training records instead of the care records
    #[arg(long)]
    training: bool,
    /// JSON Lines
    #[arg(long)]
    json: bool,
}

pub fn run(args: &Records, data: &DataSet) -> Result<()> {
    let wording = loaded(Wording::read(&data.sources("protocols/report/")))?;
    let folders = match (args.folders.is_empty(), data::data_home()) {
        (false, _) => args.folders.clone(),
        (true, Some(home)) => vec![home.join("records")],
        (true, None) => bail!("name a folder with records in it"),
    };
    let mut lines: Vec<(String, String)> = Vec::new();
    let failed = read_each(&find_records(&folders)?, |path, events| {
        let call = Call::read(&events);
        if args.wants(&call) {
            let opened = call.start().map(|m| rfc3339(&m.at)).unwrap_or_default();
            lines.push((opened, args.line(&call, &wording, &path.display().to_string())));
        }
    });
    lines.sort();
    if args.training && !args.json {
        print(&format!("{}\n", wording.phrase("training", &[])))?;
    }
    if !args.json {
        print(&format!(
            "{:<20} {:>8}  {:<14} {:<24} {:<22} {:>8} {:>8}  {}\n",
            "opened", "length", "unit", "patient", "complaint", "warnings", "to check", "record"
        ))?;
    }
    lines.iter().try_for_each(|(_, line)| print(line))?;
    if failed { bail!("some records could not be read") } else { Ok(()) }
}

impl Records {
    fn wants(&self, call: &Call) -> bool {
        let day = call.start().map(|m| m.at.date_naive());
        let is = |kinds: &[Kind], field: Field, words: &str| {
            let words = words.to_lowercase().replace('_', " ");
            call.ledger.standing().any(|e| {
                kinds.contains(&e.finding.kind())
                    && e.finding.flag(Field::Present) != Some(false)
                    && e.finding.text(field).is_some_and(|t| t.to_lowercase().replace('_', " ").contains(&words))
            })
        };
        let drugs = [Kind::MedicationPlanned, Kind::MedicationGiven, Kind::MedicationWithheld, Kind::MedicationTaken];
        call.training() == self.training
            && self.since.is_none_or(|since| day.is_some_and(|d| d >= since))
            && self.until.is_none_or(|until| day.is_some_and(|d| d <= until))
            && self.complaint.as_ref().is_none_or(|words| {
                is(&[Kind::ChiefComplaint], Field::Text, words) || is(&[Kind::Symptom], Field::Name, words)
            })
            && self.drug.as_ref().is_none_or(|name| is(&drugs, Field::Name, name))
            && self.unit.as_ref().is_none_or(|unit| call.opened.is_some_and(|o| o.unit.eq_ignore_ascii_case(unit)))
            && (!self.warned || warnings(call) > 0)
            && (!self.unconfirmed || call.ledger.standing().any(|e| e.unconfirmed()))
            && (!self.open || call.closed.is_none())
    }

    fn line(&self, call: &Call, wording: &Wording, path: &str) -> String {
        let seconds = match (call.start(), call.end()) {
            (Some(start), Some(end)) => end.since_ms(start) / 1000,
            _ => 0,
        };
        let patient = merged_patient(call, 1).map(|(f, _)| wording.text(&f, true, Manner::Shown)).unwrap_or_default();
        let complaint = call.ledger.latest(Kind::ChiefComplaint, 1).and_then(|e| e.finding.text(Field::Text));
        let symptom = || {
            let present = |e: &&crate::core::ledger::Entry| e.finding.flag(Field::Present) != Some(false);
            call.ledger.of(Kind::Symptom, 1).find(present).and_then(|e| e.finding.text(Field::Name))
        };
        let complaint = plain(&complaint.or_else(symptom).unwrap_or("").replace('_', " "));
        let unit = call.opened.map(|o| plain(&o.unit)).unwrap_or_default();
        let unconfirmed = call.ledger.standing().filter(|e| e.unconfirmed()).count();
        let open = call.closed.is_none();
        let opened = call.start().map(|m| m.at.format("%Y-%m-%d %H:%M:%S").to_string()).unwrap_or_default();
        if self.json {
            let line = json!({
                "record": path, "opened": call.start().map(|m| rfc3339(&m.at)), "seconds": seconds, "unit": unit,
                "purpose": call.purpose(), "patients": call.patients().len(), "patient": patient,
                "complaint": complaint, "findings": call.ledger.standing().count(), "warnings": warnings(call),
                "unconfirmed": unconfirmed, "open_plans": call.open_plans(1).len(), "closed": !open,
            });
            return format!("{line}\n");
        }
        let state = if open { " (not closed)" } else { "" };
        let check = unconfirmed + call.open_plans(1).len();
        format!(
            "{opened:<20} {:>8}  {unit:<14.14} {patient:<24.24} {complaint:<22.22} {:>8} {check:>8}  {path}{state}\n",
            minutes_seconds(i64::try_from(seconds).unwrap_or(i64::MAX)),
            warnings(call),
        )
    }
}

fn warnings(call: &Call) -> usize {
    call.advice().filter(|(_, a)| a.priority == crate::core::event::Priority::High).count()
}
