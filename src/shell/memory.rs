//! What the C library is to know about memory before a program begins.

use std::os::unix::process::CommandExt;
use std::process::Command;

/// By default threads take stores of their own, which keep what they once held: 45 MB where 23 are in use
/// (docs/hearing.md). Read at the start of a process only.
const STORES: (&str, &str) = ("MALLOC_ARENA_MAX", "2");
/// Without it the limit for blocks that go back to the system at once grows with the largest that went.
const GIVEN_BACK: (&str, &str) = ("MALLOC_MMAP_THRESHOLD_", "131072");

/// Begins this program anew in its place, under the same number, where nobody has said how memory is to be kept; what it
/// starts itself inherits that. Where that cannot be done the program goes on as it is, larger.
pub fn keep_small() {
    let said = |(name, _): (&str, &str)| std::env::var_os(name).is_some();
    if said(STORES) || said(GIVEN_BACK) || !cfg!(target_env = "gnu") {
        return;
    }
    if let Ok(program) = std::env::current_exe() {
        let arguments = std::env::args_os().skip(1);
        let _not_begun = Command::new(program).args(arguments).envs([STORES, GIVEN_BACK]).exec();
    }
}
