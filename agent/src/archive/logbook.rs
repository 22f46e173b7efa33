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
        drift::Drift,
        standing::{Change, Standing},
    },
};

use super::{Archive, error::ArchiveError};

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

/// What was remembered when the daemon started.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Remembered {
    /// Drawn once and kept: delays are drawn from it.
    pub seed: u64,
    /// By port.
    pub ports: BTreeMap<String, PortMemory>,
}

/// An archive that also remembers for the agent.
pub trait Logbook: Archive + 'static {
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
    /// Deletes a delivered announcement from the outbox.
    ///
    /// # Errors
    /// It cannot be written: the announcement will be delivered again, under the same id.
    fn delivered(&mut self, id: &str, target: &str) -> Result<(), ArchiveError>;
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
    /// Drops runs and changes older than this, and cases with them; says how many runs and changes. An open case
    /// stays, with all it rests on.
    ///
    /// # Errors
    /// It cannot be written.
    fn prune(&mut self, older_than_ms: i64) -> Result<u64, ArchiveError>;
}
