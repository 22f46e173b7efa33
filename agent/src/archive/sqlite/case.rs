//! Cases: each kept as a whole document, replaced at every stage, and found by id, port and cable.

use rusqlite::{OptionalExtension, Transaction, params};
use turnback_core::{
    document::{Document, DocumentKind, case::Case},
    kind::port::PortIdentity,
};

use super::{Store, query::sql_limit};
use crate::archive::{
    error::ArchiveError,
    record::{CaseRow, begun_ms, changed_ms, places},
};

impl Store {
    /// Keeps a case as it is now, in place of what it was before.
    ///
    /// # Errors
    /// When it could not be written: then it is kept as it was before.
    pub(super) fn save_case(&mut self, case: &Case) -> Result<(), ArchiveError> {
        let document =
            serde_json::to_string(case).map_err(|source| ArchiveError::Json { id: case.case.clone(), source })?;
        let changed_ms = changed_ms(case)?;
        self.write(|tx| put(tx, case, changed_ms, &document))
    }

    /// The case whose id begins so; `last` is the one changed last.
    ///
    /// # Errors
    /// [`ArchiveError::Unknown`], [`ArchiveError::Ambiguous`], [`ArchiveError::Unreadable`].
    pub(super) fn find_case(&self, beginning: &str) -> Result<Case, ArchiveError> {
        let sql = if beginning == "last" {
            "SELECT case_id, document FROM case_document ORDER BY changed_ms DESC, id DESC LIMIT 1"
        } else {
            "SELECT case_id, document FROM case_document WHERE substr(case_id, 1, length(?1)) = ?1 ORDER BY case_id \
             LIMIT 4"
        };
        let find = || {
            let mut statement = self.db.prepare_cached(sql)?;
            let read = |row: &rusqlite::Row<'_>| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?));
            let rows = if beginning == "last" {
                statement.query_map([], read)?
            } else {
                statement.query_map([beginning], read)?
            };
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        let found = find().map_err(|error| self.told(error))?;
        // An id in full means that case, even if another begins with it.
        let exact = found.iter().find(|(case, _)| case == beginning);
        match (exact, found.as_slice()) {
            (Some((case, document)), _) | (None, [(case, document)]) if !beginning.is_empty() => parsed(case, document),
            (None, several) if !several.is_empty() => Err(ArchiveError::Ambiguous {
                kind: DocumentKind::Case,
                given: beginning.to_owned(),
                ids: several.iter().map(|(case, _)| case.clone()).collect(),
            }),
            _ => Err(unknown(beginning)),
        }
    }

    /// The case with this id.
    pub(super) fn case(&self, id: &str) -> Result<Case, ArchiveError> {
        let found: Option<String> = self
            .db
            .prepare_cached("SELECT document FROM case_document WHERE case_id = ?1")
            .and_then(|mut statement| statement.query_row([id], |row| row.get(0)).optional())
            .map_err(|error| self.told(error))?;
        parsed(id, &found.ok_or_else(|| unknown(id))?)
    }

    /// The case that was worked on last, unless a run that is none of its own was begun since: what `last` means where
    /// both kinds of document are asked for.
    ///
    /// # Errors
    /// As for [`Store::find_case`]; having no case is none.
    pub(super) fn case_done_last(&self) -> Result<Option<Case>, ArchiveError> {
        let read = || {
            let latest =
                "SELECT id, case_id, changed_ms, document FROM case_document ORDER BY changed_ms DESC, id DESC LIMIT 1";
            type Latest = (i64, String, i64, String);
            let latest: Option<Latest> = self
                .db
                .prepare_cached(latest)?
                .query_row([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))
                .optional()?;
            let Some((id, case, changed_ms, document)) = latest else { return Ok(None) };
            let other: Option<(String, i64)> = self
                .db
                .prepare_cached(
                    "SELECT run, started_ms FROM run WHERE NOT EXISTS \
                     (SELECT 1 FROM case_run WHERE case_run.case_id = ?1 AND case_run.run = run.run) \
                     ORDER BY started_ms DESC, id DESC LIMIT 1",
                )?
                .query_row([id], |row| Ok((row.get(0)?, row.get(1)?)))
                .optional()?;
            let since = other.is_some_and(|(run, started_ms)| begun_ms(&run, started_ms) > changed_ms);
            Ok((!since).then_some((case, document)))
        };
        let found = read().map_err(|error| self.told(error))?;
        found.map(|(case, document)| parsed(&case, &document)).transpose()
    }

    /// The open case of this port and cable that was changed last. Ports are the same by their permanent address, where
    /// both have one, else by name, kind and whether they are simulated.
    ///
    /// # Errors
    /// When the file or the case cannot be read.
    pub(super) fn latest_open_case(&self, port: &PortIdentity, cable: &str) -> Result<Option<Case>, ArchiveError> {
        let found: Option<(String, String)> = self
            .db
            .prepare_cached(
                "SELECT case_id, document FROM case_document WHERE state = 'open' AND cable = ?1 \
                 AND CASE WHEN ?2 IS NULL OR permanent_address IS NULL THEN port = ?3 AND kind = ?4 AND simulated = ?5 \
                 ELSE permanent_address = ?2 END ORDER BY changed_ms DESC, id DESC LIMIT 1",
            )
            .and_then(|mut statement| {
                let values = params![cable, port.permanent_address, port.name, port.kind.name(), port.simulated];
                statement.query_row(values, |row| Ok((row.get(0)?, row.get(1)?))).optional()
            })
            .map_err(|error| self.told(error))?;
        found.map(|(case, document)| parsed(&case, &document)).transpose()
    }

    /// The cases, the one changed last first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub(super) fn cases(&self, only_open: bool, limit: Option<u64>) -> Result<Vec<CaseRow>, ArchiveError> {
        let read = || {
            let mut statement = self.db.prepare_cached(
                "SELECT case_id, changed_at, port, cable, state, outcome, location, segment, scope FROM case_document \
                 WHERE state = 'open' OR NOT ?1 ORDER BY changed_ms DESC, id DESC LIMIT ?2",
            )?;
            let rows = statement.query_map(params![only_open, sql_limit(limit)], |row| {
                Ok(CaseRow {
                    case: row.get(0)?,
                    changed_at: row.get(1)?,
                    port: row.get(2)?,
                    cable: row.get(3)?,
                    state: row.get(4)?,
                    outcome: row.get(5)?,
                    location: row.get(6)?,
                    segment: row.get(7)?,
                    scope: row.get(8)?,
                })
            })?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|error| self.told(error))
    }
}

