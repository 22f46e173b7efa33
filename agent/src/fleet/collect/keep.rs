//! Drops what is older than the configuration keeps, and makes the coming months' partitions ahead of time.

use std::{sync::Arc, time::Duration};

use jiff::{SignedDuration, Timestamp};
use tokio::sync::watch;
use tokio_postgres::Client;

use super::stopped_within;
use crate::{
    config::fleet::FleetConfig,
    error_chain::with_causes,
    fleet::{database, error::FleetError},
};

/// Looks each hour, until stopped.
pub(super) async fn keep_for_ever(config: Arc<FleetConfig>, mut stop: watch::Receiver<bool>) {
    loop {
        if let Err(error) = keep(&config, Timestamp::now()).await {
            tracing::warn!(error = with_causes(&error), "old records are dropped later");
        }
        if stopped_within(&mut stop, EVERY).await {
            return;
        }
    }
}

/// Once, as of `now`; says which partitions were dropped.
///
/// # Errors
/// The database cannot be reached or refuses.
pub async fn keep(config: &FleetConfig, now: Timestamp) -> Result<Vec<String>, FleetError> {
    // A connection of its own: it locks whole tables, and gives up rather than let others wait long.
    let client = database::connect(&config.database).await?;
    let told = |source| FleetError::Database { what: "the partitions", source };
    client.batch_execute("SET lock_timeout = '5s'").await.map_err(told)?;
    for days in [0, 31] {
        let month = now.checked_add(SignedDuration::from_hours(24 * days)).unwrap_or(now);
        client.query_one("SELECT make_month($1)", &[&month]).await.map_err(told)?;
    }
    let mut dropped = Vec::new();
    for (table, keep) in [("run", config.collect.keep_runs), ("state_change", config.collect.keep_changes)] {
        let before = keep.and_then(|keep| now.checked_sub(SignedDuration::try_from(keep).ok()?).ok());
        if let Some(before) = before {
            dropped.extend(drop_before(&client, table, before).await.map_err(told)?);
        }
    }
    if !dropped.is_empty() {
        tracing::info!(partitions = dropped.join(", "), "old records dropped");
    }
    Ok(dropped)
}

async fn drop_before(client: &Client, table: &str, before: Timestamp) -> Result<Vec<String>, tokio_postgres::Error> {
    let rows = client.query("SELECT drop_before($1, $2)", &[&table, &before]).await?;
    Ok(rows.iter().map(|row| row.get(0)).collect())
}

const EVERY: Duration = Duration::from_secs(3600);
