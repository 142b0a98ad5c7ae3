//! The recogniser's model file: where it is looked for, what tells a good one from a bad one, and its making from the
//! pinned packages (`models/MANIFEST.toml`).
//!
//! No network here: `scripts/model.sh` fetches, this room converts and checks.

pub mod ct2;
pub mod ggml;
mod half;
mod mel;
pub mod tuning;
pub mod vocabulary;

use std::fs::{self, File};
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use serde::Deserialize;
use sha2::{Digest, Sha256};

use super::data;
use ggml::{Shape, Walk};

const MANIFEST: &str = include_str!("../../../models/MANIFEST.toml");
const SYSTEM_DIR: &str = "/usr/share/thirdhand/models";

/// One model that the project knows.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    pub name: String,
    /// File name in a models folder.
    pub file: String,
    pub bytes: u64,
    /// Of the file that our import writes, hex.
    pub sha256: String,
    /// Of the same model as published for whisper.cpp, hex.
    pub published_sha256: String,
    pub licence: String,
    pub origin: String,
    #[serde(default)]
    pub default: bool,
    /// File in `models/` with what our training adds to its weights ([`tuning`]).
    pub tuning: Option<String>,
    #[serde(rename = "source")]
    pub sources: Vec<SourceFile>,
}

/// A file that the import reads, as it lies in its package.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourceFile {
    pub path: String,
    pub bytes: u64,
    pub sha256: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Manifest {
    model: Vec<Entry>,
}

/// The models of `models/MANIFEST.toml`, the default first.
pub fn known() -> Vec<Entry> {
    let manifest: Manifest = toml::from_str(MANIFEST).unwrap_or(Manifest { model: Vec::new() });
    let mut models = manifest.model;
    models.sort_by_key(|m| !m.default);
    models
}

/// What is wrong with a model file; each has its own cure.
#[derive(Debug, thiserror::Error)]
pub enum ModelError {
    /// Correct the path.
    #[error("{0}: no such model file; check the path, or run `make model` to get the standard one")]
    WrongPath(PathBuf),
    /// Copy or make it again.
    #[error("{path}: the model file is truncated ({bytes} bytes{wanted}); copy it again or run `make model`")]
    Truncated { path: PathBuf, bytes: u64, wanted: String },
    /// Make it again, or vouch for it.
    #[error(
        "{path}: wrong hash: sha256 {found} is not that of {name}; the file is damaged or another one: run `make model`, \
         or if it is your own, put its sum beside it (`sha256sum {file} > {file}.sha256`)"
    )]
    WrongHash { path: PathBuf, file: String, name: String, found: String },
    /// Give another file.
    #[error("{path}: not a Whisper model: {why}; a ggml Whisper file is wanted, `make model` makes one")]
    NotAModel { path: PathBuf, why: String },
    /// Get one.
    #[error("no speech model found (looked at {0}); run `make model`, or name one with --model FILE")]
    None(String),
    #[error("{path}: the model file cannot be read: {why}")]
    Unreadable { path: PathBuf, why: String },
}

/// A model file that exists and has the form of one.
#[derive(Clone, Debug)]
pub struct Model {
    pub path: PathBuf,
    pub shape: Shape,
    /// Name in the manifest, or the size's usual name with `(own)`.
    pub name: String,
    /// True for the weights that our tuning was made for.
    pub tunable: bool,
}

/// Finds the model in the contract's order and checks it.
///
/// # Errors
/// [`ModelError`]: none found, or the first one found is bad (a bad one is never skipped in silence).
pub fn find(option: Option<&Path>) -> Result<Model, ModelError> {
    let named = option
        .map(Path::to_path_buf)
        .or_else(|| std::env::var_os("THIRDHAND_MODEL").filter(|value| !value.is_empty()).map(PathBuf::from));
    if let Some(path) = named {
        return check(&path);
    }
    let dirs = dirs();
    for dir in &dirs {
        for entry in known() {
            let path = dir.join(&entry.file);
            if path.exists() {
                return check(&path);
            }
        }
    }
    let looked: Vec<String> = dirs.iter().map(|d| d.display().to_string()).collect();
    Err(ModelError::None(looked.join(" and ")))
}

