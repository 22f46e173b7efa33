//! Telling of changes: one document, delivered to each target until it took it.
//!
//! At least once: what was delivered just before a crash may be delivered again, under the same id. Each announcement
//! is tried by itself, so that one a target refuses holds up no other. `docs/agent.md` describes the document.

pub mod command;
pub mod webhook;

use std::{
    collections::BTreeSet,
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use serde::{Deserialize, Serialize};
use tokio::task::spawn_blocking;
use turnback_core::watch::standing::{Change, State};

use super::status::Shared;
use crate::{
    archive::{
        error::ArchiveError,
        logbook::{Logbook, Outgoing},
    },
    config::{Target, Way, labels::PortLabels},
    error_chain::with_causes,
    guard::state,
};

/// Version of the document.
pub const FORMAT: u32 = 1;

/// What targets are told: a port's state changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Announcement {
    /// Version of this document.
    pub format: u32,
    /// Its id: the same at each attempt.
    pub id: String,
    /// Name of the machine.
    pub machine: String,
    /// Port.
    pub port: String,
    /// What it is called.
    #[serde(flatten)]
    pub labels: PortLabels,
    /// State before.
    pub from: State,
    /// State now.
    pub to: State,
    /// When, RFC 3339 in UTC.
    pub at: String,
    /// Why, in words.
    pub why: String,
    /// The run that found it, if one did.
    pub run: Option<String>,
}

impl Announcement {
    /// Of a change.
    pub fn new(port: &str, labels: &PortLabels, change: &Change, run: Option<String>) -> Self {
        Self {
            format: FORMAT,
            id: uuid::Uuid::now_v7().to_string(),
            machine: state::machine(),
            port: port.to_owned(),
            labels: labels.clone(),
            from: change.from,
            to: change.to,
            at: jiff::Timestamp::from_millisecond(change.at_ms).unwrap_or_default().to_string(),
            why: change.why.clone(),
            run,
        }
    }

    /// On its way to each of these targets.
    pub fn to(&self, targets: &[String], at_ms: i64) -> Vec<Outgoing> {
        let document = serde_json::to_string(self).unwrap_or_default();
        let one = |target: &String| Outgoing {
            id: self.id.clone(),
            target: target.clone(),
            port: self.port.clone(),
            at_ms,
            document: document.clone(),
            attempts: 0,
            next_try_ms: at_ms,
            last_error: None,
        };
        targets.iter().map(one).collect()
    }
}

/// Delivers what is in the outbox, until the daemon ends.
pub async fn deliver_for_ever(shared: Arc<Shared>) {
    loop {
        let mut answered = BTreeSet::new();
        let mut next = deliver_due(&shared, &mut answered).await;
        // A target that takes one after an outage is not made to wait for the others.
        if !answered.is_empty() {
            next = deliver_due(&shared, &mut answered).await;
        }
        let wait = next.map_or(LOOK_AGAIN, |ms| Duration::from_millis(ms.max(0) as u64).min(LOOK_AGAIN));
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            () = shared.posted.notified() => {}
            () = shared.stopped.cancelled() => return,
        }
    }
}

/// Tries all that are due, and all for targets that answered just now; milliseconds until the next is due.
async fn deliver_due(shared: &Arc<Shared>, answered: &mut BTreeSet<String>) -> Option<i64> {
    let waiting = match with_logbook(&shared.logbook, |logbook| logbook.outbox()).await {
        Ok(waiting) => waiting,
        Err(error) => {
            tracing::error!(error = with_causes(&error), "the outbox cannot be read");
            return None;
        }
    };
    shared.status().figures.outbox = waiting.len() as u64;
    let config = Arc::clone(&shared.status().config);
    let mut next: Option<i64> = None;
    let mut attempts = tokio::task::JoinSet::new();
    for outgoing in waiting {
        let wait = outgoing.next_try_ms - shared.now_ms();
        if wait > 0 && !answered.contains(&outgoing.target) {
            next = Some(next.map_or(wait, |n| n.min(wait)));
            continue;
        }
        match config.targets.iter().find(|target| target.name == outgoing.target) {
            Some(target) if attempts.len() < AT_ONCE => {
                attempts.spawn(attempt(Arc::clone(shared), target.clone(), outgoing));
            }
            Some(_) => next = Some(0),
            None => {
                // The configuration has it no more: nobody is left to be told.
                tracing::warn!(id = outgoing.id, target = outgoing.target, "announcement dropped: its target is gone");
                let _ = with_logbook(&shared.logbook, move |l| l.delivered(&outgoing.id, &outgoing.target)).await;
            }
        }
    }
    answered.clear();
    while let Some(done) = attempts.join_next().await {
        match done {
            Ok((_, Some(wait))) => next = Some(next.map_or(wait, |n| n.min(wait))),
            Ok((target, None)) => {
                answered.insert(target);
            }
            Err(error) => tracing::error!(%error, "an attempt to deliver failed"),
        }
    }
    next
}

