//! One try at a test: in which slot, with which plugs and transceivers, and what came of it.

use serde::{Deserialize, Serialize};

use super::facts::Facts;
use super::findings::{Finding, RestsOn, can_be_due_to, rests_on};
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
    /// Label of the transceiver in each port, in their order; none for a port that has none which can be taken out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub transceivers: Vec<Option<String>>,
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
            transceivers: Vec::new(),
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

    /// The same with these transceivers in the ports.
    #[must_use]
    pub fn with_transceivers(mut self, transceivers: Vec<Option<String>>) -> Self {
        // Where no port has one, nothing is said of them.
        self.transceivers = if transceivers.iter().any(Option::is_some) { transceivers } else { Vec::new() };
        self
    }

    /// The findings that can be due to the plug or transceiver in a port, to the slot, or to the card alone, whose
    /// limits were not met. `port` is for plugs and transceivers.
    pub fn failures(&self, on: RestsOn, port: Option<u32>) -> impl Iterator<Item = &Finding> {
        self.findings.iter().filter(move |finding| !finding.met && self.is_about(finding, on, port))
    }

    /// The attempt used the plug, transceiver or slot, so that it says something about it.
    pub fn used(&self, on: RestsOn, port: Option<u32>) -> bool {
        self.is_done() && self.findings.iter().any(|finding| self.is_about(finding, on, port))
    }

    fn is_about(&self, finding: &Finding, on: RestsOn, port: Option<u32>) -> bool {
        match on {
            // What only a transceiver can cause is the card's where none can be taken out.
            RestsOn::Card => match rests_on(&finding.rule) {
                RestsOn::Transceiver => finding.port.and_then(|port| self.transceiver(port)).is_none(),
                rests_on => rests_on == RestsOn::Card,
            },
            RestsOn::Plug | RestsOn::Transceiver => can_be_due_to(&finding.rule, on) && finding.port == port,
            RestsOn::Slot => can_be_due_to(&finding.rule, on),
        }
    }

    /// Label of the plug or transceiver in a port, or of the slot.
    pub fn thing(&self, on: RestsOn, port: Option<u32>) -> Option<&str> {
        match on {
            RestsOn::Plug => self.plug(port?),
            RestsOn::Transceiver => self.transceiver(port?),
            RestsOn::Slot => Some(&self.slot),
            RestsOn::Card => None,
        }
    }

    /// Label of the plug in a port, from 1.
    pub fn plug(&self, port: u32) -> Option<&str> {
        self.plugs.get(port as usize - 1)?.as_deref()
    }

    /// Label of the transceiver in a port, from 1.
    pub fn transceiver(&self, port: u32) -> Option<&str> {
        self.transceivers.get(port as usize - 1)?.as_deref()
    }
}
