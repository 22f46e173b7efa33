//! What the parts of the daemon share: the [`Status`] of every port, and the notices by which they wake each other.

use std::{
    collections::{BTreeMap, VecDeque},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use tokio::sync::{Notify, mpsc, oneshot, watch};
use turnback_core::{
    base::{labels::Labels, placement::Placement},
    document::case::{Case, CaseState, StageName},
    judge::Outcome,
    plan::Profile,
    watch::care::{Diagnosis, Pause, Traced},
};

use super::{
    agent::{Figures, Happening, LiveRun, PortView, Watch},
    bench::state::BenchState,
    happenings::Happenings,
    host::PortFacts,
    keys::Keys,
};
use crate::{
    archive::logbook::{Logbook, Outgoing, PortMemory},
    config::{Config, labels::PortLabels},
    engine::cancel::Cancel,
    guard::lock::PortLock,
};

/// Shared by the supervisor, the announcer and whatever answers requests.
pub struct Shared {
    status: Mutex<Status>,
    /// Wakes the supervisor.
    pub wake: Notify,
    /// Wakes the announcer.
    pub posted: Notify,
    /// Ends the parts.
    pub stopped: Stop,
    /// Announcements that the logbook could not take. They are delivered from here.
    unstored: Mutex<Vec<Outgoing>>,
    /// What must not be forgotten.
    pub logbook: Arc<Mutex<Box<dyn Logbook>>>,
    /// Who may ask what.
    pub keys: Arc<Keys>,
    /// What happens.
    pub happenings: Happenings,
    /// Locks of the cases of which a stage is carried out, or waits to be.
    pub case_locks: Mutex<BTreeMap<String, PortLock>>,
    /// What the bench asks, and what it is answered.
    pub bench: BenchState,
    saves: (mpsc::UnboundedSender<Save>, Mutex<Option<mpsc::UnboundedReceiver<Save>>>),
    clock: Arc<dyn Fn() -> Timestamp + Send + Sync>,
}

/// What is remembered of a port was changed by a request: the supervisor, who alone writes it, is to write it.
pub struct Save {
    /// The port.
    pub port: String,
    /// It has come under diagnosis, which is to be announced.
    pub announce: bool,
    /// Dropped once it is written, or waits for a disk that is full.
    pub written: oneshot::Sender<()>,
}

impl Shared {
    /// No port is known yet.
    pub fn new(
        config: Config,
        logbook: Box<dyn Logbook>,
        clock: impl Fn() -> Timestamp + Send + Sync + 'static,
    ) -> Arc<Self> {
        let started_ms = clock().as_millisecond();
        let clock: Arc<dyn Fn() -> Timestamp + Send + Sync> = Arc::new(clock);
        let logbook = Arc::new(Mutex::new(logbook));
        let time = Arc::clone(&clock);
        let keys = Arc::new(Keys::new(Arc::clone(&logbook), move || time().as_millisecond()));
        let (save, saves) = mpsc::unbounded_channel();
        let status = Status {
            config: Arc::new(config),
            seed: 0,
            ports: BTreeMap::new(),
            asked: VecDeque::new(),
            held: Vec::new(),
            pauses: Vec::new(),
            processors: 1,
            figures: Figures::default(),
            troubles: BTreeMap::new(),
            started_ms,
            last_round_ms: started_ms,
            demo: false,
            relist: false,
            turn: None,
            went_round: 0,
            turn_ended: 0,
            bench_used: Duration::ZERO,
        };
        Arc::new(Self {
            status: Mutex::new(status),
            wake: Notify::new(),
            posted: Notify::new(),
            stopped: Stop::default(),
            unstored: Mutex::default(),
            logbook,
            keys,
            happenings: Happenings::default(),
            case_locks: Mutex::default(),
            bench: BenchState::default(),
            saves: (save, Mutex::new(Some(saves))),
            clock,
        })
    }

    /// The status. Its lock is held briefly and never across an await.
    pub fn status(&self) -> MutexGuard<'_, Status> {
        self.status.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lets others at a case: the stage is done, or is not going to be.
    pub fn unlock_case(&self, case: &str) {
        self.case_locks.lock().unwrap_or_else(PoisonError::into_inner).remove(case);
    }

    /// Announcements that the logbook could not take.
    pub fn unstored(&self) -> MutexGuard<'_, Vec<Outgoing>> {
        self.unstored.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Now, milliseconds since 1970 UTC.
    pub fn now_ms(&self) -> i64 {
        (self.clock)().as_millisecond()
    }

    /// Tells whoever listens; nobody need to.
    pub fn tell(&self, happening: Happening) {
        self.happenings.tell(happening);
    }

    /// Has the supervisor write what is remembered of a port, and waits until it has; `announce` as in [`Save`].
    /// *Disk.*
    pub fn save(&self, port: &str, announce: bool) {
        let (written, done) = oneshot::channel();
        if self.saves.0.send(Save { port: port.to_owned(), announce, written }).is_ok() {
            // An end of the daemon meanwhile drops it.
            let _ = done.blocking_recv();
        }
    }

    /// What [`Self::save`] asks for; the supervisor takes this once.
    pub fn take_saves(&self) -> Option<mpsc::UnboundedReceiver<Save>> {
        self.saves.1.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    /// Writes the queue of what was asked for. *Disk.*
    pub fn keep_queue(&self) {
        let mut logbook = self.logbook.lock().unwrap_or_else(PoisonError::into_inner);
        let text = serde_json::to_string(&self.status().asked).unwrap_or_default();
        if let Err(error) = logbook.keep_note(QUEUE, &text) {
            tracing::warn!(%error, "what was asked for would be lost by a restart now");
        }
    }
}

/// Name of the note with the runs that wait because somebody asked.
pub const QUEUE: &str = "queue";
/// Name of the note with the pauses.
pub const PAUSES: &str = "pauses";
/// Says once that it is over.
#[derive(Debug)]
pub struct Stop(watch::Sender<bool>);

impl Default for Stop {
    fn default() -> Self {
        Self(watch::channel(false).0)
    }
}

impl Stop {
    /// It is over.
    pub fn stop(&self) {
        self.0.send_replace(true);
    }

    /// Whether it is over.
    pub fn is_stopped(&self) -> bool {
        *self.0.borrow()
    }

    /// Turns true when it is over.
    pub fn watch(&self) -> watch::Receiver<bool> {
        self.0.subscribe()
    }

    /// Waits until it is over.
    pub async fn cancelled(&self) {
        let mut heard = self.0.subscribe();
        // The sender lives as long as we do.
        let _ = heard.wait_for(|over| *over).await;
    }
}

/// Everything the daemon knows now.
pub struct Status {
    /// The configuration in force.
    pub config: Arc<Config>,
    /// Delays are drawn from it.
    pub seed: u64,
    /// By name.
    pub ports: BTreeMap<String, Watched>,
    /// Runs that somebody asked for, in order.
    pub asked: VecDeque<Asked>,
    /// Scheduled runs that are due and wait.
    pub held: Vec<Held>,
    /// Pauses for maintenance.
    pub pauses: Vec<Pause>,
    /// Processors of the host.
    pub processors: u32,
    /// Counts.
    pub figures: Figures,
    /// What is wrong with the daemon, by matter.
    pub troubles: BTreeMap<&'static str, String>,
    /// When it started.
    pub started_ms: i64,
    /// When the supervisor last went round.
    pub last_round_ms: i64,
    /// Ports are simulated.
    pub demo: bool,
    /// The ports are to be listed anew: the configuration changed.
    pub relist: bool,
    /// The bench's turn, if it has one or waits for one.
    pub turn: Option<Turn>,
    /// Times that the supervisor has gone round.
    pub went_round: u64,
    /// What that was when the bench's last turn ended.
    pub turn_ended: u64,
    /// Processor time that the bench has used in its turns: it is none of the runs'.
    pub bench_used: Duration,
}

/// Runs and the tests of the bench take turns.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Turn {
    /// A test of this card waits for the runs that are on.
    Waits(String),
    /// A test of this card is on.
    Tests(String),
}

/// A port and everything known of it.
#[derive(Default)]
pub struct Watched {
    /// As last listed; none while the machine does not have it.
    pub facts: Option<PortFacts>,
    /// What it is called.
    pub labels: PortLabels,
    /// Numbers of its rounds in the configuration.
    pub rounds: Vec<usize>,
    /// What is remembered of it.
    pub memory: PortMemory,
    /// The run that is on.
    pub running: Option<Running>,
    /// When its next scheduled run is due.
    pub next_due_ms: Option<i64>,
    /// What was last reckoned of its rounds' schedules, by number of the round.
    pub slots: BTreeMap<usize, Slot>,
}

/// A time of a schedule, reckoned. All in ms since 1970 UTC.
#[derive(Clone, Copy, Debug)]
pub struct Slot {
    /// What was dealt with before; another value makes this one wrong.
    pub dealt_with_ms: i64,
    /// The time of the schedule.
    pub slot_ms: i64,
    /// When the port's run is due.
    pub due_ms: i64,
    /// The next time of the schedule, from which on this one is past.
    pub until_ms: i64,
}

/// A run that is on.
pub struct Running {
    /// As shown.
    pub live: LiveRun,
    /// Ends it.
    pub cancel: Cancel,
    /// Why it runs.
    pub cause: Cause,
    /// When it ends, if it goes as most do.
    pub usual_end_ms: i64,
    /// When it ends by its plan, ms since 1970 UTC.
    pub planned_end_ms: i64,
    /// When its time is up.
    pub ends_by: Timestamp,
    /// When it was ended because its time was up, or by hand.
    pub ended_at: Option<Timestamp>,
    /// Ended by hand.
    pub by_hand: bool,
    /// It did not end in time although asked to.
    pub hung: bool,
    /// The adapter it keeps busy.
    pub adapter: Option<String>,
    /// Others may run beside it.
    pub side_by_side: bool,
    /// Where the plug is.
    pub placement: Placement,
    /// It carries out a stage of a case: what it finds does not change what is held of the port.
    pub aside: bool,
}

/// The cause of a run that was asked for by itself.
pub const ASKED: &str = "asked";

/// Why a run runs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cause {
    /// A time of a round's schedule, ms since 1970 UTC.
    Scheduled {
        /// Number of the round.
        round: usize,
        /// The time of the schedule that it deals with.
        slot_ms: i64,
    },
    /// Something found is looked at again.
    Repeat {
        /// Number of the round.
        round: usize,
    },
    /// Somebody asked.
    Asked {
        /// The case that it carries out a stage of.
        case: Option<String>,
    },
}

