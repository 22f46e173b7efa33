//! Writes a batch of messages in one transaction. What is there already stays as it is.
//!
//! Rows of several messages go in one statement each, by arrays. Rows are written in the order of their keys, so that
//! collectors that write the same ports wait for each other and do not lock each other out.

mod documents;
mod ports;

use std::{
    collections::{BTreeMap, BTreeSet},
    time::Duration,
};

use jiff::{SignedDuration, Timestamp};
use tokio_postgres::{Client, Error, Transaction};
use turnback_core::fleet::subject::Sender;
use uuid::Uuid;

use super::taken::{Content, Delivered, Taken, moment_of};

/// A message that is set aside, with the reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAside {
    /// The message.
    pub message: Delivered,
    /// How often it was delivered.
    pub tries: i32,
    /// Why it cannot be taken.
    pub reason: String,
}

/// What a batch brought.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Written {
    /// Runs and changes of state that are new.
    pub new: u64,
    /// Those that were there already.
    pub known: u64,
    /// Cases, card tests, lots, states of ports and heartbeats.
    pub renewed: u64,
    /// Messages set aside.
    pub set_aside: u64,
    /// Messages that were not written, by their place in the batch: another machine's run has the id. With the reason.
    pub contested: Vec<(usize, String)>,
}

/// What a collector remembers between batches, so that it need not ask the database each time.
#[derive(Clone, Debug, Default)]
pub struct Known {
    machines: BTreeMap<Sender, i32>,
    ports: BTreeMap<(i32, String), i32>,
    months: BTreeSet<String>,
}

/// Which months get partitions of their own.
#[derive(Clone, Copy, Debug)]
pub struct Months {
    /// None before this.
    pub from: Timestamp,
    /// None after this.
    pub until: Timestamp,
}

impl Months {
    /// As far back as runs are kept, and two months ahead: a clock that is farther off is wrong.
    pub fn about(now: Timestamp, keep: Option<Duration>) -> Self {
        let keep = SignedDuration::try_from(keep.unwrap_or(KEEP_MAX).min(KEEP_MAX)).unwrap_or(SignedDuration::ZERO);
        Self {
            from: now.checked_sub(keep).unwrap_or(Timestamp::MIN),
            until: now.checked_add(AHEAD).unwrap_or(Timestamp::MAX),
        }
    }
}

/// Partitions reach no farther back.
const KEEP_MAX: Duration = Duration::from_secs(20 * 366 * 86_400);
/// Nor farther ahead.
const AHEAD: SignedDuration = SignedDuration::from_hours(24 * 62);

/// Makes the partitions that a batch needs. In a transaction of its own: it locks more than a batch does.
///
/// # Errors
/// What the database says.
pub async fn make_months(client: &Client, known: &mut Known, batch: &[Taken], within: Months) -> Result<(), Error> {
    let ids = batch.iter().flat_map(|taken| match &taken.content {
        Content::Run(run) => vec![run.id],
        Content::State(state) => state.changes.iter().filter_map(|change| change.id.parse().ok()).collect(),
        _ => Vec::new(),
    });
    for moment in ids.filter_map(moment_of).filter(|moment| (within.from..within.until).contains(moment)) {
        let month = moment.strftime("%Y-%m").to_string();
        if !known.months.contains(&month) {
            client.query_one("SELECT make_month($1)", &[&moment]).await?;
            known.months.insert(month);
        }
    }
    Ok(())
}

/// Writes a batch, whole or not at all. `announce` puts changes down for announcements.
///
/// # Errors
/// What the database says; then nothing is written.
pub async fn write(
    client: &mut Client,
    known: &mut Known,
    batch: &[Taken],
    aside: &[SetAside],
    announce: bool,
) -> Result<Written, Error> {
    let tx = client.transaction().await?;
    // What is learned counts only once it is committed.
    let mut learned = Known::default();
    let mut written = Written::default();
    machines(&tx, known, &mut learned, batch).await?;
    ports::find(&tx, known, &mut learned, batch).await?;
    let ids = Ids { known, learned: &learned };
    documents::runs(&tx, &ids, batch, &mut written).await?;
    documents::others(&tx, &ids, batch, &mut written).await?;
    ports::states(&tx, &ids, batch, announce, &mut written).await?;
    heartbeats(&tx, &ids, batch, &mut written).await?;
    set_aside(&tx, aside, &mut written).await?;
    tx.commit().await?;
    known.machines.append(&mut learned.machines);
    known.ports.append(&mut learned.ports);
    Ok(written)
}

impl Known {
    /// Forgets everything: somebody changed the tables by hand.
    pub fn forget(&mut self) {
        *self = Self::default();
    }
}

/// Numbers of machines and ports: those known before, and those learned in this transaction.
struct Ids<'a> {
    known: &'a Known,
    learned: &'a Known,
}

impl Ids<'_> {
    /// Of a machine; 0 is no machine's.
    fn machine(&self, sender: &Sender) -> i32 {
        self.learned.machines.get(sender).or_else(|| self.known.machines.get(sender)).copied().unwrap_or_default()
    }

    /// Of a port of a machine; 0 is no port's.
    fn port(&self, machine: i32, port: &str) -> i32 {
        let key = (machine, port.to_owned());
        self.learned.ports.get(&key).or_else(|| self.known.ports.get(&key)).copied().unwrap_or_default()
    }
}

