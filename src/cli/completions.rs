//! `thirdhand completions SHELL`: completion script on stdout.

use std::io::Write;

use anyhow::Result;
use clap::{Arg, Args, Command, CommandFactory};
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
        let mut command = super::Cli::command();
        clap_complete::generate(self.shell, &mut command, "thirdhand", &mut script);
        let script = String::from_utf8(script)?;
        std::io::stdout().write_all(completed(self.shell, &command, script).as_bytes())?;
        Ok(())
    }
}

/// What the generator leaves out.
fn completed(shell: Shell, command: &Command, script: String) -> String {
    match shell {
        // To zsh `*::` says that behind the first file there are files alone: no option was offered there.
        Shell::Zsh => script.replace("'*::", "'*:"),
        Shell::Fish => script + &command.get_subcommands().flat_map(words_in_fish).collect::<String>(),
        _ => script,
    }
}

/// The words that a subcommand's arguments may be; fish is told of those behind an option alone.
fn words_in_fish(of: &Command) -> Vec<String> {
    let words = |argument: &Arg| {
        let values = argument.get_possible_values();
        let words = values.iter().filter(|v| !v.is_hide_set()).map(|v| v.get_name());
        words.collect::<Vec<_>>().join(" ")
    };
    let line = |words: String| {
        let name = of.get_name();
        format!("complete -c thirdhand -n \"__fish_thirdhand_using_subcommand {name}\" -f -a \"{words}\"\n")
    };
    of.get_positionals().map(words).filter(|words| !words.is_empty()).map(line).collect()
}
