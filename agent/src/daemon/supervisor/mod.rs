//! The supervisor: goes round the ports, starts what is due and may start, and takes what the runs find.
//!
//! `due` says what is due and may start, `start` starts it, `conclude` draws the conclusions from what it finds, `care`
//! carries out what people asked for in between, `write` enters all that into the logbook.
//!
//! One task. It waits for the next thing that is due, a run that is over, or a bell; everything that can hang (a
//! driver, a list of ports) goes on elsewhere under a time limit.

mod care;
mod conclude;
mod due;
mod start;
mod write;

use std::{collections::BTreeSet, sync::Arc, time::Duration};

use jiff::{SignedDuration, Timestamp};
use tokio::sync::mpsc;
use turnback_core::watch::{
    care::Pause,
    observation::{Ground, Observation},
    standing::State,
};

use conclude::Concluded;

use super::{
    announce::with_logbook,
    budget::Budget,
    host::{Host, PortFacts, RunEnd},
    status::{Asked, PAUSES, QUEUE, Save, Shared, Status, Watched},
};
use crate::{
    archive::{
        error::ArchiveError,
        logbook::{Entry, PortMemory},
    },
    error_chain::with_causes,
};

/// Goes round until the daemon ends.
pub struct Supervisor<S: Host> {
    host: Arc<S>,
    shared: Arc<Shared>,
    budget: Budget,
    over: (mpsc::UnboundedSender<Over>, mpsc::UnboundedReceiver<Over>),
    listed_at: Option<tokio::time::Instant>,
    /// Since when the supervisor has gone round without a gap: what was due before was missed.
    going_since: Timestamp,
    went_round: Timestamp,
    /// Entries that the logbook could not take yet.
    pending: Vec<Entry>,
    pending_since: Option<tokio::time::Instant>,
    /// What stages found, and their cases could not take yet.
    stage_ends: Vec<care::StageEnd>,
    saves: Option<mpsc::UnboundedReceiver<Save>>,
    began: tokio::time::Instant,
    alive: Box<dyn FnMut() + Send>,
    /// The clock may be set and a machine may sleep, so no wait is longer.
    pub(super) round_max: Duration,
    /// How often `alive` is wanted at least, where that is oftener.
    pub(super) beat: Option<Duration>,
}

/// A run is over.
struct Over {
    port: String,
    run: String,
    end: RunEnd,
}

impl<S: Host> Supervisor<S> {
    /// Remembers what the logbook holds and lists the ports. `alive` is called each time round, at least once a minute:
    /// the service manager's watchdog.
    ///
    /// # Errors
    /// The logbook cannot be read.
    pub async fn new(host: Arc<S>, shared: Arc<Shared>, alive: Box<dyn FnMut() + Send>) -> Result<Self, String> {
        let now = host.now();
        let fresh_seed = uuid::Uuid::now_v7().as_u64_pair().1;
        let opened = with_logbook(&shared.logbook, move |l| {
            Ok::<_, ArchiveError>((l.open(fresh_seed)?, l.note(QUEUE)?, l.note(PAUSES)?))
        });
        let (remembered, queue, pauses) = opened.await.map_err(|error| with_causes(&error))?;
        {
            let mut status = shared.status();
            status.seed = remembered.seed;
            status.processors = host.processors();
            status.pauses = noted::<Pause>(PAUSES, pauses);
            // One that began before the daemon ended was cut off; it does not begin again.
            let began = |asked: &Asked| {
                remembered.ports.values().any(|p| p.begun.as_ref().is_some_and(|(run, _)| *run == asked.run))
            };
            status.asked = noted::<Asked>(QUEUE, queue).into_iter().filter(|asked| !began(asked)).collect();
            for (name, memory) in remembered.ports {
                status.ports.insert(name, Watched { memory, ..Watched::default() });
            }
        }
        let budget = Budget::new(host.cpu_used(), now.as_millisecond());
        let saves = shared.take_saves();
        let mut supervisor = Self {
            host,
            shared,
            budget,
            over: mpsc::unbounded_channel(),
            listed_at: None,
            going_since: now,
            went_round: now,
            pending: Vec::new(),
            pending_since: None,
            stage_ends: Vec::new(),
            saves,
            began: tokio::time::Instant::now(),
            alive,
            round_max: ROUND_MAX,
            beat: None,
        };
        supervisor.list_ports().await;
        supervisor.take_up_what_was_cut_off(now).await;
        Ok(supervisor)
    }

