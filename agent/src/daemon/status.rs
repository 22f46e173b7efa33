//! What the parts of the daemon share: the [`Status`] of every port, and the notices by which they wake each other.

use std::{
    collections::{BTreeMap, VecDeque},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use jiff::Timestamp;
use tokio::sync::{Notify, broadcast, watch};
use turnback_core::{
    base::{labels::Labels, placement::Placement},
    document::case::StageName,
    plan::Profile,
    watch::selector::Traits,
};

use super::{
    agent::{Figures, Happening, LiveRun, PortView},
    host::PortFacts,
};
use crate::{
    archive::logbook::{Logbook, PortMemory},
    config::{Config, labels::PortLabels},
    engine::cancel::Cancel,
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
    /// Tells listeners.
    pub happenings: broadcast::Sender<Happening>,
    /// What must not be forgotten.
    pub logbook: Arc<Mutex<Box<dyn Logbook>>>,
    clock: Box<dyn Fn() -> Timestamp + Send + Sync>,
}

impl Shared {
    /// No port is known yet.
    pub fn new(
        config: Config,
        logbook: Box<dyn Logbook>,
        clock: impl Fn() -> Timestamp + Send + Sync + 'static,
    ) -> Arc<Self> {
        let started_ms = clock().as_millisecond();
        let status = Status {
            config: Arc::new(config),
            seed: 0,
            ports: BTreeMap::new(),
            asked: VecDeque::new(),
            figures: Figures::default(),
            troubles: BTreeMap::new(),
            started_ms,
            last_round_ms: started_ms,
            demo: false,
            relist: false,
        };
        Arc::new(Self {
            status: Mutex::new(status),
            wake: Notify::new(),
            posted: Notify::new(),
            stopped: Stop::default(),
            happenings: broadcast::channel(HAPPENINGS_KEPT).0,
            logbook: Arc::new(Mutex::new(logbook)),
            clock: Box::new(clock),
        })
    }

    /// The status. Its lock is held briefly and never across an await.
    pub fn status(&self) -> MutexGuard<'_, Status> {
        self.status.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Now, milliseconds since 1970 UTC.
    pub fn now_ms(&self) -> i64 {
        (self.clock)().as_millisecond()
    }

    /// Tells whoever listens; nobody need to.
    pub fn tell(&self, happening: Happening) {
        let _ = self.happenings.send(happening);
    }
}

/// Happenings a slow listener may lag behind before it misses some. Progress comes up to twenty times a second.
const HAPPENINGS_KEPT: usize = 256;

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
    /// What it finds says nothing of what is held of the port: see [`Asked::is_aside`].
    pub aside: bool,
}

/// Who asked, when it was for no case.
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
        /// In words: `asked`, or the case's id.
        by: String,
    },
}

impl Cause {
    /// Rounds are known by number; a new configuration may number them anew. A run of a round that is gone counts as
    /// asked for.
    pub fn renumber(&mut self, old: &Config, new: &Config) {
        let (Self::Scheduled { round, .. } | Self::Repeat { round }) = self else { return };
        let name = old.rounds.get(*round).map(|r| r.name.clone()).unwrap_or_default();
        match new.rounds.iter().position(|r| r.name == name) {
            Some(number) => *round = number,
            None => *self = Self::Asked { by: name },
        }
    }
}

/// A run that somebody asked for.
#[derive(Clone, Debug)]
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
    /// By whom, as in [`Cause::Asked`].
    pub by: String,
    /// Stage of a case that it carries out.
    pub stage: Option<StageName>,
    /// Labels for the record.
    pub record: Labels,
}

impl Asked {
    /// Whether it says nothing of the port it runs on: the plug under suspicion in a port known to be good, or the
    /// pairs of a cable.
    pub fn is_aside(&self) -> bool {
        matches!(self.stage, Some(StageName::KnownGoodPort | StageName::CableTest))
    }
}

impl Status {
    /// A port as it is shown.
    pub fn view(&self, name: &str, port: &Watched) -> PortView {
        let facts = port.facts.clone().unwrap_or_default();
        PortView {
            name: name.to_owned(),
            kind: facts.kind,
            simulated: facts.simulated,
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

    /// The profile of a port's first round.
    pub fn usual(&self, port: &Watched) -> Option<Profile> {
        port.rounds.first().and_then(|n| self.config.rounds.get(*n)).map(|round| round.profile.clone())
    }

    /// Gives every port its labels and rounds, by the configuration in force.
    pub fn sort_ports(&mut self) {
        let config = Arc::clone(&self.config);
        for (name, port) in &mut self.ports {
            let facts = port.facts.as_ref();
            let bare = Traits {
                name,
                bus: facts.and_then(|f| f.bus.as_deref()),
                driver: facts.and_then(|f| f.driver.as_deref()),
                ..Traits::default()
            };
            let entry = config.ports.iter().find(|entry| entry.select.selects(&bare));
            port.labels = entry.map(|entry| entry.labels.clone()).unwrap_or_default();
            let traits = Traits {
                label: port.labels.label.as_deref(),
                cabinet: port.labels.cabinet.as_deref(),
                spare: port.labels.spare,
                ..bare
            };
            let belongs = |round: &crate::config::Round| round.select.iter().any(|s| s.selects(&traits));
            port.rounds = (0..config.rounds.len()).filter(|n| belongs(&config.rounds[*n])).collect();
        }
    }

    /// Runs that are on and have not hung.
    pub fn busy(&self) -> impl Iterator<Item = &Running> {
        self.ports.values().filter_map(|port| port.running.as_ref()).filter(|run| !run.hung)
    }
}
