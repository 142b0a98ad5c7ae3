//! `thirdhand completions SHELL`: completion script on stdout.

use anyhow::Result;
use clap::{Args, CommandFactory};
use clap_complete::Shell;

/// Completion script for a shell, on stdout
#[derive(Args)]
#[command(after_help = "Example:\n  thirdhand completions bash > ~/.local/share/bash-completion/completions/thirdhand")]
pub struct Completions {
    shell: Shell,
}

impl Completions {
    pub fn run(&self) -> Result<()> {
        clap_complete::generate(self.shell, &mut super::Cli::command(), "thirdhand", &mut std::io::stdout());
        Ok(())
    }
}
