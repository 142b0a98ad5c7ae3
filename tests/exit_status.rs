//! Exit status by the contract: 0 done, 1 could not be done, 2 wrong usage; no other, whatever happens to stdout.

use std::process::{Command, Stdio};

fn thirdhand() -> Command {
    Command::new(env!("CARGO_BIN_EXE_thirdhand"))
}

#[test]
fn a_reader_that_leaves_is_no_failure() {
    let mut child = thirdhand().args(["check"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn a_full_disk_behind_stdout_is_one_clear_line() {
    let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let output = thirdhand().args(["check"]).stdout(full).stderr(Stdio::piped()).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(said.starts_with("thirdhand: stdout cannot be written") && said.lines().count() == 1, "{said}");
}

#[test]
fn wrong_usage_is_2_and_work_not_done_is_1() {
    for (args, status) in [
        (vec!["bogus"], 2),
        (vec!["replay"], 2),
        (vec!["replay", "nosuch.call"], 1),
        (vec!["verify", "nosuch"], 1),
        (vec!["parse", "--data", "nosuch"], 1),
        (vec!["--version"], 0),
    ] {
        let output = thirdhand().args(&args).stdin(Stdio::null()).output().unwrap();
        assert_eq!(output.status.code(), Some(status), "{args:?}");
        if status == 1 {
            assert_eq!(String::from_utf8(output.stderr).unwrap().lines().count(), 1, "{args:?}");
        }
    }
}
