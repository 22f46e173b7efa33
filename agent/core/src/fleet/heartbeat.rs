//! A heartbeat: the machine lives, and how it fares.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Sent each minute. Times are milliseconds since 1970-01-01 UTC by the machine's own clock.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Heartbeat {
    /// Version of this message.
    pub format: u32,
    /// The machine's number of the message: a later one has a higher number, whatever its clock says.
    pub number: i64,
    /// When it was sent.
    pub at_ms: i64,
    /// Program and its version.
    pub program: String,
    /// The machine's own host name, as its reports say it.
    pub host: String,
    /// When the agent started.
    pub started_ms: i64,
    /// Ports that rounds choose, by their state. A word, so that a collector can take states that it does not know.
    pub states: BTreeMap<String, u32>,
    /// Ports that the machine has or the configuration names.
    pub ports: u32,
    /// Of those, the ones that somebody has to look at.
    pub needs_attention: u32,
    /// What waits in the agent's outbox for the fleet.
    pub backlog: Backlog,
    /// What is wrong with the agent, in words.
    pub troubles: Vec<String>,
    /// The agent accepts checks that the fleet's page asks for.
    pub accepts_requests: bool,
}

/// How far an agent is behind.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Backlog {
    /// Documents and changes that wait.
    pub waiting: u64,
    /// When the oldest of them came up; none if nothing waits.
    pub oldest_ms: Option<i64>,
    /// Those that do not go: given up since the agent started because the backlog was full, and set aside because the
    /// broker does not take them. The machine's own records still have them.
    pub given_up: u64,
}
