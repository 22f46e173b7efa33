//! Tokens of the fleet's page. The tables hold digests only.

use serde::Serialize;
use sha2::{Digest, Sha256};

use super::{View, ms, ms_of};
use crate::{fleet::error::FleetError, secret};

/// What the holder of a token may do; each role may do all that those before it may.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Read metrics and health.
    Metrics,
    /// Read everything.
    Read,
    /// Ask machines for checks.
    Write,
}

impl Role {
    /// Every role, the least first.
    pub const ALL: [Self; 3] = [Self::Metrics, Self::Read, Self::Write];

    /// The word used everywhere.
    pub fn name(self) -> &'static str {
        match self {
            Self::Metrics => "metrics",
            Self::Read => "read",
            Self::Write => "write",
        }
    }

    fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.name() == word)
    }
}

/// A token. Times are ms since 1970-01-01 UTC.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Token {
    /// Its name.
    pub name: String,
    /// What its holder may do.
    pub role: Role,
    /// Who made it.
    pub by: String,
    /// When.
    pub made_ms: i64,
    /// When it was last used.
    pub last_used_ms: Option<i64>,
    /// SHA-256 of it.
    #[serde(skip)]
    pub digest: Vec<u8>,
}

impl View {
    /// All tokens, by name. Roles of a newer program are left out: nobody here knows what they may do.
    ///
    /// # Errors
    /// What the database says.
    pub async fn tokens(&self) -> Result<Vec<Token>, FleetError> {
        let sql = "SELECT name, role, digest, made_by, made_at, last_used_at FROM view_token ORDER BY name";
        let rows = self.ask("tokens", sql, &[]).await?;
        let token = |row: &tokio_postgres::Row| {
            Some(Token {
                name: row.get("name"),
                role: Role::of(row.get("role"))?,
                by: row.get("made_by"),
                made_ms: ms(row.get("made_at")),
                last_used_ms: ms_of(row, "last_used_at"),
                digest: row.get("digest"),
            })
        };
        Ok(rows.iter().filter_map(token).collect())
    }

    /// Makes a token, which is given this once; none: the name is taken.
    ///
    /// # Errors
    /// What the database says; the machine gives no random numbers.
    pub async fn make_token(&self, name: &str, role: Role, by: &str) -> Result<Option<String>, FleetError> {
        let secret = secret::random_digits().map_err(FleetError::Random)?;
        let digest = Sha256::digest(secret.as_bytes()).to_vec();
        let sql = "INSERT INTO view_token (name, role, digest, made_by) VALUES ($1, $2, $3, $4)
            ON CONFLICT (name) DO NOTHING RETURNING name";
        let made = self.ask("a new token", sql, &[&name, &role.name(), &digest, &by]).await?;
        Ok((!made.is_empty()).then_some(secret))
    }

    /// Revokes a token; false: there is none of this name.
    ///
    /// # Errors
    /// What the database says.
    pub async fn revoke_token(&self, name: &str) -> Result<bool, FleetError> {
        let sql = "DELETE FROM view_token WHERE name = $1 RETURNING name";
        Ok(!self.ask("a token's end", sql, &[&name]).await?.is_empty())
    }

    /// Notes when tokens were last used: name and ms since 1970-01-01 UTC.
    ///
    /// # Errors
    /// What the database says.
    pub async fn note_uses(&self, uses: &[(String, i64)]) -> Result<(), FleetError> {
        let names: Vec<&str> = uses.iter().map(|(name, _)| name.as_str()).collect();
        let times: Vec<f64> = uses.iter().map(|(_, ms)| *ms as f64 / 1e3).collect();
        let sql = "UPDATE view_token t SET last_used_at = to_timestamp(u.at)
            FROM unnest($1::text[], $2::float8[]) u(name, at)
            WHERE t.name = u.name AND (t.last_used_at IS NULL OR t.last_used_at < to_timestamp(u.at)) RETURNING t.name";
        self.ask("uses of tokens", sql, &[&names, &times]).await.map(|_| ())
    }
}

/// Whether a token may have this name.
pub fn is_name(name: &str) -> bool {
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    (1..=40).contains(&name.len()) && name.chars().all(plain)
}
