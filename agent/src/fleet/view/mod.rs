//! What the fleet's page asks of the database, a file for each subject. Values go as parameters only.

pub mod cards;
pub mod changes;
pub mod machines;
pub mod overview;
pub mod ports;
pub mod requests;
pub mod runs;
pub mod sessions;
pub mod tokens;

use std::{sync::Arc, time::Instant};

use deadpool_postgres::{Object, Pool};
use jiff::Timestamp;
use tokio::sync::{Mutex, RwLock};
use tokio_postgres::{Row, types::ToSql};

use super::{database, error::FleetError};
use crate::config::fleet::Database;

/// The database as the page sees it.
pub struct View {
    pool: Pool,
    /// The counts over all ports, and when they were made.
    counted: RwLock<Option<(Instant, Arc<overview::Counts>)>>,
    /// Held by whoever makes them.
    counting: Mutex<()>,
}

impl View {
    /// Of a database; it is not reached yet.
    ///
    /// # Errors
    /// As for [`database::pool`].
    pub fn new(database: &Database) -> Result<Self, FleetError> {
        Ok(Self { pool: database::pool(&limited(database))?, counted: RwLock::default(), counting: Mutex::default() })
    }

    async fn client(&self) -> Result<Object, FleetError> {
        self.pool.get().await.map_err(|error| FleetError::Unreachable(Box::new(error)))
    }

    /// Rows of a query. It is planned for these very values: what fits one port does not fit a whole site.
    async fn ask(&self, what: &'static str, sql: &str, values: &[Value<'_>]) -> Result<Vec<Row>, FleetError> {
        let client = self.client().await?;
        client.query(sql, values).await.map_err(|source| FleetError::Database { what, source })
    }

    /// Whether the database answers, and has the tables that this program knows.
    ///
    /// # Errors
    /// It does not, or has others.
    pub async fn check(&self) -> Result<(), FleetError> {
        let client = self.client().await?;
        database::check_format(&client).await
    }
}

/// A value of a query.
type Value<'a> = &'a (dyn ToSql + Sync);

/// No query of the page takes longer than a person waits.
fn limited(database: &Database) -> Database {
    let mut database = database.clone();
    // An address in the form of a URL is left as it is.
    if !database.connection.contains("options") && !database.connection.contains("://") {
        database.connection.push_str(QUERY_LIMIT);
    }
    database
}

/// Counting groups some ten thousand rows: in memory that takes half the time.
const QUERY_LIMIT: &str = " options='-c statement_timeout=15000 -c work_mem=32MB'";

/// Conditions that are given, with their values.
#[derive(Default)]
struct Conditions {
    sql: String,
    values: Vec<Box<dyn ToSql + Sync + Send>>,
}

impl Conditions {
    /// Adds a condition; `$?` in it stands for the value.
    fn and(&mut self, condition: &str, value: impl ToSql + Sync + Send + 'static) {
        let place = self.value(value);
        self.sql.push_str(" AND ");
        self.sql.push_str(&condition.replace("$?", &place));
    }

    /// Adds a value; what stands for it in the query.
    fn value(&mut self, value: impl ToSql + Sync + Send + 'static) -> String {
        self.values.push(Box::new(value));
        format!("${}", self.values.len())
    }

    /// Adds a condition if the value is given and not blank.
    fn given(&mut self, condition: &str, value: &str) {
        let value = value.trim();
        if !value.is_empty() {
            self.and(condition, value.to_owned());
        }
    }

    fn values(&self) -> Vec<Value<'_>> {
        self.values.iter().map(|value| &**value as Value<'_>).collect()
    }
}

/// The pattern of what begins with this text.
fn beginning(text: &str) -> String {
    whole(text) + "%"
}

/// The pattern of what is this text, in small letters: `%`, `_` and `\` in it stand for themselves.
fn whole(text: &str) -> String {
    let mut pattern = String::new();
    for character in text.trim().to_lowercase().chars() {
        if matches!(character, '%' | '_' | '\\') {
            pattern.push('\\');
        }
        pattern.push(character);
    }
    pattern
}

fn ms(time: Timestamp) -> i64 {
    time.as_millisecond()
}

fn ms_of(row: &Row, column: &str) -> Option<i64> {
    row.get::<_, Option<Timestamp>>(column).map(ms)
}

/// Entries of one list, at most.
pub const LIST_MAX: u32 = 1000;

#[cfg(test)]
mod tests {
    use turnback_core::watch::standing::State;

    use super::*;

    #[test]
    fn what_is_searched_for_stands_for_itself() {
        // LIKE knows %, _ and, by default, \ (SQL:2016, 8.5; PostgreSQL 15, 9.7.1).
        assert_eq!(beginning(" Q-1_2%\\ "), "q-1\\_2\\%\\\\%");
        assert_eq!(beginning(""), "%");
    }

    #[test]
    fn conditions_are_numbered_as_they_come() {
        let mut conditions = Conditions::default();
        conditions.given("a = $?", "x");
        conditions.given("b = $?", "  ");
        conditions.and("(c = $? OR d = $?)", 7_i32);
        assert_eq!(conditions.sql, " AND a = $1 AND (c = $2 OR d = $2)");
        assert_eq!(conditions.values().len(), 2);
    }

    #[test]
    fn the_database_ranks_states_as_every_list_does() {
        let migration = include_str!("../database/migrations/V2__view.sql");
        for (rank, state) in State::ALL.into_iter().enumerate() {
            let arm = format!("WHEN '{}' THEN {rank} ", state.name());
            assert!(migration.replace('\n', " ").contains(&arm), "{arm}");
            // A bad state stays as it was told where the machine is silent: those of rank 3 and below.
            assert_eq!(state.needs_attention(), rank <= 3, "{state:?}");
        }
        let silent = include_str!("../database/migrations/V4__silent_ports.sql");
        assert!(silent.contains("state_rank(told) > 3"));
    }
}
