//! Reads `.call` scripts: lines `MM:SS words`, comments `#`, directives `!`.
//!
//! Directives, each at the moment of the line before it (or 00:00):
//! `!clock +30s` steps the wall clock (`-2m`, `+1h`); `!lost microphone` and `!back microphone` report a device;
//! `!restart` is a crash of the program: the encounter is folded anew from its record.

use std::path::Path;

use anyhow::{Context, Result, bail};

/// One thing that happens in a script.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// Since the record was opened.
    pub at_ms: u64,
    pub action: Action,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Action {
    Say(String),
    /// Only the clock moves.
    Wait,
    /// The wall clock steps by so many milliseconds.
    StepClock(i64),
    Lost(String),
    Back(String),
    Restart,
}

/// Reads and checks a whole script before anything happens.
///
/// # Errors
/// The file cannot be read, or a line is wrong: named with file, line and what is expected.
pub fn read(path: &Path) -> Result<Vec<Step>> {
    let bytes = std::fs::read(path).with_context(|| format!("{}: the script cannot be read", path.display()))?;
    let text = String::from_utf8(bytes)
        .ok()
        .with_context(|| format!("{}: not UTF-8 text, so not a `.call` script", path.display()))?;
    parse(&text, &path.display().to_string())
}

/// Reads the text of a script; `name` is for messages.
pub fn parse(text: &str, name: &str) -> Result<Vec<Step>> {
    let mut steps = Vec::new();
    let mut now = 0;
    for (number, line) in text.lines().enumerate() {
        let line = line.trim_start_matches('\u{feff}').trim();
        let step = step(line, now).with_context(|| format!("{name}:{}: `{line}`", number + 1))?;
        if let Some(step) = step {
            now = step.at_ms;
            steps.push(step);
        }
    }
    Ok(steps)
}

fn step(line: &str, now: u64) -> Result<Option<Step>> {
    if line.is_empty() || line.starts_with('#') {
        return Ok(None);
    }
    if let Some(directive) = line.strip_prefix('!') {
        return Ok(Some(Step { at_ms: now, action: action(directive.trim())? }));
    }
    let (time, words) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    let at_ms = time_ms(time).context("a line begins with its time as MM:SS, then the words")?;
    if at_ms < now {
        bail!("the time goes back; lines stand in the order in which they happen");
    }
    let words = without_comment(words);
    let action = if words.is_empty() { Action::Wait } else { Action::Say(words.to_string()) };
    Ok(Some(Step { at_ms, action }))
}

/// `#` after white space begins a comment.
fn without_comment(words: &str) -> &str {
    let end = words.match_indices('#').find(|(at, _)| *at == 0 || words[..*at].ends_with(char::is_whitespace));
    end.map_or(words, |(at, _)| &words[..at]).trim()
}

/// `MM:SS` in milliseconds; MM may pass 59, SS may not.
fn time_ms(text: &str) -> Option<u64> {
    let (minutes, seconds) = text.split_once(':')?;
    let digits = |t: &str| !t.is_empty() && t.len() <= 5 && t.bytes().all(|b| b.is_ascii_digit());
    if !digits(minutes) || !digits(seconds) || seconds.len() != 2 {
        return None;
    }
    let (minutes, seconds): (u64, u64) = (minutes.parse().ok()?, seconds.parse().ok()?);
    (seconds < 60).then_some((minutes * 60 + seconds) * 1000)
}

fn action(directive: &str) -> Result<Action> {
    let known = "known directives: `!clock +30s`, `!lost DEVICE`, `!back DEVICE`, `!restart`";
    let (word, rest) = directive.split_once(char::is_whitespace).unwrap_or((directive, ""));
    match (word, rest.trim()) {
        ("clock", step) => {
            Ok(Action::StepClock(step_ms(step).context("a clock step is written `+30s`, `-2m`, `+1h`")?))
        }
        ("lost", device) if !device.is_empty() => Ok(Action::Lost(device.to_string())),
        ("back", device) if !device.is_empty() => Ok(Action::Back(device.to_string())),
        ("restart", "") => Ok(Action::Restart),
        _ => bail!("no such directive; {known}"),
    }
}

fn step_ms(text: &str) -> Option<i64> {
    let (sign, rest) = match text.strip_prefix('-') {
        Some(rest) => (-1, rest),
        None => (1, text.strip_prefix('+')?),
    };
    let unit = rest.chars().next_back()?;
    let count: i64 = rest.strip_suffix(unit)?.parse().ok().filter(|n| (0..=1_000_000).contains(n))?;
    let ms = match unit {
        's' => 1_000,
        'm' => 60_000,
        'h' => 3_600_000,
        _ => return None,
    };
    Some(sign * count * ms)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_script_reads_as_written() {
        let steps = parse("# a call\n00:05 pulse one eighteen # weak\n!clock -2m\n61:00\n", "x.call").unwrap();
        assert_eq!(
            steps,
            [
                Step { at_ms: 5_000, action: Action::Say("pulse one eighteen".into()) },
                Step { at_ms: 5_000, action: Action::StepClock(-120_000) },
                Step { at_ms: 3_660_000, action: Action::Wait },
            ]
        );
    }

    #[test]
    fn a_bad_line_is_named() {
        for (text, expected) in [
            ("00:61 pulse", "MM:SS"),
            ("pulse one", "MM:SS"),
            ("00:10 a\n00:05 b", "goes back"),
            ("!dance", "no such directive"),
            ("!clock 5", "clock step"),
        ] {
            let message = format!("{:#}", parse(text, "bad.call").unwrap_err());
            assert!(message.contains(expected), "{message}");
            assert!(message.starts_with("bad.call:"), "{message}");
        }
    }
}