impl Cause {
    /// The case that it carries out a stage of.
    pub fn case(&self) -> Option<&str> {
        match self {
            Self::Asked { case } => case.as_deref(),
            Self::Scheduled { .. } | Self::Repeat { .. } => None,
        }
    }

    /// Rounds are known by number; a new configuration may number them anew. A run of a round that is gone counts as
    /// asked for.
    pub fn renumber(&mut self, old: &Config, new: &Config) {
        let (Self::Scheduled { round, .. } | Self::Repeat { round }) = self else { return };
        let name = old.rounds.get(*round).map(|r| r.name.clone()).unwrap_or_default();
        match new.rounds.iter().position(|r| r.name == name) {
            Some(number) => *round = number,
            None => *self = Self::Asked { case: None },
        }
    }
}

/// A run that somebody asked for.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Asked {
    /// Id it will have.
    pub run: String,
    /// Port.
    pub port: String,
    /// What is sent.
    pub profile: Profile,
    /// Where the plug is.
    pub placement: Option<Placement>,
    /// Cable's label.
    pub cable: Option<String>,
    /// The case that it carries out a stage of.
    pub case: Option<String>,
    /// The stage.
    pub stage: Option<StageName>,
    /// Labels for the record.
    pub record: Labels,
    /// Who asked.
    pub by: String,
    /// When, ms since 1970 UTC.
    pub asked_ms: i64,
}

