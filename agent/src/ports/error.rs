//! Why a port could not be opened, read or changed, and what the person can do about it.

use thiserror::Error;
use turnback_core::kind::rig::builtin_names;

use crate::guard::{journal::JournalError, lock::LockError};

/// A port could not be opened, read or changed.
#[derive(Debug, Error)]
pub enum PortError {
    /// No such port.
    #[error("there is no port `{name}`: {known}")]
    Unknown {
        /// As given.
        name: String,
        /// What there is.
        known: String,
    },
    /// A file that should describe a simulated port does not.
    #[error("{file} is not a rig: {cause}")]
    NotARig {
        /// The file, as given.
        file: String,
        /// The line and what is allowed there.
        cause: String,
    },
    /// It is no port that can have a plug.
    #[error("{text}")]
    NoPort {
        /// What it is.
        text: String,
    },
    /// It vanished.
    #[error("{0} is gone")]
    Gone(String),
    /// Not allowed.
    #[error("cannot {action} on {port}: not permitted without {capability}")]
    NotPermitted {
        /// The port.
        port: String,
        /// What was tried.
        action: String,
        /// The missing right.
        capability: String,
    },
    /// The device file is closed to this user.
    #[error("cannot {action} on {port}: this user may not read and write the device file")]
    NoAccess {
        /// The port.
        port: String,
        /// What was tried.
        action: String,
    },
    /// Another run has it.
    #[error(transparent)]
    Lock(#[from] LockError),
    /// The note for restoring a setting could not be written.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// It is switched off.
    #[error("{0} is down")]
    Down(String),
    /// The device refused in its own way.
    #[error("{0}")]
    Device(String),
    /// Anything else the host says.
    #[error("cannot {action} on {port}: {cause}")]
    Host {
        /// The port.
        port: String,
        /// What was tried.
        action: String,
        /// The host's word.
        cause: String,
    },
}

impl PortError {
    /// Whether the words given are at fault, so that the error is no answer about a port.
    pub fn is_wrong_use(&self) -> bool {
        matches!(self, Self::Unknown { .. } | Self::NotARig { .. })
    }

    /// What the person can do about it.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::NotPermitted { .. } => Some(GRANT.into()),
            Self::Down(port) => Some(format!("bring it up: sudo ip link set {port} up")),
            Self::NoAccess { .. } => {
                Some("join the group that owns the file (`ls -lL` shows it), or run as root".into())
            }
            Self::NoPort { .. } => Some("`turnback ports` lists what can be tested".into()),
            Self::Unknown { name, .. } => Some(match similar_rig(name) {
                Some(rig) => format!("did you mean sim:{rig}? `turnback rigs` lists the simulated ports"),
                None => "`turnback ports` lists the ports of this machine, `turnback rigs` the simulated ones".into(),
            }),
            Self::Lock(LockError::Held { .. }) => Some("wait for that run to end, or end it".into()),
            _ => None,
        }
    }
}

/// The built-in rig that is meant by a name with a typing mistake, or without `sim:`.
fn similar_rig(name: &str) -> Option<&'static str> {
    let rig = name.strip_prefix("sim:").unwrap_or(name);
    let likeness = |known: &str| strsim::damerau_levenshtein(known, rig);
    let nearest = builtin_names().map(|(known, _)| known).min_by_key(|known| likeness(known))?;
    // A third of the name may be wrong; a short word is near to everything.
    (likeness(nearest) * 3 <= rig.chars().count()).then_some(nearest)
}

/// Both rights at once, since granting one takes the other away.
pub const GRANT: &str =
    "run it as root, or grant the rights once: sudo setcap cap_net_raw,cap_net_admin+ep \"$(command -v turnback)\"";
