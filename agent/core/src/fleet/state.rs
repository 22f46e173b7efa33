//! What a machine holds of its ports, and how that changed. States and kinds are words, so that a collector can take
//! those that it does not know.

use serde::{Deserialize, Serialize};

/// One message tells of no more ports: whoever reads it must not run out of memory.
pub const PORTS_MAX: usize = 1000;
/// Nor of more changes.
pub const CHANGES_MAX: usize = 1000;

/// States of some of a machine's ports. Times are milliseconds since 1970-01-01 UTC by the machine's own clock.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct StateMessage {
    /// Version of this message.
    pub format: u32,
    /// The machine's number of the message: a later one has a higher number, whatever its clock says. What an older
    /// message says of a port never replaces what a newer one said.
    pub number: i64,
    /// Ports as they stood when the message was made, [`PORTS_MAX`] at most.
    pub ports: Vec<PortState>,
    /// Changes of state, each told once, the oldest first, [`CHANGES_MAX`] at most.
    pub changes: Vec<StateChange>,
    /// `ports` is all that the machine knows of: it has forgotten the others.
    pub is_complete: bool,
}

/// A port as it stands.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PortState {
    /// Its name at the machine.
    pub port: String,
    /// What it carries.
    pub kind: String,
    /// It is a simulated port.
    pub simulated: bool,
    /// Label on the port.
    pub label: Option<String>,
    /// Label of its cable.
    pub cable: Option<String>,
    /// The cabinet it is in.
    pub cabinet: Option<String>,
    /// It is called spare.
    pub spare: bool,
    /// Driver's name.
    pub driver: Option<String>,
    /// Address on the bus.
    pub bus: Option<String>,
    /// A round chooses it.
    pub watched: bool,
    /// The machine has it now.
    pub present: bool,
    /// What is held of it.
    pub state: String,
    /// Since when; 0 before the first observation.
    pub since_ms: i64,
    /// Why, in words.
    pub why: String,
    /// Places among which a fault lies, joined by commas; empty where there is none.
    pub location: String,
    /// What to do next, where a run said so.
    pub next_action: Option<String>,
    /// The run that the state rests on.
    pub run: Option<String>,
    /// Where the plug was in that run.
    pub placement: Option<String>,
    /// When a run last passed with the plug at the port or farther out.
    pub proven_ms: Option<i64>,
    /// When the proof ends.
    pub proof_ends_ms: Option<i64>,
    /// Somebody has to look at it, and nobody has acknowledged that.
    pub needs_attention: bool,
    /// Who acknowledged its state.
    pub acknowledged_by: Option<String>,
    /// The open case that has it for itself.
    pub case: Option<String>,
}

/// A change of a port's state.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct StateChange {
    /// Its id, a UUID: the same however often it is told.
    pub id: String,
    /// The port.
    pub port: String,
    /// State before.
    pub from: String,
    /// State after.
    pub to: String,
    /// When.
    pub at_ms: i64,
    /// Why, in words.
    pub why: String,
}
