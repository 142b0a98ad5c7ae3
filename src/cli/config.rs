//! `thirdhand config`: which settings are in force, and where each comes from.

use anyhow::{Context, Result, bail};
use clap::{Args, Subcommand};
use serde_json::json;

use crate::shell::config::{self, Config};

/// Show the settings in force and where each comes from
#[derive(Args)]
#[command(after_help = "Examples:
  thirdhand config show
  thirdhand config init > ~/.config/thirdhand/config.toml")]
pub struct ConfigArgs {
    #[command(subcommand)]
    action: Option<Action>,
    /// JSON Lines
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Subcommand)]
enum Action {
    /// Every setting, its value, and the file and line it comes from
    #[command(after_help = "Example:\n  thirdhand config show --json")]
    Show,
    /// A settings file with every key explained, on stdout
    #[command(after_help = "Example:\n  thirdhand config init > ~/.config/thirdhand/config.toml")]
    Init,
    /// The files that are read, in order
    #[command(after_help = "Example:\n  thirdhand config path")]
    Path,
}

impl ConfigArgs {
    pub fn run(&self) -> Result<()> {
        match self.action {
            None | Some(Action::Show) => self.show(),
            Some(Action::Init) => {
                print!("{}", config::commented());
                Ok(())
            }
            Some(Action::Path) => {
                let files = config::files();
                files.last().context("no home folder is known")?;
                for path in files {
                    println!("{}{}", path.display(), if path.exists() { "" } else { "  (not there)" });
                }
                Ok(())
            }
        }
    }

    fn show(&self) -> Result<()> {
        for (key, value, origin) in load()?.rows() {
            if self.json {
                println!("{}", json!({ "key": key.name, "value": value, "origin": origin.to_string() }));
            } else {
                println!("{:<18} = {:<14} # {origin}", key.name, value.as_deref().unwrap_or("(unset)"));
            }
        }
        Ok(())
    }
}

/// The settings in force.
///
/// # Errors
/// One line a complaint.
pub fn load() -> Result<Config> {
    match Config::load() {
        Ok(config) => Ok(config),
        Err(complaints) => {
            let lines: Vec<String> = complaints.iter().map(ToString::to_string).collect();
            bail!("the settings cannot be read\n{}", lines.join("\n"))
        }
    }
}
