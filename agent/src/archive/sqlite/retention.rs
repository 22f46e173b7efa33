//! Dropping old records, by age and by number.

use jiff::Span;
use rusqlite::{Connection, OptionalExtension, params};
use thiserror::Error;
use turnback_core::document::run::Report;

use super::{Store, insert};
use crate::archive::{error::ArchiveError, record::Record};

/// Which records are kept. A run is dropped when either rule says so.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Retention {
    /// Runs that began longer ago than this, in seconds, are dropped.
    pub older_than_s: Option<u64>,
    /// So many of the newest runs are kept.
    pub keep: Option<u64>,
}

/// A word that is no age.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("`{0}` is no age: a whole number with h, d, w or y is needed, such as 36h, 400d, 2y")]
pub struct AgeError(String);

/// Reads an age such as `36h`, `400d`, `6w`, `2y` (years of 365 days); in seconds.
///
/// # Errors
/// [`AgeError`].
pub fn parse_age(text: &str) -> Result<u64, AgeError> {
    let bad = || AgeError(text.to_owned());
    // Whole numbers without spaces: what stands in a script should read one way only.
    let span: Span = text.parse().ok().filter(|_| text.bytes().all(|b| b.is_ascii_alphanumeric())).ok_or_else(bad)?;
    let days = i64::from(span.get_years()) * 365 + i64::from(span.get_weeks()) * 7 + i64::from(span.get_days());
    let seconds = days * 86_400 + i64::from(span.get_hours()) * 3600;
    // Months have no one length, and an age in minutes is a slip.
    let allowed =
        Span::new().years(span.get_years()).weeks(span.get_weeks()).days(span.get_days()).hours(span.get_hours());
    if span.fieldwise() != allowed.fieldwise() {
        return Err(bad());
    }
    // A thousand years: whoever asks for more means "keep all".
    u64::try_from(seconds).ok().filter(|seconds| (1..=1000 * 365 * 86_400).contains(seconds)).ok_or_else(bad)
}

/// How many records went, or would go.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Dropped {
    /// Runs.
    pub runs: u64,
    /// Cases.
    pub cases: u64,
}

