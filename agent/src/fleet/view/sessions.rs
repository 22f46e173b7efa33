//! Sessions of the fleet's page: who opened one until when. The tables hold digests only.

use std::collections::BTreeSet;

use super::{View, ms};
use crate::fleet::error::FleetError;

/// An open session. Times are ms since 1970-01-01 UTC.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Session {
    /// SHA-256 of its name.
    pub digest: Vec<u8>,
    /// Name of the token that opened it.
    pub token: String,
    /// When it was opened.
    pub opened_ms: i64,
    /// When it ends by itself.
    pub ends_ms: i64,
}

impl View {
    /// Sessions that are open.
    ///
    /// # Errors
    /// What the database says.
    pub async fn sessions(&self) -> Result<Vec<Session>, FleetError> {
        let sql = "SELECT s.digest, t.name, s.opened_at, s.ends_at FROM view_session s
            JOIN view_token t ON t.digest = s.token WHERE s.ends_at > now()";
        let rows = self.ask("sessions", sql, &[]).await?;
        let session = |row: &tokio_postgres::Row| Session {
            digest: row.get("digest"),
            token: row.get("name"),
            opened_ms: ms(row.get("opened_at")),
            ends_ms: ms(row.get("ends_at")),
        };
        Ok(rows.iter().map(session).collect())
    }

    /// Keeps sessions that were opened, and forgets those that were closed, by their digests, or are over.
    ///
    /// # Errors
    /// What the database says.
    pub async fn note_sessions(&self, opened: &[Session], closed: &BTreeSet<Vec<u8>>) -> Result<(), FleetError> {
        let closed: Vec<&[u8]> = closed.iter().map(Vec::as_slice).collect();
        let over = "DELETE FROM view_session WHERE digest = ANY($1) OR ends_at < now()";
        self.ask("sessions that are over", over, &[&closed]).await?;
        if opened.is_empty() {
            return Ok(());
        }
        let digests: Vec<&[u8]> = opened.iter().map(|session| session.digest.as_slice()).collect();
        let tokens: Vec<&str> = opened.iter().map(|session| session.token.as_str()).collect();
        let seconds = |ms: fn(&Session) -> i64| opened.iter().map(|one| ms(one) as f64 / 1e3).collect::<Vec<f64>>();
        let (begun, ends) = (seconds(|session| session.opened_ms), seconds(|session| session.ends_ms));
        let sql = "INSERT INTO view_session SELECT u.digest, t.digest, to_timestamp(u.opened), to_timestamp(u.ends)
            FROM unnest($1::bytea[], $2::text[], $3::float8[], $4::float8[]) u(digest, token, opened, ends)
            JOIN view_token t ON t.name = u.token ON CONFLICT DO NOTHING";
        self.ask("new sessions", sql, &[&digests, &tokens, &begun, &ends]).await.map(|_| ())
    }
}
