//! `thirdhand review`: the timeline of a record, as a page or as text.

use std::fs;
use std::path::PathBuf;

use anyhow::{Context, Result};
use clap::Args;

use super::reports::{Desk, For, print};
use crate::core::CAUTION;
use crate::core::report::{page, review};
use crate::shell::data::DataSet;

/// Show the timeline of a record: text, or one self-contained page
#[derive(Args)]
#[command(after_help = "Examples:\n  thirdhand review calls/2027-03-01 | less\n  \
                        thirdhand review calls/2027-03-01 --html timeline.html")]
pub struct Review {
    /// The record: its folder, or the events.jsonl in it
    record: PathBuf,
    /// Write one HTML page that needs nothing else (`-`: to stdout)
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    #[command(flatten)]
    view: For,
}

pub fn run(args: &Review, data: &DataSet) -> Result<()> {
    let desk = Desk::open(&args.record, data, args.view.reader)?;
    let review = review::build(&desk.call(), &desk.wording, &desk.outline, CAUTION);
    let lay_out = |page: Result<String, String>| page.map_err(anyhow::Error::msg);
    match &args.html {
        None => print(&lay_out(page::text(&review, &desk.wording))?),
        Some(file) => {
            let html = lay_out(page::html(&review, &desk.wording))?;
            if file.as_os_str() == "-" {
                return print(&html);
            }
            fs::write(file, html).with_context(|| format!("{}: the page cannot be written", file.display()))
        }
    }
}
