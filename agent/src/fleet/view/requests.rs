//! Checks that people asked machines for, and what became of each.

use serde::Serialize;
use tokio_postgres::Row;
use turnback_core::fleet::{
    request::{ACCEPTED, CheckAnswer, CheckRequest, DONE, REFUSED},
    subject::Sender,
};
use uuid::Uuid;

use super::{View, ms};
use crate::fleet::error::FleetError;

/// A check that somebody asked for. Times are ms since 1970-01-01 UTC.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Asked {
    /// Its id.
    pub request: String,
    /// Site of the machine.
    pub site: String,
    /// The machine.
    pub machine: String,
    /// The port.
    pub port: String,
    /// Who asked.
    pub by: String,
    /// When.
    pub asked_ms: i64,
    /// `asked`, `accepted`, `refused`, `done` or `lost`.
    pub state: String,
    /// The machine's answer, in words.
    pub says: Option<String>,
    /// Share of the run that is done, 0 to 1.
    pub share_done: Option<f64>,
    /// The run.
    pub run: Option<String>,
    /// The run is in the tables.
    pub is_here: bool,
}

const COLUMNS: &str = "q.id, m.site, m.name AS machine, q.port, q.asked_by, q.asked_at, q.state, q.answer, q.progress,
    q.run, q.run IS NOT NULL AND EXISTS (SELECT FROM run r WHERE r.id = q.run) AS is_here";

impl Asked {
    fn of(row: &Row) -> Self {
        let id = |id: Uuid| id.to_string();
        Self {
            request: id(row.get("id")),
            site: row.get("site"),
            machine: row.get("machine"),
            port: row.get("port"),
            by: row.get("asked_by"),
            asked_ms: ms(row.get("asked_at")),
            state: row.get("state"),
            says: row.get("answer"),
            share_done: row.get::<_, Option<serde_json::Value>>("progress").and_then(|share| share.as_f64()),
            run: row.get::<_, Option<Uuid>>("run").map(id),
            is_here: row.get("is_here"),
        }
    }

    /// Nothing more will be heard of it.
    pub fn is_over(&self) -> bool {
        !["asked", ACCEPTED].contains(&self.state.as_str())
    }
}

impl View {
    /// Puts a request on record, before it is sent.
    ///
    /// # Errors
    /// What the database says.
    pub async fn note_request(&self, machine: i32, request: &CheckRequest) -> Result<(), FleetError> {
        let id = Uuid::try_parse(&request.id).unwrap_or_default();
        let document = serde_json::to_value(request).unwrap_or_default();
        let sql = "INSERT INTO request (id, machine_id, port, document, asked_by, state)
            VALUES ($1, $2, $3, $4, $5, 'asked') RETURNING id";
        let values: [super::Value<'_>; 5] = [&id, &machine, &request.port, &document, &request.by];
        self.ask("a request", sql, &values).await.map(|_| ())
    }

    /// Notes what a machine answered. It counts only for a request of that machine, and only while that is not over.
    ///
    /// # Errors
    /// What the database says.
    pub async fn note_answer(&self, sender: &Sender, answer: &CheckAnswer) -> Result<(), FleetError> {
        let known = [ACCEPTED, REFUSED, DONE].contains(&answer.state.as_str());
        let (Ok(id), true) = (Uuid::try_parse(&answer.id), known) else { return Ok(()) };
        let run = answer.run.as_ref().and_then(|run| Uuid::try_parse(run).ok());
        let share = answer.share_done.map(serde_json::Value::from);
        let says: String = answer.says.chars().filter(|c| !c.is_control()).take(SAYS_MAX).collect();
        let sql = "UPDATE request q SET state = $4, answer = $5, progress = coalesce($6, q.progress),
                run = coalesce($7, q.run), changed_at = now()
            FROM machine m WHERE q.id = $1 AND m.id = q.machine_id AND m.site = $2 AND m.name = $3
                AND q.state IN ('asked', 'accepted', 'lost') RETURNING q.id";
        let (site, machine) = (sender.site.as_str(), sender.machine.as_str());
        let values: [super::Value<'_>; 7] = [&id, &site, &machine, &answer.state, &says, &share, &run];
        self.ask("an answer", sql, &values).await.map(|_| ())
    }

    /// Gives up requests that nobody answered, and runs of which nothing was heard for long.
    ///
    /// # Errors
    /// What the database says.
    pub async fn give_up_requests(&self) -> Result<(), FleetError> {
        let sql = "UPDATE request SET state = 'lost', changed_at = now(), answer = CASE state
                WHEN 'asked' THEN 'The machine did not answer: it is not connected, or does not accept requests.'
                ELSE 'Nothing was heard of the run for long. If it was made, it is among the runs.' END
            WHERE state = 'asked' AND asked_at < now() - interval '20 seconds'
                OR state = 'accepted' AND changed_at < now() - interval '6 hours' RETURNING id";
        self.ask("requests without an answer", sql, &[]).await.map(|_| ())
    }

    /// Requests, the newest first.
    ///
    /// # Errors
    /// What the database says.
    pub async fn requests(&self, limit: u32) -> Result<Vec<Asked>, FleetError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM request q JOIN machine m ON m.id = q.machine_id ORDER BY q.asked_at DESC
             LIMIT {limit}"
        );
        Ok(self.ask("requests", &sql, &[]).await?.iter().map(Asked::of).collect())
    }

    /// One request.
    ///
    /// # Errors
    /// What the database says.
    pub async fn request(&self, id: Uuid) -> Result<Option<Asked>, FleetError> {
        let sql = format!("SELECT {COLUMNS} FROM request q JOIN machine m ON m.id = q.machine_id WHERE q.id = $1");
        Ok(self.ask("a request", &sql, &[&id]).await?.first().map(Asked::of))
    }
}

const SAYS_MAX: usize = 500;