/// Learns the numbers of machines that are not known yet.
async fn machines(tx: &Transaction<'_>, known: &Known, learned: &mut Known, batch: &[Taken]) -> Result<(), Error> {
    let mut fresh: BTreeMap<&Sender, Timestamp> = BTreeMap::new();
    for taken in batch.iter().filter(|taken| !known.machines.contains_key(&taken.sender)) {
        let heard = fresh.entry(&taken.sender).or_insert(taken.received);
        *heard = taken.received.max(*heard);
    }
    if fresh.is_empty() {
        return Ok(());
    }
    let sites: Vec<&str> = fresh.keys().map(|sender| sender.site.as_str()).collect();
    let names: Vec<&str> = fresh.keys().map(|sender| sender.machine.as_str()).collect();
    let heard: Vec<Timestamp> = fresh.values().copied().collect();
    tx.execute(
        "INSERT INTO machine (site, name, heard_at) SELECT * FROM unnest($1::text[], $2::text[], $3::timestamptz[])
         ON CONFLICT (site, name) DO NOTHING",
        &[&sites, &names, &heard],
    )
    .await?;
    let rows = tx
        .query(
            "SELECT m.id, m.site, m.name FROM machine m
             JOIN unnest($1::text[], $2::text[]) u(site, name) ON m.site = u.site AND m.name = u.name",
            &[&sites, &names],
        )
        .await?;
    for row in rows {
        let (site, name): (&str, &str) = (row.get(1), row.get(2));
        if let Some(sender) = fresh.keys().find(|s| s.site.as_str() == site && s.machine.as_str() == name) {
            learned.machines.insert((*sender).clone(), row.get(0));
        }
    }
    Ok(())
}

/// The newest heartbeat of each machine.
async fn heartbeats(tx: &Transaction<'_>, ids: &Ids<'_>, batch: &[Taken], written: &mut Written) -> Result<(), Error> {
    let mut newest = BTreeMap::new();
    for taken in batch {
        let Content::Heartbeat(beat) = &taken.content else { continue };
        let kept = newest.entry(ids.machine(&taken.sender)).or_insert((beat, taken.received));
        if beat.number > kept.0.number {
            *kept = (beat, taken.received);
        }
    }
    for (machine, (beat, received)) in newest {
        let states = serde_json::to_value(&beat.states).unwrap_or_default();
        let troubles: Vec<String> = beat.troubles.iter().map(|trouble| text(trouble)).collect();
        written.renewed += tx
            .execute(
                "UPDATE machine SET heard_at = greatest(heard_at, $2), number = $3, said_at = $4, program = $5,
                     host = $6, started_at = $7, ports = $8, needs_attention = $9, states = $10, waiting = $11,
                     oldest_at = $12, given_up = $13, troubles = $14, accepts_requests = $15
                 WHERE id = $1 AND number < $3",
                &[
                    &machine,
                    &received,
                    &beat.number,
                    &time(beat.at_ms),
                    &text(&beat.program),
                    &text(&beat.host),
                    &time(beat.started_ms),
                    &count(beat.ports),
                    &count(beat.needs_attention),
                    &states,
                    &big(beat.backlog.waiting),
                    &beat.backlog.oldest_ms.and_then(time),
                    &big(beat.backlog.given_up),
                    &troubles,
                    &beat.accepts_requests,
                ],
            )
            .await?;
    }
    Ok(())
}

async fn set_aside(tx: &Transaction<'_>, aside: &[SetAside], written: &mut Written) -> Result<(), Error> {
    for SetAside { message, tries, reason } in aside {
        let headers: BTreeMap<String, String> =
            message.headers.iter().map(|(name, value)| (text(name), text(value))).collect();
        let headers = serde_json::to_value(&headers).unwrap_or_default();
        written.set_aside += tx
            .execute(
                "INSERT INTO set_aside (subject, message_id, stream_sequence, published_at, tries, reason, headers,
                     payload)
                 VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT DO NOTHING",
                &[
                    &text(&message.subject),
                    &text(message.message_id()),
                    &message.sequence,
                    &message.published,
                    tries,
                    &text(reason),
                    &headers,
                    &message.payload.as_ref(),
                ],
            )
            .await?;
    }
    Ok(())
}

/// A text that the database takes: it has no character 0.
fn text(text: &str) -> String {
    text.replace('\0', "\u{fffd}")
}

fn texts(given: Option<&String>) -> Option<String> {
    given.map(|given| text(given))
}

/// A moment; none where nothing was known of it.
fn time(ms: i64) -> Option<Timestamp> {
    (ms != 0).then(|| Timestamp::from_millisecond(ms).ok()).flatten()
}

fn count(count: u32) -> i32 {
    i32::try_from(count).unwrap_or(i32::MAX)
}

fn big(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

fn uuid(text: Option<&String>) -> Option<Uuid> {
    text.and_then(|text| Uuid::try_parse(text).ok())
}
