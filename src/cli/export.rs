//! `thirdhand export`: a record in open standards, to stdout.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use clap::{Args, ValueEnum};

use super::reports::{Desk, loaded, print};
use crate::core::report::fhir::{Codes, Export as Fhir};
use crate::core::report::{csv, state};
use crate::shell::data::DataSet;

/// Write a record in an open standard
#[derive(Args)]
#[command(after_help = "Examples:\n  thirdhand export calls/2027-03-01 --format fhir > call.json\n  \
                        thirdhand export calls/2027-03-01 --format csv --table vitals\n  \
                        thirdhand export calls/* --format ndjson --into bulk")]
pub struct Export {
    /// The record: its folder, or the events.jsonl in it (several with `--format ndjson`)
    #[arg(required = true)]
    records: Vec<PathBuf>,
    #[arg(long, value_enum)]
    format: Format,
    /// Which table, with `--format csv`
    #[arg(long, value_enum, default_value = "events")]
    table: Table,
    /// Which patient, where the record speaks of several (`--format fhir`)
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    patient: i64,
    /// Folder for one file a resource type, with `--format ndjson`
    #[arg(long, value_name = "DIR")]
    into: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// HL7 FHIR R4 document
    Fhir,
    /// Comma-separated table
    Csv,
    /// The folded state as one JSON value
    Json,
    /// FHIR resources of many records, one a line (HL7 bulk data layout)
    Ndjson,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Table {
    Events,
    Vitals,
}

pub fn run(args: &Export, data: &DataSet) -> Result<()> {
    if args.format == Format::Ndjson {
        return bulk(args, data);
    }
    let [record] = args.records.as_slice() else {
        bail!("one record at a time; `--format ndjson` takes many");
    };
    let desk = Desk::open(record, data)?;
    let call = desk.call();
    match args.format {
        Format::Csv => print(&match args.table {
            Table::Events => csv::events(&call, &desk.wording),
            Table::Vitals => csv::vitals_sets(&call),
        }),
        Format::Json => print(&pretty(&state::of(&call))?),
        Format::Fhir => {
            let codes = loaded(Codes::read(&data.sources("protocols/report/")))?;
            let patients = call.patients();
            if !patients.contains(&args.patient) {
                bail!("patient {} is not in this record; it speaks of {patients:?}", args.patient);
            }
            if patients.len() > 1 {
                eprintln!(
                    "thirdhand: this record speaks of patients {patients:?}; `--patient` chooses, one a document"
                );
            }
            print(&pretty(&Fhir::build(&call, &desk.wording, &codes, args.patient).document())?)
        }
        Format::Ndjson => Ok(()),
    }
}

fn pretty(json: &serde_json::Value) -> Result<String> {
    Ok(serde_json::to_string_pretty(json)? + "\n")
}

/// One line a resource; with `--into` one file a resource type. A record that cannot be read is named, the rest go on.
fn bulk(args: &Export, data: &DataSet) -> Result<()> {
    let codes = loaded(Codes::read(&data.sources("protocols/report/")))?;
    let mut files: BTreeMap<String, BufWriter<File>> = BTreeMap::new();
    if let Some(dir) = &args.into {
        fs::create_dir_all(dir).with_context(|| format!("{}: the folder cannot be made", dir.display()))?;
    }
    let mut failed = 0;
    for record in &args.records {
        let desk = match Desk::open(record, data) {
            Ok(desk) => desk,
            Err(error) => {
                eprintln!("thirdhand: {error:#}");
                failed += 1;
                continue;
            }
        };
        let call = desk.call();
        for patient in call.patients() {
            for resource in Fhir::build(&call, &desk.wording, &codes, *patient).resources() {
                let kind = resource.get("resourceType").and_then(|k| k.as_str()).unwrap_or("Resource").to_string();
                let line = serde_json::to_string(&resource)? + "\n";
                match &args.into {
                    None => print(&line)?,
                    Some(dir) => append(&mut files, dir, kind, &line)?,
                }
            }
        }
    }
    for (kind, file) in &mut files {
        file.flush().with_context(|| format!("{kind}.ndjson: cannot be written"))?;
    }
    if failed > 0 {
        bail!("{failed} of {} records could not be read", args.records.len());
    }
    Ok(())
}

fn append(files: &mut BTreeMap<String, BufWriter<File>>, dir: &Path, kind: String, line: &str) -> Result<()> {
    let path = dir.join(format!("{kind}.ndjson"));
    let file = match files.entry(kind) {
        Entry::Occupied(file) => file.into_mut(),
        Entry::Vacant(slot) => {
            let file = File::create(&path).with_context(|| format!("{}: cannot be written", path.display()))?;
            slot.insert(BufWriter::new(file))
        }
    };
    file.write_all(line.as_bytes()).with_context(|| format!("{}: cannot be written", path.display()))
}
