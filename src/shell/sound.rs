//! Which sound system there is. One place, so that no two parts of the program come to different answers.

use std::path::{Path, PathBuf};

use anyhow::{Result, bail};
use cpal::HostId;

/// The sound server where one answers, else ALSA where it has anything to open.
///
/// Without a card and without settings of its own ALSA opens nothing; asked all the same it writes a page of its own
/// complaints to stderr, and offers its plug-ins as if they were microphones.
///
/// # Errors
/// There is neither.
pub fn host() -> Result<cpal::Host> {
    let host = cpal::default_host();
    if host.id() == HostId::Alsa && !has_card(Path::new("/proc/asound/cards")) && !alsa_is_configured() {
        bail!("no sound server answers and this machine has no sound card");
    }
    Ok(host)
}

/// The kernel's list of cards names at least one: `" 0 [PCH   ]: HDA-Intel - ..."`.
fn has_card(list: &Path) -> bool {
    let text = std::fs::read_to_string(list).unwrap_or_default();
    text.lines().any(|line| line.trim_start().starts_with(|c: char| c.is_ascii_digit()))
}

fn alsa_is_configured() -> bool {
    let home = std::env::var_os("HOME").map(PathBuf::from);
    let own = home.map(|home| home.join(".asoundrc"));
    own.is_some_and(|path| path.exists()) || Path::new("/etc/asound.conf").exists()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_card_is_a_numbered_line() {
        let dir = tempfile::tempdir().unwrap();
        let list = dir.path().join("cards");
        assert!(!has_card(&list));
        std::fs::write(&list, "--- no soundcards ---\n").unwrap();
        assert!(!has_card(&list));
        std::fs::write(&list, " 0 [Headset        ]: USB-Audio - Headset\n   at usb-1, full speed\n").unwrap();
        assert!(has_card(&list));
    }
}
