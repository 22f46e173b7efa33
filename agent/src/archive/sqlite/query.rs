//! Finding records: by filter, by the beginning of an id, and the latest of a place.

use rusqlite::{OptionalExtension, ToSql};
use turnback_core::{base::placement::Placement, document::run::Report};

use super::{Store, record::Record};
use crate::archive::error::StoreError;

/// Which records; an empty filter is all. Labels and names may hold `*` and `?`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filter {
    /// The port's name or label.
    pub port: Option<String>,
    /// The machine.
    pub machine: Option<String>,
    /// The cable's label.
    pub cable: Option<String>,
    /// The segment's label.
    pub segment: Option<String>,
    /// The plug's label.
    pub plug: Option<String>,
    /// Where the plug was.
    pub placement: Option<Placement>,
    /// `pass`, `fault`, `undecided`, `not-tested`.
    pub outcome: Option<String>,
    /// Started at or after, milliseconds since 1970 UTC.
    pub since_ms: Option<i64>,
    /// Started before, milliseconds since 1970 UTC.
    pub until_ms: Option<i64>,
}

/// A place on a port, for which a record of another run may stand.
#[derive(Clone, Debug)]
pub struct Place<'a> {
    /// The machine.
    pub machine: &'a str,
    /// The port's name.
    pub port: &'a str,
    /// The address burnt into it: where both know it, it decides, since names move.
    pub permanent_address: Option<&'a str>,
    /// Where the plug was.
    pub placement: Placement,
    /// The cable, where the plug was beyond the port; none: no cable was named.
    pub cable: Option<&'a str>,
    /// The segment, likewise.
    pub segment: Option<&'a str>,
}

impl Store {
    /// The newest records first, at most `limit`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn list(&self, filter: &Filter, limit: Option<u64>) -> Result<Vec<Record>, StoreError> {
        let (condition, values) = filter.sql();
        let limit = limit.map_or(-1, |n| i64::try_from(n).unwrap_or(i64::MAX));
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
    pub fn count(&self, filter: &Filter) -> Result<u64, StoreError> {
        let (condition, values) = filter.sql();
        self.db
            .prepare_cached(&format!("SELECT count(*) FROM run {condition}"))
            .and_then(|mut statement| statement.query_row(&*as_parameters(&values), |row| row.get(0)))
            .map_err(|error| self.told(error))
    }

    /// The one whose id begins so; `last` is the newest.
    ///
    /// # Errors
    /// [`StoreError::NoRun`], [`StoreError::AmbiguousRun`].
    pub fn find(&self, beginning: &str) -> Result<Record, StoreError> {
        if beginning == "last" {
            let newest = self.list(&Filter::default(), Some(1))?.into_iter().next();
            return newest.ok_or_else(|| StoreError::NoRun { given: beginning.to_owned() });
        }
        let given = beginning.to_ascii_lowercase();
        let is_id = !given.is_empty() && given.bytes().all(|b| b.is_ascii_hexdigit() || b == b'-');
        if !is_id {
            return Err(StoreError::NoRun { given: beginning.to_owned() });
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
            0 => Err(StoreError::NoRun { given: beginning.to_owned() }),
            1 => Ok(found.remove(0)),
            _ => Err(StoreError::AmbiguousRun {
                given: beginning.to_owned(),
                runs: found.into_iter().map(|record| record.run).collect(),
            }),
        }
    }

    /// The shortest beginning of this id that no other has, at least [`SHORT_ID_MIN`] long: what people are shown to type.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn short_id(&self, run: &str) -> Result<String, StoreError> {
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
    pub fn document(&self, run: &str) -> Result<Option<String>, StoreError> {
        self.db
            .prepare_cached("SELECT document FROM report JOIN run ON run.id = report.run_id WHERE run.run = ?1")
            .and_then(|mut statement| statement.query_row([run], |row| row.get(0)).optional())
            .map_err(|error| self.told(error))
    }

    /// The report of a run.
    ///
    /// # Errors
    /// [`StoreError::NoDocument`] where only the columns are known.
    pub fn report(&self, run: &str) -> Result<Report, StoreError> {
        let document = self.document(run)?.ok_or_else(|| StoreError::NoDocument { run: run.to_owned() })?;
        serde_json::from_str(&document).map_err(|source| StoreError::Document { run: run.to_owned(), source })
    }

    /// The newest run at this place that tested something, started at or after `since_ms`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn latest(&self, place: &Place<'_>, since_ms: i64) -> Result<Option<Record>, StoreError> {
        let same_port = match place.permanent_address {
            // By address, or by name where one of the two does not know its address.
            Some(_) => "(permanent_address = ?2 OR (permanent_address IS NULL AND port = ?1))",
            None => "(?2 IS NULL AND port = ?1)",
        };
        let sql = format!(
            "SELECT {} FROM run WHERE {same_port} AND machine = ?3 AND placement = ?4 \
             AND (?8 OR (cable IS ?5 AND segment IS ?6)) AND started_ms >= ?7 AND outcome <> 'not-tested' ORDER BY started_ms DESC, id DESC LIMIT 1",
            columns()
        );
        let values = rusqlite::params![
            place.port,
            place.permanent_address,
            place.machine,
            place.placement.name(),
            place.cable,
            place.segment,
            since_ms,
            // Whatever cable was named, the signal did not pass it.
            matches!(place.placement, Placement::Internal | Placement::AtPort)
        ];
        self.db
            .prepare_cached(&sql)
            .and_then(|mut statement| statement.query_row(values, Record::from_row).optional())
            .map_err(|error| self.told(error))
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
        let condition =
            if conditions.is_empty() { String::new() } else { format!("WHERE {}", conditions.join(" AND ")) };
        (condition, values)
    }
}

/// With `*` or `?` a pattern; `[` is only itself.
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

/// Two groups of an id of version 7: its 48 bits of time in milliseconds.
pub const SHORT_ID_MIN: usize = 13;
