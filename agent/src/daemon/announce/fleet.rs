//! Announcements of the fleet: what collectors put down, gathered into one document with a list, and delivered to each
//! target until it took it. So a switch that takes two hundred ports with it is told of once.
//!
//! Any number of collectors may do this: a lock in the database lets one gather at a time, and each delivery holds its
//! row. At least once, as for an agent: a collector that dies during a delivery has another tell it again, under the
//! same id.

use std::{collections::BTreeMap, sync::Arc, time::Duration};

use deadpool_postgres::Pool;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use tokio::sync::watch;
use tokio_postgres::{Client, Error};
use turnback_core::watch::standing::State;
use uuid::Uuid;

use super::{command, pause_after, post};
use crate::{
    config::{Target, Way, fleet::FleetConfig},
    error_chain::with_causes,
    fleet::{database, error::FleetError},
    guard::id::new_id,
};

/// Version of the document.
pub const FORMAT: u32 = 1;

/// What targets are told.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FleetAnnouncement {
    /// Version of this document.
    pub format: u32,
    /// Its id: the same at each attempt.
    pub id: String,
    /// `fleet-changed`.
    pub event: String,
    /// When it was made, RFC 3339 in UTC.
    pub at: String,
    /// Ports that changed.
    pub ports: usize,
    /// Of those, the ones that somebody has to look at.
    pub needs_attention: usize,
    /// All of it in a sentence.
    pub says: String,
    /// The ports, the worst first; of a long list the first.
    pub changes: Vec<Line>,
    /// Ports that are not in the list.
    pub left_out: usize,
}

/// How a port changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Line {
    /// Site of the machine.
    pub site: String,
    /// The machine.
    pub machine: String,
    /// The port.
    pub port: String,
    /// Label on the port.
    pub label: Option<String>,
    /// Its cable.
    pub cable: Option<String>,
    /// Its cabinet.
    pub cabinet: Option<String>,
    /// State before the first of its changes.
    pub from: String,
    /// State after the last.
    pub to: String,
    /// When it last changed, RFC 3339 in UTC.
    pub at: String,
    /// Why, in words.
    pub why: String,
}

impl Line {
    /// Place in a list: the worst state first. A state of a newer program stands first: nobody here knows it.
    fn rank(&self) -> usize {
        State::ALL.iter().position(|state| state.name() == self.to).unwrap_or(0)
    }

    fn needs_attention(&self) -> bool {
        State::ALL.iter().any(|state| state.name() == self.to && state.needs_attention())
    }
}

impl FleetAnnouncement {
    /// Of changes, the oldest first, by the number of their port. A port that is back where it was is left out; none:
    /// all are.
    pub fn new(changes: Vec<(i32, Line)>, at: Timestamp) -> Option<Self> {
        let mut by_port: BTreeMap<i32, Line> = BTreeMap::new();
        for (port, change) in changes {
            let from = by_port.get(&port).map_or_else(|| change.from.clone(), |before| before.from.clone());
            by_port.insert(port, Line { from, ..change });
        }
        let mut lines: Vec<Line> = by_port.into_values().filter(|line| line.from != line.to).collect();
        lines.sort_by(|a, b| (a.rank(), &a.site, &a.machine, &a.port).cmp(&(b.rank(), &b.site, &b.machine, &b.port)));
        let first = lines.first()?;
        let needs_attention = lines.iter().filter(|line| line.needs_attention()).count();
        let says = match &lines[..] {
            [one] => format!("{} {} {}: {} to {}: {}", one.site, one.machine, one.port, one.from, one.to, one.why),
            _ => format!(
                "{} ports changed, {needs_attention} of them need attention; first {} {} {}: {}",
                lines.len(),
                first.site,
                first.machine,
                first.port,
                first.to
            ),
        };
        let (ports, left_out) = (lines.len(), lines.len().saturating_sub(LISTED_MAX));
        lines.truncate(LISTED_MAX);
        let id = new_id().to_string();
        let event = EVENT.to_owned();
        Some(Self {
            format: FORMAT,
            id,
            event,
            at: at.to_string(),
            ports,
            needs_attention,
            says,
            changes: lines,
            left_out,
        })
    }
}

