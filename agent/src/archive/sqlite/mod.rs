//! Records: every run, kept in one SQLite file, to be found again under the labels on ports and cables.
//!
//! [`Store`] is the open file. `query` finds runs, `case` cases and `bench` card tests and lots; [`retention`] drops
//! what is old, [`exchange`] takes records out and in, [`backup`] copies them while they are in use. `docs/records.md`
//! is for users.
//!
//! Several processes may have the file open and write side by side: it is in write-ahead mode, a write takes its lock
//! when it begins, and waits for others up to [`BUSY`]. A write is there in full or not at all, whatever ends the
//! process.

pub mod backup;
mod bench;
mod case;
pub mod exchange;
mod logbook;
mod outbox;
mod query;
pub mod retention;
mod schema;

use std::{
    fs,
    os::unix::fs::DirBuilderExt,
    path::{Path, PathBuf},
    time::Duration,
};

use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior, params};
use turnback_core::document::{Document, DocumentKind, run::Report};

use crate::archive::{Archive, Listed, Query, Sought, error::ArchiveError, find_any, location, record::Record};

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
enum Kept {
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
    /// A directory that is not there or may not be written, a file that holds something else, a newer format, a full
    /// disk.
    pub fn open(path: &Path) -> Result<Self, ArchiveError> {
        Self::connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE)
    }

    /// Opens records that are there.
    ///
    /// # Errors
    /// [`ArchiveError::Missing`], and as for [`Store::open`].
    pub fn open_existing(path: &Path) -> Result<Self, ArchiveError> {
        if !path.exists() {
            return Err(ArchiveError::Missing { path: path.to_owned() });
        }
        Self::connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE)
    }

    /// Opens the records where [`location::path`] says; the directory of a place that nobody named is made.
    ///
    /// # Errors
    /// As for [`Store::open`].
    pub fn open_at(given: Option<&Path>) -> Result<Self, ArchiveError> {
        let path = location::path(given)?;
        if given.is_none()
            && let Some(directory) = path.parent()
        {
            let made = fs::DirBuilder::new().recursive(true).mode(0o700).create(directory);
            made.map_err(|source| ArchiveError::Unusable { path: directory.to_owned(), source })?;
        }
        Self::open(&path)
    }

    fn connect(path: &Path, flags: OpenFlags) -> Result<Self, ArchiveError> {
        // SQLite says no more than "unable to open": ask the file system for the reason.
        let unusable = |source| ArchiveError::Unusable { path: path.to_owned(), source };
        if path.is_dir() {
            return Err(unusable(std::io::Error::from(std::io::ErrorKind::IsADirectory)));
        }
        if let Some(directory) = path.parent().filter(|d| !d.as_os_str().is_empty()) {
            fs::metadata(directory).map_err(unusable)?;
        }
        let db = Connection::open_with_flags(path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX).map_err(|error| {
            match fs::OpenOptions::new().read(true).open(path) {
                Err(source) if source.kind() != std::io::ErrorKind::NotFound => unusable(source),
                _ => ArchiveError::of(path, error),
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
    fn keep(&mut self, report: &Report) -> Result<Kept, ArchiveError> {
        let document =
            serde_json::to_string(report).map_err(|source| ArchiveError::Json { id: report.run.clone(), source })?;
        let record = Record::of(report)?;
        let kept = self.write(|tx| insert(tx, &record, Some(&document)))?;
        self.apply_retention();
        Ok(kept)
    }

    /// Does all of `work` or nothing of it.
    fn write<T>(&mut self, work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>) -> Result<T, ArchiveError> {
        let Self { db, path } = self;
        let done = (|| {
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let done = work(&tx)?;
            tx.commit()?;
            Ok(done)
        })();
        done.map_err(|error| ArchiveError::of(path, error))
    }

    fn told(&self, error: rusqlite::Error) -> ArchiveError {
        ArchiveError::of(&self.path, error)
    }
}

impl Archive for Store {
    fn put(&mut self, document: &Document) -> Result<(), ArchiveError> {
        match document {
            Document::Run(report) => self.keep(report).map(|_| ()),
            Document::Case(case) => self.save_case(case),
            Document::CardTest(_) | Document::Lot(_) => self.save_bench(document),
        }
    }

    fn get(&self, kind: DocumentKind, id: &str) -> Result<Document, ArchiveError> {
        Ok(match kind {
            DocumentKind::Run => self.report(id)?.into(),
            DocumentKind::Case => self.case(id)?.into(),
            DocumentKind::CardTest | DocumentKind::Lot => self.find_bench(kind, id)?,
        })
    }

    fn find(&self, kind: Option<DocumentKind>, beginning: &str) -> Result<Document, ArchiveError> {
        match kind {
            Some(DocumentKind::Run) => self.get(DocumentKind::Run, &self.record(beginning)?.run),
            Some(DocumentKind::Case) => Ok(self.find_case(beginning)?.into()),
            Some(kind @ (DocumentKind::CardTest | DocumentKind::Lot)) => self.find_bench(kind, beginning),
            None => match beginning {
                "last" => self.case_done_last()?.map_or_else(|| find_any(self, beginning), |case| Ok(case.into())),
                _ => find_any(self, beginning),
            },
        }
    }

    fn list(&self, query: Query<'_>, limit: Option<u64>) -> Result<Vec<Listed>, ArchiveError> {
        Ok(match query {
            Query::Runs(filter) => {
                self.runs(filter, limit)?.into_iter().map(|record| Listed::Run(Box::new(record))).collect()
            }
            Query::Cases { only_open } => {
                self.cases(only_open, limit)?.into_iter().map(|row| Listed::Case(Box::new(row))).collect()
            }
            Query::CardTests { lot } => {
                self.bench(DocumentKind::CardTest, lot, limit)?.into_iter().filter_map(Listed::of_bench).collect()
            }
            Query::Lots => {
                self.bench(DocumentKind::Lot, None, limit)?.into_iter().filter_map(Listed::of_bench).collect()
            }
        })
    }

    fn latest(&self, sought: &Sought<'_>) -> Result<Option<Document>, ArchiveError> {
        match sought {
            Sought::Run(at) => match self.latest_at(at)? {
                None => Ok(None),
                Some(record) => match self.get(DocumentKind::Run, &record.run) {
                    // Columns alone are no evidence.
                    Err(ArchiveError::ColumnsOnly { .. }) => Ok(None),
                    report => report.map(Some),
                },
            },
            Sought::OpenCase { port, cable } => Ok(self.latest_open_case(port, cable)?.map(Document::from)),
        }
    }
}

/// Puts a record in, unless it is there; a record without its report gets it.
fn insert(tx: &Transaction<'_>, record: &Record, document: Option<&str>) -> rusqlite::Result<Kept> {
    let mut find = tx.prepare_cached(
        "SELECT run.id, report.run_id IS NOT NULL FROM run LEFT JOIN report ON report.run_id = run.id WHERE run.run = \
         ?1",
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
