//! `thirdhand completions SHELL`: completion script on stdout.

use std::io::Write;

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
        let mut script = Vec::new();
        clap_complete::generate(self.shell, &mut super::Cli::command(), "thirdhand", &mut script);
        let script = String::from_utf8(script)?;
        // To zsh `*::` says that behind the first file there are files alone: no option was offered there.
        let script = if self.shell == Shell::Zsh { script.replace("'*::", "'*:") } else { script };
        std::io::stdout().write_all(script.as_bytes())?;
        Ok(())
    }
}