/// Gathers and delivers until `stop` turns true. The database may come and go meanwhile.
///
/// # Errors
/// The database's password or authority cannot be read.
pub async fn announce_for_ever(config: Arc<FleetConfig>, mut stop: watch::Receiver<bool>) -> Result<(), FleetError> {
    let pool = database::pool(&config.database)?;
    loop {
        if let Err(error) = go_round(&pool, &config).await {
            tracing::warn!(error, "nothing is announced now");
        }
        if tokio::time::timeout(EVERY, stop.wait_for(|stopped| *stopped)).await.is_ok() {
            return Ok(());
        }
    }
}

async fn go_round(pool: &Pool, config: &FleetConfig) -> Result<(), String> {
    let mut client = pool.get().await.map_err(|error| with_causes(&error))?;
    let names: Vec<String> = config.targets.iter().map(|target| target.name.clone()).collect();
    gather(&mut client, &names, config.collect.gather).await.map_err(|error| with_causes(&error))?;
    for _ in 0..DELIVERIES_AT_ONCE {
        if !deliver_one(&mut client, &config.targets).await.map_err(|error| with_causes(&error))? {
            break;
        }
    }
    Ok(())
}

/// Makes one announcement of all that was put down, once the oldest has waited for `gather`.
async fn gather(client: &mut Client, targets: &[String], gather: Duration) -> Result<(), Error> {
    let tx = client.transaction().await?;
    // Somebody else gathers: there is nothing to do here.
    if !tx.query_one("SELECT pg_try_advisory_xact_lock(7440, 2)", &[]).await?.get::<_, bool>(0) {
        return Ok(());
    }
    let is_due = "SELECT coalesce(min(received_at) < now() - make_interval(secs => $1), false) FROM unannounced";
    if !tx.query_one(is_due, &[&gather.as_secs_f64()]).await?.get::<_, bool>(0) {
        return Ok(());
    }
    let rows = tx
        .query(
            "SELECT u.change_id, u.port_id, u.from_state, u.to_state, u.at, u.why, m.site, m.name, p.name, p.label,
                 p.cable, p.cabinet
             FROM unannounced u JOIN port p ON p.id = u.port_id JOIN machine m ON m.id = p.machine_id
             ORDER BY u.received_at, u.at, u.change_id",
            &[],
        )
        .await?;
    let line = |row: &tokio_postgres::Row| {
        let line = Line {
            from: row.get(2),
            to: row.get(3),
            at: row.get::<_, Timestamp>(4).to_string(),
            why: row.get(5),
            site: row.get(6),
            machine: row.get(7),
            port: row.get(8),
            label: row.get(9),
            cable: row.get(10),
            cabinet: row.get(11),
        };
        (row.get(1), line)
    };
    if let Some(announcement) = FleetAnnouncement::new(rows.iter().map(line).collect(), Timestamp::now()) {
        let document = serde_json::to_value(&announcement).unwrap_or_default();
        let ports = i32::try_from(announcement.ports).unwrap_or(i32::MAX);
        let id = Uuid::try_parse(&announcement.id).unwrap_or_default();
        tx.execute(
            "INSERT INTO announcement (id, target, changes, document) SELECT $1, t, $2, $3 FROM unnest($4::text[]) t",
            &[&id, &ports, &document, &targets],
        )
        .await?;
        tx.execute("DELETE FROM announcement WHERE sent_at < now() - interval '90 days'", &[]).await?;
    }
    let gathered: Vec<Uuid> = rows.iter().map(|row| row.get(0)).collect();
    tx.execute("DELETE FROM unannounced WHERE change_id = ANY($1)", &[&gathered]).await?;
    tx.commit().await
}

/// Tries one that is due. Its row is held meanwhile, so that nobody else tells the same. False: none is due.
async fn deliver_one(client: &mut Client, targets: &[Target]) -> Result<bool, Error> {
    let names: Vec<&str> = targets.iter().map(|target| target.name.as_str()).collect();
    let tx = client.transaction().await?;
    let due = tx
        .query_opt(
            "SELECT id, target, document, attempts FROM announcement
             WHERE sent_at IS NULL AND next_try_at <= now() AND target = ANY($1)
             ORDER BY next_try_at LIMIT 1 FOR UPDATE SKIP LOCKED",
            &[&names],
        )
        .await?;
    let Some(row) = due else { return Ok(false) };
    let (id, name, attempts): (Uuid, &str, i32) = (row.get(0), row.get(1), row.get(3));
    let Some(target) = targets.iter().find(|target| target.name == name) else { return Ok(false) };
    match tell(target, row.get(2)).await {
        Ok(()) => {
            tx.execute("UPDATE announcement SET sent_at = now() WHERE id = $1 AND target = $2", &[&id, &name]).await?;
        }
        Err(error) => {
            let wait = pause_after(attempts.unsigned_abs());
            let next_try_s = wait.as_secs();
            let attempts = attempts + 1;
            tracing::warn!(%id, target = name, attempts, error, next_try_s, "announcement not delivered");
            tx.execute(
                "UPDATE announcement SET attempts = attempts + 1, last_error = $3,
                     next_try_at = clock_timestamp() + make_interval(secs => $4) WHERE id = $1 AND target = $2",
                &[&id, &name, &error, &wait.as_secs_f64()],
            )
            .await?;
        }
    }
    tx.commit().await?;
    Ok(true)
}

