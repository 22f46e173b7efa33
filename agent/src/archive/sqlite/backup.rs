//! A copy of the records while they are in use, and whether a file is sound.

use std::{
    fs::{self, File},
    path::Path,
    time::Duration,
};

use rusqlite::{Connection, backup::Backup};
use turnback_core::document::Document;

use super::{Store, case::parsed, query};
use crate::{archive::error::ArchiveError, error_chain::with_causes};

/// What a look through the whole file found.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Soundness {
    /// Runs recorded.
    pub runs: u64,
    /// Of those, known by their columns only.
    pub without_report: u64,
    /// Cases recorded.
    pub cases: u64,
    /// What is wrong; empty when the file is sound.
    pub problems: Vec<String>,
}

impl Store {
    /// Copies the records as they are now into a new file. Others may write meanwhile; their writes are not in the
    /// copy.
    ///
    /// The copy is one file, made beside its name and renamed when it is whole.
    ///
    /// # Errors
    /// [`ArchiveError::Exists`]; when the file cannot be written.
    pub fn backup(&self, to: &Path) -> Result<(), ArchiveError> {
        if to.exists() {
            return Err(ArchiveError::Exists { path: to.to_owned() });
        }
        let mut name = to.as_os_str().to_owned();
        name.push(format!(".{}.part", std::process::id()));
        let part = Path::new(&name);
        let copied = self.copy(part).map_err(|error| ArchiveError::of(to, error)).and_then(|()| {
            let unusable = |source| ArchiveError::Unusable { path: to.to_owned(), source };
            File::open(part).and_then(|file| file.sync_all()).map_err(unusable)?;
            fs::rename(part, to).map_err(unusable)
        });
        if copied.is_err() {
            let _ = fs::remove_file(part);
        }
        copied
    }

    fn copy(&self, part: &Path) -> rusqlite::Result<()> {
        let mut copy = Connection::open(part)?;
        {
            let backup = Backup::new(&self.db, &mut copy)?;
            // All pages in one step: what others write meanwhile would start a copy in steps anew.
            backup.run_to_completion(i32::MAX, Duration::ZERO, None)?;
        }
        // A copy that needs no second file beside it.
        copy.pragma_update_and_check(None, "journal_mode", "delete", |_| Ok(()))?;
        copy.close().map_err(|(_, error)| error)
    }

    /// Looks through the whole file: pages, references, and whether every report can be read.
    ///
    /// # Errors
    /// When it cannot be read at all.
    pub fn look_through(&self) -> Result<Soundness, ArchiveError> {
        let mut found = Soundness::default();
        let look = |found: &mut Soundness| {
            for row in self.db.prepare("PRAGMA integrity_check")?.query_map([], |row| row.get::<_, String>(0))? {
                let line = row?;
                if line != "ok" {
                    found.problems.push(line);
                }
            }
            for row in self.db.prepare("PRAGMA foreign_key_check")?.query_map([], |row| row.get::<_, String>(0))? {
                found.problems.push(format!("a row of table {} belongs to no run", row?));
            }
            let sql = "SELECT run.run, report.document FROM run LEFT JOIN report ON report.run_id = run.id";
            let mut statement = self.db.prepare(sql)?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let (run, document): (String, Option<String>) = (row.get(0)?, row.get(1)?);
                found.runs += 1;
                match document.as_deref().map(|document| query::parsed(&run, document)) {
                    None => found.without_report += 1,
                    Some(Ok(report)) if report.run != run => {
                        found.problems.push(format!("run {run} holds the report of {}", report.run));
                    }
                    Some(Ok(_)) => {}
                    Some(Err(error)) => found.problems.push(with_causes(&error)),
                }
            }
            let mut statement = self.db.prepare("SELECT case_id, document FROM case_document")?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let (case, document): (String, String) = (row.get(0)?, row.get(1)?);
                found.cases += 1;
                if let Err(error) = parsed(&case, &document) {
                    found.problems.push(error.to_string());
                }
            }
            let mut statement = self.db.prepare("SELECT document_id, document FROM bench_document")?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let (id, document): (String, String) = (row.get(0)?, row.get(1)?);
                if let Err(error) = Document::read(&document) {
                    found.problems.push(format!("{id} of the bench: {}", with_causes(&error)));
                }
            }
            Ok(())
        };
        match look(&mut found).map_err(|error| self.told(error)) {
            // So damaged that looking ends early: that is an answer too.
            Err(ArchiveError::Damaged { source, .. }) => found.problems.push(source.to_string()),
            other => other?,
        }
        Ok(found)
    }
}
