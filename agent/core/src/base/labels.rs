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
    /// What was corrected since the run, in order; the labels above are the corrected ones.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub corrections: Vec<Correction>,
}

/// A label or note that was corrected after the run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Correction {
    /// When, RFC 3339 with zone.
    pub at: String,
    /// Which: `cable`, `port_label`, `segment`, `far_end`, `plug`, `note`.
    pub what: String,
    /// As it was; none where nothing was given.
    pub was: Option<String>,
}

/// A thing by its label: `plug P-1`. A label that says what it is stands alone: `slot-1`.
pub fn named(what: &str, label: &str) -> String {
    let says_it = label.get(..what.len()).is_some_and(|beginning| beginning.eq_ignore_ascii_case(what));
    if says_it { label.to_owned() } else { format!("{what} {label}") }
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

#[cfg(test)]
mod tests {
    use super::named;

    #[test]
    fn no_word_is_said_twice() {
        for (what, label, said) in [
            ("plug", "P-1", "plug P-1"),
            ("plug", "Plug 7", "Plug 7"),
            ("slot", "slot-1", "slot-1"),
            ("slot", "under-0000:00:1c.0", "slot under-0000:00:1c.0"),
            ("slot", "é", "slot é"),
        ] {
            assert_eq!(named(what, label), said);
        }
    }
}
