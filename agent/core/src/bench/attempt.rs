//! One try at a test: in which slot, with which plugs, and what came of it.

use serde::{Deserialize, Serialize};

use super::facts::Facts;
use super::findings::{Finding, RestsOn, rests_on};
use super::procedure::TestName;
use crate::kind::ethernet::counters::BusErrors;

/// One try at a test.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Attempt {
    /// The test.
    pub test: TestName,
    /// Label of the slot.
    pub slot: String,
    /// Label of the plug in each port, in their order; none for a port without one.
    pub plugs: Vec<Option<String>>,
    /// When it began, milliseconds since 1970 UTC. No two attempts of one bench began at the same time.
    pub began_ms: i64,
    /// How long it took, seconds.
    pub took_s: f64,
    /// What it measured; none if it was cut off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub facts: Option<Facts>,
    /// What that says against the limits.
    pub findings: Vec<Finding>,
    /// Errors on the bus of the card while it lasted; none where nobody counts them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bus_errors: Option<BusErrors>,
    /// Why it was cut off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cut_off: Option<String>,
}

impl Attempt {
    /// One that begins now, milliseconds since 1970 UTC.
    pub fn begun(test: TestName, slot: String, plugs: Vec<Option<String>>, began_ms: i64) -> Self {
        Self {
            test,
            slot,
            plugs,
            began_ms,
            took_s: 0.0,
            facts: None,
            findings: Vec::new(),
            bus_errors: None,
            cut_off: None,
        }
    }

    /// It ran to its end.
    pub fn is_done(&self) -> bool {
        self.facts.is_some()
    }

    /// The findings that can be due to the plug in a port, to the slot, or to the card alone, whose limits were not
    /// met. `port` is for plugs alone.
    pub fn failures(&self, on: RestsOn, port: Option<u32>) -> impl Iterator<Item = &Finding> {
        let meant = move |finding: &&Finding| {
            !finding.met && rests_on(&finding.rule) == on && (on != RestsOn::Plug || finding.port == port)
        };
        self.findings.iter().filter(meant)
    }

    /// The attempt used the plug in this port, so that it says something about it.
    pub fn used_plug(&self, port: u32) -> bool {
        self.is_done() && self.findings.iter().any(|f| rests_on(&f.rule) == RestsOn::Plug && f.port == Some(port))
    }

    /// The attempt says something about the slot.
    pub fn used_slot(&self) -> bool {
        self.is_done() && self.findings.iter().any(|finding| rests_on(&finding.rule) == RestsOn::Slot)
    }

    /// Label of the plug in a port, from 1.
    pub fn plug(&self, port: u32) -> Option<&str> {
        self.plugs.get(port as usize - 1)?.as_deref()
    }
}
