//! What the page, the API and the control socket may ask of a running agent, and the data it answers with.
//!
//! Nothing here knows HTTP, and nothing outside the daemon knows the supervisor. Calls marked *disk* wait for the
//! archive, usually a few milliseconds: an async caller makes them through `spawn_blocking`. All others answer at once.

mod bench;
mod cases;
mod orders;
mod records;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use thiserror::Error;
use tokio::sync::broadcast;
use turnback_core::{
    document::{card_test::CardTest, case::Case, lot::Lot, run::Report},
    event::Event,
    judge::Outcome,
    kind::{Kind, ethernet::link::Medium},
    watch::{
        care::{Acknowledgement, Diagnosis, Mute, Pause, Traced},
        drift::Lean,
        standing::{Change, Standing},
    },
};

use crate::{
    archive::{error::ArchiveError, logbook::Action},
    config::labels::PortLabels,
    error_chain::with_causes,
};

pub use bench::{BenchAnswer, BenchOrder, BenchView, CardLine, HandsView, LotView, SlotState, SlotView, Testing};
pub use cases::{CaseView, NextView, StageView};
pub use orders::{AcknowledgeOrder, CaseOrder, MuteOrder, PauseOrder, RecordQuery, Shown, StageOrder, StartOrder};
pub use records::{OutboxLine, RecordLine, SentLine};

/// Why a port is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Watch {
    /// A round chooses it.
    Watched,
    /// No round chooses it: it is in no count and no metric of states.
    #[default]
    NotWatched,
    /// Only the records remember it: the machine does not have it, and no round chooses it.
    Remembered,
}

/// One port as it is shown. Times are milliseconds since 1970-01-01 UTC.
#[derive(Clone, Debug, Default, Serialize)]
pub struct PortView {
    /// Name, as `turnback check` takes it.
    pub name: String,
    /// What it carries.
    pub kind: Kind,
    /// It is a simulated port.
    pub simulated: bool,
    /// What carries its bits, as far as the list of ports says.
    pub medium: Medium,
    /// Driver's name.
    pub driver: Option<String>,
    /// Address on the bus.
    pub bus: Option<String>,
    /// Labels.
    #[serde(flatten)]
    pub labels: PortLabels,
    /// Why it is known.
    pub watch: Watch,
    /// The machine has it now.
    pub present: bool,
    /// What is held of it, since when, why, and which run that rests on.
    pub standing: Standing,
    /// Somebody has to look at it, and nobody has acknowledged that.
    pub needs_attention: bool,
    /// When its proof ends, if it has one.
    pub proof_ends_ms: Option<i64>,
    /// Somebody knows of its state.
    pub acknowledged: Option<Acknowledgement>,
    /// Its changes are not announced for a while.
    pub muted: Option<Mute>,
    /// The pause for maintenance that covers it.
    pub paused: Option<Pause>,
    /// The open case that has it for itself.
    pub diagnosis: Option<Diagnosis>,
    /// Where a case found its fault; none once it passed since.
    pub traced: Option<Traced>,
    /// Why it is in service now, as last looked at; empty when free.
    pub in_service: Vec<String>,
    /// Rounds it belongs to.
    pub rounds: Vec<String>,
    /// When the next scheduled run is due.
    pub next_due_ms: Option<i64>,
    /// The run that is on.
    pub running: Option<LiveRun>,
    /// Runs of it waiting for their turn because somebody asked.
    pub waiting: u32,
    /// Times it was skipped because it was in service, since the daemon first knew it.
    pub skips: u64,
    /// A run of it does not end: its driver hangs. Nothing is started on it until that run ends.
    pub hung: bool,
    /// Figures that drift, in words.
    pub drifts: Vec<String>,
    /// Figures that begin to drift.
    pub leaning: Vec<Lean>,
}

/// A run that is on.
#[derive(Clone, Debug, Serialize)]
pub struct LiveRun {
    /// Id.
    pub run: String,
    /// Port.
    pub port: String,
    /// Profile's name.
    pub profile: String,
    /// Why it runs: the round's name, `asked`, or the case's id.
    pub cause: String,
    /// Who asked for it; none for a scheduled run.
    pub by: Option<String>,
    /// When it began.
    pub started_ms: i64,
    /// Share done, `0.0..=1.0`, where the plan's length is known.
    pub share_done: Option<f64>,
    /// The last event of it as the events file has it (`docs/report-format.md`).
    pub last_event: Option<Event>,
}

/// A run that waits for its turn.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct QueueEntry {
    /// Place in the queue, from 1; what people asked for comes first.
    pub position: u32,
    /// Id that it will have; none for a scheduled run, which gets one when it begins.
    pub run: Option<String>,
    /// Port.
    pub port: String,
    /// Profile's name.
    pub profile: String,
    /// Why it is to run: the round's name, `asked`, or the case's id.
    pub cause: String,
    /// Who asked for it; none for a scheduled run.
    pub by: Option<String>,
    /// When it was asked for, or due.
    pub since_ms: i64,
    /// Why it waits, in words.
    pub reason: String,
    /// When it will begin at about; none where nobody can say.
    pub begins_ms: Option<i64>,
}

