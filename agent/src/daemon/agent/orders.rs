//! What people order of a running agent: the bodies of requests.

use serde::{Deserialize, Serialize};
use turnback_core::judge::Outcome;

/// Which records.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RecordQuery {
    /// Of this port.
    pub port: Option<String>,
    /// Of this cable.
    pub cable: Option<String>,
    /// With this outcome.
    pub outcome: Option<Outcome>,
    /// Begun before this run (by id), to go on with a list.
    pub before: Option<String>,
    /// At most this many, the newest first; 0 means 100, and 1000 is the most.
    pub limit: u32,
}

/// A check that somebody asks for.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct StartOrder {
    /// Port.
    pub port: String,
    /// Profile by name; none: that of the port's first round, else `quick`.
    pub profile: Option<String>,
    /// Where the plug is: `internal`, `at-port`, `far-end`; none: that of the port's first round.
    pub placement: Option<String>,
    /// Label of the cable.
    pub cable: Option<String>,
}

/// A case that somebody opens.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CaseOrder {
    /// Port.
    pub port: String,
    /// Label of the cable.
    pub cable: Option<String>,
    /// Labels of its segments, from the port.
    pub segments: Vec<String>,
    /// Label of the plug.
    pub plug: Option<String>,
}

/// A stage that somebody carries out: the hands have done what the move says.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct StageOrder {
    /// The stage.
    pub stage: String,
    /// Label of the plug from now on, where it is another one.
    pub plug: Option<String>,
    /// Profile of the stages from now on, by name, where it is another one.
    pub profile: Option<String>,
    /// For `known-good-port`: the port of this machine that the plug is in.
    pub on: Option<String>,
    /// For `known-good-port`, in its place: what the plug showed in a port elsewhere.
    pub shows: Option<Shown>,
}

/// What a plug showed where this machine cannot look.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shown {
    /// It passes.
    Passes,
    /// It fails.
    Fails,
}

/// Acknowledges a port's state.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct AcknowledgeOrder {
    /// A note for the others; may be empty.
    pub note: String,
    /// Takes an acknowledgement back instead.
    pub withdraw: bool,
}

/// Mutes the announcements of a port.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MuteOrder {
    /// Until when, ms since 1970-01-01 UTC; none ends it now.
    pub until_ms: Option<i64>,
    /// A note for the others; may be empty.
    pub note: String,
}

/// Pauses the scheduled runs of a cabinet, or of all ports.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct PauseOrder {
    /// The cabinet; none: every port.
    pub cabinet: Option<String>,
    /// Until when, ms since 1970-01-01 UTC; none: until somebody ends it.
    pub until_ms: Option<i64>,
    /// A note for the others; may be empty.
    pub note: String,
    /// Ends the pause of this cabinet, or of all ports, instead.
    pub end: bool,
}
