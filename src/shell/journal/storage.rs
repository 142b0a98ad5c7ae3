//! Storage behind five calls, so that a test can be a failing disk.
//!
//! What each call promises is all that the journal believes of a medium (`docs/record.md` says it for people):
//! - `append` may leave any part of its bytes when it fails or when the machine dies;
//! - only a `sync` that returned without error makes bytes last;
//! - `rename` is all or nothing, and lasts once it returned.

use std::collections::{HashMap, HashSet};
use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

/// One folder with a few files in it.
pub trait Storage: Send {
    /// The whole file, or `None` if there is none.
    fn read(&mut self, name: &str) -> io::Result<Option<Vec<u8>>>;
    /// Adds bytes at the end, making the file if there is none.
    fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()>;
    /// Cuts the file to its first `len` bytes (making an empty one if there is none).
    fn truncate(&mut self, name: &str, len: u64) -> io::Result<()>;
    /// Returns once the file's bytes, its length and its name are on the medium.
    fn sync(&mut self, name: &str) -> io::Result<()>;
    /// Puts `from` in the place of `to`, and returns once that is on the medium.
    fn rename(&mut self, from: &str, to: &str) -> io::Result<()>;
}

/// Who holds a folder's lock, as the holder wrote it.
const HOLDER: &str = "writer.txt";

/// A folder of the machine's file system, held by one writer at a time.
pub struct Folder {
    dir: PathBuf,
    /// The open folder; its lock is what makes this the one writer. Let go after an error, so that a medium that
    /// failed can be unmounted, mended and mounted again; then locked anew.
    lock: Option<File>,
    files: HashMap<String, File>,
    /// Files whose names are known to be on the medium.
    named: HashSet<String>,
    /// A line about this writer for whoever comes second.
    holder: String,
}

impl Folder {
    /// Makes `dir` (0700) or takes it if it is empty, and locks it.
    ///
    /// # Errors
    /// It holds something already, cannot be made, or another writer has it.
    pub fn create(dir: &Path, holder: &str) -> io::Result<Folder> {
        match DirBuilder::new().recursive(true).mode(0o700).create(dir) {
            Ok(()) => {}
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                return Err(io::Error::new(e.kind(), "this is a file; a record is a folder"));
            }
            Err(e) => return Err(e),
        }
        let lock = lock(dir)?;
        if fs::read_dir(dir)?.next().is_some() {
            return Err(io::Error::new(
                io::ErrorKind::AlreadyExists,
                "the folder is not empty; a new record wants a folder that is absent or empty",
            ));
        }
        // A folder that was there before may be open to others; where we may not close it, it is not ours to close.
        let _ = fs::set_permissions(dir, fs::Permissions::from_mode(0o700));
        sync_dir(&dir.canonicalize()?.parent().map(Path::to_path_buf).unwrap_or_else(|| dir.to_path_buf()));
        Ok(Folder::held(dir, lock, holder))
    }

    /// Takes a folder that is there, and locks it.
    ///
    /// # Errors
    /// There is no such folder, or another writer has it.
    pub fn open(dir: &Path, holder: &str) -> io::Result<Folder> {
        let lock = lock(dir)?;
        Ok(Folder::held(dir, lock, holder))
    }

    fn held(dir: &Path, lock: File, holder: &str) -> Folder {
        let folder = Folder {
            dir: dir.to_path_buf(),
            lock: Some(lock),
            files: HashMap::new(),
            named: HashSet::new(),
            holder: holder.to_string(),
        };
        folder.leave_name();
        folder
    }

    /// Best effort: the lock holds without it, the second writer's message is only less clear.
    fn leave_name(&self) {
        let _ = private_file()
            .write(true)
            .create(true)
            .truncate(true)
            .open(self.dir.join(HOLDER))
            .and_then(|mut f| f.write_all(self.holder.as_bytes()));
    }

    /// The folder, locked. It may have gone with its medium and come back as another inode: then it is locked again.
    fn locked(&mut self) -> io::Result<&File> {
        let same = match &self.lock {
            Some(lock) => {
                let (held, there) = (lock.metadata()?, fs::metadata(&self.dir)?);
                (held.dev(), held.ino()) == (there.dev(), there.ino())
            }
            None => false,
        };
        if !same {
            self.let_go();
            self.lock = Some(lock(&self.dir)?);
            self.leave_name();
        }
        self.lock.as_ref().ok_or_else(|| io::Error::other("the folder is not locked"))
    }

    fn let_go(&mut self) {
        self.files.clear();
        self.named.clear();
        self.lock = None;
    }

    fn file(&mut self, name: &str) -> io::Result<&mut File> {
        if !self.files.contains_key(name) {
            self.locked()?;
            let file = private_file().read(true).append(true).create(true).open(self.dir.join(name))?;
            self.files.insert(name.to_string(), file);
        }
        self.files.get_mut(name).ok_or_else(|| io::Error::other("the file was closed"))
    }

    /// Does `call`; after an error what was open is closed, so that the next call finds what is there then. Only a full
    /// disk is still the same disk.
    fn doing<T>(&mut self, call: impl FnOnce(&mut Folder) -> io::Result<T>) -> io::Result<T> {
        let result = call(self);
        match &result {
            Err(e) if e.kind() == io::ErrorKind::StorageFull => self.files.clear(),
            Err(_) => self.let_go(),
            Ok(_) => {}
        }
        result
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_file(self.dir.join(HOLDER));
    }
}

impl Storage for Folder {
    fn read(&mut self, name: &str) -> io::Result<Option<Vec<u8>>> {
        self.doing(|folder| {
            folder.locked()?;
            let mut bytes = Vec::new();
            match File::open(folder.dir.join(name)) {
                Ok(mut file) => file.read_to_end(&mut bytes).map(|_| Some(bytes)),
                Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
                Err(e) => Err(e),
            }
        })
    }

    fn append(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        self.doing(|folder| folder.file(name)?.write_all(bytes))
    }

    fn truncate(&mut self, name: &str, len: u64) -> io::Result<()> {
        self.doing(|folder| folder.file(name)?.set_len(len))
    }

    fn sync(&mut self, name: &str) -> io::Result<()> {
        self.doing(|folder| {
            folder.file(name)?.sync_data()?;
            if !folder.named.contains(name) {
                folder.locked()?.sync_all()?;
                folder.named.insert(name.to_string());
            }
            Ok(())
        })
    }

    fn rename(&mut self, from: &str, to: &str) -> io::Result<()> {
        self.doing(|folder| {
            for name in [from, to] {
                folder.files.remove(name);
                folder.named.remove(name);
            }
            let dir = folder.dir.clone();
            let lock = folder.locked()?;
            fs::rename(dir.join(from), dir.join(to))?;
            lock.sync_all()
        })
    }
}

/// Files of a record are for their owner alone.
pub(super) fn private_file() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.mode(0o600);
    options
}

fn lock(dir: &Path) -> io::Result<File> {
    let file = File::open(dir)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(fs::TryLockError::WouldBlock) => {
            let holder = fs::read_to_string(dir.join(HOLDER)).unwrap_or_default();
            let holder = if holder.trim().is_empty() { "another process" } else { holder.trim() };
            Err(io::Error::new(
                io::ErrorKind::ResourceBusy,
                format!("the record is being written by {holder}; end that one first, or choose another folder"),
            ))
        }
        Err(fs::TryLockError::Error(e)) => Err(e),
    }
}

/// Some file systems cannot sync a folder; there its entries last as well as that file system makes them.
fn sync_dir(dir: &Path) {
    let _ = File::open(dir).and_then(|file| file.sync_all());
}
