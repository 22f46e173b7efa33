//! One batch: read, written, acknowledged.

use std::time::Duration;

use async_nats::jetstream::{AckKind, Message};
use deadpool_postgres::Pool;
use jiff::Timestamp;
use tokio::sync::watch;

use super::{
    stopped_within,
    taken::{Delivered, Taken, Unusable, take},
    write::{self, Known, Months, SetAside, Written},
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
        let held = Held::by_us(&messages, self.config.stream.ack_wait);
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
                Ok(mut written) => {
                    // From the end, so that the places of the others stay.
                    for (place, why) in std::mem::take(&mut written.contested).into_iter().rev() {
                        refused.push((part.messages.remove(place), Unusable::Contested(why).reason()));
                    }
                    add(&mut total, &written);
                    acknowledge(part.messages.iter()).await;
                }
                Err(Away) => {
                    drop(held);
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
        let tried_enough = |(message, _): &(Message, String)| tries(message) >= i64::from(self.config.collect.tries);
        let (last, again): (Vec<_>, Vec<_>) = refused.into_iter().partition(tried_enough);
        let left = self.set_aside(last, known, &mut total).await;
        drop(held);
        give_back(left.into_iter()).await;
        for (message, reason) in again {
            let (subject, tries) = (message.subject.as_str(), tries(&message));
            tracing::warn!(subject, tries, reason, "a message cannot be taken; it is tried again");
            let later = TRY_AGAIN * u32::try_from(tries).unwrap_or(u32::MAX).clamp(1, 30);
            let _ = message.ack_with(AckKind::Nak(Some(later))).await;
        }
        Some(total)
    }

    /// Sets messages aside, each with its reason. Those that the database does not take now are left.
    async fn set_aside(
        &mut self,
        refused: Vec<(Message, String)>,
        known: &mut Known,
        total: &mut Written,
    ) -> Vec<Message> {
        let mut waiting = refused.into_iter();
        for (message, reason) in waiting.by_ref() {
            let Ok(whole) = delivered(&message) else { continue };
            let (subject, tries) = (message.subject.as_str(), tries(&message));
            let aside = SetAside { message: whole, tries: i32::try_from(tries).unwrap_or(i32::MAX), reason };
            match self.write(&[], std::slice::from_ref(&aside), known).await {
                Ok(written) => {
                    let SetAside { reason, .. } = &aside;
                    tracing::error!(
                        subject,
                        tries,
                        reason,
                        "a message is set aside: turnback fleet set-aside lists it"
                    );
                    add(total, &written);
                    acknowledge(std::iter::once(&message)).await;
                }
                Err(trouble) => {
                    tracing::error!(subject, ?trouble, "a message cannot be set aside now");
                    return std::iter::once(message).chain(waiting.map(|(message, _)| message)).collect();
                }
            }
        }
        Vec::new()
    }

    /// Writes, and waits a while for a database that is away: not so long that the broker takes us for dead.
    async fn write(&mut self, rows: &[Taken], aside: &[SetAside], known: &mut Known) -> Result<Written, Trouble> {
        let until = tokio::time::Instant::now() + self.config.stream.ack_wait / 3;
        loop {
            let done = self.write_once(rows, aside, known).await;
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

    async fn write_once(&self, rows: &[Taken], aside: &[SetAside], known: &mut Known) -> Result<Written, Trouble> {
        let mut client = self.pool.get().await.map_err(|error| {
            tracing::warn!(error = with_causes(&error), "the database is away");
            Away
        })?;
        let within = Months::about(Timestamp::now(), self.config.collect.keep_runs);
        write::make_months(&client, known, rows, within).await.map_err(trouble)?;
        write::write(&mut client, known, rows, aside, self.config.collect.announce).await.map_err(trouble)
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

/// Tells data that will never go in from a database that is away, busy, full or not set up.
fn trouble(error: tokio_postgres::Error) -> Trouble {
    match error.code() {
        Some(code) if is_of_data(code.code()) => Data(with_causes(&error)),
        // A value that cannot even be sent.
        None if !error.is_closed() && is_of_values(&error) => Data(with_causes(&error)),
        _ => {
            tracing::warn!(error = with_causes(&error), "the database takes nothing now");
            Away
        }
    }
}

/// Whether this SQLSTATE has to do with the values of a message. PostgreSQL 15, appendix A: class 0A is "feature not
/// supported", 21 "cardinality violation", 22 "data exception", 23 "integrity constraint violation", 44 "WITH CHECK
/// OPTION violation", 54 "program limit exceeded", such as a text too long for an index. All others have to do with
/// the server: 08 "connection exception", 40 "transaction rollback", 42 "syntax error or access rule violation" (a
/// table or a right is missing), 53 "insufficient resources", 57 "operator intervention", 58 "system error" and so on.
/// The message waits then: it may be a good one.
fn is_of_data(code: &str) -> bool {
    matches!(code.get(..2), Some("0A" | "21" | "22" | "23" | "44" | "54"))
}

fn is_of_values(error: &tokio_postgres::Error) -> bool {
    error.to_string().starts_with("error serializing parameter")
}

/// Messages that we have in hand: the broker is told so again and again, lest it take us for dead while a large batch
/// is written, and give them to another.
struct Held(tokio::task::JoinHandle<()>);

impl Held {
    fn by_us(messages: &[Message], ack_wait: Duration) -> Self {
        let Some(client) = messages.first().map(|message| message.context.client()) else {
            return Self(tokio::spawn(async {}));
        };
        let replies: Vec<_> = messages.iter().filter_map(|message| message.reply.clone()).collect();
        Self(tokio::spawn(async move {
            for _ in 0..HELD_MAX * 3 {
                tokio::time::sleep(ack_wait / 3).await;
                for reply in &replies {
                    // One that was acknowledged meanwhile does not mind.
                    let _ = client.publish(reply.clone(), AckKind::Progress.into()).await;
                }
            }
            tracing::warn!("a batch takes very long: its messages go to whoever asks next");
        }))
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        self.0.abort();
    }
}

/// How often a message was delivered.
fn tries(message: &Message) -> i64 {
    message.info().map_or(1, |info| info.delivered)
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

fn add(total: &mut Written, more: &Written) {
    total.new += more.new;
    total.known += more.known;
    total.renewed += more.renewed;
    total.set_aside += more.set_aside;
}

const AGAIN: Duration = Duration::from_secs(2);
const TRY_AGAIN: Duration = Duration::from_secs(1);
/// A batch is held for so many times the broker's patience: a database that hangs for longer has lost it.
const HELD_MAX: u32 = 10;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_database_says_of_itself_condemns_no_message() {
        // PostgreSQL 15, appendix A: program_limit_exceeded, character_not_in_repertoire, untranslatable_character,
        // check_violation, feature_not_supported, cardinality_violation.
        for code in ["54000", "22021", "22P05", "23514", "0A000", "21000"] {
            assert!(is_of_data(code), "{code}");
        }
        // connection_failure, read_only_sql_transaction, deadlock_detected, undefined_table, disk_full,
        // too_many_connections, lock_not_available, admin_shutdown, query_canceled, io_error, internal_error.
        for code in
            ["08006", "25006", "40P01", "42P01", "53100", "53300", "55P03", "57P01", "57014", "58030", "XX000", ""]
        {
            assert!(!is_of_data(code), "{code}");
        }
    }
}
