//! What an agent does for its fleet: sends what is recorded, how its ports stand, and each minute that it lives.
//!
//! `page` reads what waits in the archive's outbox, `ports` says what is new of the ports, `numbers` numbers the
//! messages, `requests` answers what the fleet's page asks for. A document is struck out of the outbox only when the
//! broker's stream has it. While the broker is away the agent works on, and what it records waits.

mod beat;
mod numbers;
mod page;
mod ports;
mod requests;

use std::{sync::Arc, time::Duration};

use async_nats::{
    HeaderMap,
    connection::State as Connection,
    jetstream::{
        self, Context,
        context::{PublishAckFuture, PublishError, PublishErrorKind},
    },
};
use tokio::time::Instant;
use turnback_core::fleet::{
    heartbeat::Backlog,
    state::{PORTS_MAX, StateMessage},
    subject::What,
};

use self::{
    numbers::Numbers,
    page::{Letter, Page},
    ports::Told,
};
use super::{
    agent::{Agent, FleetFigures, PortView},
    announce::with_logbook,
    status::Shared,
};
use crate::{
    archive::{error::ArchiveError, logbook::Logbook},
    config::fleet::FleetMember,
    error_chain::with_causes,
    fleet::{
        broker::{self, LEFT_OUT, MESSAGE_ID, NUMBER, Party, WhenAway},
        payload,
    },
    guard::state,
};

/// Notes at the start whether this machine belongs to a fleet, so that what is recorded waits for it or does not.
/// *Disk.*
///
/// # Errors
/// The archive cannot be read or written.
pub fn note_membership(logbook: &mut dyn Logbook, member: Option<&FleetMember>) -> Result<i64, ArchiveError> {
    logbook.join_fleet(member.map(|_| state::machine()).as_deref())
}

/// Sends until the daemon ends. `highest` is what [`note_membership`] returned.
pub async fn send_for_ever(shared: Arc<Shared>, agent: Arc<dyn Agent>, member: FleetMember, highest: i64) {
    let figures = FleetFigures { member: member.sender.to_string(), ..FleetFigures::default() };
    shared.status().figures.fleet = Some(figures);
    let Some(broker) = connect(&shared, &member).await else { return };
    if member.accept_checks {
        let (client, sender) = (broker.client(), member.sender.clone());
        tokio::spawn(requests::answer_for_ever(Arc::clone(&shared), agent, client, sender));
    }
    let mut sending = Sending {
        shared: Arc::clone(&shared),
        member,
        broker,
        numbers: Numbers::after(highest),
        told: Told::default(),
        next_beat: Instant::now(),
        next_complete: Instant::now() + COMPLETE_EVERY,
        failing_since: None,
    };
    sending.wait_for_broker().await;
    loop {
        let wait = sending.go_round().await;
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            () = shared.stopped.cancelled() => break,
        }
    }
    // What was recorded while the agent ended goes with the rest, if the broker takes it at once.
    let _ = tokio::time::timeout(LAST_WORD, sending.go_round()).await;
}

/// Waits for credentials that can be used; none: the daemon ends.
async fn connect(shared: &Shared, member: &FleetMember) -> Option<Context> {
    loop {
        let party = Party::Agent(member.sender.clone());
        match broker::connect(&member.broker, &party, WhenAway::Wait).await {
            Ok(client) => return Some(jetstream::ContextBuilder::new().ack_timeout(ACK_LIMIT).build(client)),
            Err(error) => {
                let text = with_causes(&error);
                tracing::error!(error = text, hint = error.hint(), "nothing can be sent to the fleet");
                let mut status = shared.status();
                status.troubles.insert(MATTER, text.clone());
                if let Some(figures) = &mut status.figures.fleet {
                    figures.trouble = Some(text);
                }
            }
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK_AGAIN) => {}
            () = shared.stopped.cancelled() => return None,
        }
    }
}

struct Sending {
    shared: Arc<Shared>,
    member: FleetMember,
    broker: Context,
    numbers: Numbers,
    told: Told,
    next_beat: Instant,
    next_complete: Instant,
    failing_since: Option<Instant>,
}

