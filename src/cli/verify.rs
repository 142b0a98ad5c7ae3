//! `thirdhand verify RECORD`: is every byte of the record the one that was written?

use std::path::PathBuf;

use anyhow::{Result, bail};
use clap::Args as ClapArgs;
use serde_json::json;

use crate::core::chain::Bad;
use crate::shell::journal::{Record, survey};

/// Checks the hash chain of a record and names the first bad event
///
/// Exit status 0 only when every byte is accounted for and the file ends in a newline. A record that was never closed
/// is still whole; that is said. The last hash is printed: who wrote it down, or signed it, can tell later that nothing
/// was changed or taken away since (docs/record.md).
#[derive(ClapArgs, Debug)]
#[command(after_help = "Example:\n  thirdhand verify ~/calls/monday-2\n  thirdhand verify events.jsonl --json")]
pub struct Args {
    /// The record: its folder, or the file in it
    #[arg(value_name = "RECORD")]
    record: PathBuf,
    /// Also: the record must hold a line with this hash (one that was written down or signed earlier)
    #[arg(long, value_name = "HASH")]
    contains: Option<String>,
    /// One line of JSON on stdout
    #[arg(long)]
    json: bool,
}

/// # Errors
/// The record is not whole, or cannot be read.
pub fn run(args: &Args) -> Result<()> {
    let record = survey(&args.record, args.contains.as_deref())?;
    if args.json {
        println!("{}", verdict(&record));
    }
    if let Some(bad) = &record.bad {
        bail!("{}: {bad}", record.path.display());
    }
    if let Some(torn) = &record.torn {
        bail!("{}: {torn}; the {} events before it are whole", record.path.display(), record.lines);
    }
    if record.lines == 0 {
        bail!("{}: the file is empty; no event was ever recorded", record.path.display());
    }
    match (&args.contains, record.sought) {
        (Some(hash), None) => {
            bail!(
                "{}: no line has the hash {hash}; this record is not the one it was taken from",
                record.path.display()
            )
        }
        (Some(_), Some(seq)) if !args.json => println!("the hash is that of event {seq}; nothing up to it has changed"),
        _ => {}
    }
    if !args.json {
        println!("{}: {} events, whole", record.path.display(), record.lines);
        println!("last hash {}", record.head);
    }
    if !record.closed() {
        eprintln!("thirdhand: {}: not closed: no `closed` event stands in it", record.path.display());
    }
    Ok(())
}

fn verdict(record: &Record) -> serde_json::Value {
    let bad = |bad: &Bad| json!({"seq": bad.seq, "line": bad.line, "byte": bad.byte, "why": bad.why.to_string()});
    json!({
        "file": record.path.display().to_string(),
        "whole": record.bad.is_none() && record.torn.is_none() && record.lines > 0,
        "events": record.lines,
        "bytes": record.bytes,
        "head": record.head,
        "closed": record.closed(),
        "bad": record.bad.as_ref().map(bad),
        "torn": record.torn.map(|torn| json!({"seq": torn.seq, "byte": torn.byte, "bytes": torn.len})),
    })
}
