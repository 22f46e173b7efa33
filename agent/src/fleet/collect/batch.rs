//! One batch: read, written, acknowledged.

use std::time::Duration;

use async_nats::jetstream::{AckKind, Message};
use deadpool_postgres::Pool;
use jiff::Timestamp;
use tokio::sync::watch;
use tokio_postgres::error::SqlState;

use super::{
    stopped_within,
    taken::{Delivered, Taken, Unusable, take},
    write::{self, Known, Months, Poison, Written},
};
use crate::{config::fleet::FleetConfig, error_chain::with_causes};

/// Where a batch goes.
pub(super) struct Batch<'a> {
    pub pool: &'a Pool,
    pub config: &'a FleetConfig,
    pub stop: watch::Receiver<bool>,
}

/// Messages, and what they say, in the same order.
#[derive(Default)]
struct Part {
    messages: Vec<Message>,
    rows: Vec<Taken>,
}

impl Part {
    /// Keeps the first half; gives the second.
    fn split(&mut self) -> Self {
        let half = self.rows.len() / 2;
        Self { messages: self.messages.split_off(half), rows: self.rows.split_off(half) }
    }
}

impl Batch<'_> {
    /// Writes what can be taken and acknowledges it. What cannot comes again, or is set aside. None: the database was
    /// away; all come again.
    pub(super) async fn put(mut self, messages: Vec<Message>, known: &mut Known) -> Option<Written> {
        let mut whole = Part::default();
        let mut refused = Vec::new();
        for message in messages {
            match delivered(&message).and_then(|delivered| take(&delivered)) {
                Ok(taken) => {
                    whole.messages.push(message);
                    whole.rows.push(taken);
                }
                Err(why) => refused.push((message, why.reason())),
            }
        }
        let mut total = Written::default();
        // Halves of a batch that the database refuses, until the message is found that it does not take.
        let mut open = vec![whole];
        while let Some(mut part) = open.pop() {
            if part.rows.is_empty() {
                continue;
            }
            match self.write(&part.rows, &[], known).await {
                Ok(written) => {
                    add(&mut total, written);
                    acknowledge(part.messages.iter()).await;
                }
                Err(Away) => {
                    give_back(part.messages.into_iter().chain(open.into_iter().flat_map(|part| part.messages))).await;
                    give_back(refused.into_iter().map(|(message, _)| message)).await;
                    return None;
                }
                Err(Data(why)) if part.rows.len() == 1 => {
                    refused.extend(part.messages.pop().map(|message| (message, Unusable::Refused(why).reason())));
                }
                Err(Data(_)) => {
                    let rest = part.split();
                    open.extend([rest, part]);
                }
            }
        }
        self.refuse(refused, known, &mut total).await;
        Some(total)
    }

    /// Sets aside what was tried often enough; the rest comes again later.
    async fn refuse(&mut self, refused: Vec<(Message, String)>, known: &mut Known, total: &mut Written) {
        for (message, reason) in refused {
            let tries = message.info().map_or(1, |info| info.delivered);
            let subject = message.subject.as_str();
            if tries < i64::from(self.config.collect.tries) {
                tracing::warn!(subject, tries, reason, "a message cannot be taken; it is tried again");
                let later = TRY_AGAIN * u32::try_from(tries).unwrap_or(u32::MAX).clamp(1, 30);
                let _ = message.ack_with(AckKind::Nak(Some(later))).await;
                continue;
            }
            let Ok(whole) = delivered(&message) else { continue };
            let poison = Poison { message: whole, tries: i32::try_from(tries).unwrap_or(i32::MAX), reason };
            match self.write(&[], std::slice::from_ref(&poison), known).await {
                Ok(written) => {
                    let Poison { reason, .. } = &poison;
                    tracing::error!(subject, tries, reason, "a message is set aside: turnback fleet poison lists it");
                    add(total, written);
                    acknowledge(std::iter::once(&message)).await;
                }
                Err(_) => give_back(std::iter::once(message)).await,
            }
        }
    }

    /// Writes, and waits a while for a database that is away: not so long that the broker takes us for dead.
    async fn write(&mut self, rows: &[Taken], poison: &[Poison], known: &mut Known) -> Result<Written, Trouble> {
        let until = tokio::time::Instant::now() + self.config.stream.ack_wait / 3;
        loop {
            let done = self.write_once(rows, poison, known).await;
            if done.is_err() {
                // It may be another database when it comes back.
                known.forget();
            }
            match done {
                Err(Away) if tokio::time::Instant::now() < until => {
                    if stopped_within(&mut self.stop, AGAIN).await {
                        return Err(Away);
                    }
                }
                done => return done,
            }
        }
    }

    async fn write_once(&self, rows: &[Taken], poison: &[Poison], known: &mut Known) -> Result<Written, Trouble> {
        let mut client = self.pool.get().await.map_err(|error| {
            tracing::warn!(error = with_causes(&error), "the database is away");
            Away
        })?;
        let within = Months::about(Timestamp::now(), self.config.collect.keep_runs);
        write::make_months(&client, known, rows, within).await.map_err(trouble)?;
        write::write(&mut client, known, rows, poison, self.config.collect.announce).await.map_err(trouble)
    }
}

