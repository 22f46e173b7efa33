//! What an agent does for its fleet: sends what is recorded, how its ports stand, and each minute that it lives.
//!
//! `page` reads what waits in the archive's outbox, `ports` says what is new of the ports, `numbers` numbers the
//! messages, `requests` answers what the fleet's page asks for. A document is struck out of the outbox only when the
//! broker's stream has it. While the broker is away the agent works on, and what it records waits. What the stream does
//! not take because it is too large goes shorter, or is set aside with the reason: it holds up nothing else.

mod beat;
mod numbers;
mod page;
mod ports;
mod requests;
mod unsent;

use std::{
    collections::{BTreeMap, VecDeque},
    sync::Arc,
    time::Duration,
};

use async_nats::{
    HeaderMap,
    connection::State as Connection,
    jetstream::{self, Context, context::PublishAckFuture},
};
use bytes::Bytes;
use serde::Serialize;
use tokio::time::Instant;
use turnback_core::fleet::{
    heartbeat::Backlog,
    state::{PORTS_MAX, PortState, StateMessage},
    subject::What,
};

use self::{
    numbers::Numbers,
    page::{Letter, Page},
    ports::Told,
    unsent::Unsent,
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
        next_try: Instant::now(),
        failing: None,
        refused: BTreeMap::new(),
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
    /// When some of what is set aside is tried again.
    next_try: Instant,
    /// Since when nothing goes, and what was logged of that last.
    failing: Option<(Instant, String)>,
    /// Messages beside documents that the broker does not take, and why.
    refused: BTreeMap<&'static str, String>,
}

/// What became of some letters.
#[derive(Default)]
struct Posted {
    taken: Vec<Letter>,
    too_large: Vec<(Letter, String)>,
    failed: Option<String>,
}

impl Posted {
    fn note(&mut self, letter: Letter, unsent: Unsent) {
        match unsent {
            Unsent::TooLarge(reason) => self.too_large.push((letter, reason)),
            Unsent::Now(reason) => self.failed = Some(reason),
        }
    }
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
            true => self.send_what_is_due().await,
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
    async fn send_what_is_due(&mut self) -> Result<bool, String> {
        let views = self.views();
        self.beat(&views).await?;
        self.states(&views).await?;
        self.try_again().await?;
        self.documents().await
    }

    async fn beat(&mut self, views: &[PortView]) -> Result<(), String> {
        if Instant::now() < self.next_beat {
            return Ok(());
        }
        let number = self.number().await?;
        let mut beat = beat::heartbeat(&self.shared, views, number, self.member.accept_checks);
        let mut sent = self.send(What::Heartbeat, "heartbeat", &beat, number).await;
        if matches!(sent, Err(Unsent::TooLarge(_))) {
            beat.troubles = vec!["what is wrong is too long for the broker: the agent's own page says it".into()];
            sent = self.send(What::Heartbeat, "heartbeat", &beat, number).await;
        }
        // Without a stream of heartbeats documents would find none either.
        self.judge(What::Heartbeat, sent)?;
        self.next_beat = Instant::now() + BEAT_EVERY;
        Ok(())
    }

    /// A message that the broker does not take because it is too large stops no other; any other failure does.
    fn judge(&mut self, what: What, sent: Result<(), Unsent>) -> Result<(), String> {
        match sent {
            Ok(()) => {
                self.refused.remove(what.name());
                Ok(())
            }
            Err(Unsent::TooLarge(reason)) => {
                tracing::error!(what = what.name(), reason, "the broker does not take it");
                self.refused.insert(what.name(), reason);
                Ok(())
            }
            Err(Unsent::Now(reason)) => Err(format!("{}: {reason}", what.name())),
        }
    }

