//! A change of a setting, and the lines by which a journal notes it.

use std::fmt;

use serde::{Deserialize, Serialize};
use serde_json::Value;

/// What a change was made to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Target {
    /// A network interface.
    Interface {
        /// Number of its network namespace.
        namespace: u64,
        /// Its name at that time.
        name: String,
        /// Its index in the namespace.
        index: u32,
        /// The address it was made with, or else its current one; empty if it has neither.
        address: String,
    },
    /// A device file, such as a serial line.
    Device {
        /// Its path.
        path: String,
        /// Whatever tells it from another device that gets the same path later.
        identity: String,
    },
}

/// One change of one setting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// Number within the file, rising.
    pub id: u64,
    /// The process that made it; for people, not for decisions.
    pub process: u32,
    /// Which start of the machine it was made in.
    pub boot: String,
    /// What it was made to.
    pub target: Target,
    /// The setting, as in `interface.mtu`.
    pub kind: String,
    /// The value to restore.
    pub old: Value,
    /// The value that was set, as far as known; several values in an array where any of them may have been set, the
    /// newest last.
    pub new: Value,
}

impl Change {
    /// The value that was set last, as far as known.
    pub fn newest(&self) -> &Value {
        self.new.as_array().and_then(|several| several.last()).unwrap_or(&self.new)
    }
}

/// One line of a journal.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Line {
    Begin(Change),
    Became { id: u64, value: Value },
    Done { id: u64 },
}

impl fmt::Display for Target {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Interface { name, .. } => f.write_str(name),
            Self::Device { path, .. } => f.write_str(path),
        }
    }
}

impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { process, target, kind, old, .. } = self;
        write!(f, "{kind} of {target}, set from {old} to {} by process {process}", self.newest())
    }
}
