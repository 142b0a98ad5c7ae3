//! `thirdhand man DIR`: a manual page for the program and one for each subcommand.

use std::path::PathBuf;

use anyhow::{Context, Result};
use clap::{Args, CommandFactory};

/// Write the manual pages into a folder
#[derive(Args)]
#[command(after_help = "Example:\n  thirdhand man ~/.local/share/man/man1")]
pub struct Man {
    /// An existing folder
    dir: PathBuf,
}

impl Man {
    pub fn run(&self) -> Result<()> {
        anyhow::ensure!(self.dir.is_dir(), "{}: no such folder", self.dir.display());
        let mut root = super::Cli::command();
        root.build();
        self.write(&root, "thirdhand")?;
        for command in root.get_subcommands().filter(|c| !c.is_hide_set() && c.get_name() != "help") {
            self.write(command, &format!("thirdhand-{}", command.get_name()))?;
        }
        Ok(())
    }

    fn write(&self, command: &clap::Command, name: &str) -> Result<()> {
        let mut page = Vec::new();
        // Clap wants a name that lives as long as the program; one a subcommand is not worth more trouble.
        let leaked: &'static str = Box::leak(name.to_string().into_boxed_str());
        clap_mangen::Man::new(command.clone().name(leaked)).render(&mut page)?;
        let path = self.dir.join(format!("{name}.1"));
        // Clap calls what follows the options `EXTRA`; ours are examples.
        let page = String::from_utf8(page)?.replace(".SH EXTRA", ".SH EXAMPLES");
        std::fs::write(&path, page).with_context(|| format!("{}: cannot be written", path.display()))?;
        println!("{}", path.display());
        Ok(())
    }
}