    /// Goes round until [`Shared::stopped`], then ends the runs and waits for them, a while.
    pub async fn go(&mut self) {
        while !self.shared.stopped.is_stopped() {
            let wait = self.go_round().await;
            (self.alive)();
            tokio::select! {
                () = tokio::time::sleep(wait) => {}
                () = self.shared.wake.notified() => {}
                Some(over) = self.over.1.recv() => self.take(over).await,
                Some(save) = next_of(&mut self.saves) => self.save(save).await,
                () = self.shared.stopped.cancelled() => {}
            }
        }
        self.end().await;
    }

    async fn end(&mut self) {
        for run in self.shared.status().ports.values().filter_map(|p| p.running.as_ref()) {
            run.cancel.cancel();
        }
        let last_word = tokio::time::Instant::now() + END_PATIENCE;
        while self.shared.status().busy().next().is_some() {
            match tokio::time::timeout_at(last_word, self.over.1.recv()).await {
                Ok(Some(over)) => self.take(over).await,
                _ => {
                    tracing::warn!("a run does not end; its settings are restored at the next start");
                    break;
                }
            }
        }
        self.write_pending().await;
        self.end_stages().await;
    }

    /// One time round: what has grown old, what takes too long, what is due. How long until the next.
    async fn go_round(&mut self) -> Duration {
        let now = self.host.now();
        self.look_at_clock(now).await;
        if self.pending_since.is_some_and(|since| since.elapsed() >= WRITE_AGAIN) {
            self.write_pending().await;
            self.end_stages().await;
        }
        let relist = std::mem::take(&mut self.shared.status().relist);
        if relist || self.listed_at.is_none_or(|at| at.elapsed() >= LIST_AGAIN) {
            self.list_ports().await;
        }
        self.age(now).await;
        self.end_what_is_over(now).await;
        let limit_wait = self.end_what_takes_too_long(now).await;
        let (candidates, due_wait) = self.find_due(now);
        let blocked_wait = self.start_some(candidates, now).await;
        {
            let mut status = self.shared.status();
            status.last_round_ms = now.as_millisecond();
            status.went_round += 1;
        }
        let pending_wait = self.pending_since.map(|_| WRITE_AGAIN);
        [Some(self.round_max), self.beat, limit_wait, due_wait, blocked_wait, pending_wait]
            .into_iter()
            .flatten()
            .min()
            .unwrap_or(self.round_max)
    }

    /// A machine that slept, or whose clock was set: what was due meanwhile was missed.
    async fn look_at_clock(&mut self, now: Timestamp) {
        let since = now.duration_since(self.went_round);
        if since > SignedDuration::from_secs(5 * self.round_max.as_secs() as i64) {
            tracing::info!(seconds = since.as_secs(), "time has passed unseen: the machine slept or its clock was set");
            self.going_since = now;
        }
        if since < SignedDuration::from_secs(-1) {
            let limit = now.as_millisecond();
            let mut status = self.shared.status();
            for port in status.ports.values_mut() {
                // What was dealt with lies in the future now; it would not be due again until then.
                for slot in port.memory.dealt_with_ms.values_mut().filter(|slot| **slot > limit) {
                    *slot = limit;
                }
            }
        }
        self.went_round = now;
    }