/// Puts a case in, in place of what was there.
pub(super) fn put(tx: &Transaction<'_>, case: &Case, changed_ms: i64, document: &str) -> rusqlite::Result<()> {
    let id: i64 = tx
        .prepare_cached(
            "INSERT INTO case_document (case_id, opened_at, changed_at, changed_ms, port, kind, permanent_address, \
             cable, state, outcome, location, segment, document, simulated, scope) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, \
             ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15) ON CONFLICT (case_id) DO UPDATE SET changed_at = ?3, changed_ms \
             = ?4, state = ?9, outcome = ?10, location = ?11, segment = ?12, document = ?13, scope = ?15 RETURNING id",
        )?
        .query_row(
            params![
                case.case,
                case.opened_at,
                case.changed_at,
                changed_ms,
                case.port.name,
                case.port.kind.name(),
                case.port.permanent_address,
                case.cable,
                case.state.name(),
                case.verdict.outcome.name(),
                places(&case.verdict.location),
                case.verdict.segment,
                document,
                case.port.simulated,
                case.verdict.scope
            ],
            |row| row.get(0),
        )?;
    tx.execute("DELETE FROM case_run WHERE case_id = ?1", [id])?;
    for run in case.stages.iter().filter_map(|stage| stage.run.as_ref()) {
        tx.execute("INSERT OR IGNORE INTO case_run (case_id, run) VALUES (?1, ?2)", params![id, run])?;
    }
    Ok(())
}

/// Puts a case in, unless it is here as it is or changed later; says whether it did.
pub(super) fn put_newer(tx: &Transaction<'_>, case: &Case, changed_ms: i64, document: &str) -> rusqlite::Result<bool> {
    let here: Option<i64> = tx
        .prepare_cached("SELECT changed_ms FROM case_document WHERE case_id = ?1")?
        .query_row([&case.case], |row| row.get(0))
        .optional()?;
    let newer = here.is_none_or(|here| here < changed_ms);
    if newer {
        put(tx, case, changed_ms, document)?;
    }
    Ok(newer)
}

fn unknown(given: &str) -> ArchiveError {
    ArchiveError::Unknown { kind: Some(DocumentKind::Case), given: given.to_owned() }
}

/// Reads the document of a case.
pub(super) fn parsed(case: &str, document: &str) -> Result<Case, ArchiveError> {
    match Document::read(document) {
        Ok(Document::Case(read)) => Ok(*read),
        Ok(other) => Err(ArchiveError::NotARecord(format!("case {case} holds a {}", other.kind().name()))),
        Err(source) => Err(ArchiveError::Unreadable { kind: DocumentKind::Case, id: case.to_owned(), source }),
    }
}
