//! The collector: takes messages from the broker into the database. Any number of processes share the work.
//!
//! [`taken`] reads a message, [`mod@write`] writes a batch of them in one transaction. A message is acknowledged after
//! the commit: so it comes at least once, and the keys of the tables let it in once. What cannot be taken is tried
//! again a few times, perhaps by a newer collector, and then set aside with the reason.

mod batch;
mod keep;
pub mod set_aside;
pub mod taken;
mod unreadable;
pub mod write;

use std::{
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering::Relaxed},
    },
    time::Duration,
};

use async_nats::jetstream::{
    self, Message,
    consumer::{Consumer, pull},
};
use deadpool_postgres::Pool;
use futures_util::StreamExt;
use tokio::sync::watch;

use super::{
    broker::{self, Party, WhenAway, streams},
    database,
    error::FleetError,
    payload,
};
use crate::{config::fleet::FleetConfig, error_chain::with_causes};

/// What this process has done since it started.
#[derive(Debug, Default)]
pub struct Counts {
    /// Runs and changes of state that were new.
    pub new: AtomicU64,
    /// Those that were there already.
    pub known: AtomicU64,
    /// Cases, card tests, lots, states of ports and heartbeats.
    pub renewed: AtomicU64,
    /// Messages set aside.
    pub set_aside: AtomicU64,
    /// Batches committed.
    pub batches: AtomicU64,
}

impl Counts {
    fn add(&self, written: &write::Written) {
        self.new.fetch_add(written.new, Relaxed);
        self.known.fetch_add(written.known, Relaxed);
        self.renewed.fetch_add(written.renewed, Relaxed);
        self.set_aside.fetch_add(written.set_aside, Relaxed);
        self.batches.fetch_add(1, Relaxed);
    }
}

/// Collects until `stop` turns true. Broker and database may come and go meanwhile.
///
/// # Errors
/// What no waiting mends: credentials that cannot be used, tables of a newer program.
pub async fn collect(
    config: Arc<FleetConfig>,
    counts: Arc<Counts>,
    stop: watch::Receiver<bool>,
) -> Result<(), FleetError> {
    let client = broker::connect(&config.broker, &Party::Collector, WhenAway::Wait).await?;
    let pool = database::pool(&config.database)?;
    if !prepare_tables(&config, stop.clone()).await? {
        return Ok(());
    }
    tracing::info!(version = env!("CARGO_PKG_VERSION"), "collector started");
    let broker = jetstream::new(client.clone());
    let mut tasks = tokio::task::JoinSet::new();
    tasks.spawn(keep::keep_for_ever(Arc::clone(&config), stop.clone()));
    for stream in [config.stream.name.to_string(), streams::heartbeats(&config.stream)] {
        for _ in 0..WORKERS {
            let worker = Worker {
                broker: broker.clone(),
                stream: stream.clone(),
                pool: pool.clone(),
                config: Arc::clone(&config),
                counts: Arc::clone(&counts),
                stop: stop.clone(),
            };
            tasks.spawn(worker.work());
        }
        let (broker, pool) = (broker.clone(), pool.clone());
        let look = unreadable::Look { broker, stream, pool, config: Arc::clone(&config), counts: Arc::clone(&counts) };
        tasks.spawn(look.for_ever(stop.clone()));
    }
    while tasks.join_next().await.is_some() {}
    // Acknowledgements are on their way.
    // A broker that was never there takes none.
    let _ = tokio::time::timeout(AGAIN, client.flush()).await;
    tracing::info!(new = counts.new.load(Relaxed), set_aside = counts.set_aside.load(Relaxed), "collector ends");
    Ok(())
}

/// Waits for the database, and brings its tables to today's format. False: stopped before that.
async fn prepare_tables(config: &FleetConfig, mut stop: watch::Receiver<bool>) -> Result<bool, FleetError> {
    loop {
        match database::migrate(&config.database).await {
            Ok(_) => return Ok(true),
            Err(error @ (FleetError::Unreachable(_) | FleetError::Database { .. })) => {
                tracing::warn!(error = with_causes(&error), "waiting for the database");
            }
            Err(error) => return Err(error),
        }
        if stopped_within(&mut stop, AGAIN).await {
            return Ok(false);
        }
    }
}

