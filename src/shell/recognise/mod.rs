//! Speech to text behind one trait. The engine (C++) lives in a child process of the same binary: it may crash, abort
//! or hang, and the parent goes on.

pub mod alike;
pub mod beam;
mod child;
#[cfg(feature = "whisper")]
mod choose;
pub mod decode;
pub mod doubt;
#[cfg(feature = "whisper")]
mod engine;
pub mod language;
pub mod named;
pub mod pace;
pub mod template;
pub mod wire;

use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Result;

use crate::core::utterance::Transcript;
use crate::shell::model;

pub use child::ChildRecogniser;

/// Turns one utterance of 16 kHz mono sound into text.
pub trait Recogniser: Send {
    /// What was said in `samples`; an empty text where nothing was.
    ///
    /// # Errors
    /// The recogniser failed twice on these samples; it may serve the next ones.
    fn recognise(&mut self, samples: &[f32]) -> Result<Transcript>;

    /// The same for a short stretch of sound while we speak, looked through for what silences us: that is then among the
    /// rivals. A recogniser that cannot look so only hears.
    ///
    /// # Errors
    /// As [`Recogniser::recognise`].
    fn look(&mut self, samples: &[f32]) -> Result<Transcript> {
        self.recognise(samples)
    }

    /// Name of the model, for the record.
    fn model(&self) -> &str;

    /// What went wrong since the last call and was mended (a crash, a hang), one line each.
    fn troubles(&mut self) -> Vec<String> {
        Vec::new()
    }
}

/// How to open a recogniser.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// The model file; otherwise the contract's search order.
    pub model: Option<PathBuf>,
    /// The local data folder, whose phrases are heard better.
    pub data: Option<PathBuf>,
    /// Decode without the domain's language model and without our tuning.
    pub plain: bool,
    /// The published weights as they are, without our tuning (for measuring).
    pub untuned: bool,
    /// Sentences for the language model, one a line, instead of the grammar's own (for measuring).
    pub corpus: Option<PathBuf>,
    /// The program to run as the recogniser, if not the running one.
    pub program: Option<PathBuf>,
    /// How long an utterance may take before its process counts as hung, beside a multiple of its own length.
    pub patience: Option<Duration>,
}

/// Opens the recogniser with `model`, or with the first found in the contract's order.
///
/// # Errors
/// No usable model ([`model::ModelError`]), or the child process does not start.
pub fn open(model: Option<&Path>) -> Result<Box<dyn Recogniser>> {
    open_with(&Options { model: model.map(Path::to_path_buf), ..Options::default() })
}

/// Opens the recogniser.
///
/// # Errors
/// As [`open`].
pub fn open_with(options: &Options) -> Result<Box<dyn Recogniser>> {
    let model = model::find(options.model.as_deref())?;
    Ok(Box::new(ChildRecogniser::start(model, options)?))
}

/// Serves as the child process: requests on stdin, results on stdout, until stdin ends. `tuned` adds our training to the
/// model, which must be the one that it was made for.
///
/// # Errors
/// The model cannot be loaded, or a pipe breaks.
#[cfg(feature = "whisper")]
pub fn serve(model: &Path, tuned: bool, options: &Options) -> Result<()> {
    wire::serve(|| engine::Engine::open(model, tuned, options), engine::Engine::answer)
}

/// Serves as the child process: this build has no recogniser, and says so.
///
/// # Errors
/// A pipe breaks.
#[cfg(not(feature = "whisper"))]
pub fn serve(_model: &Path, _tuned: bool, _options: &Options) -> Result<()> {
    wire::serve(
        || -> Result<()> { anyhow::bail!("this build has no recogniser (it was built without the feature `whisper`)") },
        |(), _| anyhow::bail!("no recogniser"),
    )
}
