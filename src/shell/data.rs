//! Finds, reads, overlays and digests the data files; hands text to `core`.
//!
//! Search order (contract): `--data DIR`, then the user's configuration folder (XDG), then the built-in set. A local
//! folder lies over the built-in set: `core` merges by id. A folder has the shape of this repository's: `grammars/`
//! and `protocols/`.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use etcetera::BaseStrategy;
use include_dir::{Dir, include_dir};
use sha2::{Digest, Sha256};

use crate::core::source::Source;

static GRAMMARS: Dir = include_dir!("$CARGO_MANIFEST_DIR/grammars");
static PROTOCOLS: Dir = include_dir!("$CARGO_MANIFEST_DIR/protocols");

/// Where a file comes from: the built-in set lies below, a local set over it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Layer {
    BuiltIn,
    Local,
}

/// One data file, read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DataFile {
    /// Relative to the data folder, with `/`: `grammars/en/vitals.toml`.
    pub path: String,
    pub text: String,
    pub layer: Layer,
}

/// All data in force, built-in first, then local; each layer sorted by path.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DataSet {
    pub files: Vec<DataFile>,
    /// The local folder, if one lies over the built-in set.
    pub local: Option<PathBuf>,
    /// SHA-256 (hex) over paths and bytes of all files in force.
    pub digest: String,
}

impl DataSet {
    /// The built-in set alone.
    pub fn built_in() -> DataSet {
        DataSet::of(built_in_files(), None)
    }

    /// The built-in set with `dir` (or else the user's configuration folder, if it holds data) over it.
    ///
    /// # Errors
    /// `dir` is named but is no folder, holds neither `grammars` nor `protocols`, or a file in it cannot be read.
    pub fn find(dir: Option<&Path>) -> Result<DataSet> {
        let local = match dir {
            Some(dir) => {
                if !dir.is_dir() {
                    bail!(
                        "{}: no such folder; --data wants a folder with `grammars` or `protocols` in it",
                        dir.display()
                    );
                }
                if !holds_data(dir) {
                    bail!("{}: neither `grammars` nor `protocols` is in this folder", dir.display());
                }
                Some(dir.to_path_buf())
            }
            None => config_dir().filter(|dir| holds_data(dir)),
        };
        let mut files = built_in_files();
        if let Some(dir) = &local {
            for part in ["grammars", "protocols"] {
                read_tree(&dir.join(part), part, &mut files)?;
            }
        }
        Ok(DataSet::of(files, local))
    }

    fn of(files: Vec<DataFile>, local: Option<PathBuf>) -> DataSet {
        let mut hash = Sha256::new();
        for file in &files {
            hash.update(file.path.as_bytes());
            hash.update([0]);
            hash.update(file.text.as_bytes());
            hash.update([0]);
        }
        let digest = hash.finalize().iter().map(|b| format!("{b:02x}")).collect();
        DataSet { files, local, digest }
    }

    /// The files below `prefix` (`grammars/`, `protocols/`) as `core` reads them.
    pub fn sources(&self, prefix: &str) -> Vec<Source<'_>> {
        let local = |layer| layer == Layer::Local;
        self.files
            .iter()
            .filter(|f| f.path.starts_with(prefix))
            .map(|f| Source { path: &f.path, text: &f.text, local: local(f.layer) })
            .collect()
    }
}

/// `$XDG_CONFIG_HOME/thirdhand`.
pub fn config_dir() -> Option<PathBuf> {
    etcetera::choose_base_strategy().ok().map(|base| base.config_dir().join("thirdhand"))
}

/// `$XDG_DATA_HOME/thirdhand`.
pub fn data_home() -> Option<PathBuf> {
    etcetera::choose_base_strategy().ok().map(|base| base.data_dir().join("thirdhand"))
}

/// `$XDG_CACHE_HOME/thirdhand`.
pub fn cache_home() -> Option<PathBuf> {
    etcetera::choose_base_strategy().ok().map(|base| base.cache_dir().join("thirdhand"))
}

fn holds_data(dir: &Path) -> bool {
    dir.join("grammars").is_dir() || dir.join("protocols").is_dir()
}

fn built_in_files() -> Vec<DataFile> {
    let mut files = Vec::new();
    embedded(&GRAMMARS, "grammars", &mut files);
    embedded(&PROTOCOLS, "protocols", &mut files);
    files.sort_by(|a, b| a.path.cmp(&b.path));
    files
}

fn embedded(dir: &Dir, prefix: &str, files: &mut Vec<DataFile>) {
    for file in dir.files().filter(|f| f.path().extension().is_some_and(|e| e == "toml")) {
        if let Some(text) = file.contents_utf8() {
            let path = format!("{prefix}/{}", file.path().display());
            files.push(DataFile { path, text: text.to_string(), layer: Layer::BuiltIn });
        }
    }
    for sub in dir.dirs() {
        embedded(sub, prefix, files);
    }
}

fn read_tree(dir: &Path, prefix: &str, files: &mut Vec<DataFile>) -> Result<()> {
    if !dir.is_dir() {
        return Ok(());
    }
    let mut entries: Vec<_> = fs::read_dir(dir)
        .and_then(|entries| entries.collect::<std::io::Result<Vec<_>>>())
        .with_context(|| format!("{}: the folder cannot be read", dir.display()))?;
    entries.sort_by_key(|e| e.file_name());
    for entry in entries {
        let path = entry.path();
        let name = format!("{prefix}/{}", entry.file_name().to_string_lossy());
        if path.is_dir() {
            read_tree(&path, &name, files)?;
        } else if path.extension().is_some_and(|e| e == "toml") {
            let text = fs::read_to_string(&path)
                .with_context(|| format!("{}: the file cannot be read as UTF-8 text", path.display()))?;
            files.push(DataFile { path: name, text, layer: Layer::Local });
        }
    }
    Ok(())
}
