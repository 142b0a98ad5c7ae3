//! `thirdhand purge`: shows what could be removed beside records (or old records), and removes it when told to.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use chrono::{DateTime, FixedOffset, TimeDelta};
use clap::Args as ClapArgs;
use serde_json::json;

use crate::core::amend::signed_off;
use crate::shell::clock;
use crate::shell::journal::purge::{self, Item, What};
use crate::shell::journal::{EVENTS, Folder, inspect, locate};

/// Show what would be removed beside records, and remove it with --yes
///
/// By default that is the words of speech that was not understood and kept audio; the record itself goes on verifying.
/// A whole record is removed only with --record. PATH may be a record or a folder of records.
#[derive(ClapArgs, Debug)]
#[command(after_help = "Examples:
  thirdhand purge ~/calls/monday-2
  thirdhand purge ~/calls --older-than 30 --yes
  thirdhand purge ~/calls --record --older-than 3650 --yes")]
pub struct Args {
    /// Records, or folders of records
    #[arg(value_name = "PATH", required = true)]
    paths: Vec<PathBuf>,
    /// Only the words of unmatched speech
    #[arg(long)]
    words: bool,
    /// Only kept audio
    #[arg(long)]
    audio: bool,
    /// Only unfinished lines that were set aside
    #[arg(long)]
    set_aside: bool,
    /// Whole records; those that were never signed off are left unless --unsigned is given too
    #[arg(long, conflicts_with_all = ["words", "audio", "set_aside"])]
    record: bool,
    /// With --record: also records that were never signed off
    #[arg(long, requires = "record")]
    unsigned: bool,
    /// Only records whose last event is older than this
    #[arg(long, value_name = "DAYS")]
    older_than: Option<u32>,
    /// Remove; without it nothing is touched
    #[arg(long)]
    yes: bool,
    /// One line of JSON an item on stdout
    #[arg(long)]
    json: bool,
}

/// # Errors
/// No record there, one is being written, or something cannot be removed.
pub fn run(args: &Args) -> Result<()> {
    let now = clock::wall_now();
    let mut items = Vec::new();
    for record in records(&args.paths)? {
        if let Some(older_than) = args.older_than.filter(|days| !older(&record, *days, &now)) {
            eprintln!("thirdhand: {}: left, not older than {older_than} days", record.display());
            continue;
        }
        if args.record && !args.unsigned && !is_signed_off(&record) {
            eprintln!("thirdhand: {}: left, it was never signed off (--unsigned removes it)", record.display());
            continue;
        }
        items.extend(purge::plan(&record, &args.sorts()).with_context(|| record.display().to_string())?);
    }
    if args.yes {
        remove(&items)?;
    }
    show(args, &items)
}

impl Args {
    fn sorts(&self) -> Vec<What> {
        let named = [
            (self.words, What::Words),
            (self.audio, What::Audio),
            (self.set_aside, What::SetAside),
            (self.record, What::Record),
        ];
        let named: Vec<What> = named.into_iter().filter(|(named, _)| *named).map(|(_, what)| what).collect();
        if named.is_empty() { vec![What::Words, What::Audio] } else { named }
    }
}

/// Records among the paths: a record itself, or those one level below a folder.
fn records(paths: &[PathBuf]) -> Result<Vec<PathBuf>> {
    let mut records = Vec::new();
    for path in paths {
        let (dir, name) = locate(path);
        if dir.join(&name).is_file() {
            records.push(dir);
            continue;
        }
        let entries = fs::read_dir(path).with_context(|| path.display().to_string())?;
        let below: Vec<PathBuf> =
            entries.flatten().map(|entry| entry.path()).filter(|path| path.join(EVENTS).is_file()).collect();
        if below.is_empty() {
            bail!("{}: no record here", path.display());
        }
        records.extend(below);
    }
    records.sort();
    Ok(records)
}

/// Whether its last event lies more than `days` back. A record that cannot be read is not old: somebody should look.
fn older(record: &Path, days: u32, now: &DateTime<FixedOffset>) -> bool {
    let last = inspect(record).ok().and_then(|record| record.events.iter().map(|event| event.when.at).max());
    last.is_some_and(|last| *now - last > TimeDelta::days(i64::from(days)))
}

fn is_signed_off(record: &Path) -> bool {
    inspect(record).is_ok_and(|record| signed_off(&record.events).is_some())
}

/// Nothing is removed from under a writer.
fn remove(items: &[Item]) -> Result<()> {
    for item in items {
        let dir =
            if item.what == What::Record { item.path.as_path() } else { item.path.parent().unwrap_or(&item.path) };
        let held = Folder::open(dir, &format!("process {} (thirdhand purge)", std::process::id()));
        let held = held.with_context(|| dir.display().to_string())?;
        purge::remove(std::slice::from_ref(item))?;
        drop(held);
    }
    Ok(())
}

fn show(args: &Args, items: &[Item]) -> Result<()> {
    let mut out = std::io::stdout().lock();
    for item in items {
        let path = item.path.display().to_string();
        if args.json {
            let what = format!("{:?}", item.what).to_lowercase();
            writeln!(out, "{}", json!({"path": path, "what": what, "bytes": item.bytes, "removed": args.yes}))?;
        } else {
            let done = if args.yes { "removed" } else { "would remove" };
            writeln!(out, "{done} {path} ({}, {} bytes)", item.what.describe(), item.bytes)?;
        }
    }
    match (items.is_empty(), args.yes) {
        (true, _) => eprintln!("thirdhand: nothing to remove"),
        (false, false) => eprintln!("thirdhand: nothing was touched; add --yes to remove"),
        (false, true) => {}
    }
    Ok(())
}
