//! What the agent must not forget beside its documents: what it knows of each port, what changed, and what has not been
//! announced yet.
//!
//! [`Logbook::enter`] writes all that follows from one run at once or not at all, so that neither a crash nor a full
//! disk leaves a change without its announcement.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use turnback_core::{
    document::run::Report,
    watch::{
        care::{Acknowledgement, Diagnosis, Mute, Traced},
        drift::Drift,
        standing::{Change, Standing, State},
    },
};

use super::{Archive, error::ArchiveError, outbox::FleetOutbox};

/// What is remembered of a port. Times are milliseconds since 1970-01-01 UTC.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PortMemory {
    /// What is held of it.
    pub standing: Standing,
    /// Its charts.
    pub drift: Drift,
    /// What drifts now.
    pub drifts: Vec<String>,
    /// By round: the last time of its schedule that is dealt with.
    pub dealt_with_ms: BTreeMap<String, i64>,
    /// When something found is looked at again, and by which round.
    pub repeat: Option<(i64, String)>,
    /// Repeats since the last scheduled run.
    pub repeats: u32,
    /// Times it was skipped because it was in service.
    pub skips: u64,
    /// The run that began and has not ended: its id and its round.
    pub begun: Option<(String, String)>,
    /// The state that was announced last, where a change since then was not.
    pub told: Option<State>,
    /// Somebody knows of its state.
    pub acknowledged: Option<Acknowledgement>,
    /// Its changes are not announced for a while.
    pub muted: Option<Mute>,
    /// The open case that has it for itself.
    pub diagnosis: Option<Diagnosis>,
    /// Where a case found its fault.
    pub traced: Option<Traced>,
}

/// An announcement on its way to one target.
#[derive(Clone, Debug, PartialEq)]
pub struct Outgoing {
    /// Id of the announcement, the same at each attempt and for each target.
    pub id: String,
    /// Target's name.
    pub target: String,
    /// Port.
    pub port: String,
    /// When it came up.
    pub at_ms: i64,
    /// The document, JSON.
    pub document: String,
    /// Attempts so far.
    pub attempts: u32,
    /// When it is tried next.
    pub next_try_ms: i64,
    /// What the last attempt said.
    pub last_error: Option<String>,
}

impl Outgoing {
    /// A document with this id on its way to each of these targets, not tried yet. `port` is what it is about.
    pub fn to_each(
        targets: &[String],
        id: &str,
        port: &str,
        at_ms: i64,
        document: &impl serde::Serialize,
    ) -> Vec<Self> {
        let document = serde_json::to_string(document).unwrap_or_default();
        let one = |target: &String| Self {
            id: id.to_owned(),
            target: target.clone(),
            port: port.to_owned(),
            at_ms,
            document: document.clone(),
            attempts: 0,
            next_try_ms: at_ms,
            last_error: None,
        };
        targets.iter().map(one).collect()
    }
}

/// All that follows from one run.
#[derive(Clone, Debug, Default)]
pub struct Entry {
    /// Port.
    pub port: String,
    /// What is remembered of it from now on.
    pub memory: PortMemory,
    /// Its change of state.
    pub change: Option<Change>,
    /// What is to be announced.
    pub outgoing: Vec<Outgoing>,
    /// The report of the run.
    pub report: Option<Box<Report>>,
}

/// What somebody did.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Action {
    /// When, ms since 1970-01-01 UTC.
    pub at_ms: i64,
    /// Who: the name of a token, a paired phone or this machine's own user.
    pub by: String,
    /// What, in words: `asked for a check`.
    pub did: String,
    /// The port it is about.
    pub port: Option<String>,
    /// The run it is about.
    pub run: Option<String>,
    /// The case it is about.
    pub case: Option<String>,
    /// What they noted.
    pub note: String,
}

/// A delivered announcement.
#[derive(Clone, Debug, PartialEq)]
pub struct Sent {
    /// As it was on its way.
    pub outgoing: Outgoing,
    /// When the target accepted it.
    pub sent_ms: i64,
}

/// What was remembered when the daemon started.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Remembered {
    /// Drawn once and kept: delays are drawn from it.
    pub seed: u64,
    /// By port.
    pub ports: BTreeMap<String, PortMemory>,
}

/// An archive that also remembers for the agent.
pub trait Logbook: Archive + FleetOutbox + 'static {
    /// All that is remembered; `seed` is kept if there is none yet.
    ///
    /// # Errors
    /// The archive cannot be read or written.
    fn open(&mut self, seed: u64) -> Result<Remembered, ArchiveError>;
    /// Writes an entry, whole or not at all. It is on disk when this returns.
    ///
    /// # Errors
    /// It cannot be written; then nothing is.
    fn enter(&mut self, entry: &Entry) -> Result<(), ArchiveError>;
    /// Announcements that are not delivered, the oldest first.
    ///
    /// # Errors
    /// The archive cannot be read.
    fn outbox(&self) -> Result<Vec<Outgoing>, ArchiveError>;
    /// Puts announcements into the outbox that were not part of an entry.
    ///
    /// # Errors
    /// They cannot be written; then none is.
    fn post(&mut self, outgoing: &[Outgoing]) -> Result<(), ArchiveError>;
    /// Moves a delivered announcement from the outbox to those that were sent. `sent_ms` is none for one that nobody is
    /// left to get.
    ///
    /// # Errors
    /// It cannot be written: the announcement will be delivered again, under the same id.
    fn delivered(&mut self, outgoing: &Outgoing, sent_ms: Option<i64>) -> Result<(), ArchiveError>;
    /// Announcements that were sent, the newest first.
    ///
    /// # Errors
    /// The archive cannot be read.
    fn sent(&self, limit: u32) -> Result<Vec<Sent>, ArchiveError>;
    /// Notes what somebody did.
    ///
    /// # Errors
    /// It cannot be written.
    fn act(&mut self, action: &Action) -> Result<(), ArchiveError>;
    /// What people did, the newest first.
    ///
    /// # Errors
    /// The archive cannot be read.
    fn actions(&self, limit: u32) -> Result<Vec<Action>, ArchiveError>;
    /// A document of the agent itself, by name; none if there is none.
    ///
    /// # Errors
    /// The archive cannot be read.
    fn note(&self, name: &str) -> Result<Option<String>, ArchiveError>;
    /// Keeps a document of the agent itself under a name, in place of what it was.
    ///
    /// # Errors
    /// It cannot be written; then it is as before.
    fn keep_note(&mut self, name: &str, document: &str) -> Result<(), ArchiveError>;
    /// Notes a failed attempt.
    ///
    /// # Errors
    /// It cannot be written.
    fn put_off(&mut self, outgoing: &Outgoing) -> Result<(), ArchiveError>;
    /// Changes of a port's state, the newest first.
    ///
    /// # Errors
    /// The archive cannot be read.
    fn changes(&self, port: &str, limit: u32) -> Result<Vec<Change>, ArchiveError>;
    /// Drops runs, changes, sent announcements and actions older than this, and cases with their runs; says how many
    /// runs and changes. An open case stays, with all it rests on.
    ///
    /// # Errors
    /// It cannot be written.
    fn prune(&mut self, older_than_ms: i64) -> Result<u64, ArchiveError>;
}
