//! Changes of ports' states: those of one port, and what became worse in the last day.

use serde::Serialize;
use tokio_postgres::Row;

use super::{View, ms};
use crate::fleet::error::FleetError;

/// A change of a port's state. Times are ms since 1970-01-01 UTC.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Change {
    /// Site of the machine.
    pub site: String,
    /// The machine.
    pub machine: String,
    /// The port.
    pub port: String,
    /// Its cabinet now.
    pub cabinet: Option<String>,
    /// State before, a word.
    pub from: String,
    /// State after, a word.
    pub to: String,
    /// What is held of the port now.
    pub now: String,
    /// When, by the machine's clock.
    pub at_ms: i64,
    /// When the broker had it.
    pub received_ms: i64,
    /// Why, in words.
    pub why: String,
}

const COLUMNS: &str = "m.site, m.name AS machine, p.name AS port, p.cabinet, c.from_state, c.to_state,
    shown_state(p.state, m.heard_at) AS state, c.at, c.received_at, c.why";

impl Change {
    fn of(row: &Row) -> Self {
        Self {
            site: row.get("site"),
            machine: row.get("machine"),
            port: row.get("port"),
            cabinet: row.get("cabinet"),
            from: row.get("from_state"),
            to: row.get("to_state"),
            now: row.get("state"),
            at_ms: ms(row.get("at")),
            received_ms: ms(row.get("received_at")),
            why: row.get("why"),
        }
    }
}

impl View {
    /// Changes of a port, the newest first.
    ///
    /// # Errors
    /// What the database says.
    pub async fn changes(&self, port: i32, limit: u32) -> Result<Vec<Change>, FleetError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM (SELECT * FROM state_change c WHERE c.port_id = $1 ORDER BY c.id DESC
             LIMIT {limit}) c JOIN port p ON p.id = c.port_id JOIN machine m ON m.id = c.machine_id
             ORDER BY c.id DESC"
        );
        Ok(self.ask("changes of a port", &sql, &[&port]).await?.iter().map(Change::of).collect())
    }

    /// Ports that became worse in the last day, by when the broker had it, the newest first.
    ///
    /// # Errors
    /// What the database says.
    pub async fn failures(&self, limit: u32) -> Result<Vec<Change>, FleetError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM (SELECT * FROM state_change c WHERE {WORSE} AND c.received_at > now() - {DAY}
             ORDER BY c.received_at DESC LIMIT {limit}) c JOIN port p ON p.id = c.port_id
             JOIN machine m ON m.id = c.machine_id ORDER BY c.received_at DESC, c.id DESC"
        );
        Ok(self.ask("failures of the last day", &sql, &[]).await?.iter().map(Change::of).collect())
    }

    /// How many changes of the last day made a port worse.
    pub(super) async fn failures_count(&self) -> Result<i64, FleetError> {
        let sql = format!("SELECT count(*) FROM state_change c WHERE {WORSE} AND c.received_at > now() - {DAY}");
        Ok(self.ask("failures of the last day", &sql, &[]).await?.first().map_or(0, |row| row.get(0)))
    }
}

/// As in the index `state_change_to_worse`.
const WORSE: &str = "c.to_state IN ('failed', 'suspect', 'gone', 'undecided')";
const DAY: &str = "interval '24 hours'";
