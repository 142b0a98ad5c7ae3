//! One data file's text as `core` sees it: where it came from is a label, not a path to open.

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Source<'a> {
    /// Relative to the data folder: `protocols/medications/aspirin.toml`.
    pub path: &'a str,
    pub text: &'a str,
    /// Laid over the built-in set by the user.
    pub local: bool,
}
