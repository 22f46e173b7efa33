//! Finding records: by filter, by the beginning of an id, and the latest of a place.

use rusqlite::{OptionalExtension, ToSql};
use turnback_core::document::{Document, DocumentKind, run::Report};

use super::Store;
use crate::archive::{
    RunAt,
    error::ArchiveError,
    filter::Filter,
    record::{Record, SHORT_ID_MIN},
};

impl Store {
    /// The newest runs first, at most `limit`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn runs(&self, filter: &Filter, limit: Option<u64>) -> Result<Vec<Record>, ArchiveError> {
        let before = filter.before.as_deref().map(|beginning| self.record(beginning)).transpose()?;
        let filter = &Filter { before: before.map(|record| record.run), ..filter.clone() };
        let (condition, values) = filter.sql();
        let limit = sql_limit(limit);
        let sql = format!("SELECT {} FROM run {condition} ORDER BY started_ms DESC, id DESC LIMIT {limit}", columns());
        let list = || {
            let mut statement = self.db.prepare_cached(&sql)?;
            let rows = statement.query_map(&*as_parameters(&values), Record::from_row)?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        list().map_err(|error| self.told(error))
    }

    /// How many there are.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn count(&self, filter: &Filter) -> Result<u64, ArchiveError> {
        let (condition, values) = filter.sql();
        self.db
            .prepare_cached(&format!("SELECT count(*) FROM run {condition}"))
            .and_then(|mut statement| statement.query_row(&*as_parameters(&values), |row| row.get(0)))
            .map_err(|error| self.told(error))
    }

    /// The columns of the run whose id begins so; `last` is the newest.
    ///
    /// # Errors
    /// [`ArchiveError::Unknown`], [`ArchiveError::Ambiguous`].
    pub fn record(&self, beginning: &str) -> Result<Record, ArchiveError> {
        if beginning == "last" {
            let newest = self.runs(&Filter::default(), Some(1))?.into_iter().next();
            return newest.ok_or_else(|| unknown(beginning));
        }
        let given = beginning.to_ascii_lowercase();
        let is_id = !given.is_empty() && given.bytes().all(|b| b.is_ascii_hexdigit() || b == b'-');
        if !is_id {
            return Err(unknown(beginning));
        }
        // `~` comes after every letter of an id.
        let sql = format!("SELECT {} FROM run WHERE run >= ?1 AND run < ?1 || '~' ORDER BY run LIMIT 4", columns());
        let find = || {
            let mut statement = self.db.prepare_cached(&sql)?;
            let rows = statement.query_map([&given], Record::from_row)?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        let mut found = find().map_err(|error| self.told(error))?;
        match found.len() {
            0 => Err(unknown(beginning)),
            1 => Ok(found.remove(0)),
            _ => Err(ArchiveError::Ambiguous {
                kind: DocumentKind::Run,
                given: beginning.to_owned(),
                ids: found.into_iter().map(|record| record.run).collect(),
            }),
        }
    }

    /// The shortest beginning of this id that no other has, at least [`SHORT_ID_MIN`] long: what people are shown to
    /// type.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn short_id(&self, run: &str) -> Result<String, ArchiveError> {
        let neighbour = |sql: &str| {
            let found: Option<String> = self.db.prepare_cached(sql)?.query_row([run], |row| row.get(0)).optional()?;
            Ok(found.map_or(0, |other| run.bytes().zip(other.bytes()).take_while(|(a, b)| a == b).count()))
        };
        let shared = neighbour("SELECT run FROM run WHERE run < ?1 ORDER BY run DESC LIMIT 1")
            .and_then(|before| Ok(before.max(neighbour("SELECT run FROM run WHERE run > ?1 ORDER BY run LIMIT 1")?)))
            .map_err(|error| self.told(error))?;
        let short = run.get(..(shared + 1).max(SHORT_ID_MIN)).unwrap_or(run);
        // One more letter is worth more than a hyphen at the end.
        Ok(if short.ends_with('-') { run.get(..short.len() + 1).unwrap_or(run) } else { short }.to_owned())
    }

    /// The report as it was kept, one JSON document; none where only the columns are known.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn document(&self, run: &str) -> Result<Option<String>, ArchiveError> {
        self.db
            .prepare_cached("SELECT document FROM report JOIN run ON run.id = report.run_id WHERE run.run = ?1")
            .and_then(|mut statement| statement.query_row([run], |row| row.get(0)).optional())
            .map_err(|error| self.told(error))
    }

    /// The report of a run.
    ///
    /// # Errors
    /// [`ArchiveError::ColumnsOnly`] where only the columns are known.
    pub(super) fn report(&self, run: &str) -> Result<Report, ArchiveError> {
        match self.document(run)? {
            Some(document) => parsed(run, &document),
            None => Err(match self.record(run) {
                Ok(record) if record.run == run => ArchiveError::ColumnsOnly { run: record.run },
                Ok(_) | Err(ArchiveError::Ambiguous { .. }) => unknown(run),
                Err(error) => error,
            }),
        }
    }

    /// The newest run at a place that tested something.
    pub(super) fn latest_at(&self, sought: &RunAt<'_>) -> Result<Option<Record>, ArchiveError> {
        let address = sought.port.permanent_address.as_deref();
        let same_port = match address {
            // By address, or by name where one of the two does not know its address.
            Some(_) => "(permanent_address = ?2 OR (permanent_address IS NULL AND port = ?1))",
            None => "(?2 IS NULL AND port = ?1)",
        };
        let sql = format!(
            "SELECT {} FROM run WHERE {same_port} AND machine = ?3 AND placement = ?4 \
             AND (?8 OR (cable IS ?5 AND segment IS ?6)) AND started_ms >= ?7 AND outcome <> 'not-tested' \
             ORDER BY started_ms DESC, id DESC LIMIT 1",
            columns()
        );
        let values = rusqlite::params![
            sought.port.name,
            address,
            sought.machine,
            sought.placement.name(),
            sought.cable,
            sought.segment,
            sought.since_ms,
            sought.is_before_the_cable()
        ];
        self.db
            .prepare_cached(&sql)
            .and_then(|mut statement| statement.query_row(values, Record::from_row).optional())
            .map_err(|error| self.told(error))
    }
}