/// One attempt: the target, and milliseconds until the next one if it failed.
async fn attempt(shared: Arc<Shared>, target: Target, mut outgoing: Outgoing) -> (String, Option<i64>) {
    let done = match &target.way {
        Way::Log => {
            tell_log(&outgoing);
            Ok(())
        }
        Way::Command(words) => command::tell(words, target.time_limit, &outgoing.document).await,
        Way::Webhook { url, secret_file } => {
            let (url, secret, limit) = (url.clone(), secret_file.clone(), target.time_limit);
            let (id, document, now) = (outgoing.id.clone(), outgoing.document.clone(), shared.now_ms() / 1000);
            spawn_blocking(move || webhook::tell(&url, secret.as_deref(), limit, &id, &document, now))
                .await
                .unwrap_or_else(|error| Err(error.to_string()))
        }
    };
    let name = target.name;
    match done {
        Ok(()) => {
            *shared.status().figures.announced.entry(name.clone()).or_default() += 1;
            let id = outgoing.id.clone();
            if let Err(error) = with_logbook(&shared.logbook, move |l| l.delivered(&id, &outgoing.target)).await {
                tracing::error!(
                    error = with_causes(&error),
                    "a delivered announcement stays in the outbox and will be told again"
                );
                return (name, Some(RETRY_FIRST.as_millis() as i64));
            }
            (name, None)
        }
        Err(text) => {
            *shared.status().figures.announce_failures.entry(name.clone()).or_default() += 1;
            let wait = pause_after(outgoing.attempts);
            tracing::warn!(
                id = outgoing.id,
                target = outgoing.target,
                attempts = outgoing.attempts + 1,
                error = text,
                next_try_s = wait.as_secs(),
                "announcement not delivered"
            );
            outgoing.attempts = outgoing.attempts.saturating_add(1);
            outgoing.next_try_ms = shared.now_ms() + wait.as_millis() as i64;
            outgoing.last_error = Some(text);
            if let Err(error) = with_logbook(&shared.logbook, move |l| l.put_off(&outgoing)).await {
                tracing::error!(error = with_causes(&error), "a failed attempt could not be noted");
            }
            (name, Some(wait.as_millis() as i64))
        }
    }
}

fn tell_log(outgoing: &Outgoing) {
    let Ok(told) = serde_json::from_str::<Announcement>(&outgoing.document) else { return };
    let labels = &told.labels;
    macro_rules! log {
        ($level:ident) => {
            tracing::$level!(
                announcement = told.id,
                port = told.port,
                label = labels.label,
                cable = labels.cable,
                cabinet = labels.cabinet,
                from = told.from.name(),
                to = told.to.name(),
                why = told.why,
                run = told.run,
                "port changed"
            )
        };
    }
    match told.to {
        State::Failed | State::Suspect => log!(warn),
        State::Unknown | State::Proven | State::Skipped => log!(info),
    }
}

/// How long to wait after this many failed attempts: 5 s, doubled each time, 15 minutes at most.
pub fn pause_after(attempts: u32) -> Duration {
    RETRY_FIRST.saturating_mul(2u32.saturating_pow(attempts.min(16))).min(RETRY_MAX)
}

/// Uses the logbook off the async threads: it waits for the disk.
pub(super) async fn with_logbook<T, E>(
    logbook: &Arc<Mutex<Box<dyn Logbook>>>,
    action: impl FnOnce(&mut dyn Logbook) -> Result<T, E> + Send + 'static,
) -> Result<T, E>
where
    T: Send + 'static,
    E: From<ArchiveError> + Send + 'static,
{
    let logbook = Arc::clone(logbook);
    let done = spawn_blocking(move || action(&mut **logbook.lock().unwrap_or_else(PoisonError::into_inner))).await;
    done.unwrap_or_else(|_| Err(ArchiveError::CutOff.into()))
}

const RETRY_FIRST: Duration = Duration::from_secs(5);
const RETRY_MAX: Duration = Duration::from_secs(15 * 60);
/// The clock may be set meanwhile, so no wait is longer.
const LOOK_AGAIN: Duration = Duration::from_secs(300);
/// Deliveries side by side.
const AT_ONCE: usize = 8;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_up_to_a_quarter_of_an_hour() {
        let pauses: Vec<u64> = (0..10).map(|n| pause_after(n).as_secs()).collect();
        assert_eq!(pauses, [5, 10, 20, 40, 80, 160, 320, 640, 900, 900]);
        assert_eq!(pause_after(u32::MAX), RETRY_MAX);
    }
}