/// The folders where models are looked for, the user's first.
pub fn dirs() -> Vec<PathBuf> {
    data::data_home().map(|home| home.join("models")).into_iter().chain([PathBuf::from(SYSTEM_DIR)]).collect()
}

/// Checks one file: form first, then its hash where a hash is known for its name, its size or by a file beside it.
///
/// # Errors
/// [`ModelError`], one kind for each cure.
pub fn check(path: &Path) -> Result<Model, ModelError> {
    let unreadable = |e: std::io::Error| ModelError::Unreadable { path: path.into(), why: e.to_string() };
    if !path.exists() {
        return Err(ModelError::WrongPath(path.into()));
    }
    if path.is_dir() {
        return Err(ModelError::NotAModel { path: path.into(), why: "it is a folder".into() });
    }
    let file = File::open(path).map_err(unreadable)?;
    let bytes = file.metadata().map_err(unreadable)?.len();
    let entry = entry_for(path, bytes);
    let shape = match ggml::walk(file).map_err(unreadable)? {
        Walk::Whole(shape) => shape,
        Walk::Cut => {
            let wanted = entry.map(|e| format!(" of {}", e.bytes)).unwrap_or_default();
            return Err(ModelError::Truncated { path: path.into(), bytes, wanted });
        }
        Walk::Foreign(why) => return Err(ModelError::NotAModel { path: path.into(), why }),
    };
    let vouched = vouched(path);
    let mut name = format!("{} (own)", shape.name());
    let mut tunable = false;
    if entry.is_some() || vouched.is_some() {
        let found = sha256_of(path).map_err(unreadable)?;
        if let Some(entry) = entry.as_ref().filter(|e| e.sha256 == found || e.published_sha256 == found) {
            name = entry.name.clone();
            tunable = entry.tuning.is_some();
        } else if vouched.as_ref() != Some(&found) {
            let file = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            let name = entry.map_or("the sum beside it".into(), |e| e.name);
            return Err(ModelError::WrongHash { path: path.into(), file, name, found });
        }
    }
    Ok(Model { path: path.into(), shape, name, tunable })
}

/// The manifest's entry that a file claims to be, by its name or its exact size.
fn entry_for(path: &Path, bytes: u64) -> Option<Entry> {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    known().into_iter().find(|e| e.file == name || e.bytes == bytes)
}

/// The sum that the user put beside a model of his own (the form of `sha256sum`).
fn vouched(path: &Path) -> Option<String> {
    let mut beside = path.as_os_str().to_os_string();
    beside.push(".sha256");
    let text = fs::read_to_string(beside).ok()?;
    text.split_whitespace().next().map(str::to_ascii_lowercase)
}

