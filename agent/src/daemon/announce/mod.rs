//! Telling of changes: one document, delivered to each target until it took it.
//!
//! At least once: what was delivered just before a crash may be delivered again, under the same id. Each announcement
//! is tried by itself, so that one a target refuses holds up no other. `docs/agent.md` describes the document.
//! [`hands`] is the document that tells of the bench. [`fleet`] tells of the changes of many machines at once.

pub mod command;
pub mod fleet;
pub mod hands;
pub mod webhook;

use std::{
    collections::{BTreeMap, BTreeSet},
    path::PathBuf,
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use serde::{Deserialize, Serialize};
use tokio::task::spawn_blocking;
use turnback_core::watch::{
    care::Diagnosis,
    standing::{Change, State},
};

use super::status::Shared;
use crate::{
    archive::{
        error::ArchiveError,
        logbook::{Logbook, Outgoing},
    },
    config::{Target, Way, labels::PortLabels},
    error_chain::with_causes,
    guard::{id::new_id, state},
};

/// Version of the document.
pub const FORMAT: u32 = 2;

/// What an announcement is about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Event {
    /// The port's state changed.
    #[default]
    Changed,
    /// Somebody opened a case: the port is under diagnosis. Its state is as it was.
    UnderDiagnosis,
}

impl Event {
    /// The word used everywhere.
    pub fn name(self) -> &'static str {
        match self {
            Self::Changed => "changed",
            Self::UnderDiagnosis => "under-diagnosis",
        }
    }
}

/// What targets are told of a port.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Announcement {
    /// Version of this document.
    pub format: u32,
    /// Its id: the same at each attempt.
    pub id: String,
    /// Name of the machine.
    pub machine: String,
    /// What it is about.
    #[serde(default)]
    pub event: Event,
    /// Port.
    pub port: String,
    /// What it is called.
    #[serde(flatten)]
    pub labels: PortLabels,
    /// Somebody has to look at the port.
    #[serde(default)]
    pub needs_attention: bool,
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
    /// The case that has the port for itself.
    #[serde(default)]
    pub case: Option<String>,
}

impl Announcement {
    /// Of a change.
    pub fn new(port: &str, labels: &PortLabels, change: &Change, run: Option<String>) -> Self {
        Self {
            format: FORMAT,
            id: new_id().to_string(),
            machine: state::machine(),
            event: Event::Changed,
            port: port.to_owned(),
            labels: labels.clone(),
            needs_attention: change.to.needs_attention(),
            from: change.from,
            to: change.to,
            at: jiff::Timestamp::from_millisecond(change.at_ms).unwrap_or_default().to_string(),
            why: change.why.clone(),
            run,
            case: None,
        }
    }

    /// Of a port that came under diagnosis in this state.
    pub fn of_diagnosis(port: &str, labels: &PortLabels, state: State, diagnosis: &Diagnosis) -> Self {
        let why = format!("{} looks for the fault; scheduled tests wait", diagnosis.by);
        let change = Change { from: state, to: state, at_ms: diagnosis.since_ms, why };
        let (event, case) = (Event::UnderDiagnosis, Some(diagnosis.case.clone()));
        // Somebody does look.
        Self { event, case, needs_attention: false, ..Self::new(port, labels, &change, None) }
    }

    /// On its way to each of these targets.
    pub fn to(&self, targets: &[String], at_ms: i64) -> Vec<Outgoing> {
        Outgoing::to_each(targets, &self.id, &self.port, at_ms, self)
    }
}

/// Delivers what is in the outbox, until the daemon ends.
pub async fn deliver_for_ever(shared: Arc<Shared>) {
    let mut unwritten = Unwritten::new();
    loop {
        let mut answered = BTreeSet::new();
        let mut next = deliver_due(&shared, &mut answered, &mut unwritten).await;
        // A target that takes one after an outage is not made to wait for the others.
        if !answered.is_empty() {
            next = deliver_due(&shared, &mut answered, &mut unwritten).await;
        }
        let wait = next.map_or(LOOK_AGAIN, |ms| Duration::from_millis(ms.max(0) as u64).min(LOOK_AGAIN));
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            () = shared.posted.notified() => {}
            () = shared.stopped.cancelled() => return,
        }
    }
}

/// Announcements by id and target that were delivered at a time, which the logbook could not note yet: they are not
/// told again.
type Unwritten = BTreeMap<(String, String), (Outgoing, Option<i64>)>;

fn name_of(outgoing: &Outgoing) -> (String, String) {
    (outgoing.id.clone(), outgoing.target.clone())
}

