//! Telling that somebody is needed at the bench.

use serde::{Deserialize, Serialize};

use crate::{
    archive::logbook::Outgoing,
    daemon::agent::HandsView,
    guard::{id::new_id, state},
};

/// Version of the document.
pub const FORMAT: u32 = 1;

/// What targets are told when the bench needs hands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HandsNeeded {
    /// Version of this document.
    pub format: u32,
    /// Its id: the same at each attempt.
    pub id: String,
    /// Name of the machine.
    pub machine: String,
    /// `hands-needed`: tells it from an announcement about a port.
    pub event: String,
    /// Label of the card.
    pub card: String,
    /// Label of the slot that it is in, or goes into.
    pub slot: String,
    /// What to do.
    pub act: String,
    /// What that shows.
    pub why: String,
    /// Cautions that belong to it.
    pub cautions: Vec<String>,
    /// When, RFC 3339 in UTC.
    pub at: String,
}

impl HandsNeeded {
    /// Of a request for a card in a slot.
    pub fn new(card: &str, slot: &str, hands: &HandsView) -> Self {
        Self {
            format: FORMAT,
            id: new_id().to_string(),
            machine: state::machine(),
            event: EVENT.to_owned(),
            card: card.to_owned(),
            slot: slot.to_owned(),
            act: hands.act.clone(),
            why: hands.why.clone(),
            cautions: hands.cautions.clone(),
            at: jiff::Timestamp::from_millisecond(hands.since_ms).unwrap_or_default().to_string(),
        }
    }

    /// The document, if it is one.
    pub fn read(document: &str) -> Option<Self> {
        serde_json::from_str::<Self>(document).ok().filter(|told| told.event == EVENT)
    }

    /// On its way to each of these targets.
    pub fn to(&self, targets: &[String], at_ms: i64) -> Vec<Outgoing> {
        Outgoing::to_each(targets, &self.id, &self.card, at_ms, self)
    }
}

const EVENT: &str = "hands-needed";
