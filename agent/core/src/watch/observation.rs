//! What one run says about a port, and what a state rests on.

use serde::{Deserialize, Serialize};

use crate::{
    base::placement::Placement,
    document::run::{Detail, Report},
    judge::{Location, Outcome, Verdict, facts::Stopped},
};

/// What one run, or the attempt at one, says of its port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Observation {
    /// Passed.
    Pass,
    /// A fault, with the deciding reason.
    Fault(String),
    /// Decided nothing, or could not be made at all, and why.
    Inconclusive(String),
    /// The port is in service or on a live network.
    InService(String),
    /// Ended by hand: says nothing.
    Interrupted,
}

impl Observation {
    /// What a report says of its port.
    pub fn of(report: &Report) -> Self {
        Self::of_verdict(&report.verdict, report.stopped)
    }

    pub(super) fn of_verdict(verdict: &Verdict, stopped: Option<Stopped>) -> Self {
        let reason = verdict.reasons.first();
        let text = reason.map_or_else(|| verdict.sureness.clone(), |r| format!("{}: {}", r.rule, r.text));
        match (verdict.outcome, stopped) {
            (_, Some(Stopped::TakenIntoService | Stopped::ForeignTraffic)) => Self::InService(text),
            (Outcome::Fault, _) => Self::Fault(text),
            (Outcome::Pass, _) => Self::Pass,
            (Outcome::Undecided, Some(Stopped::ByUser)) => Self::Interrupted,
            (Outcome::Undecided, _) => Self::Inconclusive(text),
            (Outcome::NotTested, _) => match reason {
                Some(reason) if reason.rule.means_in_use() => Self::InService(text),
                _ if stopped == Some(Stopped::ByUser) => Self::Interrupted,
                _ => Self::Inconclusive(text),
            },
        }
    }
}

/// What a state rests on: one run.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Ground {
    /// Where the signal was turned back. The run says nothing about what lies beyond.
    pub placement: Placement,
    /// Speed of the link or format of the line, such as `1000 Mb/s`; none where no run measured it.
    pub speed: Option<String>,
    /// Name of its profile.
    pub profile: String,
    /// Its id; none if it could not be made.
    pub run: Option<String>,
    /// When it ended, ms since 1970-01-01 UTC.
    pub at_ms: i64,
    /// For a fault, among what it lies.
    pub location: Vec<Location>,
    /// What its verdict says to do next; empty if it could not be made.
    pub next: String,
}

impl Ground {
    /// The run of a report, which ended at a time in ms since 1970-01-01 UTC.
    pub fn of(report: &Report, at_ms: i64) -> Self {
        let speed = match &report.detail {
            Detail::Ethernet(detail) => detail.link.speed_mbps.map(|mbps| format!("{mbps} Mb/s")),
            Detail::Serial(detail) => Some(detail.format.to_string()),
        };
        Self {
            placement: report.placement,
            speed,
            profile: report.profile.clone(),
            run: Some(report.run.clone()),
            at_ms,
            location: report.verdict.location.clone(),
            next: report.verdict.next.clone(),
        }
    }
}
