//! Any text as one encounter's talk, a line at a time: understanding never panics and records nothing impossible; the
//! fuzzer's own `-timeout` bounds the time. `tests/findings.rs` asks the same of mangled lines in every test run.
#![no_main]

use std::sync::OnceLock;

use libfuzzer_sys::fuzz_target;
use thirdhand::cli::parse::Encounter;
use thirdhand::core::grammar::Grammar;
use thirdhand::shell::data::DataSet;

static GRAMMAR: OnceLock<Grammar> = OnceLock::new();

fuzz_target!(|text: &str| {
    let grammar = GRAMMAR.get_or_init(|| Grammar::load(&DataSet::built_in().sources("grammars/")).unwrap());
    let at = chrono::DateTime::from_timestamp(1_800_000_000, 0).unwrap().fixed_offset();
    let mut encounter = Encounter::new(at);
    for line in text.lines().take(20) {
        for finding in encounter.hear(grammar, line).findings() {
            assert!(finding.problems().is_empty(), "{line}: {:?}", finding.problems());
        }
    }
});