async fn tell(target: &Target, document: serde_json::Value) -> Result<(), String> {
    let told: FleetAnnouncement = serde_json::from_value(document).map_err(|error| error.to_string())?;
    let text = serde_json::to_string(&told).map_err(|error| error.to_string())?;
    match &target.way {
        Way::Log => {
            let FleetAnnouncement { id, ports, needs_attention, says, .. } = told;
            tracing::warn!(announcement = id, ports, needs_attention, says, "announcement");
            Ok(())
        }
        Way::Command(words) => {
            let (ports, need) = (told.ports.to_string(), told.needs_attention.to_string());
            let environment = [
                ("TURNBACK_ID", told.id.as_str()),
                ("TURNBACK_EVENT", EVENT),
                ("TURNBACK_PORTS", &ports),
                ("TURNBACK_NEEDS_ATTENTION", &need),
                ("TURNBACK_AT", &told.at),
                ("TURNBACK_SAYS", &told.says),
            ];
            command::run(words, target.time_limit, &environment, &text).await
        }
        Way::Webhook { url, secret_file } => {
            post(target, url, secret_file.clone(), told.id, text, Timestamp::now().as_second()).await
        }
    }
}

const EVENT: &str = "fleet-changed";
/// How often it is looked for what is due.
const EVERY: Duration = Duration::from_secs(1);
/// Deliveries between two looks at what was put down.
const DELIVERIES_AT_ONCE: usize = 8;
/// Ports that one document lists: more are no reading for a person.
const LISTED_MAX: usize = 500;

#[cfg(test)]
mod tests {
    use super::*;

    fn change(port: i32, from: &str, to: &str) -> (i32, Line) {
        let line = Line {
            site: "north-quay".into(),
            machine: "closet-3".into(),
            port: format!("quay{port}"),
            label: None,
            cable: None,
            cabinet: None,
            from: from.into(),
            to: to.into(),
            at: "1970-01-01T00:00:00Z".into(),
            why: "no-link".into(),
        };
        (port, line)
    }

    #[test]
    fn a_storm_is_one_document_with_the_worst_first() {
        let mut changes: Vec<_> = (0..700).map(|port| change(port, "proven", "suspect")).collect();
        changes.push(change(3, "suspect", "failed"));
        changes.push(change(4, "suspect", "proven"));
        let told = FleetAnnouncement::new(changes, Timestamp::UNIX_EPOCH).unwrap();
        assert_eq!((told.ports, told.needs_attention, told.changes.len(), told.left_out), (699, 699, 500, 199));
        let first = &told.changes[0];
        assert_eq!((first.port.as_str(), first.from.as_str(), first.to.as_str()), ("quay3", "proven", "failed"));
        assert!(told.says.starts_with("699 ports changed"), "{}", told.says);
        assert!(!told.changes.iter().any(|line| line.port == "quay4"), "it is back where it was");
    }

    #[test]
    fn one_change_says_all_and_what_came_back_says_nothing() {
        let told = FleetAnnouncement::new(vec![change(3, "proven", "failed")], Timestamp::UNIX_EPOCH).unwrap();
        assert_eq!(told.says, "north-quay closet-3 quay3: proven to failed: no-link");
        let back = vec![change(3, "proven", "gone"), change(3, "gone", "proven")];
        assert_eq!(FleetAnnouncement::new(back, Timestamp::UNIX_EPOCH), None);
        assert_eq!(FleetAnnouncement::new(Vec::new(), Timestamp::UNIX_EPOCH), None);
    }
}