impl Store {
    /// What [`Store::prune`] would drop.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn would_prune(&self, retention: Retention, now_ms: i64) -> Result<Dropped, ArchiveError> {
        boundary(&self.db, retention, now_ms)
            .and_then(|(ms, id)| {
                let runs = format!("SELECT count(*) FROM run WHERE {OLD} AND {FREE}");
                let cases = format!("SELECT count(*) FROM case_document WHERE {OVER}");
                Ok(Dropped {
                    runs: self.db.query_row(&runs, [ms, id], |row| row.get(0))?,
                    cases: self.db.query_row(&cases, [ms], |row| row.get(0))?,
                })
            })
            .map_err(|error| self.told(error))
    }

    /// Drops what is too old or too many; says what went.
    ///
    /// They go in small portions, so that other processes can write in between. Cases go with the runs of their time,
    /// but an open case stays, with all it rests on.
    ///
    /// # Errors
    /// When the file cannot be written; what was dropped before stays dropped.
    pub fn prune(&mut self, retention: Retention, now_ms: i64) -> Result<Dropped, ArchiveError> {
        // Told before any run is gone, since then it would be another.
        let (cases_until_ms, _) = boundary(&self.db, retention, now_ms).map_err(|error| self.told(error))?;
        let mut dropped = Dropped::default();
        loop {
            let portion = self.write(|tx| {
                let (ms, id) = boundary(tx, retention, now_ms)?;
                let sql = format!(
                    "DELETE FROM run WHERE id IN \
                     (SELECT id FROM run WHERE {OLD} AND {FREE} ORDER BY started_ms LIMIT ?3)"
                );
                tx.execute(&sql, params![ms, id, PORTION])
            })? as u64;
            dropped.runs += portion;
            if portion < PORTION {
                break;
            }
        }
        dropped.cases =
            self.write(|tx| tx.execute(&format!("DELETE FROM case_document WHERE {OVER}"), [cases_until_ms]))? as u64;
        Ok(dropped)
    }

    /// How many runs are old enough to be dropped and stay, because an open case rests on them.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn kept_for_cases(&self, retention: Retention, now_ms: i64) -> Result<u64, ArchiveError> {
        boundary(&self.db, retention, now_ms)
            .and_then(|(ms, id)| {
                let sql = format!("SELECT count(*) FROM run WHERE {OLD} AND NOT ({FREE})");
                self.db.query_row(&sql, [ms, id], |row| row.get(0))
            })
            .map_err(|error| self.told(error))
    }

    /// Drops one run.
    ///
    /// # Errors
    /// [`ArchiveError::RestedOn`]; when the file cannot be written.
    pub fn drop_run(&mut self, run: &str) -> Result<(), ArchiveError> {
        match self.write(|tx| tx.execute(&format!("DELETE FROM run WHERE run = ?1 AND {FREE}"), [run]))? {
            0 => Err(ArchiveError::RestedOn { run: run.to_owned() }),
            _ => Ok(()),
        }
    }

    /// Drops one case; its runs stay.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn drop_case(&mut self, case: &str) -> Result<(), ArchiveError> {
        self.write(|tx| tx.execute("DELETE FROM case_document WHERE case_id = ?1", [case])).map(|_| ())
    }

    /// Replaces the report of a run by a corrected one.
    ///
    /// # Errors
    /// When it cannot be written: then the old one is still there.
    pub fn replace(&mut self, report: &Report) -> Result<(), ArchiveError> {
        let document =
            serde_json::to_string(report).map_err(|source| ArchiveError::Json { id: report.run.clone(), source })?;
        let record = Record::of(report)?;
        self.write(|tx| {
            tx.execute("DELETE FROM run WHERE run = ?1", [&report.run])?;
            insert(tx, &record, Some(&document))
        })
        .map(|_| ())
    }

    /// Gives the room of dropped records back to the file system.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn give_room_back(&mut self) -> Result<(), ArchiveError> {
        // Each row of this pragma frees pages: it must be read to its end. The write-ahead file is emptied after that.
        let free =
            |sql: &str| self.db.prepare(sql)?.query([])?.mapped(|_| Ok(())).collect::<rusqlite::Result<Vec<()>>>();
        free("PRAGMA incremental_vacuum")
            .and_then(|_| free("PRAGMA wal_checkpoint(TRUNCATE)"))
            .map(|_| ())
            .map_err(|error| self.told(error))
    }

    /// The rule that is applied after every kept run; none: all is kept.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn retention(&self) -> Result<Option<Retention>, ArchiveError> {
        self.db
            .query_row("SELECT older_than_s, keep FROM retention", [], |row| {
                Ok(Retention { older_than_s: row.get(0)?, keep: row.get(1)? })
            })
            .optional()
            .map_err(|error| self.told(error))
    }

    /// Sets or ends that rule.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn set_retention(&mut self, retention: Option<Retention>) -> Result<(), ArchiveError> {
        self.write(|tx| {
            tx.execute("DELETE FROM retention", [])?;
            if let Some(Retention { older_than_s, keep }) = retention {
                tx.execute("INSERT INTO retention VALUES (1, ?1, ?2)", params![older_than_s, keep])?;
            }
            Ok(())
        })
    }

    /// Applies the stored rule. The run just kept matters more than the old ones: a failure is logged and no error.
    pub(super) fn apply_retention(&mut self) {
        let applied = match self.retention() {
            Ok(None) => return,
            Ok(Some(retention)) => self.prune(retention, jiff::Timestamp::now().as_millisecond()).map(|_| ()),
            Err(error) => Err(error),
        };
        if let Err(error) = applied {
            tracing::warn!("old records could not be dropped: {error}");
        }
    }
}

/// Runs on which no open case rests.
const FREE: &str = "run NOT IN (SELECT case_run.run FROM case_run \
     JOIN case_document ON case_document.id = case_run.case_id WHERE case_document.state = 'open')";
/// Runs at or before the boundary, in order of start.
const OLD: &str = "(started_ms, id) <= (?1, ?2)";
/// Cases that go with the runs up to then.
const OVER: &str = "changed_ms <= ?1 AND state <> 'open'";

/// Runs dropped in one go: a few milliseconds' work (our own choice).
const PORTION: u64 = 500;

/// Start and row of the newest run that is dropped, or a pair before all of them.
fn boundary(db: &Connection, retention: Retention, now_ms: i64) -> rusqlite::Result<(i64, i64)> {
    let age_ms = retention.older_than_s.map(|s| i64::try_from(s).unwrap_or(i64::MAX).saturating_mul(1000));
    let by_age =
        age_ms.map_or((i64::MIN, i64::MIN), |age_ms| (now_ms.saturating_sub(age_ms).saturating_sub(1), i64::MAX));
    let Some(keep) = retention.keep else { return Ok(by_age) };
    let by_number = db
        .query_row(
            "SELECT started_ms, id FROM run ORDER BY started_ms DESC, id DESC LIMIT 1 OFFSET ?1",
            [i64::try_from(keep).unwrap_or(i64::MAX)],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .optional()?;
    Ok(by_number.map_or(by_age, |number| by_age.max(number)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ages_are_read_with_their_unit() {
        for (text, seconds) in [("36h", 129_600), ("400d", 34_560_000), ("6w", 3_628_800), ("2y", 63_072_000)] {
            assert_eq!(parse_age(text), Ok(seconds), "{text}");
        }
        for text in ["", "d", "0d", "-1d", "1.5d", "400", "4 d", "9999999999999y", "5ü", "3mo", "90m", "1d1us"] {
            assert_eq!(parse_age(text), Err(AgeError(text.into())));
        }
    }
}
