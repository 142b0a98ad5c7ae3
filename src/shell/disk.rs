//! What the record's folder lies on: is that volume encrypted, does it forget at power off, how much room is left?
//!
//! Linux only tells what the kernel knows: device mapper targets (LUKS and others), stacked file systems. A drive that
//! encrypts by itself, and a folder encrypted by fscrypt, cannot be told from a plain one this way; `doctor` says
//! "not known to be encrypted", never "not encrypted".

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// How a volume keeps what is written to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Volume {
    /// By what, as the kernel names it.
    Encrypted(String),
    /// In memory: gone at power off.
    Memory(String),
    /// Nothing the kernel knows of encrypts it; the file system and its device.
    NotKnown(String),
}

impl Volume {
    /// One line for a person.
    pub fn describe(&self) -> String {
        match self {
            Volume::Encrypted(by) => format!("encrypted ({by})"),
            Volume::Memory(what) => format!("in memory ({what}): gone when the machine is switched off"),
            Volume::NotKnown(what) => format!("not known to be encrypted ({what})"),
        }
    }
}

/// The volume that `path` (or its nearest existing parent) lies on.
pub fn volume(path: &Path) -> Volume {
    let mounts = fs::read_to_string("/proc/self/mountinfo").unwrap_or_default();
    let there = path.ancestors().find_map(|path| path.canonicalize().ok()).unwrap_or_else(|| PathBuf::from("/"));
    match mounts
        .lines()
        .filter_map(Mount::parse)
        .filter(|m| there.starts_with(&m.at))
        .max_by_key(|m| m.at.as_os_str().len())
    {
        Some(mount) => mount.volume(Path::new("/sys")),
        None => Volume::NotKnown("its mount cannot be found".into()),
    }
}

/// Bytes that a user may still write where `path` lies.
pub fn room(path: &Path) -> Option<u64> {
    let there = path.ancestors().find(|path| path.exists())?;
    let stat = rustix::fs::statvfs(there).ok()?;
    Some(stat.f_bavail.saturating_mul(stat.f_frsize))
}

/// One line of mountinfo (proc_pid_mountinfo(5)), as far as it matters here.
#[derive(Debug, PartialEq)]
struct Mount {
    device: String,
    at: PathBuf,
    kind: String,
    source: String,
}

impl Mount {
    fn parse(line: &str) -> Option<Mount> {
        let (before, after) = line.split_once(" - ")?;
        let mut before = before.split(' ').skip(2);
        let mut after = after.split(' ');
        Some(Mount {
            device: before.next()?.to_string(),
            at: PathBuf::from(unescape(before.nth(1)?)),
            kind: after.next()?.to_string(),
            source: unescape(after.next()?),
        })
    }

    fn volume(&self, sys: &Path) -> Volume {
        let what = format!("{} on {}", self.kind, self.source);
        match self.kind.as_str() {
            "tmpfs" | "ramfs" => return Volume::Memory(self.kind.clone()),
            "ecryptfs" | "fuse.gocryptfs" | "fuse.encfs" | "fuse.cryfs" | "fuse.securefs" => {
                return Volume::Encrypted(self.kind.clone());
            }
            _ => {}
        }
        // btrfs and others show a device number of their own: the source's is the one to follow.
        let source = fs::metadata(&self.source).ok().map(|meta| meta.rdev()).filter(|number| *number != 0);
        let source = source.map(|number| format!("{}:{}", rustix::fs::major(number), rustix::fs::minor(number)));
        [Some(self.device.clone()), source]
            .into_iter()
            .flatten()
            .find_map(|device| encrypted_by(&sys.join("dev/block").join(device), 0))
            .map_or(Volume::NotKnown(what), Volume::Encrypted)
    }
}

/// Follows a block device down to what it is made of, as far as a device-mapper crypt target.
fn encrypted_by(block: &Path, depth: usize) -> Option<String> {
    if depth > 8 {
        return None;
    }
    let uuid = fs::read_to_string(block.join("dm/uuid")).unwrap_or_default();
    if let Some(rest) = uuid.trim().strip_prefix("CRYPT-") {
        return Some(rest.split('-').next().unwrap_or("dm-crypt").to_string());
    }
    // A partition has its disk's stack above it, not below.
    let below = fs::read_dir(block.join("slaves")).ok()?;
    below.flatten().find_map(|entry| encrypted_by(&entry.path(), depth + 1))
}

/// mountinfo writes space, tab, newline and backslash as three octal digits.
fn unescape(text: &str) -> String {
    ["\\040 ", "\\011\t", "\\012\n", "\\134\\"].iter().fold(text.to_string(), |text, pair| {
        let (code, plain) = pair.split_at(4);
        text.replace(code, plain)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mountinfo_is_read_as_documented() {
        // The example of proc_pid_mountinfo(5), with a space in the mount point.
        let line = "36 35 98:0 /mnt1 /mnt\\0402 rw,noatime master:1 - ext3 /dev/root rw,errors=continue";
        let mount = Mount::parse(line).unwrap();
        assert_eq!((mount.device.as_str(), mount.at.to_str(), mount.kind.as_str()), ("98:0", Some("/mnt 2"), "ext3"));
    }

    #[test]
    fn a_volume_on_luks_below_lvm_is_encrypted_and_a_plain_one_is_not_known_to_be() {
        let sys = tempfile::tempdir().unwrap();
        let dev = |name: &str| sys.path().join("dev/block").join(name);
        // 253:1 is a logical volume, made of dm-0, which is LUKS (names as the kernel's dm documentation has them).
        fs::create_dir_all(dev("253:1").join("dm")).unwrap();
        fs::write(dev("253:1").join("dm/uuid"), "LVM-abc\n").unwrap();
        fs::create_dir_all(dev("253:1").join("slaves/dm-0/dm")).unwrap();
        fs::write(dev("253:1").join("slaves/dm-0/dm/uuid"), "CRYPT-LUKS2-0123-name\n").unwrap();
        fs::create_dir_all(dev("8:1").join("slaves")).unwrap();
        let on = |device: &str, kind: &str| Mount {
            device: device.into(),
            at: "/".into(),
            kind: kind.into(),
            source: "none".into(),
        };
        assert_eq!(on("253:1", "ext4").volume(sys.path()), Volume::Encrypted("LUKS2".into()));
        assert!(matches!(on("8:1", "ext4").volume(sys.path()), Volume::NotKnown(_)));
        assert!(matches!(on("0:22", "tmpfs").volume(sys.path()), Volume::Memory(_)));
    }

    #[test]
    fn this_machine_answers() {
        assert!(!volume(Path::new("/no/such/folder")).describe().is_empty());
        assert!(room(Path::new("/no/such/folder")).is_some());
    }
}