/// A scheduled run that is due and waits.
#[derive(Clone, Debug)]
pub struct Held {
    /// Port.
    pub port: String,
    /// Number of its round.
    pub round: usize,
    /// When it was due, ms since 1970 UTC.
    pub due_ms: i64,
    /// Why it waits.
    pub reason: String,
}

impl Status {
    /// A port as it is shown.
    pub fn view(&self, name: &str, port: &Watched, now_ms: i64) -> PortView {
        let facts = port.facts.clone().unwrap_or_default();
        let memory = &port.memory;
        let watch = match (port.rounds.is_empty(), &port.facts) {
            (false, _) => Watch::Watched,
            // One that the configuration names is no mere memory.
            (true, None) if !self.config.named_ports().any(|named| named == name) => Watch::Remembered,
            (true, _) => Watch::NotWatched,
        };
        PortView {
            watch,
            needs_attention: watch == Watch::Watched
                && memory.standing.state.needs_attention()
                && memory.acknowledged.is_none(),
            proof_ends_ms: self.proof_lasts_ms(port).and_then(|lasts| memory.standing.proof_ends_ms(lasts)),
            acknowledged: memory.acknowledged.clone(),
            muted: memory.muted.clone().filter(|mute| now_ms < mute.until_ms),
            paused: self.pause_of(port, now_ms).cloned(),
            diagnosis: memory.diagnosis.clone(),
            traced: memory.traced.clone(),
            leaning: memory.drift.leaning(),
            name: name.to_owned(),
            kind: facts.kind,
            simulated: facts.simulated,
            medium: facts.medium,
            driver: facts.driver,
            bus: facts.bus,
            labels: port.labels.clone(),
            present: port.facts.is_some(),
            standing: port.memory.standing.clone(),
            in_service: facts.in_service,
            rounds: port.rounds.iter().filter_map(|n| self.config.rounds.get(*n)).map(|r| r.name.clone()).collect(),
            next_due_ms: port.next_due_ms,
            running: port.running.as_ref().map(|r| r.live.clone()),
            waiting: self.asked.iter().filter(|a| a.port == name).count() as u32,
            skips: port.memory.skips,
            hung: port.running.as_ref().is_some_and(|r| r.hung),
            drifts: port.memory.drifts.clone(),
        }
    }

