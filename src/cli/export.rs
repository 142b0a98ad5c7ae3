//! `thirdhand export`: a record in open standards, to stdout.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use clap::{Args, ValueEnum};

use super::reports::{Desk, loaded, print};
use crate::core::redact::{self, Reader};
use crate::core::report::fhir::{Codes, Export as Fhir};
use crate::core::report::{csv, state};
use crate::shell::data::DataSet;
use crate::shell::encrypt::encrypt;

/// Write a record in an open standard
#[derive(Args)]
#[command(after_help = "Examples:\n  thirdhand export calls/2027-03-01 --format fhir > call.json\n  \
                        thirdhand export calls/2027-03-01 --format csv --table vitals\n  \
                        thirdhand export calls/2027-03-01 --format jsonl --for teaching\n  \
                        thirdhand export calls/2027-03-01 --format fhir --encrypt age1... > call.json.age\n  \
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
    /// A copy for this reader: hospital (findings and treatments), crew (everything), quality (also advice and what
    /// followed), teaching (nothing that identifies a person, a unit or a day)
    #[arg(long = "for", value_name = "READER")]
    reader: Option<Reader>,
    /// Encrypt for this public key (age1..., ssh-ed25519 ...) or file of keys, with the age program; may be repeated
    #[arg(long, value_name = "KEY", conflicts_with = "into")]
    encrypt: Vec<String>,
    /// With several records: the training records instead of the care records
    #[arg(long)]
    training: bool,
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
    /// The events as JSON Lines; a copy, so without the hash chain
    Jsonl,
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
    let desk = args.desk(record, data)?;
    let call = desk.call();
    let text = match args.format {
        Format::Csv => match args.table {
            Table::Events => csv::events(&call, &desk.wording),
            Table::Vitals => csv::vitals_sets(&call),
        },
        Format::Json => pretty(&state::of(&call))?,
        Format::Jsonl => desk.events.iter().map(|event| event.to_line() + "\n").collect(),
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
            pretty(&Fhir::build(&call, &desk.wording, &codes, args.patient).document())?
        }
        Format::Ndjson => String::new(),
    };
    args.emit(&text)
}

impl Export {
    /// The record, or the copy of it that the reader may see.
    fn desk(&self, record: &Path, data: &DataSet) -> Result<Desk> {
        let mut desk = Desk::open(record, data, None)?;
        if let Some(reader) = self.reader {
            desk.events = redact::copy(&desk.events, reader);
        }
        Ok(desk)
    }

    /// To stdout, encrypted if that was asked for.
    fn emit(&self, text: &str) -> Result<()> {
        if self.encrypt.is_empty() {
            return print(text);
        }
        let sealed = encrypt(text.as_bytes(), &self.encrypt)?;
        let mut out = std::io::stdout().lock();
        out.write_all(&sealed).and_then(|()| out.flush()).context("standard output cannot be written")
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
    let (mut failed, mut left_out) = (0, 0);
    // What is to be encrypted goes through the other program as one piece.
    let mut sealed = String::new();
    for record in &args.records {
        let desk = match args.desk(record, data) {
            Ok(desk) => desk,
            Err(error) => {
                eprintln!("thirdhand: {error:#}");
                failed += 1;
                continue;
            }
        };
        let call = desk.call();
        if args.records.len() > 1 && call.training() != args.training {
            left_out += 1;
            continue;
        }
        for patient in call.patients() {
            for resource in Fhir::build(&call, &desk.wording, &codes, *patient).resources() {
                let kind = resource.get("resourceType").and_then(|k| k.as_str()).unwrap_or("Resource").to_string();
                let line = serde_json::to_string(&resource)? + "\n";
                match &args.into {
                    None if !args.encrypt.is_empty() => sealed.push_str(&line),
                    None => print(&line)?,
                    Some(dir) => append(&mut files, dir, kind, &line)?,
                }
            }
        }
    }
    if !sealed.is_empty() {
        args.emit(&sealed)?;
    }
    for (kind, file) in &mut files {
        file.flush().with_context(|| format!("{kind}.ndjson: cannot be written"))?;
    }
    if left_out > 0 {
        let kind = if args.training { "care" } else { "training" };
        eprintln!("thirdhand: {left_out} {kind} records are left out: training is never mixed with care");
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
