//! The rules of the house that a machine can see: what a room must not name, what the program may depend on.
//! Belongs here: a check over the source tree or the dependency tree. A test of behaviour belongs beside its room.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn rust_files(below: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![root().join(below)];
    while let Some(dir) = open.pop() {
        for entry in fs::read_dir(&dir).unwrap() {
            let path = entry.unwrap().path();
            match path.is_dir() {
                true => open.push(path),
                false if path.extension().is_some_and(|e| e == "rs") => found.push(path),
                false => {}
            }
        }
    }
    assert!(!found.is_empty(), "no Rust file below {below}");
    found
}

/// Code lines of a file (comments and what follows `#[cfg(test)]` left out), with their numbers.
fn code(path: &Path) -> Vec<(usize, String)> {
    let text = fs::read_to_string(path).unwrap();
    let shipped = text.split("#[cfg(test)]\nmod ").next().unwrap_or("");
    let strip = |line: &str| line.split("//").next().unwrap_or("").to_string();
    shipped.lines().enumerate().map(|(n, line)| (n + 1, strip(line))).collect()
}

#[test]
fn core_names_nothing_of_the_world() {
    let banned = [
        "std::fs",
        "std::net",
        "std::thread",
        "std::env",
        "std::process",
        "std::io",
        "cpal",
        "hound",
        "rubato",
        "whisper_rs",
        "tts::",
        "rustix",
        "crossbeam_channel",
        "rtrb",
        "etcetera",
        "indicatif",
        "clap::",
        "SystemTime",
        "Instant",
        "crate::shell",
        "crate::cli",
    ];
    let mut wrong = Vec::new();
    for path in rust_files("src/core") {
        for (number, line) in code(&path) {
            for word in banned.iter().filter(|word| line.contains(**word)) {
                wrong.push(format!("{}:{number}: `{word}`", path.strip_prefix(root()).unwrap().display()));
            }
        }
    }
    assert!(wrong.is_empty(), "src/core is values in, values out:\n{}", wrong.join("\n"));
}

#[test]
fn no_path_of_a_developers_machine_is_in_the_tree() {
    let output = Command::new("git")
        .args(["grep", "-nIE", "/(root|work|farm)/[a-z]", "--", ".", ":!*.lock", ":!tests/house.rs"])
        .current_dir(root())
        .output();
    // Outside a git checkout (a source archive) there is nothing to ask.
    if let Ok(output) = output {
        let text = String::from_utf8_lossy(&output.stdout);
        assert!(text.is_empty(), "{text}");
    }
}

/// Names of every crate that the shipped program is built from.
fn dependencies(args: &[&str]) -> Vec<String> {
    let output = Command::new(env!("CARGO"))
        .args(["tree", "--locked", "--offline", "--edges", "normal,build", "--prefix", "none", "--format", "{p}\t{l}"])
        .args(args)
        .current_dir(root())
        .output()
        .expect("cargo tree runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let mut lines: Vec<String> = String::from_utf8(output.stdout).unwrap().lines().map(str::to_string).collect();
    lines.sort();
    lines.dedup();
    assert!(!lines.is_empty(), "cargo tree gave no crate");
    lines
}

#[test]
fn the_program_has_no_network_code() {
    let banned = [
        "reqwest",
        "hyper",
        "ureq",
        "curl",
        "isahc",
        "surf",
        "attohttpc",
        "minreq",
        "tokio",
        "async-std",
        "socket2",
        "rustls",
        "native-tls",
        "openssl",
        "tungstenite",
        "quinn",
        "h2",
        "trust-dns-resolver",
        "hickory-resolver",
        "zbus",
    ];
    // `mio` is there for one reason: the sound server's Unix socket, in the `pulseaudio` crate.
    let parents = dependencies(&["--invert", "mio", "--depth", "1"]);
    assert!(parents.iter().all(|p| p.starts_with("mio ") || p.starts_with("pulseaudio ")), "{parents:?}");
    for line in dependencies(&[]) {
        let name = line.split(' ').next().unwrap_or("");
        assert!(!banned.contains(&name), "{name} is network code; the program has none");
    }
    for path in rust_files("src") {
        for (number, line) in code(&path) {
            assert!(!line.contains("std::net") && !line.contains("TcpStream"), "{}:{number}: {line}", path.display());
        }
    }
}

#[test]
fn every_licence_is_one_that_we_accept() {
    let accepted = [
        "MIT",
        "Apache-2.0",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "ISC",
        "Zlib",
        "0BSD",
        "Unlicense",
        "Unicode-3.0",
        "CC0-1.0",
        "MIT-0",
        "BSL-1.0",
        "Apache-2.0 WITH LLVM-exception",
    ];
    for line in dependencies(&[]) {
        let (name, licence) = line.split_once('\t').unwrap_or((&line, ""));
        let licence = licence.trim_end_matches(" (*)").replace('/', " OR ").replace(['(', ')'], "");
        // Each `AND` part needs an accepted choice among its `OR`s.
        let fine = licence.split(" AND ").all(|part| part.split(" OR ").any(|one| accepted.contains(&one.trim())));
        assert!(fine, "{name}: licence `{licence}` is not on the list");
    }
}

#[test]
fn every_unsafe_block_is_in_the_one_file_that_may() {
    for path in rust_files("src") {
        for (number, line) in code(&path) {
            let named = line.contains("unsafe ") && !line.contains("unsafe_code");
            assert!(!named, "{}:{number}: unsafe", path.display());
        }
    }
}
