//! The files of the journal: this process writes one, and finds those of processes that are gone.

use std::{
    fs::{self, File, OpenOptions, TryLockError},
    io::{self, Seek, SeekFrom, Write},
    os::unix::fs::{MetadataExt, OpenOptionsExt},
    path::{Path, PathBuf},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use serde_json::Value;
use thiserror::Error;

use super::change::{Change, Line, Target};
use crate::guard::state::{self, StateError};

/// Why a change could not be noted, and was therefore not made.
#[derive(Debug, Error)]
pub enum JournalError {
    /// The directory is missing or not ours alone.
    #[error(transparent)]
    State(#[from] StateError),
    /// Writing failed: a full disk, a read-only file system.
    #[error("cannot note a change of settings in {}, so nothing is changed", path.display())]
    Write {
        /// The journal.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// Reading failed.
    #[error("cannot read the restore journal {}", path.display())]
    Read {
        /// The journal or its directory.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
}

/// This process's journal. Clones are the same journal.
#[derive(Clone, Debug)]
pub struct Journal {
    inner: Arc<Mutex<Inner>>,
}

#[derive(Debug)]
struct Inner {
    directory: PathBuf,
    boot: String,
    open_file: Option<Locked>,
    next_id: u64,
    open_changes: u64,
}

impl Journal {
    /// A journal in this directory, which is made if it is missing. No file is made before the first change.
    ///
    /// # Errors
    ///
    /// When the directory cannot be used.
    pub fn open(directory: &Path) -> Result<Self, JournalError> {
        state::make_private(directory)?;
        let inner = Inner {
            directory: directory.to_owned(),
            boot: state::boot(),
            open_file: None,
            next_id: 1,
            open_changes: 0,
        };
        Ok(Self { inner: Arc::new(Mutex::new(inner)) })
    }

    /// Notes a change that is about to be made. When this returns, the note is on the disk.
    ///
    /// # Errors
    ///
    /// When it could not be written; the change must not be made then.
    pub fn begin(&self, target: Target, kind: &str, old: Value, new: Value) -> Result<Change, JournalError> {
        let mut inner = self.lock();
        let change = Change {
            id: inner.next_id,
            process: std::process::id(),
            boot: inner.boot.clone(),
            target,
            kind: kind.to_owned(),
            old,
            new,
        };
        inner.write(&Line::Begin(change.clone()), Sync::Everything)?;
        inner.next_id += 1;
        inner.open_changes += 1;
        Ok(change)
    }

    /// Notes what a driver made of a change, where it is not what was asked.
    ///
    /// # Errors
    ///
    /// When it could not be written; a later recovery will then think somebody else changed the setting.
    pub fn became(&self, change: &mut Change, value: Value) -> Result<(), JournalError> {
        change.new = value.clone();
        self.lock().write(&Line::Became { id: change.id, value }, Sync::Everything)
    }

    /// Notes that a change is undone, and removes the file after the last.
    ///
    /// # Errors
    ///
    /// When it could not be written. Nothing is lost: a later recovery finds the old value in place.
    pub fn done(&self, change: &Change) -> Result<(), JournalError> {
        let mut inner = self.lock();
        inner.open_changes = inner.open_changes.saturating_sub(1);
        if inner.open_changes > 0 {
            return inner.write(&Line::Done { id: change.id }, Sync::Nothing);
        }
        match &inner.open_file.take() {
            // The lock goes after the name is gone.
            Some(Locked { path, .. }) => {
                fs::remove_file(path).map_err(|source| JournalError::Write { path: path.clone(), source })
            }
            None => Ok(()),
        }
    }

    /// What a process that another thread starts has for a moment.
    #[cfg(test)]
    pub(super) fn copy_of_handle(&self) -> File {
        self.lock().open_file.as_ref().unwrap().file.try_clone().unwrap()
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // A panic elsewhere must not keep settings from being restored; a half-written line is tolerated anyway.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A journal file whose lock this process holds.
#[derive(Debug)]
pub(super) struct Locked {
    pub(super) path: PathBuf,
    pub(super) file: File,
}

impl Drop for Locked {
    fn drop(&mut self) {
        // Closing is not enough: a child that another thread is starting has a copy of the handle for a moment.
        let _ = self.file.unlock();
    }
}

/// What must be on the disk before going on.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Sync {
    Everything,
    Nothing,
}

impl Inner {
    fn write(&mut self, line: &Line, sync: Sync) -> Result<(), JournalError> {
        let Locked { path, file } = match &mut self.open_file {
            Some(open) => open,
            none => none.insert(create(&self.directory)?),
        };
        append(file, line, sync).map_err(|source| JournalError::Write { path: path.clone(), source })
    }
}

/// Appends a line, or nothing: a part of a line that a full disk left behind is cut off again.
pub(super) fn append(file: &mut File, line: &Line, sync: Sync) -> io::Result<()> {
    let end = file.seek(SeekFrom::End(0))?;
    let mut text = serde_json::to_vec(line)?;
    text.push(b'\n');
    let written = file.write_all(&text).and_then(|()| if sync == Sync::Everything { file.sync_all() } else { Ok(()) });
    if written.is_err() {
        let _ = file.set_len(end);
    }
    written
}

/// Makes a new locked file. It gets its final name only once locked, so that nobody takes it for a dead process's.
fn create(directory: &Path) -> Result<Locked, JournalError> {
    let name = uuid::Uuid::now_v7();
    let path = directory.join(format!("{name}.{EXTENSION}"));
    let draft = directory.join(format!("{name}.new"));
    let failed = |source| JournalError::Write { path: path.clone(), source };
    let file = OpenOptions::new().read(true).write(true).create_new(true).mode(0o600).open(&draft).map_err(failed)?;
    let named = file.try_lock().map_err(io::Error::from).and_then(|()| fs::rename(&draft, &path));
    // The name must be on the disk too, or a power cut loses the file with all its lines.
    let synced = named.and_then(|()| File::open(directory)?.sync_all());
    if let Err(source) = synced {
        let _ = fs::remove_file(&draft);
        let _ = fs::remove_file(&path);
        return Err(failed(source));
    }
    Ok(Locked { path, file })
}

/// Files of processes that are gone, newest first, each locked by us now.
pub(super) fn abandoned(directory: &Path) -> Result<Vec<Locked>, JournalError> {
    let failed = |source| JournalError::Read { path: directory.to_owned(), source };
    let entries = match fs::read_dir(directory) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(failed(error)),
    };
    let mut paths: Vec<PathBuf> =
        entries.map(|entry| entry.map(|e| e.path())).collect::<Result<_, _>>().map_err(failed)?;
    // Names begin with the time they were made (UUID version 7).
    paths.sort();
    let mut files = Vec::new();
    for path in paths.into_iter().rev() {
        // A draft holds no line. It is not even locked here, since its maker may be just about to; the empty file that
        // a kill in that moment leaves behind does no harm.
        if path.extension().is_none_or(|extension| extension != EXTENSION) {
            continue;
        }
        let file = match OpenOptions::new().read(true).write(true).custom_flags(libc::O_NOFOLLOW).open(&path) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            Err(source) => return Err(JournalError::Read { path, source }),
        };
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => continue,
            Err(TryLockError::Error(source)) => return Err(JournalError::Read { path, source }),
        }
        let locked = Locked { path, file };
        // Its owner, or another recovery, may have finished with it between our opening and our locking.
        if locked.file.metadata().is_ok_and(|metadata| metadata.nlink() == 0) {
            continue;
        }
        files.push(locked);
    }
    Ok(files)
}

const EXTENSION: &str = "jsonl";

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn a_full_disk_refuses_the_change() {
        let target = Target::Device { path: "/dev/quay".into(), identity: String::new() };
        let directory = tempfile::tempdir().unwrap();
        let journal = Journal::open(directory.path()).unwrap();
        // /dev/full answers every write with "no space left" (full(4)).
        let full = OpenOptions::new().read(true).write(true).open("/dev/full").unwrap();
        journal.lock().open_file = Some(Locked { path: "/dev/full".into(), file: full });
        let error = journal.begin(target, "mtu", json!(1500), json!(9000)).unwrap_err();
        assert!(error.to_string().contains("nothing is changed"), "{error}");
        let JournalError::Write { source, .. } = error else { panic!("another error") };
        assert_eq!(source.raw_os_error(), Some(libc::ENOSPC));
    }

    /// Appends lines to a file until that fails.
    #[test]
    #[ignore = "run by the next test, in a process with a limit"]
    fn append_until_it_fails() {
        let Some(path) = std::env::var_os("TURNBACK_TEST_FILE") else { return };
        let mut file = OpenOptions::new().create(true).append(true).open(path).unwrap();
        let line = Line::Done { id: 7 };
        while append(&mut file, &line, Sync::Nothing).is_ok() {}
    }

    /// A limit on the size of files stops a write in the middle, as a full disk does (setrlimit(2), RLIMIT_FSIZE).
    #[test]
    fn a_line_that_did_not_fit_leaves_nothing_of_itself() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("lines");
        let this = std::env::current_exe().unwrap();
        let test = "guard::journal::file::tests::append_until_it_fails";
        let script = format!("trap '' XFSZ; ulimit -f 3; exec {} --exact {test} --ignored", this.display());
        let run = std::process::Command::new("sh").args(["-c", &script]).env("TURNBACK_TEST_FILE", &path).output();
        assert!(run.unwrap().status.success());
        let text = std::fs::read_to_string(&path).unwrap();
        let length = text.lines().next().unwrap().len() + 1;
        // Blocks of 512 or 1024 bytes, as the shell has them; no multiple of a line's length.
        let limit = if text.len() > 3 * 512 { 3 * 1024 } else { 3 * 512 };
        assert_ne!(limit % length, 0);
        assert_eq!(text.len(), limit / length * length, "{:?}", text.lines().last());
        assert!(text.ends_with('\n'));
    }
}
