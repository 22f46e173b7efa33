//! What comes next in a card test, and what to do for it with the hands.

use serde::{Deserialize, Serialize};

use super::CardTest;
use crate::base::caution::Caution;
use crate::base::labels::named;
use crate::bench::procedure::TestName;

/// What comes next.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "step", rename_all = "kebab-case")]
pub enum Step {
    /// A test, with card and plugs where they are.
    Test {
        /// Which.
        test: TestName,
    },
    /// The plugs of two ports change places.
    ExchangePlugs {
        /// The test that follows.
        test: TestName,
        /// The port that failed.
        port: u32,
        /// The other port.
        with: u32,
    },
    /// Another plug goes into a port.
    OtherPlug {
        /// The test that follows.
        test: TestName,
        /// The port.
        port: u32,
        /// Plugs that were tried there.
        not: Vec<String>,
    },
    /// A plug is tried in the reference card.
    ProvePlug {
        /// The test to try it with.
        test: TestName,
        /// Label of the plug.
        plug: String,
    },
    /// The transceivers of two ports change places.
    ExchangeTransceivers {
        /// The test that follows.
        test: TestName,
        /// The port that failed.
        port: u32,
        /// The other port.
        with: u32,
    },
    /// Another transceiver goes into a port.
    OtherTransceiver {
        /// The test that follows.
        test: TestName,
        /// The port.
        port: u32,
        /// Transceivers that were tried there.
        not: Vec<String>,
    },
    /// A transceiver is tried in the reference card.
    ProveTransceiver {
        /// The test to try it with.
        test: TestName,
        /// Label of the transceiver.
        transceiver: String,
        /// Label of a plug that passes elsewhere.
        plug: String,
    },
    /// The card goes into another slot.
    OtherSlot {
        /// The test that follows.
        test: TestName,
        /// Slots that were tried.
        not: Vec<String>,
    },
    /// A slot is tried with the reference card.
    ProveSlot {
        /// The test to try it with.
        test: TestName,
        /// Label of the slot.
        slot: String,
    },
}

/// What a person does for a step.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hands {
    /// What to do.
    pub hands: String,
    /// What it tells.
    pub why: String,
    /// The computer is switched off meanwhile.
    pub is_off: bool,
    /// Dangers.
    pub cautions: Vec<Caution>,
}

impl Step {
    /// The test that the step ends with.
    pub fn test(&self) -> TestName {
        match self {
            Self::Test { test }
            | Self::ExchangePlugs { test, .. }
            | Self::OtherPlug { test, .. }
            | Self::ProvePlug { test, .. }
            | Self::ExchangeTransceivers { test, .. }
            | Self::OtherTransceiver { test, .. }
            | Self::ProveTransceiver { test, .. }
            | Self::OtherSlot { test, .. }
            | Self::ProveSlot { test, .. } => *test,
        }
    }

    /// What is tried in the reference card, by its label; none for a step at the card itself.
    pub fn tried(&self) -> Option<&str> {
        match self {
            Self::ProvePlug { plug: thing, .. }
            | Self::ProveTransceiver { transceiver: thing, .. }
            | Self::ProveSlot { slot: thing, .. } => Some(thing),
            Self::Test { .. }
            | Self::ExchangePlugs { .. }
            | Self::OtherPlug { .. }
            | Self::ExchangeTransceivers { .. }
            | Self::OtherTransceiver { .. }
            | Self::OtherSlot { .. } => None,
        }
    }

    /// The step takes something that is not in the card yet.
    pub fn needs_another(&self) -> bool {
        matches!(self, Self::OtherPlug { .. } | Self::OtherTransceiver { .. } | Self::OtherSlot { .. })
    }

    /// What a person does for it; none where nothing is moved. `to` is the plug or slot that the bench offers.
    pub fn hands(&self, card: &CardTest, to: Option<&str>) -> Option<Hands> {
        let card_named = card.named();
        let and_those_of_ports = |mut cautions: Vec<Caution>| {
            cautions.extend(card.card.ports.iter().flat_map(|port| port.medium.cautions()));
            cautions.sort_unstable();
            cautions.dedup();
            cautions
        };
        let plug_cautions = || and_those_of_ports(Vec::new());
        let transceiver_cautions = || and_those_of_ports(vec![Caution::LaserLight, Caution::StaticDischarge]);
        // With a card its fibre loops come out.
        let slot_cautions = || and_those_of_ports(vec![Caution::LiveChassis, Caution::StaticDischarge]);
        let to = |what: &str| to.map_or(format!("another {what}"), |label| named(what, label));
        let is_off = matches!(self, Self::OtherSlot { .. } | Self::ProveSlot { .. });
        let (hands, why, cautions) = match self {
            Self::Test { .. } => return None,
            Self::ExchangePlugs { port, with, .. } => (
                format!("exchange the plugs of port {port} and port {with} of {card_named}"),
                "a failure that stays with the port is not the plug's".to_owned(),
                plug_cautions(),
            ),
            Self::OtherPlug { port, .. } => (
                format!("take the plug out of port {port} of {card_named}, and fit {} there", to("plug")),
                "a failure that goes away with the plug is the plug's".to_owned(),
                plug_cautions(),
            ),
            Self::ProvePlug { plug, .. } => (
                format!(
                    "fit {} to port 1 of the reference card, which is tested with it; put it back afterwards",
                    named("plug", plug)
                ),
                "this shows whether the plug is good: the reference card is".to_owned(),
                plug_cautions(),
            ),
            Self::ExchangeTransceivers { port, with, .. } => (
                format!(
                    "exchange the transceivers of port {port} and port {with} of {card_named}; fit the plug of each \
                     port again"
                ),
                "a failure that moves with the transceiver is not the card's".to_owned(),
                transceiver_cautions(),
            ),
            Self::OtherTransceiver { port, .. } => (
                format!(
                    "take the transceiver out of port {port} of {card_named}, fit {} there, and fit the plug again",
                    to("transceiver")
                ),
                "a failure that goes away with the transceiver is not the card's; a spare one will do, or one of the \
                 reference card, which gets it back afterwards"
                    .to_owned(),
                transceiver_cautions(),
            ),
            Self::ProveTransceiver { transceiver, plug, .. } => (
                format!(
                    "fit {} with {} to port 1 of the reference card, in place of its own, which is tested with it; put \
                     both back afterwards",
                    named("transceiver", transceiver),
                    named("plug", plug)
                ),
                "this shows whether the transceiver is good: the reference card is".to_owned(),
                transceiver_cautions(),
            ),
            Self::OtherSlot { .. } => (
                format!(
                    "switch the computer off, move {card_named} to {}, and switch it on; the card is tested there",
                    to("slot")
                ),
                "a failure that stays with the card is not the slot's".to_owned(),
                slot_cautions(),
            ),
            Self::ProveSlot { slot, .. } => (
                format!(
                    "switch the computer off, put the reference card into {}, and switch it on; the reference card is \
                     tested there; put both cards back afterwards",
                    named("slot", slot)
                ),
                "this shows whether the slot is good: the reference card is".to_owned(),
                slot_cautions(),
            ),
        };
        Some(Hands { hands, why, is_off, cautions })
    }
}
