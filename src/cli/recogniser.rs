//! `thirdhand recogniser` (hidden): the child process in which the speech engine lives.

use std::path::PathBuf;

use anyhow::Result;
use clap::Args;

use crate::shell::recognise::{self, Options};

/// Serves the program as its recogniser; not for use by hand
#[derive(Args)]
pub struct Recogniser {
    #[arg(long)]
    model: PathBuf,
    /// With our tuning of the model, which must be the one that it was made for
    #[arg(long)]
    tuned: bool,
    /// Without the domain's language model
    #[arg(long)]
    plain: bool,
    /// Sentences for the language model instead of the grammar's
    #[arg(long, hide = true)]
    corpus: Option<PathBuf>,
}

impl Recogniser {
    /// # Errors
    /// A pipe breaks.
    pub fn run(&self, data: Option<PathBuf>) -> Result<()> {
        recognise::serve(
            &self.model,
            self.tuned,
            &Options { model: None, data, plain: self.plain, corpus: self.corpus.clone(), ..Options::default() },
        )
    }
}
