//! Card tests and lots: each kept as a whole document, replaced at every change.

use rusqlite::{Row, Transaction, params};
use turnback_core::document::{Document, DocumentKind};

use super::Store;
use crate::archive::{
    bench::{BenchRow, meant},
    error::ArchiveError,
};

impl Store {
    /// Keeps a document of the bench in place of what was kept of it.
    pub(super) fn save_bench(&mut self, document: &Document) -> Result<(), ArchiveError> {
        let Some(row) = BenchRow::of(document)? else { return Ok(()) };
        let text =
            serde_json::to_string(document).map_err(|source| ArchiveError::Json { id: row.id.clone(), source })?;
        self.write(|tx| put(tx, &row, &text))
    }

    /// The document with this label, or whose id begins so.
    pub(super) fn find_bench(&self, kind: DocumentKind, given: &str) -> Result<Document, ArchiveError> {
        let rows = self.bench_rows(kind)?;
        let named: Vec<BenchRow> = rows.into_iter().filter(|row| row.is_named(given)).collect();
        self.bench_document(meant(kind, given, &named)?)
    }

    /// The documents of a kind, the one changed last first; `lot` asks for the card tests of one lot.
    pub(super) fn bench(
        &self,
        kind: DocumentKind,
        lot: Option<&str>,
        limit: Option<u64>,
    ) -> Result<Vec<Document>, ArchiveError> {
        let rows = self.bench_rows(kind)?.into_iter().filter(|row| lot.is_none() || row.lot.as_deref() == lot);
        let limit = limit.and_then(|limit| usize::try_from(limit).ok()).unwrap_or(usize::MAX);
        rows.take(limit).map(|row| self.bench_document(&row)).collect()
    }

    /// Deletes a document of the bench.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn drop_bench(&mut self, id: &str) -> Result<(), ArchiveError> {
        self.write(|tx| tx.execute("DELETE FROM bench_document WHERE document_id = ?1", [id])).map(|_| ())
    }

    fn bench_rows(&self, kind: DocumentKind) -> Result<Vec<BenchRow>, ArchiveError> {
        let read = |row: &Row<'_>| {
            Ok(BenchRow { id: row.get(0)?, kind, label: row.get(1)?, lot: row.get(2)?, changed_ms: row.get(3)? })
        };
        let list = || {
            self.db
                .prepare_cached(
                    "SELECT document_id, label, lot, changed_ms FROM bench_document WHERE kind = ?1 \
                     ORDER BY changed_ms DESC, id DESC",
                )?
                .query_map([kind.name()], read)?
                .collect::<rusqlite::Result<Vec<_>>>()
        };
        list().map_err(|error| self.told(error))
    }

    fn bench_document(&self, row: &BenchRow) -> Result<Document, ArchiveError> {
        let text: String = self
            .db
            .prepare_cached("SELECT document FROM bench_document WHERE document_id = ?1")
            .and_then(|mut statement| statement.query_row([&row.id], |found| found.get(0)))
            .map_err(|error| self.told(error))?;
        Document::read(&text).map_err(|source| ArchiveError::Unreadable { kind: row.kind, id: row.id.clone(), source })
    }
}

fn put(tx: &Transaction<'_>, row: &BenchRow, text: &str) -> rusqlite::Result<()> {
    tx.prepare_cached(
        "INSERT INTO bench_document (document_id, kind, label, lot, changed_ms, document) VALUES (?1, ?2, ?3, ?4, ?5, \
         ?6) ON CONFLICT (document_id) DO UPDATE SET label = ?3, lot = ?4, changed_ms = ?5, document = ?6",
    )?
    .execute(params![row.id, row.kind.name(), row.label, row.lot, row.changed_ms, text])
    .map(|_| ())
}

/// Puts a document in, unless it is here as it is or changed later; says whether it did.
pub(super) fn put_newer(tx: &Transaction<'_>, row: &BenchRow, text: &str) -> rusqlite::Result<bool> {
    let here: Option<i64> = rusqlite::OptionalExtension::optional(
        tx.prepare_cached("SELECT changed_ms FROM bench_document WHERE document_id = ?1")?
            .query_row([&row.id], |found| found.get(0)),
    )?;
    let newer = here.is_none_or(|here| here < row.changed_ms);
    if newer {
        put(tx, row, text)?;
    }
    Ok(newer)
}
