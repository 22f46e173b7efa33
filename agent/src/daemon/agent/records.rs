//! Records and announcements in lists.

use serde::Serialize;
use turnback_core::judge::{Location, Outcome};

use crate::archive::record::Record;

/// One line of a list of records.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RecordLine {
    /// Id of the run.
    pub run: String,
    /// When it began, RFC 3339 with zone.
    pub started_at: String,
    /// Port.
    pub port: String,
    /// Cable's label.
    pub cable: Option<String>,
    /// Where the plug was.
    pub placement: String,
    /// The segment of the cable at whose end it was.
    pub segment: Option<String>,
    /// Profile.
    pub profile: String,
    /// What it found.
    pub outcome: Outcome,
    /// For a fault, among what it lies.
    pub location: Vec<Location>,
    /// What a pass is limited to.
    pub scope: Option<String>,
    /// Name of the deciding rule.
    pub rule: Option<String>,
    /// Estimated bit error ratio.
    pub bit_error_ratio: Option<f64>,
    /// Upper end of its interval.
    pub bit_error_ratio_upper: Option<f64>,
    /// The ratio that a good line stays below.
    pub limit: Option<f64>,
    /// Half of the round trips took at most this, ns.
    pub latency_ns_p50: Option<u64>,
}

impl RecordLine {
    /// The line of a recorded run.
    pub fn of(record: &Record) -> Self {
        let location = record.location.split(',').filter_map(|place| serde_json::from_value(place.into()).ok());
        Self {
            run: record.run.clone(),
            started_at: record.started_at.clone(),
            port: record.port.clone(),
            cable: record.cable.clone(),
            placement: record.placement.clone(),
            segment: record.segment.clone(),
            profile: record.profile.clone(),
            outcome: serde_json::from_value(record.outcome.as_str().into()).unwrap_or(Outcome::NotTested),
            location: location.collect(),
            scope: record.scope.clone(),
            rule: record.rule.clone(),
            bit_error_ratio: record.ratio(),
            bit_error_ratio_upper: record.error_ratio_upper,
            limit: record.error_ratio_limit,
            latency_ns_p50: record.latency_ns_p50,
        }
    }
}

/// One announcement on its way to one target.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OutboxLine {
    /// Id of the announcement.
    pub id: String,
    /// Target's name.
    pub target: String,
    /// Port.
    pub port: String,
    /// When it came up, ms since 1970-01-01 UTC.
    pub at_ms: i64,
    /// What it says: the document, as targets get it.
    pub document: serde_json::Value,
    /// Times its delivery was tried.
    pub attempts: u32,
    /// When it will be tried next, ms since 1970-01-01 UTC.
    pub next_try_ms: i64,
    /// What the last try said.
    pub last_error: Option<String>,
}

/// An announcement that a target has accepted.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SentLine {
    /// Id of the announcement.
    pub id: String,
    /// Target's name.
    pub target: String,
    /// Port.
    pub port: String,
    /// When it came up, ms since 1970-01-01 UTC.
    pub at_ms: i64,
    /// When it was accepted, ms since 1970-01-01 UTC.
    pub sent_ms: i64,
    /// What it says: the document, as targets get it.
    pub document: serde_json::Value,
}