/// Waits so long; true: stopped meanwhile.
async fn stopped_within(stop: &mut watch::Receiver<bool>, time: Duration) -> bool {
    // A sender that is gone means the end too.
    tokio::time::timeout(time, stop.wait_for(|stopped| *stopped)).await.is_ok()
}

/// Takes one batch after the other from one stream.
struct Worker {
    broker: jetstream::Context,
    stream: String,
    pool: Pool,
    config: Arc<FleetConfig>,
    counts: Arc<Counts>,
    stop: watch::Receiver<bool>,
}

impl Worker {
    async fn work(mut self) {
        let mut known = write::Known::default();
        while !*self.stop.borrow() {
            let consumer = match self.consumer().await {
                Ok(consumer) => consumer,
                Err(error) => {
                    tracing::warn!(error = with_causes(&error), "waiting for the broker");
                    if stopped_within(&mut self.stop, AGAIN).await {
                        return;
                    }
                    continue;
                }
            };
            if let Err(error) = self.drain(&consumer, &mut known).await {
                tracing::warn!(error, "no messages from the broker; asking again");
                if stopped_within(&mut self.stop, AGAIN).await {
                    return;
                }
            }
        }
    }

    async fn consumer(&self) -> Result<Consumer<pull::Config>, FleetError> {
        let stream = streams::find(&self.broker, &self.stream).await?;
        stream.get_consumer(streams::CONSUMER).await.map_err(|error| FleetError::Missing {
            what: format!("consumer {} of stream {}", streams::CONSUMER, self.stream),
            source: error,
        })
    }

    /// Until stopped, or the broker has nothing more to say.
    async fn drain(&mut self, consumer: &Consumer<pull::Config>, known: &mut write::Known) -> Result<(), String> {
        let most = self.config.collect.batch as usize;
        let told = |error: &(dyn std::error::Error + 'static)| with_causes(error);
        while !*self.stop.borrow() {
            let there = consumer.fetch().max_messages(most).messages().await.map_err(|error| told(&error))?;
            let (mut messages, mut asked) = self.gather(there, ANSWER_LIMIT).await;
            if messages.is_empty() && asked.is_ok() {
                // Waits for the next one; what comes with it is taken in the round after.
                let coming = consumer.batch().max_messages(1).expires(WAIT).messages();
                (messages, asked) = self.gather(coming.await.map_err(|error| told(&error))?, WAIT + ANSWER_LIMIT).await;
            }
            while !messages.is_empty() {
                let rest = messages.split_off(fits(&messages));
                let done = batch::Batch { pool: &self.pool, config: &self.config, stop: self.stop.clone() };
                if let Some(written) = done.put(messages, known).await {
                    self.counts.add(&written);
                }
                messages = rest;
            }
            asked?;
        }
        Ok(())
    }

    /// What comes as the answer to a request, and whether it ended well. A broker that died with the request, or has
    /// lost its leader, answers nothing: after `patience` without a message it is asked again.
    async fn gather(&mut self, mut coming: pull::Batch, patience: Duration) -> (Vec<Message>, Result<(), String>) {
        let mut messages = Vec::new();
        loop {
            tokio::select! {
                next = tokio::time::timeout(patience, coming.next()) => match next {
                    Ok(Some(Ok(message))) => messages.push(message),
                    Ok(Some(Err(error))) => return (messages, Err(with_causes(&*error))),
                    Ok(None) | Err(_) => return (messages, Ok(())),
                },
                _ = self.stop.wait_for(|stopped| *stopped) => return (messages, Ok(())),
            }
        }
    }
}

/// How many of these messages are unpacked together; one at least.
fn fits(messages: &[Message]) -> usize {
    let mut bytes = 0_usize;
    let fit = messages.iter().take_while(|message| {
        bytes = bytes.saturating_add(payload::plain_size(&message.payload).unwrap_or_default());
        bytes <= TOGETHER_MAX
    });
    fit.count().max(1).min(messages.len())
}

/// A batch unpacks to no more, bytes, unless it is one message.
const TOGETHER_MAX: usize = 4 * payload::PLAIN_MAX;
/// Batches that one process has on the way from each stream: one is read while another is written.
const WORKERS: usize = 2;
/// How soon a broker or database that is away is tried again.
const AGAIN: Duration = Duration::from_secs(2);
/// A broker that answers no sooner has lost the request.
const ANSWER_LIMIT: Duration = Duration::from_secs(5);
/// How long the broker is asked to wait for a message.
const WAIT: Duration = Duration::from_secs(5);