    /// Lists the ports anew, and gives each its labels and rounds.
    pub async fn list_ports(&mut self) {
        let named = self.shared.status().config.named_ports().map(str::to_owned).collect();
        let listed = match tokio::time::timeout(LIST_LIMIT, self.host.ports(named)).await {
            Ok(listed) => listed,
            Err(_) => Err(format!("the ports could not be listed within {} s", LIST_LIMIT.as_secs())),
        };
        self.listed_at = Some(tokio::time::Instant::now());
        let now_ms = self.host.now().as_millisecond();
        let (mut fresh, mut moved) = (Vec::new(), Vec::new());
        {
            let mut status = self.shared.status();
            // A machine that has just started may not have found its adapters yet.
            let settled = listed.is_ok() && self.began.elapsed() >= ADAPTERS_COME;
            match listed {
                Ok(list) => {
                    status.troubles.remove("ports");
                    lay_out(&mut status, list);
                }
                Err(text) => {
                    tracing::error!(error = text, "the list of ports is out of date");
                    status.troubles.insert("ports", text);
                }
            }
            status.sort_ports();
            let config = Arc::clone(&status.config);
            for (name, port) in &mut status.ports {
                let mut new = false;
                for round in port.rounds.iter().filter_map(|n| config.rounds.get(*n)) {
                    // A round's times before it knew the port were not missed.
                    if !port.memory.dealt_with_ms.contains_key(&round.name) {
                        port.memory.dealt_with_ms.insert(round.name.clone(), now_ms);
                        new = true;
                    }
                }
                let standing = &mut port.memory.standing;
                let change = match (&port.facts, standing.state) {
                    (Some(_), State::Gone) => standing.return_(now_ms),
                    (None, _) if settled && !port.rounds.is_empty() => standing.vanish(now_ms),
                    _ => None,
                };
                moved.extend(change.map(|change| (name.clone(), change)));
                if new {
                    fresh.push(Entry { port: name.clone(), memory: port.memory.clone(), ..Entry::default() });
                }
            }
            // What was neither found nor ever remembered and belongs to no round is forgotten.
            let named: BTreeSet<String> = config.named_ports().map(str::to_owned).collect();
            status.ports.retain(|name, port| {
                port.facts.is_some()
                    || !port.rounds.is_empty()
                    || port.running.is_some()
                    || port.memory != PortMemory::default()
                    || named.contains(name)
            });
        }
        for entry in fresh {
            self.enter(entry).await;
        }
        for (port, change) in moved {
            let back = change.from == State::Gone;
            let round = self.shared.status().ports.get(&port).and_then(|port| port.rounds.first().copied());
            if back {
                self.look_again_later(&port, round, 0, now_ms);
            }
            self.enter_change(&port, Some(change), None, round, None, now_ms).await;
        }
    }

    /// Runs that began before a crash and never ended.
    async fn take_up_what_was_cut_off(&mut self, now: Timestamp) {
        let cut_off: Vec<(String, (String, String))> = {
            let status = self.shared.status();
            status.ports.iter().filter_map(|(name, p)| Some((name.clone(), p.memory.begun.clone()?))).collect()
        };
        for (port, (run, round)) in cut_off {
            tracing::warn!(port, run, round, "a run was cut off when the daemon ended");
            let number = self.shared.status().config.rounds.iter().position(|r| r.name == round);
            let finding = match round.parse::<uuid::Uuid>() {
                // A stage says nothing about its port; its case notes that it was cut off when it goes on.
                Ok(_) => Observation::Interrupted,
                Err(_) => Observation::Inconclusive(format!("cut-off: run {run} was cut off when the daemon ended")),
            };
            let placement = number.and_then(|n| self.shared.status().config.rounds.get(n)?.placement);
            let at_ms = now.as_millisecond();
            let ground =
                Ground { placement: placement.unwrap_or_default(), run: Some(run), at_ms, ..Ground::default() };
            self.conclude(&port, Concluded { round: number, ..Concluded::of(finding, ground) }).await;
        }
    }

    async fn age(&mut self, now: Timestamp) {
        let now_ms = now.as_millisecond();
        let mut aged = Vec::new();
        {
            let mut status = self.shared.status();
            let config = Arc::clone(&status.config);
            for (name, port) in &mut status.ports {
                let rounds = port.rounds.iter().filter_map(|n| config.rounds.get(*n));
                let Some(lasts) = rounds.map(|round| round.proof_lasts).max() else { continue };
                if let Some(change) = port.memory.standing.grow_old(now_ms, lasts.as_millis() as i64) {
                    aged.push((name.clone(), change, port.rounds.first().copied()));
                }
            }
        }
        for (port, change, round) in aged {
            self.enter_change(&port, Some(change), None, round, None, now_ms).await;
        }
    }

