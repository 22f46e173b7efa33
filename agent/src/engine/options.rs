//! What a check is asked to do, and why one could not be made.

use thiserror::Error;
use turnback_core::{
    base::{labels::Labels, placement::Placement},
    plan::{PlanError, Profile},
};

use super::serial::options::LineOptions;
use crate::ports::PortError;

/// What a check is asked to do.
#[derive(Clone, Debug)]
pub struct CheckOptions {
    /// What to send, how long, and what a pass must prove.
    pub profile: Profile,
    /// Where the plug is. None: where the port knows it to be, else at the port.
    pub placement: Option<Placement>,
    /// Label of the cable.
    pub cable: Option<String>,
    /// Other labels, and the operator's note.
    pub labels: Labels,
    /// Name of this machine.
    pub machine: String,
    /// Force this speed, Mb/s.
    pub speed_mbps: Option<u32>,
    /// Seed of the run tag.
    pub seed: u64,
    /// Id of the run.
    pub run: String,
    /// When it began, in words.
    pub started_at: String,
    /// Test although the port is in service, for reasons that may be overridden.
    pub although_in_service: bool,
    /// Confirm a failure from another place, where nobody has to move the plug.
    pub confirm: bool,
    /// What only a serial port takes.
    pub line: LineOptions,
}

/// Why a check could not be made at all.
#[derive(Debug, Error)]
pub enum CheckError {
    /// The port failed.
    #[error(transparent)]
    Port(#[from] PortError),
    /// The plan does not fit the port.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// The port does not offer what was asked.
    #[error("{port} cannot {what}")]
    NotOffered {
        /// The port.
        port: String,
        /// What was asked.
        what: String,
    },
}
