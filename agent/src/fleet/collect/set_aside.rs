//! Messages that no collector could take: listed, and taken again once a collector can.

use jiff::Timestamp;
use serde::Serialize;
use tokio_postgres::Client;

use super::{
    taken::{Delivered, take},
    write::{self, Known, Months, Written},
};
use crate::{error_chain::with_causes, fleet::error::FleetError};

/// A message that was set aside.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Line {
    /// Its number in the table.
    pub id: i64,
    /// When it was set aside, RFC 3339.
    pub set_aside_at: String,
    /// Its subject.
    pub subject: String,
    /// Its id; empty if it has none.
    pub message_id: String,
    /// How often it was tried.
    pub tries: i32,
    /// Size of what was sent, bytes.
    pub bytes: i32,
    /// Why it cannot be taken.
    pub reason: String,
}

/// The newest messages that were set aside.
///
/// # Errors
/// The database refuses.
pub async fn list(client: &Client, limit: i64) -> Result<Vec<Line>, FleetError> {
    let rows = client
        .query(
            "SELECT id, set_aside_at, subject, message_id, tries, length(payload), reason FROM set_aside
             ORDER BY id DESC LIMIT $1",
            &[&limit],
        )
        .await
        .map_err(told)?;
    let line = |row: &tokio_postgres::Row| Line {
        id: row.get(0),
        set_aside_at: row.get::<_, Timestamp>(1).strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
        subject: row.get(2),
        message_id: row.get(3),
        tries: row.get(4),
        bytes: row.get(5),
        reason: row.get(6),
    };
    Ok(rows.iter().map(line).collect())
}

/// What became of messages that were tried again.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Retried {
    /// They are in the tables now.
    pub taken: u64,
    /// Those that still cannot be taken: number and reason.
    pub refused: Vec<(i64, String)>,
}

/// Tries every message again, the oldest first. What is taken leaves the list.
///
/// # Errors
/// The database refuses.
pub async fn retry(client: &mut Client, announce: bool) -> Result<Retried, FleetError> {
    let mut retried = Retried::default();
    let mut known = Known::default();
    let mut after = 0_i64;
    loop {
        let next = client
            .query_opt(
                "SELECT id, subject, headers, payload, stream_sequence, published_at FROM set_aside WHERE id > $1
                 ORDER BY id LIMIT 1",
                &[&after],
            )
            .await
            .map_err(told)?;
        let Some(row) = next else { return Ok(retried) };
        after = row.get(0);
        let message = Delivered {
            subject: row.get(1),
            headers: serde_json::from_value(row.get(2)).unwrap_or_default(),
            payload: row.get::<_, Vec<u8>>(3).into(),
            sequence: row.get(4),
            published: row.get(5),
        };
        let done: Result<Written, String> = match take(&message) {
            Err(why) => Err(why.reason()),
            Ok(taken) => {
                let one = std::slice::from_ref(&taken);
                let within = Months::about(Timestamp::now(), None);
                write::make_months(client, &mut known, one, within).await.map_err(told)?;
                let written = write::write(client, &mut known, one, &[], announce).await;
                written.map_err(|error| with_causes(&error)).and_then(|written| match written.contested.first() {
                    Some((_, why)) => Err(why.clone()),
                    None => Ok(written),
                })
            }
        };
        match done {
            Ok(_) => {
                client.execute("DELETE FROM set_aside WHERE id = $1", &[&after]).await.map_err(told)?;
                retried.taken += 1;
            }
            Err(reason) => retried.refused.push((after, reason)),
        }
    }
}

fn told(source: tokio_postgres::Error) -> FleetError {
    FleetError::Database { what: "the messages set aside", source }
}
