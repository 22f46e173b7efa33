//! What people wrote on ports, cables and plugs, so that a run can be found again.

use serde::{Deserialize, Serialize};

/// Labels beside the cable's own, and the operator's note. Each is as given; none is made up.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Labels {
    /// What is written at the port or its socket.
    pub port: Option<String>,
    /// The cable's segment at whose end the plug is.
    pub segment: Option<String>,
    /// What is written where the cable or segment ends.
    pub far_end: Option<String>,
    /// The plug used.
    pub plug: Option<String>,
    /// The operator's note.
    pub note: Option<String>,
}

impl Labels {
    /// Each label that was given, with its word: what a person is shown.
    pub fn given(&self) -> Vec<(&'static str, &str)> {
        let all = [
            ("port label", &self.port),
            ("segment", &self.segment),
            ("far end", &self.far_end),
            ("plug", &self.plug),
            ("note", &self.note),
        ];
        all.into_iter().filter_map(|(word, label)| Some((word, label.as_deref()?))).collect()
    }
}
