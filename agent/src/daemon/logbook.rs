//! What the daemon must not forget: what is held of each port, what changed, and what has not been announced yet.
//!
//! [`Logbook::enter`] writes all that follows from one finding at once or not at all, so that neither a crash nor a full disk
//! leaves a change without its announcement. [`Memory`] forgets with the process: for tests and the demo. The one on
//! disk is in `store`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use thiserror::Error;
use turnback_core::{
    document::{case::Case, run::Report},
    watch::{
        drift::Drift,
        standing::{Change, Standing},
    },
};

use super::desk::{DeskError, RecordLine, RecordQuery};

/// The logbook could not be read or written.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum LogbookError {
    /// No such run or case.
    #[error("there is no {0} `{1}`")]
    Unknown(&'static str, String),
    /// The store says.
    #[error("{0}")]
    Store(String),
}

impl From<LogbookError> for DeskError {
    fn from(error: LogbookError) -> Self {
        match error {
            LogbookError::Unknown(what, name) => Self::Unknown { what, name },
            LogbookError::Store(text) => Self::Store(text),
        }
    }
}

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

/// All that follows from one finding.
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

/// See the module text.
pub trait Logbook: Send + 'static {
    /// All that is remembered; `seed` is kept if there is none yet.
    ///
    /// # Errors
    /// The store.
    fn open(&mut self, seed: u64) -> Result<Remembered, LogbookError>;
    /// Writes an entry, whole or not at all; it is on disk when this returns.
    ///
    /// # Errors
    /// The store; nothing is written then.
    fn enter(&mut self, entry: &Entry) -> Result<(), LogbookError>;
    /// Announcements that are not delivered, the oldest first.
    ///
    /// # Errors
    /// The store.
    fn outbox(&mut self) -> Result<Vec<Outgoing>, LogbookError>;
    /// Strikes out a delivered announcement.
    ///
    /// # Errors
    /// The store; it will be delivered again then, under the same id.
    fn delivered(&mut self, id: &str, target: &str) -> Result<(), LogbookError>;
    /// Notes a failed attempt.
    ///
    /// # Errors
    /// The store.
    fn put_off(&mut self, outgoing: &Outgoing) -> Result<(), LogbookError>;
    /// Records, the newest first.
    ///
    /// # Errors
    /// The store.
    fn records(&mut self, query: &RecordQuery) -> Result<Vec<RecordLine>, LogbookError>;
    /// A report.
    ///
    /// # Errors
    /// No such run; the store.
    fn report(&mut self, run: &str) -> Result<Report, LogbookError>;
    /// Changes of a port, the newest first.
    ///
    /// # Errors
    /// The store.
    fn changes(&mut self, port: &str, limit: u32) -> Result<Vec<Change>, LogbookError>;
    /// Cases, the one changed last first.
    ///
    /// # Errors
    /// The store.
    fn cases(&mut self, limit: u32) -> Result<Vec<Case>, LogbookError>;
    /// The case of this id.
    ///
    /// # Errors
    /// No such case; the store.
    fn case(&mut self, id: &str) -> Result<Case, LogbookError>;
    /// Keeps a case as it is now.
    ///
    /// # Errors
    /// The store.
    fn keep_case(&mut self, case: &Case) -> Result<(), LogbookError>;
    /// Removes what is older than this: records and changes.
    ///
    /// # Errors
    /// The store.
    fn prune(&mut self, older_than_ms: i64) -> Result<u64, LogbookError>;
}

/// A logbook that goes with the process.
#[derive(Debug, Default)]
pub struct Memory {
    seed: Option<u64>,
    ports: BTreeMap<String, PortMemory>,
    outbox: Vec<Outgoing>,
    changes: Vec<(String, Change)>,
    reports: Vec<Box<Report>>,
    cases: Vec<Case>,
}

/// Reports kept in memory; the oldest goes first.
const REPORTS_MAX: usize = 2000;

impl Logbook for Memory {
    fn open(&mut self, seed: u64) -> Result<Remembered, LogbookError> {
        Ok(Remembered { seed: *self.seed.get_or_insert(seed), ports: self.ports.clone() })
    }

