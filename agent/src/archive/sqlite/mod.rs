//! Records: every run, kept in one SQLite file, to be found again under the labels on ports and cables.
//!
//! [`Store`] is the open file. [`record`] says what is kept in columns beside the whole report; [`query`] finds it,
//! [`retention`] drops what is old, [`exchange`] takes it out and in, [`backup`] copies it while it is in use.
//! [`case`] keeps the cases that runs belong to; [`thread`] gives one thread the file and others a handle. `docs/records.md` is for users.
//!
//! Several processes may have the file open and write side by side: it is in write-ahead mode, a write takes its lock when it
//! begins, and waits for others up to [`BUSY`]. A write is there in full or not at all, whatever ends the process.

pub mod backup;
pub mod case;

pub mod exchange;

pub mod query;
pub mod record;
pub mod retention;
mod schema;
pub mod thread;
mod watch;

use std::{
    fs,
    os::unix::fs::DirBuilderExt,
    path::{Path, PathBuf},
    time::Duration,
};

use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior, params};
use turnback_core::document::run::Report;

pub use crate::archive::error::StoreError;
use record::Record;

/// How long a write waits for those of others. Longer than any of them takes on a slow disk (our own choice).
pub const BUSY: Duration = Duration::from_secs(20);

/// The open records.
#[derive(Debug)]
pub struct Store {
    db: Connection,
    path: PathBuf,
}

/// What became of a record that was handed in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kept {
    /// It is new.
    New,
    /// It was there with its columns only, and now has its report.
    Completed,
    /// It was there already; nothing was changed.
    AlreadyThere,
}

impl Store {
    /// Opens the records in a file, made if it is not there, in today's format.
    ///
    /// # Errors
    /// A directory that is not there or may not be written, a file that holds something else, a newer format, a full disk.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        Self::connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE)
    }

    /// Opens records that are there.
    ///
    /// # Errors
    /// [`StoreError::Missing`], and as for [`Store::open`].
    pub fn open_existing(path: &Path) -> Result<Self, StoreError> {
        if !path.exists() {
            return Err(StoreError::Missing { path: path.to_owned() });
        }
        Self::connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE)
    }

    /// Opens the records where [`location::path`] says; the directory of a place that nobody named is made.
    ///
    /// # Errors
    /// As for [`Store::open`].
    pub fn open_at(given: Option<&Path>) -> Result<Self, StoreError> {
        let path = crate::archive::location::path(given)?;
        if given.is_none()
            && let Some(directory) = path.parent()
        {
            let made = fs::DirBuilder::new().recursive(true).mode(0o700).create(directory);
            made.map_err(|source| StoreError::Unusable { path: directory.to_owned(), source })?;
        }
        Self::open(&path)
    }

    fn connect(path: &Path, flags: OpenFlags) -> Result<Self, StoreError> {
        // SQLite says no more than "unable to open": ask the file system for the reason.
        let unusable = |source| StoreError::Unusable { path: path.to_owned(), source };
        if path.is_dir() {
            return Err(unusable(std::io::Error::from(std::io::ErrorKind::IsADirectory)));
        }
        if let Some(directory) = path.parent().filter(|d| !d.as_os_str().is_empty()) {
            fs::metadata(directory).map_err(unusable)?;
        }
        let db = Connection::open_with_flags(path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX).map_err(|error| {
            match fs::OpenOptions::new().read(true).open(path) {
                Err(source) if source.kind() != std::io::ErrorKind::NotFound => unusable(source),
                _ => StoreError::of(path, error),
            }
        })?;
        let mut store = Self { db, path: path.to_owned() };
        schema::prepare(&mut store)?;
        Ok(store)
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Keeps a run: its whole report and the columns it is found by. A run that is there already is left as it is.
    /// Then the stored rule of retention, if there is one, is applied.
    ///
    /// # Errors
    /// When it could not be kept: then nothing has changed.
    pub fn keep(&mut self, report: &Report) -> Result<Kept, StoreError> {
        let document =
            serde_json::to_string(report).map_err(|source| StoreError::Document { run: report.run.clone(), source })?;
        let record = Record::of(report)?;
        let kept = self.write(|tx| insert(tx, &record, Some(&document)))?;
        self.apply_retention();
        Ok(kept)
    }

    /// Does all of `work` or nothing of it.
    fn write<T>(&mut self, work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>) -> Result<T, StoreError> {
        let Self { db, path } = self;
        let done = (|| {
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let done = work(&tx)?;
            tx.commit()?;
            Ok(done)
        })();
        done.map_err(|error| StoreError::of(path, error))
    }

    fn told(&self, error: rusqlite::Error) -> StoreError {
        StoreError::of(&self.path, error)
    }
}

/// Puts a record in, unless it is there; a record without its report gets it.
fn insert(tx: &Transaction<'_>, record: &Record, document: Option<&str>) -> rusqlite::Result<Kept> {
    let mut find = tx.prepare_cached(
        "SELECT run.id, report.run_id IS NOT NULL FROM run LEFT JOIN report ON report.run_id = run.id WHERE run.run = ?1",
    )?;
    let there: Option<(i64, bool)> = {
        let mut rows = find.query([&record.run])?;
        rows.next()?.map(|row| Ok::<_, rusqlite::Error>((row.get(0)?, row.get(1)?))).transpose()?
    };
    let kept = match (there, document) {
        (Some((_, true)), _) | (Some(_), None) => return Ok(Kept::AlreadyThere),
        (Some((id, false)), Some(_)) => {
            tx.execute("DELETE FROM run WHERE id = ?1", [id])?;
            Kept::Completed
        }
        (None, _) => Kept::New,
    };
    tx.prepare_cached(&Record::insert_sql())?.execute(&*record.values())?;
    let id = tx.last_insert_rowid();
    if let Some(document) = document {
        tx.prepare_cached("INSERT INTO report (run_id, document) VALUES (?1, ?2)")?.execute(params![id, document])?;
    }
    Ok(kept)
}

#[cfg(test)]
mod tests;