/// SHA-256 of a file, hex.
pub fn sha256_of(path: &Path) -> std::io::Result<String> {
    let mut file = File::open(path)?;
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 20];
    loop {
        let count = file.read(&mut buffer)?;
        if count == 0 {
            return Ok(hex(&hash.finalize()));
        }
        hash.update(&buffer[..count]);
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Makes the ggml file of `entry` at `output` from the files of its packages, unpacked below `folder`.
///
/// # Errors
/// A source is missing or has another hash than the manifest says, is no CTranslate2 Whisper model, the result has
/// another hash than pinned, or the disk refuses.
pub fn import(entry: &Entry, folder: &Path, output: &Path) -> Result<()> {
    let mut weights = Vec::new();
    let mut tokens = Vec::new();
    for source in &entry.sources {
        let bytes = read_source(source, folder)?;
        if source.path.ends_with(".json") {
            let text = String::from_utf8(bytes).with_context(|| format!("{}: it is no text", source.path))?;
            tokens = vocabulary::read(&text).with_context(|| source.path.clone())?;
        } else {
            weights.extend(bytes);
        }
    }
    let found = write_model(&weights, &tokens, output)?;
    if found != entry.sha256 {
        fs::remove_file(partial(output)).ok();
        bail!("the imported model has sha256 {found}, not {} as pinned for {}", entry.sha256, entry.name);
    }
    fs::rename(partial(output), output).with_context(|| format!("{}: cannot be put in place", output.display()))
}

/// Makes a ggml file of any CTranslate2 Whisper model (float16 or float32): `folder` holds `model.bin` and
/// `tokenizer.json`. Returns its hash.
///
/// # Errors
/// As [`import`], without pinned hashes.
pub fn import_unpinned(folder: &Path, output: &Path) -> Result<String> {
    let model = folder.join("model.bin");
    let bytes = fs::read(&model).with_context(|| format!("{}: cannot be read", model.display()))?;
    let tokenizer = folder.join("tokenizer.json");
    let text = fs::read_to_string(&tokenizer).with_context(|| format!("{}: cannot be read", tokenizer.display()))?;
    let tokens = vocabulary::read(&text).with_context(|| tokenizer.display().to_string())?;
    let found = write_model(&bytes, &tokens, output).with_context(|| model.display().to_string())?;
    fs::rename(partial(output), output).with_context(|| format!("{}: cannot be put in place", output.display()))?;
    Ok(found)
}

fn read_source(source: &SourceFile, folder: &Path) -> Result<Vec<u8>> {
    let path = folder.join(&source.path);
    let bytes = fs::read(&path).with_context(|| format!("{}: cannot be read", path.display()))?;
    let found = hex(&Sha256::digest(&bytes));
    if found != source.sha256 {
        bail!(
            "{}: wrong hash: sha256 {found} ({} bytes), not {} ({} bytes) as pinned",
            path.display(),
            bytes.len(),
            source.sha256,
            source.bytes
        );
    }
    Ok(bytes)
}

/// Writes beside `output`, synced, for the caller to rename.
fn write_model(weights: &[u8], tokens: &[Vec<u8>], output: &Path) -> Result<String> {
    let weights = ct2::Weights::read(weights)?;
    if let Some(dir) = output.parent() {
        fs::create_dir_all(dir).with_context(|| format!("{}: the folder cannot be made", dir.display()))?;
    }
    let path = partial(output);
    let file = File::create(&path).with_context(|| format!("{}: cannot be written", path.display()))?;
    let mut out = BufWriter::with_capacity(1 << 20, file);
    ggml::write(&weights, tokens, &mut out)?;
    out.flush().and_then(|()| out.get_ref().sync_all()).with_context(|| format!("{}", path.display()))?;
    sha256_of(&path).with_context(|| format!("{}", path.display()))
}

fn partial(output: &Path) -> PathBuf {
    let mut name = output.as_os_str().to_os_string();
    name.push(".partial");
    PathBuf::from(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_manifest_is_whole() {
        let models = known();
        assert_eq!(models[0].name, "tiny.en");
        assert!(models.iter().all(|m| m.sha256.len() == 64 && m.sources.iter().all(|s| s.sha256.len() == 64)));
        toml::from_str::<Manifest>(MANIFEST).unwrap();
    }

    #[test]
    fn wrong_path_truncated_wrong_hash_and_no_model_are_four_errors() {
        let dir = tempfile::tempdir().unwrap();
        let path = |name: &str| dir.path().join(name);
        assert!(matches!(check(&path("absent.bin")), Err(ModelError::WrongPath(_))));
        assert!(matches!(check(dir.path()), Err(ModelError::NotAModel { .. })));
        fs::write(path("text.bin"), "this is a text").unwrap();
        assert!(matches!(check(&path("text.bin")), Err(ModelError::NotAModel { .. })));
        fs::write(path("empty.bin"), "").unwrap();
        assert!(matches!(check(&path("empty.bin")), Err(ModelError::NotAModel { .. })));
        fs::write(path("cut.bin"), ggml::MAGIC.to_le_bytes()).unwrap();
        assert!(matches!(check(&path("cut.bin")), Err(ModelError::Truncated { .. })));
    }
}