    fn enter(&mut self, entry: &Entry) -> Result<(), LogbookError> {
        self.ports.insert(entry.port.clone(), entry.memory.clone());
        self.outbox.extend(entry.outgoing.iter().cloned());
        self.changes.extend(entry.change.clone().map(|change| (entry.port.clone(), change)));
        if let Some(report) = &entry.report {
            self.reports.push(report.clone());
            if self.reports.len() > REPORTS_MAX {
                self.reports.remove(0);
            }
        }
        Ok(())
    }

    fn outbox(&mut self) -> Result<Vec<Outgoing>, LogbookError> {
        Ok(self.outbox.clone())
    }

    fn delivered(&mut self, id: &str, target: &str) -> Result<(), LogbookError> {
        self.outbox.retain(|o| o.id != id || o.target != target);
        Ok(())
    }

    fn put_off(&mut self, outgoing: &Outgoing) -> Result<(), LogbookError> {
        for kept in self.outbox.iter_mut().filter(|o| o.id == outgoing.id && o.target == outgoing.target) {
            kept.clone_from(outgoing);
        }
        Ok(())
    }

    fn records(&mut self, query: &RecordQuery) -> Result<Vec<RecordLine>, LogbookError> {
        let fits = |line: &RecordLine| {
            query.port.as_ref().is_none_or(|port| *port == line.port)
                && query.cable.as_ref().is_none_or(|cable| line.cable.as_ref() == Some(cable))
                && query.outcome.is_none_or(|outcome| outcome == line.outcome)
                && query.before.as_ref().is_none_or(|before| line.run < *before)
        };
        let lines = self.reports.iter().rev().map(|report| line(report)).filter(fits);
        Ok(lines.take(limit(query.limit)).collect())
    }

    fn report(&mut self, run: &str) -> Result<Report, LogbookError> {
        let found = self.reports.iter().find(|report| report.run == run);
        found.map(|report| (**report).clone()).ok_or_else(|| LogbookError::Unknown("run", run.to_owned()))
    }

    fn changes(&mut self, port: &str, limit: u32) -> Result<Vec<Change>, LogbookError> {
        let changes = self.changes.iter().rev().filter(|(of, _)| of == port).map(|(_, change)| change.clone());
        Ok(changes.take(limit as usize).collect())
    }

    fn cases(&mut self, limit: u32) -> Result<Vec<Case>, LogbookError> {
        Ok(self.cases.iter().rev().take(limit as usize).cloned().collect())
    }

    fn case(&mut self, id: &str) -> Result<Case, LogbookError> {
        let found = self.cases.iter().find(|case| case.case == id);
        found.cloned().ok_or_else(|| LogbookError::Unknown("case", id.to_owned()))
    }

    fn keep_case(&mut self, case: &Case) -> Result<(), LogbookError> {
        self.cases.retain(|kept| kept.case != case.case);
        self.cases.push(case.clone());
        Ok(())
    }

    fn prune(&mut self, older_than_ms: i64) -> Result<u64, LogbookError> {
        let before = self.changes.len();
        self.changes.retain(|(_, change)| change.at_ms >= older_than_ms);
        Ok((before - self.changes.len()) as u64)
    }
}

/// The limit of a query as it is kept to.
pub fn limit(asked: u32) -> usize {
    match asked {
        0 => 100,
        some => some.min(1000) as usize,
    }
}

/// A report as a line of a list.
pub fn line(report: &Report) -> RecordLine {
    RecordLine {
        run: report.run.clone(),
        started_at: report.started_at.clone(),
        port: report.port.name.clone(),
        cable: report.cable.clone(),
        placement: report.placement.to_string(),
        profile: report.profile.clone(),
        outcome: report.verdict.outcome,
        location: report.verdict.location.clone(),
        rule: report.verdict.rule().map(ToString::to_string),
        bit_error_ratio: report.error_ratio.as_ref().map(|r| r.estimate),
        latency_ns_p50: report.latency_ns.p50,
    }
}
