//! The console blocks of README.md and of docs/*.md are run as written, so that they stay true.
//!
//! In a ```console block a line `$ command` is run by `sh` in the repository's root with this build's `thirdhand` in
//! the PATH; the lines up to the next `$` are what it prints (stdout and stderr). `[..]` stands for anything within a
//! line, a line `...` for any lines. A block marked ```console needs model` runs only where recognition is built in.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

struct Example {
    file: String,
    line: usize,
    command: String,
    expected: Vec<String>,
}

fn examples(path: &Path) -> Vec<Example> {
    let text = fs::read_to_string(path).unwrap();
    let file = path.file_name().unwrap().to_string_lossy().to_string();
    let mut found: Vec<Example> = Vec::new();
    let mut inside = false;
    for (number, line) in text.lines().enumerate() {
        if line.starts_with("```") {
            let needs_model = line.contains("needs model");
            inside = !inside && line.starts_with("```console") && (!needs_model || cfg!(feature = "whisper"));
        } else if inside {
            match line.strip_prefix("$ ") {
                Some(command) => found.push(Example {
                    file: file.clone(),
                    line: number + 1,
                    command: command.into(),
                    expected: Vec::new(),
                }),
                None => {
                    if let Some(example) = found.last_mut() {
                        example.expected.push(line.trim_end().to_string());
                    }
                }
            }
        }
    }
    found
}

fn line_matches(expected: &str, got: &str) -> bool {
    let mut parts = expected.split("[..]");
    let Some(mut rest) = got.strip_prefix(parts.next().unwrap_or("")) else { return false };
    let parts: Vec<&str> = parts.collect();
    let Some((last, middle)) = parts.split_last() else { return rest.is_empty() };
    for part in middle {
        let Some(at) = rest.find(part) else { return false };
        rest = &rest[at + part.len()..];
    }
    rest.ends_with(last)
}

fn matches(expected: &[String], got: &[&str]) -> bool {
    match (expected.split_first(), got.split_first()) {
        (None, None) => true,
        (Some((first, later)), _) if first == "..." => (0..=got.len()).any(|skip| matches(later, &got[skip..])),
        (Some((first, later)), Some((line, rest))) => line_matches(first, line.trim_end()) && matches(later, rest),
        _ => false,
    }
}

#[test]
fn every_console_block_prints_what_it_says() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let program = PathBuf::from(env!("CARGO_BIN_EXE_thirdhand"));
    let scratch = tempfile::tempdir().unwrap();
    let path = format!("{}:{}", program.parent().unwrap().display(), std::env::var("PATH").unwrap_or_default());
    let mut files = vec![root.join("README.md")];
    if let Ok(docs) = fs::read_dir(root.join("docs")) {
        files.extend(docs.map(|d| d.unwrap().path()).filter(|p| p.extension().is_some_and(|e| e == "md")));
    }
    files.sort();
    let mut ran = 0;
    let mut wrong = Vec::new();
    for example in files.iter().flat_map(|f| examples(f)) {
        let output = Command::new("sh")
            .args(["-c", &format!("{{ {}\n}} 2>&1", example.command)])
            .current_dir(root)
            .env("PATH", &path)
            .env("TMPDIR", scratch.path())
            .env("SCRATCH", scratch.path())
            .output()
            .unwrap();
        let got = String::from_utf8_lossy(&output.stdout).to_string();
        let lines: Vec<&str> = got.lines().collect();
        ran += 1;
        let mut expected = example.expected.clone();
        while expected.last().is_some_and(String::is_empty) {
            expected.pop();
        }
        // `...` matches a complaint too: every example must also succeed.
        if !output.status.success() || !matches(&expected, &lines) {
            wrong.push(format!("{}:{}: $ {}\n{got}", example.file, example.line, example.command));
        }
    }
    assert!(ran > 0, "no console block was found");
    assert!(wrong.is_empty(), "these print something else now:\n{}", wrong.join("\n"));
}