    /// Packs and sends a message that is no document; it is there when this returns.
    async fn send(&self, what: What, name: &str, message: &impl Serialize, number: i64) -> Result<(), Unsent> {
        let bytes = payload::pack(message).map_err(|error| Unsent::TooLarge(with_causes(&error)))?;
        let taken = self.publish(what, &format!("{name}-{number}"), number, bytes.into(), false).await?;
        taken.await.map_err(Unsent::from).map(|_| ())
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
        let StateMessage { ports, mut is_complete, .. } = message.clone();
        let mut parts: VecDeque<Vec<PortState>> = ports.chunks(PORTS_MAX).map(<[_]>::to_vec).collect();
        if parts.is_empty() {
            parts.push_back(Vec::new());
        }
        while let Some(ports) = parts.pop_front() {
            is_complete &= ports.len() == message.ports.len();
            let number = self.number().await?;
            let part = StateMessage { number, ports, is_complete, ..message.clone() };
            let sent = self.send(What::State, "state", &part, number).await;
            match sent {
                Err(Unsent::TooLarge(_)) if part.ports.len() > 1 => {
                    let (first, second) = part.ports.split_at(part.ports.len() / 2);
                    parts.push_front(second.to_vec());
                    parts.push_front(first.to_vec());
                }
                sent => self.judge(What::State, sent)?,
            }
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
        let (mut refused, mut done) = (std::mem::take(&mut page.hopeless), std::mem::take(&mut page.gone));
        let mut letters = std::mem::take(&mut page.letters);
        letters.extend(self.letter_of_changes(&page).await?);
        let count = letters.len() as u32;
        let (mut sent, mut failed) = (0, None);
        // Ends: each time round the letters are smaller.
        while !letters.is_empty() {
            let posted = self.post(std::mem::take(&mut letters)).await;
            for letter in posted.taken {
                sent += letter.entries.len() as u64;
                if letter.tried_before {
                    // Its limit was raised: the others may go too.
                    self.next_try = Instant::now();
                }
                done.extend(letter.entries);
            }
            for (letter, reason) in posted.too_large {
                let shorter = letter.shorter();
                if shorter.is_empty() {
                    tracing::error!(id = letter.id, reason, "the broker does not take it; the records have it");
                    refused.extend(letter.entries.into_iter().map(|entry| (entry, reason.clone())));
                }
                letters.extend(shorter);
            }
            if posted.failed.is_some() {
                failed = posted.failed;
                break;
            }
        }
        if let Some(figures) = &mut self.shared.status().figures.fleet {
            figures.sent += sent;
        }
        let struck = with_logbook(&self.shared.logbook, move |logbook| {
            logbook.set_aside(&refused)?;
            logbook.strike_out(&done)
        });
        struck.await.map_err(|error| with_causes(&error))?;
        if let Some(error) = failed {
            return Err(error);
        }
        // No faster than configured, so that a slow line has room for others.
        let due = Duration::from_secs_f64(f64::from(count) / f64::from(self.member.rate));
        tokio::time::sleep(due.saturating_sub(began.elapsed())).await;
        Ok(true)
    }

    /// Sends letters, and waits until the stream has them.
    async fn post(&mut self, letters: Vec<Letter>) -> Posted {
        let mut posted = Posted::default();
        let mut underway = Vec::new();
        for letter in letters {
            let number = match self.number().await {
                Ok(number) => number,
                Err(error) => {
                    posted.failed = Some(error);
                    break;
                }
            };
            let Letter { what, ref id, ref bytes, without_series, .. } = letter;
            match self.publish(what, id, number, bytes.clone(), without_series).await {
                Ok(sent) => underway.push((sent, letter)),
                Err(error) => posted.note(letter, error),
            }
            if posted.failed.is_some() {
                break;
            }
        }
        for (taken, letter) in underway {
            match taken.await {
                Ok(_) => posted.taken.push(letter),
                Err(error) => posted.note(letter, error.into()),
            }
        }
        posted
    }

    /// Some of what is set aside waits again, in case the stream takes it now.
    async fn try_again(&mut self) -> Result<(), String> {
        if Instant::now() >= self.next_try {
            let tried = with_logbook(&self.shared.logbook, |logbook| logbook.try_again(PAGE)).await;
            tried.map_err(|error: ArchiveError| with_causes(&error))?;
            self.next_try = Instant::now() + TRY_EVERY;
        }
        Ok(())
    }

    async fn letter_of_changes(&mut self, page: &Page) -> Result<Option<Letter>, String> {
        let Some(message) = page.state_message() else { return Ok(None) };
        let number = self.number().await?;
        let bytes = payload::pack(&StateMessage { number, ..message }).map_err(|error| with_causes(&error))?.into();
        let entries = page.changes.iter().map(|(entry, _)| *entry).collect();
        // The changes have ids of their own: it does no harm if they come twice in other company.
        let (id, tried_before) = (format!("changes-{number}"), page.changes_tried);
        Ok(Some(Letter { what: What::State, id, bytes, without_series: false, entries, tried_before }))
    }

    async fn publish(
        &self,
        what: What,
        id: &str,
        number: i64,
        bytes: Bytes,
        without_series: bool,
    ) -> Result<PublishAckFuture, Unsent> {
        let mut headers = HeaderMap::new();
        // Two machines may have a document with the same id, such as from a cloned disk: the broker's window for
        // messages that come again is one for the whole stream.
        headers.insert(MESSAGE_ID, format!("{}:{id}", self.member.sender));
        headers.insert(NUMBER, number.to_string());
        if without_series {
            headers.insert(LEFT_OUT, "series");
        }
        let subject = self.member.sender.subject(what).to_string();
        Ok(self.broker.publish_with_headers(subject, headers, bytes).await?)
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
        let read = with_logbook(&self.shared.logbook, |logbook| Ok((logbook.backlog()?, logbook.aside()?))).await;
        let (backlog, aside) = read.unwrap_or_else(|_: ArchiveError| (Backlog::default(), None));
        let mut untaken: Vec<String> = self.refused.iter().map(|(what, reason)| format!("{what}: {reason}")).collect();
        untaken.extend(aside.iter().map(|aside| format!("{} set aside, {}", aside.count, aside.newest)));
        match (&trouble, &mut self.failing) {
            (None, _) => self.failing = None,
            (Some(text), Some((_, told))) if told == text => {}
            (Some(text), failing) => {
                tracing::warn!(error = text, "nothing goes to the fleet now");
                let since = failing.as_ref().map_or_else(Instant::now, |(since, _)| *since);
                *failing = Some((since, text.clone()));
            }
        }
        let mut status = self.shared.status();
        let is_old = self.failing.as_ref().is_some_and(|(since, _)| since.elapsed() >= PATIENCE);
        match trouble.as_ref().filter(|_| is_old) {
            Some(text) => {
                status.troubles.insert(MATTER, format!("{text}; {} documents wait", backlog.waiting));
            }
            None => {
                status.troubles.remove(MATTER);
            }
        }
        if status.troubles.contains_key(UNTAKEN) == untaken.is_empty() {
            // That it began or ended, the fleet hears at once.
            self.next_beat = Instant::now();
        }
        match untaken.is_empty() {
            true => status.troubles.remove(UNTAKEN),
            false => status.troubles.insert(UNTAKEN, format!("the broker does not take {}", untaken.join("; "))),
        };
        if let Some(figures) = &mut status.figures.fleet {
            figures.set_aside = aside.map_or(0, |aside| aside.count);
            figures.connected = connected;
            figures.waiting = backlog.waiting;
            figures.oldest_ms = backlog.oldest_ms;
            figures.trouble = trouble;
        }
    }
}

/// Name of the matter among the agent's troubles.
const MATTER: &str = "fleet";
/// The same for what the broker does not take, ever.
const UNTAKEN: &str = "fleet messages";
/// A machine that is silent for a few of these is gone.
const BEAT_EVERY: Duration = Duration::from_secs(60);
/// All ports are told anew.
const COMPLETE_EVERY: Duration = Duration::from_secs(3600);
/// Somebody may have raised the limit of the stream.
const TRY_EVERY: Duration = Duration::from_secs(3600);
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