impl Sending {
    /// A little, so that a start is no failure.
    async fn wait_for_broker(&self) {
        let until = Instant::now() + Duration::from_secs(3);
        let is_there = || self.broker.client().connection_state() == Connection::Connected;
        while !is_there() && !self.shared.stopped.is_stopped() && Instant::now() < until {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }

    /// Sends what is due; how long until the next time.
    async fn go_round(&mut self) -> Duration {
        let connected = self.broker.client().connection_state() == Connection::Connected;
        self.bound().await;
        let done = match connected {
            true => self.send().await,
            false => Err("the broker is away".to_owned()),
        };
        let wait = match &done {
            Ok(true) => Duration::ZERO,
            Ok(false) => IDLE,
            Err(_) => AFTER_FAILURE,
        };
        self.take_stock(connected, done.err()).await;
        wait
    }

    /// True: more waits.
    async fn send(&mut self) -> Result<bool, String> {
        let views = self.views();
        self.beat(&views).await?;
        self.states(&views).await?;
        self.documents().await
    }

    async fn beat(&mut self, views: &[PortView]) -> Result<(), String> {
        if Instant::now() < self.next_beat {
            return Ok(());
        }
        let number = self.number().await?;
        let beat = beat::heartbeat(&self.shared, views, number, self.member.accept_checks);
        let bytes = payload::pack(&beat).map_err(|error| with_causes(&error))?;
        let sent = self
            .publish(What::Heartbeat, &format!("heartbeat-{number}"), number, bytes, false)
            .await
            .map_err(unsent)?;
        // Without a stream of heartbeats documents would find none either.
        sent.await.map_err(|error| format!("a heartbeat was not taken: {}", with_causes(&error)))?;
        self.next_beat = Instant::now() + BEAT_EVERY;
        Ok(())
    }

    /// Sends the ports that stand otherwise than the fleet was told.
    async fn states(&mut self, views: &[PortView]) -> Result<(), String> {
        let mut told = std::mem::take(&mut self.told);
        if Instant::now() >= self.next_complete {
            // The database may have been restored meanwhile, and know less than it was told.
            told.forget();
            self.next_complete = Instant::now() + COMPLETE_EVERY;
        }
        let views = views.to_vec();
        let read = with_logbook(&self.shared.logbook, move |logbook| {
            told.advise(&views, logbook);
            let now = told.standing(&views);
            Ok::<_, ArchiveError>((told, now))
        });
        let (told, now) = read.await.map_err(|error| with_causes(&error))?;
        self.told = told;
        if let Some(message) = self.told.news(&now) {
            self.send_state(message).await?;
            self.told.told(now);
        }
        Ok(())
    }

    /// In parts where it is long: what is complete must come in one message.
    async fn send_state(&mut self, message: StateMessage) -> Result<(), String> {
        let is_complete = message.is_complete && message.ports.len() <= PORTS_MAX;
        let empty = [Vec::new()];
        let parts = message.ports.chunks(PORTS_MAX).map(<[_]>::to_vec);
        let parts = if message.ports.is_empty() { empty.into_iter().collect() } else { parts.collect::<Vec<_>>() };
        for ports in parts {
            let number = self.number().await?;
            let part = StateMessage { number, ports, is_complete, ..message.clone() };
            let bytes = payload::pack(&part).map_err(|error| with_causes(&error))?;
            let sent =
                self.publish(What::State, &format!("state-{number}"), number, bytes, false).await.map_err(unsent)?;
            sent.await.map_err(|error| format!("states were not taken: {}", with_causes(&error)))?;
        }
        Ok(())
    }

    /// Sends a page of what waits. True: more may wait.
    async fn documents(&mut self) -> Result<bool, String> {
        let (began, sender) = (Instant::now(), self.member.sender.clone());
        let read = with_logbook(&self.shared.logbook, move |logbook| page::read(logbook, &sender, PAGE));
        let mut page: Page = read.await.map_err(|error| with_causes(&error))?;
        if page.is_empty() {
            return Ok(false);
        }
        let (hopeless, mut done) = (std::mem::take(&mut page.hopeless), std::mem::take(&mut page.gone));
        let mut given_up = hopeless.len() as u64;
        done.extend(hopeless);
        let mut letters = std::mem::take(&mut page.letters);
        letters.extend(self.letter_of_changes(&page).await?);
        let count = letters.len() as u32;
        let mut underway = Vec::new();
        let mut failed = None;
        for Letter { what, id, bytes, without_series, entries } in letters {
            let number = self.number().await?;
            match self.publish(what, &id, number, bytes, without_series).await {
                Ok(sent) => underway.push((sent, entries)),
                Err(error) if error.kind() == PublishErrorKind::MaxPayloadExceeded => {
                    tracing::error!(id, "the broker takes no message of this size (max_payload); the records have it");
                    given_up += entries.len() as u64;
                    done.extend(entries);
                }
                Err(error) => {
                    failed = Some(unsent(error));
                    break;
                }
            }
        }
        let mut sent = 0;
        for (taken, entries) in underway {
            match taken.await {
                Ok(_) => {
                    sent += entries.len() as u64;
                    done.extend(entries);
                }
                Err(error) => failed = Some(format!("a document was not taken: {}", with_causes(&error))),
            }
        }
        {
            let mut status = self.shared.status();
            if let Some(figures) = &mut status.figures.fleet {
                figures.sent += sent;
                figures.given_up += given_up;
            }
        }
        let struck = with_logbook(&self.shared.logbook, move |logbook| logbook.strike_out(&done));
        struck.await.map_err(|error| with_causes(&error))?;
        if let Some(error) = failed {
            return Err(error);
        }
        // No faster than configured, so that a slow line has room for others.
        let due = Duration::from_secs_f64(f64::from(count) / f64::from(self.member.rate));
        tokio::time::sleep(due.saturating_sub(began.elapsed())).await;
        Ok(true)
    }

    async fn letter_of_changes(&mut self, page: &Page) -> Result<Option<Letter>, String> {
        let Some(message) = page.state_message() else { return Ok(None) };
        let number = self.number().await?;
        let bytes = payload::pack(&StateMessage { number, ..message }).map_err(|error| with_causes(&error))?;
        let entries = page.changes.iter().map(|(entry, _)| *entry).collect();
        // The changes have ids of their own: it does no harm if they come twice in other company.
        Ok(Some(Letter { what: What::State, id: format!("changes-{number}"), bytes, without_series: false, entries }))
    }

    async fn publish(
        &self,
        what: What,
        id: &str,
        number: i64,
        bytes: Vec<u8>,
        without_series: bool,
    ) -> Result<PublishAckFuture, PublishError> {
        let mut headers = HeaderMap::new();
        // Two machines may have a document with the same id, such as from a cloned disk: the broker's window for
        // messages that come again is one for the whole stream.
        headers.insert(MESSAGE_ID, format!("{}:{id}", self.member.sender));
        headers.insert(NUMBER, number.to_string());
        if without_series {
            headers.insert(LEFT_OUT, "series");
        }
        let subject = self.member.sender.subject(what).to_string();
        self.broker.publish_with_headers(subject, headers, bytes.into()).await
    }

    /// A number for the next message.
    async fn number(&mut self) -> Result<i64, String> {
        let now_us = self.shared.now_ms().saturating_mul(1000);
        if let Some(reserve) = self.numbers.make_room(now_us, 1) {
            let kept = with_logbook(&self.shared.logbook, move |logbook| logbook.reserve_numbers(reserve)).await;
            if let Err(error) = kept {
                // Nothing goes with a number that a restart would give again.
                self.numbers = Numbers::after(reserve);
                return Err(format!("no number can be kept: {}", with_causes(&error)));
            }
        }
        Ok(self.numbers.next(now_us))
    }

    fn views(&self) -> Vec<PortView> {
        let now_ms = self.shared.now_ms();
        let status = self.shared.status();
        status.ports.iter().map(|(name, port)| status.view(name, port, now_ms)).collect()
    }

    /// Gives up the oldest of a backlog that is full.
    async fn bound(&self) {
        let most = self.member.backlog;
        match with_logbook(&self.shared.logbook, move |logbook| logbook.bound_outbox(most)).await {
            Ok(0) => {}
            Ok(given_up) => {
                tracing::error!(given_up, "the backlog for the fleet is full: the oldest are given up");
                if let Some(figures) = &mut self.shared.status().figures.fleet {
                    figures.given_up += given_up;
                }
            }
            Err(error) => tracing::warn!(error = with_causes(&error), "the backlog for the fleet cannot be read"),
        }
    }

    /// Notes how far behind the agent is, and what is wrong.
    async fn take_stock(&mut self, connected: bool, trouble: Option<String>) {
        let backlog = with_logbook(&self.shared.logbook, |logbook| logbook.backlog()).await;
        let backlog = backlog.unwrap_or_else(|_: ArchiveError| Backlog::default());
        match (&trouble, self.failing_since) {
            (None, _) => self.failing_since = None,
            (Some(text), None) => {
                tracing::warn!(error = text, "nothing goes to the fleet now");
                self.failing_since = Some(Instant::now());
            }
            (Some(_), Some(_)) => {}
        }
        let mut status = self.shared.status();
        let is_old = self.failing_since.is_some_and(|since| since.elapsed() >= PATIENCE);
        match trouble.as_ref().filter(|_| is_old) {
            Some(text) => {
                status.troubles.insert(MATTER, format!("{text}; {} documents wait", backlog.waiting));
            }
            None => {
                status.troubles.remove(MATTER);
            }
        }
        if let Some(figures) = &mut status.figures.fleet {
            figures.connected = connected;
            figures.waiting = backlog.waiting;
            figures.oldest_ms = backlog.oldest_ms;
            figures.trouble = trouble;
        }
    }
}

fn unsent(error: PublishError) -> String {
    format!("nothing can be sent: {}", with_causes(&error))
}

/// Name of the matter among the agent's troubles.
const MATTER: &str = "fleet";
/// A machine that is silent for a few of these is gone.
const BEAT_EVERY: Duration = Duration::from_secs(60);
/// All ports are told anew.
const COMPLETE_EVERY: Duration = Duration::from_secs(3600);
/// How often the outbox is looked at while nothing waits.
const IDLE: Duration = Duration::from_secs(2);
const AFTER_FAILURE: Duration = Duration::from_secs(2);
const LOOK_AGAIN: Duration = Duration::from_secs(10);
const ACK_LIMIT: Duration = Duration::from_secs(10);
/// Documents on the way at once.
const PAGE: u32 = 64;
/// A broker that is away for longer is a trouble of the agent.
const PATIENCE: Duration = Duration::from_secs(120);
/// The service manager waits for us.
const LAST_WORD: Duration = Duration::from_secs(1);