/// A limit as SQLite takes it.
pub(super) fn sql_limit(limit: Option<u64>) -> i64 {
    limit.map_or(-1, |n| i64::try_from(n).unwrap_or(i64::MAX))
}

fn unknown(given: &str) -> ArchiveError {
    ArchiveError::Unknown { kind: Some(DocumentKind::Run), given: given.to_owned() }
}

/// Reads the report of a run.
pub(super) fn parsed(run: &str, document: &str) -> Result<Report, ArchiveError> {
    match Document::read(document) {
        Ok(Document::Run(report)) => Ok(*report),
        Ok(other) => Err(ArchiveError::NotARecord(format!("run {run} holds a {}", other.kind().name()))),
        Err(source) => Err(ArchiveError::Unreadable { kind: DocumentKind::Run, id: run.to_owned(), source }),
    }
}

impl Filter {
    /// The condition, with its values in order.
    pub(super) fn sql(&self) -> (String, Vec<Box<dyn ToSql>>) {
        let mut conditions: Vec<String> = Vec::new();
        let mut values: Vec<Box<dyn ToSql>> = Vec::new();
        let mut text = |columns: &[&str], given: &Option<String>| {
            if let Some(given) = given {
                let (operator, value) = matching(given);
                values.push(Box::new(value));
                let number = values.len();
                let any: Vec<_> = columns.iter().map(|column| format!("{column} {operator} ?{number}")).collect();
                conditions.push(format!("({})", any.join(" OR ")));
            }
        };
        text(&["port", "port_label"], &self.port);
        text(&["machine"], &self.machine);
        text(&["cable"], &self.cable);
        text(&["segment"], &self.segment);
        text(&["plug"], &self.plug);
        text(&["placement"], &self.placement.map(|p| p.name().to_owned()));
        text(&["outcome"], &self.outcome);
        for (operator, bound) in [(">=", self.since_ms), ("<", self.until_ms)] {
            if let Some(bound) = bound {
                values.push(Box::new(bound));
                conditions.push(format!("started_ms {operator} ?{}", values.len()));
            }
        }
        if let Some(before) = &self.before {
            values.push(Box::new(before.clone()));
            let number = values.len();
            // The order of lists: several runs may begin within a second, which is all that a report tells.
            conditions.push(format!("(started_ms, id) < (SELECT started_ms, id FROM run WHERE run = ?{number})"));
        }
        let condition =
            if conditions.is_empty() { String::new() } else { format!("WHERE {}", conditions.join(" AND ")) };
        (condition, values)
    }
}

/// Equipment `*` or `?` a pattern; `[` is only itself.
fn matching(given: &str) -> (&'static str, String) {
    if given.contains(['*', '?']) { ("GLOB", given.replace('[', "[[]")) } else { ("=", given.to_owned()) }
}

pub(super) fn as_parameters(values: &[Box<dyn ToSql>]) -> Vec<&dyn ToSql> {
    values.iter().map(|value| &**value).collect()
}

pub(super) fn columns() -> String {
    // Named with their table, since `run` is a column too and reports are joined to it.
    Record::COLUMNS.iter().map(|column| format!("run.{column}")).collect::<Vec<_>>().join(", ")
}
