//! `thirdhand check` on a local set with calls of its own.

use std::fs;
use std::path::Path;
use std::process::Command;

fn check(dir: &Path) -> String {
    let out = Command::new(env!("CARGO_BIN_EXE_thirdhand")).arg("check").arg(dir).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap()
}

#[test]
fn a_rule_of_the_local_set_that_no_call_tries_is_named() {
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/local-set");
    let said = check(&shipped);
    assert!(said.contains("calls: 2; each rule of this set speaks in one and is silent in another"), "{said}");

    let set = tempfile::tempdir().unwrap();
    let copy = |from: &str| {
        let to = set.path().join(from);
        fs::create_dir_all(to.parent().unwrap()).unwrap();
        fs::copy(shipped.join(from), to).unwrap();
    };
    copy("protocols/service.toml");
    let said = check(set.path());
    assert!(said.contains("no call in which they speak: `millbrook.nitroglycerin.pressure`"), "{said}");
    copy("calls/held.call");
    let said = check(set.path());
    assert!(said.contains("no call in which they are silent: `millbrook.nitroglycerin.pressure`"), "{said}");
    assert!(!said.contains("in which they speak"), "{said}");
    copy("calls/quiet.call");
    assert!(check(set.path()).contains("speaks in one and is silent in another"));
}