/// Tries all that are due, and all for targets that answered just now; milliseconds until the next is due.
async fn deliver_due(shared: &Arc<Shared>, answered: &mut BTreeSet<String>, unwritten: &mut Unwritten) -> Option<i64> {
    for (outgoing, sent_ms) in unwritten.clone().into_values() {
        note_delivery(shared, unwritten, outgoing, sent_ms).await;
    }
    let mut next = (!unwritten.is_empty()).then_some(RETRY_FIRST.as_millis() as i64);
    // What the disk could not take is delivered all the same.
    let mut waiting = match with_logbook(&shared.logbook, |logbook| logbook.outbox()).await {
        Ok(waiting) => waiting,
        Err(error) => {
            tracing::error!(error = with_causes(&error), "the outbox cannot be read");
            Vec::new()
        }
    };
    waiting.extend(shared.unstored().iter().cloned());
    waiting.retain(|outgoing| !unwritten.contains_key(&name_of(outgoing)));
    shared.status().figures.outbox = waiting.len() as u64;
    let config = Arc::clone(&shared.status().config);
    let mut attempts = tokio::task::JoinSet::new();
    let mut earliest = |wait: i64| next = Some(next.map_or(wait, |n| n.min(wait)));
    for outgoing in waiting {
        let wait = outgoing.next_try_ms - shared.now_ms();
        if wait > 0 && !answered.contains(&outgoing.target) {
            earliest(wait);
            continue;
        }
        match config.targets.iter().find(|target| target.name == outgoing.target) {
            Some(target) if attempts.len() < AT_ONCE => {
                attempts.spawn(attempt(Arc::clone(shared), target.clone(), outgoing));
            }
            Some(_) => earliest(0),
            None => {
                // The configuration has it no more: nobody is left to be told.
                tracing::warn!(id = outgoing.id, target = outgoing.target, "announcement dropped: its target is gone");
                note_delivery(shared, unwritten, outgoing, None).await;
            }
        }
    }
    answered.clear();
    while let Some(done) = attempts.join_next().await {
        match done {
            Ok((_, Some(wait))) => earliest(wait),
            Ok((outgoing, None)) => {
                answered.insert(outgoing.target.clone());
                shared.status().figures.outbox -= 1;
                note_delivery(shared, unwritten, outgoing, Some(shared.now_ms())).await;
            }
            Err(error) => tracing::error!(%error, "an attempt to deliver failed"),
        }
    }
    next
}

/// Takes a delivered announcement out of the outbox, now or as soon as the disk takes that.
async fn note_delivery(shared: &Shared, unwritten: &mut Unwritten, outgoing: Outgoing, sent_ms: Option<i64>) {
    let name = name_of(&outgoing);
    shared.unstored().retain(|other| name_of(other) != name);
    let written = outgoing.clone();
    match with_logbook(&shared.logbook, move |logbook| logbook.delivered(&written, sent_ms)).await {
        Ok(()) => {
            unwritten.remove(&name);
        }
        Err(error) => {
            if unwritten.insert(name, (outgoing, sent_ms)).is_none() {
                let error = with_causes(&error);
                tracing::error!(error, "a delivery cannot be noted; after a restart it would be told again");
            }
        }
    }
}

/// One attempt: milliseconds until the next one if it failed.
async fn attempt(shared: Arc<Shared>, target: Target, mut outgoing: Outgoing) -> (Outgoing, Option<i64>) {
    let done = match &target.way {
        Way::Log => {
            tell_log(&outgoing);
            Ok(())
        }
        Way::Command(words) => command::tell(words, target.time_limit, &outgoing.document).await,
        Way::Webhook { url, secret_file } => {
            let (id, document) = (outgoing.id.clone(), outgoing.document.clone());
            post(&target, url, secret_file.clone(), id, document, shared.now_ms() / 1000).await
        }
    };
    let Err(text) = done else {
        *shared.status().figures.announced.entry(target.name).or_default() += 1;
        return (outgoing, None);
    };
    *shared.status().figures.announce_failures.entry(target.name).or_default() += 1;
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
    let (name, put_off) = (name_of(&outgoing), outgoing.clone());
    if let Some(kept) = shared.unstored().iter_mut().find(|other| name_of(other) == name) {
        kept.clone_from(&outgoing);
    } else if let Err(error) = with_logbook(&shared.logbook, move |l| l.put_off(&put_off)).await {
        tracing::error!(error = with_causes(&error), "a failed attempt could not be noted");
    }
    (outgoing, Some(wait.as_millis() as i64))
}

/// Posts a document off the async threads.
async fn post(
    target: &Target,
    url: &str,
    secret: Option<PathBuf>,
    id: String,
    document: String,
    now_s: i64,
) -> Result<(), String> {
    let (name, url, limit) = (target.name.clone(), url.to_owned(), target.time_limit);
    let told =
        spawn_blocking(move || webhook::tell(&url, secret.as_deref().zip(Some(&*name)), limit, &id, &document, now_s));
    told.await.unwrap_or_else(|error| Err(error.to_string()))
}

fn tell_log(outgoing: &Outgoing) {
    if let Some(told) = hands::HandsNeeded::read(&outgoing.document) {
        let hands::HandsNeeded { id, event, card, slot, act, why, .. } = told;
        tracing::warn!(announcement = id, event, card, slot, act, why, "announcement");
        return;
    }
    let Ok(told) = serde_json::from_str::<Announcement>(&outgoing.document) else { return };
    let labels = &told.labels;
    macro_rules! log {
        ($level:ident) => {
            tracing::$level!(
                announcement = told.id,
                event = told.event.name(),
                port = told.port,
                label = labels.label,
                cable = labels.cable,
                cabinet = labels.cabinet,
                from = told.from.name(),
                to = told.to.name(),
                why = told.why,
                run = told.run,
                case = told.case,
                "announcement"
            )
        };
    }
    match told.needs_attention {
        true => log!(warn),
        false => log!(info),
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