/// A scheduled run to come.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Coming {
    /// When it is due, ms since 1970-01-01 UTC.
    pub due_ms: i64,
    /// Port.
    pub port: String,
    /// The round.
    pub round: String,
}

/// Something that happened, with its number since the agent started. Numbers grow by one.
#[derive(Clone, Debug, Serialize)]
pub struct Told {
    /// Number, from 1.
    pub number: u64,
    /// What.
    #[serde(flatten)]
    pub happening: Happening,
}

/// A way to hear what happens.
#[derive(Debug)]
pub struct Hearing {
    /// What happened since the number that was asked for, the oldest first. Progress of runs is not repeated.
    pub before: Vec<Told>,
    /// Something is missing in `before`: it was too long ago.
    pub missed: bool,
    /// What happens from now on.
    pub receiver: broadcast::Receiver<Told>,
}

/// Something that happened, told to whoever listens.
#[derive(Clone, Debug, Serialize)]
#[serde(tag = "happening", rename_all = "kebab-case")]
pub enum Happening {
    /// A run said something.
    Run {
        /// Its id.
        run: String,
        /// Its port.
        port: String,
        /// What, as in the events file.
        event: Event,
    },
    /// A run is over and on record.
    RunOver {
        /// Its id.
        run: String,
        /// Its port.
        port: String,
        /// What it found; none if it could not be made.
        outcome: Option<Outcome>,
    },
    /// A port's state changed.
    Changed {
        /// The port.
        port: String,
        /// How.
        change: Change,
    },
    /// A case moved on.
    Case {
        /// Its id.
        case: String,
        /// Its port.
        port: String,
    },
    /// Somebody did something about a port or all of them: acknowledged, muted, paused, or asked for a run.
    Cared {
        /// The port; none if it is about several.
        port: Option<String>,
    },
    /// Something changed on the bench.
    Bench,
    /// The configuration was read again.
    Reloaded,
}

/// How the daemon itself fares.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Health {
    /// Nothing is wrong with the daemon: see `troubles`. Ports do not count here.
    pub ok: bool,
    /// What is wrong, each with the way out.
    pub troubles: Vec<String>,
    /// Version of the program.
    pub version: String,
    /// When the daemon started, ms since 1970-01-01 UTC.
    pub started_ms: i64,
    /// When the supervisor last went round, ms since 1970-01-01 UTC.
    pub last_round_ms: i64,
    /// The configuration file; none in the demo.
    pub config: Option<String>,
    /// Ports are simulated: `turnback agent --demo`.
    pub demo: bool,
    /// Time zone of the configuration, by name; times are shown in it.
    pub zone: String,
    /// This machine is a bench too.
    pub bench: bool,
    /// Number of the last thing that happened: whoever listens later asks for what came after it.
    pub last_happening: u64,
    /// How it fares with its fleet; none where it belongs to none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fleet: Option<FleetFigures>,
}

/// Counts since the daemon started, for metrics. Gauges over ports follow from [`Agent::ports`].
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Figures {
    /// Runs by port, then by outcome.
    pub runs: BTreeMap<String, BTreeMap<String, u64>>,
    /// Runs that could not be made, by port.
    pub run_errors: BTreeMap<String, u64>,
    /// Runs cut off by their time limit, by port.
    pub run_timeouts: BTreeMap<String, u64>,
    /// Times a port was skipped because it was in service.
    pub skips: BTreeMap<String, u64>,
    /// Missed times that were caught up, or dropped, by round.
    pub missed: BTreeMap<String, u64>,
    /// Numbers of reports that add up over runs, by the figure's id, then by port.
    pub totals: BTreeMap<&'static str, BTreeMap<String, f64>>,
    /// Numbers of the last report of each port, by the figure's id, then by port.
    pub last: BTreeMap<&'static str, BTreeMap<String, f64>>,
    /// Announcements delivered, by target.
    pub announced: BTreeMap<String, u64>,
    /// Failed attempts to deliver, by target.
    pub announce_failures: BTreeMap<String, u64>,
    /// Announcements that wait for delivery.
    pub outbox: u64,
    /// Processor time the daemon has used, seconds.
    pub cpu_seconds: f64,
    /// Reloads of the configuration that worked, and that were refused.
    pub reloads: (u64, u64),
    /// How it fares with the fleet; none where it belongs to none.
    pub fleet: Option<FleetFigures>,
}

