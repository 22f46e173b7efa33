//! A check that the fleet's page asks of a machine, and what its agent answers.

use serde::{Deserialize, Serialize};

/// Asks for a check of one port.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct CheckRequest {
    /// Version of this message.
    pub format: u32,
    /// Its id, a UUID: an agent carries out each once.
    pub id: String,
    /// The port, by its name at the machine.
    pub port: String,
    /// Profile's name; none: as scheduled.
    pub profile: Option<String>,
    /// Where the plug is; none: as scheduled.
    pub placement: Option<String>,
    /// Label of the cable.
    pub cable: Option<String>,
    /// Who asks: the name of a token of the fleet's page.
    pub by: String,
}

/// What an agent answers, first at once and then as the run goes on.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct CheckAnswer {
    /// Version of this message.
    pub format: u32,
    /// Id of the request.
    pub id: String,
    /// What became of it: [`ACCEPTED`], [`REFUSED`] or [`DONE`].
    pub state: String,
    /// The same in words, with the reason.
    pub says: String,
    /// The run, once it is known.
    pub run: Option<String>,
    /// Share of the run that is done, 0 to 1, where known.
    pub share_done: Option<f64>,
}

/// The run is on or waits for its turn.
pub const ACCEPTED: &str = "accepted";
/// There will be no run.
pub const REFUSED: &str = "refused";
/// The run is over.
pub const DONE: &str = "done";

/// A request is no longer, bytes.
pub const REQUEST_BYTES_MAX: usize = 16 * 1024;