    /// Runs over their time are ended; one that does not end then is given up.
    async fn end_what_takes_too_long(&mut self, now: Timestamp) -> Option<Duration> {
        let mut given_up = Vec::new();
        let mut next: Option<Duration> = None;
        {
            let mut status = self.shared.status();
            let status = &mut *status;
            for (name, port) in &mut status.ports {
                let Some(run) = port.running.as_mut().filter(|run| !run.hung) else { continue };
                if run.ended_at.is_none() && now >= run.ends_by {
                    tracing::warn!(port = name, run = run.live.run, "the run takes too long and is ended");
                    *status.figures.run_timeouts.entry(name.clone()).or_default() += 1;
                    run.cancel.cancel();
                    run.ended_at = Some(now);
                }
                let until = match run.ended_at {
                    None => run.ends_by,
                    Some(at) => at.checked_add(HANG_PATIENCE).unwrap_or(Timestamp::MAX),
                };
                if run.ended_at.is_some() && now >= until {
                    run.hung = true;
                    let ground = Ground {
                        placement: run.placement,
                        profile: run.live.profile.clone(),
                        run: Some(run.live.run.clone()),
                        at_ms: now.as_millisecond(),
                        ..Ground::default()
                    };
                    given_up.push((name.clone(), ground, run.cause.clone()));
                } else {
                    let wait = between(now, until);
                    next = Some(next.map_or(wait, |n| n.min(wait)));
                }
            }
        }
        for (port, ground, cause) in given_up {
            let run = ground.run.clone().unwrap_or_default();
            tracing::error!(
                port,
                run,
                "the run does not end: its driver hangs; nothing is started on this port meanwhile"
            );
            *self.shared.status().figures.run_errors.entry(port.clone()).or_default() += 1;
            let round = self.settle_slot(&port, &cause);
            let finding = Observation::Inconclusive(format!(
                "driver-hangs: run {run} did not end in time nor when it was told to"
            ));
            self.conclude(&port, Concluded { round, ..Concluded::of(finding, ground) }).await;
        }
        next
    }
}

/// Takes over the machine's list of ports. A port that is not listed any more counts as absent.
fn lay_out(status: &mut Status, list: Vec<PortFacts>) {
    let named: Vec<String> = status.config.named_ports().map(str::to_owned).collect();
    for port in status.ports.values_mut() {
        port.facts = None;
    }
    for facts in list {
        let name = facts.name.clone();
        status.ports.entry(name).or_default().facts = Some(facts);
    }
    for name in named {
        status.ports.entry(name).or_default();
    }
}

/// Also how often the service manager hears that we live, unless it wants to hear oftener.
const ROUND_MAX: Duration = Duration::from_secs(60);
/// A driver may hang even when it is only asked who it is.
const LIST_LIMIT: Duration = Duration::from_secs(20);
/// So long a run may take to end when it is told to.
const HANG_PATIENCE: SignedDuration = SignedDuration::from_secs(30);
/// The service manager gives us more; see the unit file.
const END_PATIENCE: Duration = Duration::from_secs(20);
/// How soon a store that took nothing is tried again: when there is room again, alarms are not to wait for it.
const WRITE_AGAIN: Duration = Duration::from_secs(2);
/// A port that is gone is noticed within a round.
const LIST_AGAIN: Duration = Duration::from_secs(30);
/// Adapters on a bus are found within this time of the machine's start (common practice, no source).
const ADAPTERS_COME: Duration = Duration::from_secs(120);

/// The next request to write; never, where nobody asks.
async fn next_of(saves: &mut Option<mpsc::UnboundedReceiver<Save>>) -> Option<Save> {
    match saves {
        Some(saves) => saves.recv().await,
        None => std::future::pending().await,
    }
}

/// The list in a note; none where there is no note, or it cannot be read.
fn noted<T: serde::de::DeserializeOwned>(name: &str, note: Option<String>) -> Vec<T> {
    let read = |text: String| {
        let read = serde_json::from_str(&text);
        read.inspect_err(|error| tracing::error!(name, %error, "a note of the agent cannot be read"))
    };
    note.and_then(|text| read(text).ok()).unwrap_or_default()
}

fn between(now: Timestamp, then: Timestamp) -> Duration {
    Duration::try_from(then.duration_since(now)).unwrap_or(Duration::ZERO)
}