/// How an agent fares with its fleet.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FleetFigures {
    /// Its site and its machine's name there, joined by a full stop.
    pub member: String,
    /// The broker is reached.
    pub connected: bool,
    /// Documents and changes that wait.
    pub waiting: u64,
    /// When the oldest of them was recorded, ms since 1970 UTC.
    pub oldest_ms: Option<i64>,
    /// Documents and changes that the stream has taken since the agent started.
    pub sent: u64,
    /// Those given up since then: the backlog was full.
    pub given_up: u64,
    /// Those that the broker does not take, which are kept aside with the reason.
    #[serde(default)]
    pub set_aside: u64,
    /// Why nothing can be sent now; none if it can.
    pub trouble: Option<String>,
}

impl FleetFigures {
    /// In a line: `north-quay.closet-3: 12 documents wait, the oldest for 3 min: the broker is away`. `age` words a
    /// time in milliseconds.
    pub fn says(&self, now_ms: i64, age: impl Fn(i64) -> String) -> String {
        let behind = match (self.waiting, self.oldest_ms) {
            (0, _) => "nothing waits".to_owned(),
            (1, Some(oldest)) => format!("1 document waits, for {}", age(now_ms - oldest)),
            (count, Some(oldest)) => format!("{count} documents wait, the oldest for {}", age(now_ms - oldest)),
            (count, None) => format!("{count} documents wait"),
        };
        let given_up = match self.given_up {
            0 => String::new(),
            count => format!("; {count} given up, the records have them"),
        };
        let set_aside = match self.set_aside {
            0 => String::new(),
            count => format!("; {count} set aside, which the broker does not take"),
        };
        let trouble = self.trouble.as_ref().map_or_else(String::new, |trouble| format!("; {trouble}"));
        format!("{}: {behind}{given_up}{set_aside}{trouble}", self.member)
    }
}

/// Why a request is refused.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum AgentError {
    /// No such port, run or case.
    #[error("there is no {what} `{name}`")]
    Unknown {
        /// `port`, `run` or `case`.
        what: &'static str,
        /// As given.
        name: String,
    },
    /// A value that is not allowed.
    #[error("{name} `{given}` is not allowed: {allowed}")]
    Value {
        /// Name of the value.
        name: &'static str,
        /// As given.
        given: String,
        /// What is allowed.
        allowed: String,
    },
    /// Not now: the port is in service, busy or hung, or the case is over.
    #[error("not now: {0}")]
    NotNow(String),
    /// An open case has the port.
    #[error("{port} is under diagnosis: case {case} is open; go on with it, or close it")]
    UnderDiagnosis {
        /// The port.
        port: String,
        /// The case.
        case: String,
    },
    /// The archive failed.
    #[error("the store cannot be used: {0}")]
    Store(String),
}

impl From<ArchiveError> for AgentError {
    fn from(error: ArchiveError) -> Self {
        match error {
            ArchiveError::Unknown { kind: Some(kind), given } => Self::Unknown { what: kind.name(), name: given },
            other => Self::Store(with_causes(&other)),
        }
    }
}

/// What can be asked of a running agent. `by` is who asks: it is noted, and decides nothing.
pub trait Agent: Send + Sync {
    /// Every port, by name.
    fn ports(&self) -> Vec<PortView>;
    /// Runs that wait for their turn, in the order in which they will begin at about.
    fn queue(&self) -> Vec<QueueEntry>;
    /// Scheduled runs of the next 24 hours, the next of each port and round, the earliest first.
    fn coming(&self) -> Vec<Coming>;
    /// Pauses that hold now.
    fn pauses(&self) -> Vec<Pause>;
    /// Listens to what happens, from the number after `after` on; none: from now on. Whoever is too slow misses the
    /// oldest and is told how many.
    fn listen(&self, after: Option<u64>) -> Hearing;
    /// How the daemon fares.
    fn health(&self) -> Health;
    /// Counts for metrics.
    fn figures(&self) -> Figures;

    /// Asks for a check; the id of the run, which may have to wait for its turn. *Disk.*
    ///
    /// # Errors An unknown port, a value out of range, a port in service, hung, under diagnosis, or with a run asked
    /// for already.
    fn start(&self, order: StartOrder, by: &str) -> Result<String, AgentError>;
    /// Asks for a check of every port of a cabinet that can be tested now, by port; for the others, why not. *Disk.*
    ///
    /// # Errors
    /// A cabinet without ports.
    fn start_cabinet(
        &self,
        cabinet: &str,
        by: &str,
    ) -> Result<BTreeMap<String, Result<String, AgentError>>, AgentError>;
    /// Ends a run that is on or waits. *Disk.*
    ///
    /// # Errors
    /// No such run.
    fn cancel(&self, run: &str, by: &str) -> Result<(), AgentError>;