    /// A case was opened, moved on, or is over: an open one has its port for itself. `by` is who did something in it;
    /// empty: whoever did before. True: it came under diagnosis just now.
    pub fn settle_diagnosis(&mut self, case: &Case, by: &str, now_ms: i64) -> bool {
        let Some(port) = self.ports.get_mut(&case.port.name) else { return false };
        let held = port.memory.diagnosis.take();
        let own = held.as_ref().filter(|diagnosis| diagnosis.case == case.case);
        let found = &case.verdict;
        port.memory.traced = match (case.state, found.outcome) {
            (CaseState::Decided | CaseState::Exhausted, Outcome::Fault) => Some(Traced {
                case: case.case.clone(),
                location: found.location.clone(),
                segment: found.segment.clone(),
                next: found.next.clone(),
                at_ms: now_ms,
            }),
            // Whoever closes a case, or goes on with it, does not stand by what it said.
            _ => port.memory.traced.take().filter(|traced| case.state != CaseState::Open && traced.case != case.case),
        };
        if case.state != CaseState::Open {
            port.memory.diagnosis = held.filter(|diagnosis| diagnosis.case != case.case);
            return false;
        }
        let (since_ms, before) = own.map_or((now_ms, ""), |diagnosis| (diagnosis.since_ms, diagnosis.by.as_str()));
        let by = if by.is_empty() { before } else { by }.to_owned();
        let is_new = own.is_none();
        port.memory.diagnosis = Some(Diagnosis { case: case.case.clone(), by, since_ms, touched_ms: now_ms });
        is_new
    }

    /// How long a proof of the port lasts, ms; none for a port that no round chooses.
    pub fn proof_lasts_ms(&self, port: &Watched) -> Option<i64> {
        let rounds = port.rounds.iter().filter_map(|n| self.config.rounds.get(*n));
        rounds.map(|round| round.proof_lasts.as_millis() as i64).max()
    }

    /// The pause that covers a port now.
    pub fn pause_of(&self, port: &Watched, now_ms: i64) -> Option<&Pause> {
        let cabinet = port.labels.cabinet.as_deref();
        self.pauses.iter().find(|pause| pause.is_on(now_ms) && pause.covers(cabinet))
    }

    /// Whether changes of the port are announced now: a round chooses it, and nobody has muted it or paused its tests.
    pub fn is_announced(&self, port: &Watched, now_ms: i64) -> bool {
        !port.rounds.is_empty()
            && port.memory.muted.as_ref().is_none_or(|mute| now_ms >= mute.until_ms)
            && self.pause_of(port, now_ms).is_none()
    }

    /// The profile of a port's first round.
    pub fn usual(&self, port: &Watched) -> Option<Profile> {
        port.rounds.first().and_then(|n| self.config.rounds.get(*n)).map(|round| round.profile.clone())
    }

    /// Gives every port its labels and rounds, by the configuration in force.
    pub fn sort_ports(&mut self) {
        let config = Arc::clone(&self.config);
        for (name, port) in &mut self.ports {
            let absent = || PortFacts { name: name.clone(), ..PortFacts::default() };
            let facts = port.facts.clone().unwrap_or_else(absent);
            (port.labels, port.rounds) = config.labels_and_rounds(&facts.traits());
        }
    }

    /// Runs that are on and have not hung.
    pub fn busy(&self) -> impl Iterator<Item = &Running> {
        self.ports.values().filter_map(|port| port.running.as_ref()).filter(|run| !run.hung)
    }
}
