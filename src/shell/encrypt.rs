//! Encryption by a program that is well kept: age (<https://age-encryption.org>; Debian's package `age`).

use std::io::{self, Write};
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail};

/// Encrypts `bytes` to each of `recipients`: an age or SSH public key (`age1...`, `ssh-ed25519 ...`) or a file of such.
///
/// # Errors
/// No recipient, age is not installed, or age refuses (its own words follow).
pub fn encrypt(bytes: &[u8], recipients: &[String]) -> Result<Vec<u8>> {
    encrypt_with("age", bytes, recipients)
}

fn encrypt_with(program: &str, bytes: &[u8], recipients: &[String]) -> Result<Vec<u8>> {
    if recipients.is_empty() {
        bail!("nobody to encrypt for: name a public key or a file of them");
    }
    let mut command = Command::new(program);
    for recipient in recipients {
        let key = recipient.starts_with("age1") || recipient.starts_with("ssh-");
        command.arg(if key { "-r" } else { "-R" }).arg(recipient);
    }
    let child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn();
    let mut child = match child {
        Err(e) if e.kind() == io::ErrorKind::NotFound => {
            bail!("`{program}` is not installed; on Debian: apt-get install age")
        }
        other => other.with_context(|| program.to_string())?,
    };
    let mut stdin = child.stdin.take().context("age takes no input")?;
    // Written from a thread of its own: age may answer before it has read all.
    let input = bytes.to_vec();
    let feeding = std::thread::spawn(move || stdin.write_all(&input));
    let output = child.wait_with_output().with_context(|| program.to_string())?;
    let fed = feeding.join();
    if !output.status.success() {
        bail!("age could not encrypt: {}", String::from_utf8_lossy(&output.stderr).trim());
    }
    match fed {
        Ok(Ok(())) => Ok(output.stdout),
        _ => bail!("age did not read all of it"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_age_one_line_says_what_to_do() {
        let error = encrypt_with("no-such-age", b"x", &["age1x".into()]).unwrap_err().to_string();
        assert!(error.contains("apt-get install age"), "{error}");
        assert!(encrypt(b"x", &[]).unwrap_err().to_string().contains("nobody"));
    }

    #[test]
    fn what_is_encrypted_can_be_decrypted_with_the_key() {
        let place = tempfile::tempdir().unwrap();
        let key = place.path().join("key");
        match Command::new("age-keygen").arg("-o").arg(&key).output() {
            Ok(made) if made.status.success() => {}
            _ => {
                eprintln!("skipped what_is_encrypted_can_be_decrypted_with_the_key: no age here");
                return;
            }
        }
        let text = std::fs::read_to_string(&key).unwrap();
        let public = text.lines().find_map(|l| l.strip_prefix("# public key: ")).unwrap().to_string();
        let plain = b"a record".repeat(50_000);
        let sealed = encrypt(&plain, &[public]).unwrap();
        assert!(!sealed.windows(8).any(|w| w == b"a record"));
        let file = place.path().join("sealed");
        std::fs::write(&file, sealed).unwrap();
        let opened = Command::new("age").arg("-d").arg("-i").arg(&key).arg(&file).output().unwrap();
        assert_eq!(opened.stdout, plain);
        assert!(encrypt(b"x", &["age1nonsense".into()]).unwrap_err().to_string().contains("age could not"));
    }
}
