//! Machines, the silent ones first.

use serde::Serialize;
use tokio_postgres::Row;

use super::{Conditions, View, beginning, ms, ms_of};
use crate::fleet::error::FleetError;

/// A machine, and how it fared when it was last heard. Times are ms since 1970-01-01 UTC.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Machine {
    /// Its number in the tables.
    #[serde(skip)]
    pub id: i32,
    /// Its site.
    pub site: String,
    /// Its name.
    pub machine: String,
    /// When the broker last had something of it.
    pub heard_ms: i64,
    /// It was not heard for longer than a few heartbeats.
    pub silent: bool,
    /// Program and version.
    pub program: Option<String>,
    /// Its host name.
    pub host: Option<String>,
    /// When its agent started.
    pub started_ms: Option<i64>,
    /// Ports that it has or its configuration names.
    pub ports: Option<i32>,
    /// Of those, the ones that somebody has to look at.
    pub needs_attention: Option<i32>,
    /// What waits in its outbox.
    pub waiting: Option<i64>,
    /// When the oldest of that came up.
    pub oldest_ms: Option<i64>,
    /// What its outbox gave up since the agent started.
    pub given_up: Option<i64>,
    /// What is wrong with its agent.
    pub troubles: Vec<String>,
    /// It accepts checks that this page asks for.
    pub accepts_requests: bool,
}

const COLUMNS: &str = "m.id, m.site, m.name, m.heard_at, m.program, m.host, m.started_at, m.ports, m.needs_attention,
    m.waiting, m.oldest_at, m.given_up, m.troubles, m.accepts_requests, is_silent(m.heard_at) AS silent";

impl Machine {
    fn of(row: &Row) -> Self {
        Self {
            id: row.get("id"),
            site: row.get("site"),
            machine: row.get("name"),
            heard_ms: ms(row.get("heard_at")),
            silent: row.get("silent"),
            program: row.get("program"),
            host: row.get("host"),
            started_ms: ms_of(row, "started_at"),
            ports: row.get("ports"),
            needs_attention: row.get("needs_attention"),
            waiting: row.get("waiting"),
            oldest_ms: ms_of(row, "oldest_at"),
            given_up: row.get("given_up"),
            troubles: row.get::<_, Option<Vec<String>>>("troubles").unwrap_or_default(),
            accepts_requests: row.get("accepts_requests"),
        }
    }
}

/// What a list of machines is narrowed to; empty means all.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Narrowed {
    /// Site.
    pub site: String,
    /// Beginning of a name or a site.
    pub q: String,
    /// Silent ones only.
    pub silent: bool,
    /// The list goes on after this many.
    pub skip: i64,
}

impl View {
    /// Machines, the one that was silent longest first.
    ///
    /// # Errors
    /// What the database says.
    pub async fn machines(&self, narrowed: &Narrowed, limit: u32) -> Result<Vec<Machine>, FleetError> {
        let mut conditions = Conditions::default();
        conditions.given("m.site = $?", &narrowed.site);
        if !narrowed.q.trim().is_empty() {
            conditions.and("(lower(m.name) LIKE $? OR lower(m.site) LIKE $?)", beginning(&narrowed.q));
        }
        if narrowed.silent {
            conditions.sql.push_str(" AND is_silent(m.heard_at)");
        }
        let sql = format!(
            "SELECT {COLUMNS} FROM machine m WHERE true{} ORDER BY m.heard_at, m.id LIMIT {limit} OFFSET {}",
            conditions.sql,
            narrowed.skip.max(0)
        );
        let rows = self.ask("machines", &sql, &conditions.values()).await?;
        Ok(rows.iter().map(Machine::of).collect())
    }

    /// One machine.
    ///
    /// # Errors
    /// What the database says.
    pub async fn machine(&self, site: &str, name: &str) -> Result<Option<Machine>, FleetError> {
        let sql = format!("SELECT {COLUMNS} FROM machine m WHERE m.site = $1 AND m.name = $2");
        Ok(self.ask("a machine", &sql, &[&site, &name]).await?.first().map(Machine::of))
    }
}