    /// Acknowledges a port's state, until it changes. *Disk.*
    ///
    /// # Errors
    /// An unknown port; a note that is too long; the archive.
    fn acknowledge(&self, port: &str, order: AcknowledgeOrder, by: &str) -> Result<(), AgentError>;
    /// Mutes a port's announcements until a time, or ends that. *Disk.*
    ///
    /// # Errors
    /// An unknown port; a time that is past or too far; the archive.
    fn mute(&self, port: &str, order: MuteOrder, by: &str) -> Result<(), AgentError>;
    /// Pauses scheduled runs and announcements, or ends that. *Disk.*
    ///
    /// # Errors
    /// A cabinet without ports; a time that is past or too far; the archive.
    fn pause(&self, order: PauseOrder, by: &str) -> Result<(), AgentError>;
    /// What people did, the newest first, `limit` at most. *Disk.*
    ///
    /// # Errors
    /// The archive.
    fn actions(&self, limit: u32) -> Result<Vec<Action>, AgentError>;

    /// Records, the newest first. *Disk.*
    ///
    /// # Errors
    /// The archive.
    fn records(&self, query: &RecordQuery) -> Result<Vec<RecordLine>, AgentError>;
    /// The report of a run. *Disk.*
    ///
    /// # Errors
    /// No such run; the archive.
    fn report(&self, run: &str) -> Result<Report, AgentError>;
    /// Changes of a port's state, the newest first, `limit` at most. *Disk.*
    ///
    /// # Errors
    /// No such port; the archive.
    fn changes(&self, port: &str, limit: u32) -> Result<Vec<Change>, AgentError>;
    /// Announcements that are not delivered yet. *Disk.*
    ///
    /// # Errors
    /// The archive.
    fn outbox(&self) -> Result<Vec<OutboxLine>, AgentError>;
    /// Announcements that targets have accepted, the newest first, `limit` at most. *Disk.*
    ///
    /// # Errors
    /// The archive.
    fn sent(&self, limit: u32) -> Result<Vec<SentLine>, AgentError>;

    /// Cases, the newest first, `limit` at most. *Disk.*
    ///
    /// # Errors
    /// The archive.
    fn cases(&self, limit: u32) -> Result<Vec<CaseView>, AgentError>;
    /// One case. *Disk.*
    ///
    /// # Errors
    /// No such case; the archive.
    fn case(&self, case: &str) -> Result<CaseView, AgentError>;
    /// The document of a case, from which drawings and its sheet are made. *Disk.*
    ///
    /// # Errors
    /// As for [`Agent::case`].
    fn case_document(&self, case: &str) -> Result<Case, AgentError>;
    /// Opens a case, which has its port for itself from now on; its id. *Disk.*
    ///
    /// # Errors
    /// An unknown port; a port with an open case; a label that is not allowed; the archive.
    fn open_case(&self, order: CaseOrder, by: &str) -> Result<String, AgentError>;
    /// Carries out a stage. The id of the run; none where the person's word was taken. *Disk.*
    ///
    /// # Errors
    /// No such case; a stage it does not have; a value that does not belong to it; not now.
    fn perform(&self, case: &str, order: StageOrder, by: &str) -> Result<Option<String>, AgentError>;
    /// Skips a stage. *Disk.*
    ///
    /// # Errors
    /// As for [`Agent::perform`].
    fn skip(&self, case: &str, stage: &str, why: &str, by: &str) -> Result<(), AgentError>;
    /// Sets a stage aside: the person does not stand by what it showed. It counts for nothing and may come up again.
    /// *Disk.*
    ///
    /// # Errors
    /// No such case; a stage that was not done; not now.
    fn set_aside(&self, case: &str, stage: &str, by: &str) -> Result<(), AgentError>;
    /// Closes a case before it is decided, and releases its port. *Disk.*
    ///
    /// # Errors
    /// No such case; one that is over already; not now.
    fn close_case(&self, case: &str, why: &str, by: &str) -> Result<(), AgentError>;

    /// The bench that this machine is; none where it is none.
    fn bench(&self) -> Option<BenchView>;
    /// Answers a request of the bench. *Disk.*
    ///
    /// # Errors
    /// No such request; a sticker that is no address or is not asked for; the archive.
    fn answer_bench(&self, order: BenchOrder, by: &str) -> Result<(), AgentError>;
    /// Asks anew for what nobody could do for a card, or has the reference card tested again. *Disk.*
    ///
    /// # Errors
    /// A card that nobody left; the archive.
    fn ask_bench_again(&self, card: &str, by: &str) -> Result<(), AgentError>;
    /// The newest card test of a card, by its label. *Disk.*
    ///
    /// # Errors
    /// No such card; the archive.
    fn card_test(&self, card: &str) -> Result<CardTest, AgentError>;
    /// A lot, by its label. *Disk.*
    ///
    /// # Errors
    /// No such lot; the archive.
    fn lot(&self, lot: &str) -> Result<Lot, AgentError>;
}