/// Why nothing was written.
#[derive(Debug)]
enum Trouble {
    /// The database is away, busy or full: the same will work later.
    Away,
    /// It refuses this data.
    Data(String),
}
use Trouble::{Away, Data};

/// Tells data that will never go in from a database that is away. PostgreSQL, appendix A: class 22 is "data
/// exception", 23 "integrity constraint violation"; all others have to do with the server, not with the data.
fn trouble(error: tokio_postgres::Error) -> Trouble {
    let class = error.code().map(|code: &SqlState| code.code().get(..2).unwrap_or_default());
    match class {
        Some("22" | "23") => Data(with_causes(&error)),
        // A value that cannot even be sent.
        None if !error.is_closed() && is_of_values(&error) => Data(with_causes(&error)),
        _ => {
            tracing::warn!(error = with_causes(&error), "the database takes nothing now");
            Away
        }
    }
}

fn is_of_values(error: &tokio_postgres::Error) -> bool {
    error.to_string().starts_with("error serializing parameter")
}

/// A message with all that is needed of it.
fn delivered(message: &Message) -> Result<Delivered, Unusable> {
    let info = message.info().map_err(|error| Unusable::Value(format!("it did not come from a stream: {error}")))?;
    let published = Timestamp::from_nanosecond(info.published.unix_timestamp_nanos()).unwrap_or_default();
    let mut headers = std::collections::BTreeMap::new();
    for (name, values) in message.headers.iter().flat_map(async_nats::HeaderMap::iter) {
        headers.extend(values.last().map(|value| (name.to_string(), value.to_string())));
    }
    Ok(Delivered {
        subject: message.subject.to_string(),
        headers,
        payload: message.payload.clone(),
        sequence: info.stream_sequence.cast_signed(),
        published,
    })
}

/// One that gets lost on the way lets the message come again, which changes nothing.
async fn acknowledge<'a>(messages: impl Iterator<Item = &'a Message>) {
    for message in messages {
        let _ = message.ack().await;
    }
}

/// They are given to whoever asks next, soon.
async fn give_back(messages: impl Iterator<Item = Message>) {
    for message in messages {
        let _ = message.ack_with(AckKind::Nak(Some(AGAIN))).await;
    }
}

fn add(total: &mut Written, more: Written) {
    total.new += more.new;
    total.known += more.known;
    total.renewed += more.renewed;
    total.set_aside += more.set_aside;
}

const AGAIN: Duration = Duration::from_secs(2);
const TRY_AGAIN: Duration = Duration::from_secs(1);
