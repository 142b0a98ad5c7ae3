//! The command line: one line a subcommand here, one file a subcommand beside this one.
//!
//! Exit status: 0 done, 1 the work could not be done (why, on stderr), 2 wrong usage. Data goes to stdout, all else
//! to stderr.

pub mod again;
pub mod amend;
pub mod purge;
pub mod verify;

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Result;
use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Args, CommandFactory, Parser, Subcommand};

use crate::shell::data::DataSet;
use crate::shell::speak::VoiceKind;

mod check;
mod completions;
mod config;
mod debrief;
mod devices;
mod doctor;
mod export;
mod handoff;
mod listen;
mod man;
mod models;
mod narrative;
pub mod parse;
mod purpose;
mod quality;
mod recogniser;
mod records;
mod replay;
mod reports;
mod review;
mod say;
mod transcribe;
mod trial;

pub use crate::core::CAUTION;

/// Listens to what an EMT says aloud at a patient's side, keeps the record, warns and reminds. Works without network.
#[derive(Parser)]
#[command(name = "thirdhand", version, after_help = CAUTION, max_term_width = 100, subcommand_required = true,
          arg_required_else_help = true)]
pub struct Cli {
    #[command(flatten)]
    pub common: Common,
    #[command(subcommand)]
    command: Command,
}

#[derive(Args, Clone, Debug, Default)]
pub struct Common {
    /// Folder with local grammar and protocol data, laid over the built-in set
    #[arg(long, global = true, value_name = "DIR")]
    pub data: Option<PathBuf>,
}

/// One variant a subcommand; each carries its own file's arguments.
#[derive(Subcommand)]
enum Command {
    Check(check::Check),
    Parse(parse::Parse),
    Models(models::Models),
    #[command(hide = true)]
    Recogniser(recogniser::Recogniser),
    Debrief(debrief::Debrief),
    Export(export::Export),
    Narrative(narrative::Narrative),
    Quality(quality::Quality),
    Records(records::Records),
    Handoff(handoff::Handoff),
    Replay(replay::Replay),
    Devices(devices::Devices),
    Doctor(doctor::Doctor),
    Config(config::ConfigArgs),
    Completions(completions::Completions),
    Man(man::Man),
    Listen(listen::Listen),
    Review(review::Review),
    #[command(hide = true)]
    Say(say::Say),
    Transcribe(transcribe::Transcribe),
    Verify(verify::Args),
    Amend(amend::Args),
    Purge(purge::Args),
}

/// Runs the program and turns its result into the contract's exit status.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { 2 } else { 0 });
        }
    };
    let told = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        // `println!` panics when stdout fails; that is told in one line below.
        if !message(panic.payload()).starts_with(STDOUT_FAILED) {
            told(panic);
        }
    }));
    match std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| run(cli))) {
        Ok(Ok(())) => ExitCode::SUCCESS,
        Ok(Err(error)) => {
            eprintln!("thirdhand: {error:#}");
            ExitCode::from(1)
        }
        Err(panic) => after_panic(message(panic.as_ref())),
    }
}

const STDOUT_FAILED: &str = "failed printing to stdout";

fn message(panic: &(dyn std::any::Any + Send)) -> &str {
    let text = panic.downcast_ref::<String>().map(String::as_str);
    text.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("")
}

/// A reader that has read enough (`| head`) is no failure; any other panic is, and it has the status of one.
fn after_panic(message: &str) -> ExitCode {
    match message.strip_prefix(STDOUT_FAILED) {
        Some(why) if why.contains("Broken pipe") => ExitCode::SUCCESS,
        Some(why) => {
            eprintln!("thirdhand: stdout cannot be written{why}");
            ExitCode::from(1)
        }
        None => {
            eprintln!("thirdhand: this is a defect of the program; please report the lines above");
            ExitCode::from(1)
        }
    }
}

/// Says what two options cannot mean together, and leaves with the status of wrong usage.
fn wrong_usage(message: &str) -> ! {
    Cli::command().error(clap::error::ErrorKind::ArgumentConflict, message).exit()
}

/// Completions offer both.
fn voice_kind() -> impl TypedValueParser<Value = VoiceKind> {
    PossibleValuesParser::new(["auto", "none"]).try_map(|name| name.parse::<VoiceKind>())
}

fn run(cli: Cli) -> Result<()> {
    let data = || DataSet::find(cli.common.data.as_deref());
    match &cli.command {
        Command::Check(args) => args.run(cli.common.data.clone()),
        Command::Parse(args) => args.run(&data()?),
        Command::Models(args) => args.run(),
        Command::Recogniser(args) => args.run(cli.common.data.clone()),
        Command::Debrief(args) => debrief::run(args, &data()?),
        Command::Narrative(args) => narrative::run(args, &data()?),
        Command::Quality(args) => quality::run(args, &data()?),
        Command::Records(args) => records::run(args, &data()?),
        Command::Export(args) => export::run(args, &data()?),
        Command::Handoff(args) => handoff::run(args, &data()?),
        Command::Review(args) => review::run(args, &data()?),
        Command::Replay(args) => replay::run(args, &data()?),
        Command::Listen(args) => listen::run(args, &data()?),
        Command::Devices(args) => args.run(),
        Command::Doctor(args) => args.run(cli.common.data.as_deref()),
        Command::Config(args) => args.run(),
        Command::Completions(args) => args.run(),
        Command::Man(args) => args.run(),
        Command::Say(args) => args.run(),
        Command::Transcribe(args) => args.run(&data()?),
        Command::Verify(args) => verify::run(args),
        Command::Amend(args) => amend::run(args, &data()?),
        Command::Purge(args) => purge::run(args),
    }
}
