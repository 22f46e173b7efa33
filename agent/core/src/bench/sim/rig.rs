//! The description of a simulated bench, as TOML: slots, plugs, and a lot of cards with what is wrong with each.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::bench::card::{BusLink, Card, CardPort};
use crate::bench::claim::Claim;
use crate::kind::ethernet::link::Medium;
use crate::sim::file::{RigError, Wrong, check_ranges, read, write};
use crate::sim::value::Ratio;

/// A simulated bench with a lot of cards.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BenchRig {
    /// Short name; also the label of the lot.
    pub name: String,
    /// One line on what it shows.
    pub about: String,
    /// Seed to use when the caller has none of its own.
    pub seed: u32,
    /// Where the cards come from.
    pub source: String,
    /// What they are said to be.
    pub claim: Claim,
    /// The procedure to test them with, by name.
    pub procedure: String,
    /// The most that this computer moves, all ports together, Mb/s; 0 means any number.
    pub host_mbps_max: u32,
    /// What a card of this lot is like.
    pub model: Model,
    /// Slots for cards; the reference card has one of its own besides.
    pub slots: Vec<SlotSpec>,
    /// Loopback plugs.
    pub plugs: Vec<PlugSpec>,
    /// Spare transceivers; those of the reference card are taken where no spare one is left.
    pub transceivers: Vec<TransceiverSpec>,
    /// The cards.
    pub cards: Vec<CardSpec>,
}

impl Default for BenchRig {
    fn default() -> Self {
        let slot = |label: &str| SlotSpec { label: label.to_owned(), faults: Vec::new() };
        let plug = |label: &str| PlugSpec { label: label.to_owned(), matings: 0, faults: Vec::new() };
        Self {
            name: "unnamed".to_owned(),
            about: String::new(),
            seed: 1,
            source: String::new(),
            claim: Claim::default(),
            procedure: "intake".to_owned(),
            host_mbps_max: 0,
            model: Model::default(),
            slots: vec![slot("slot-1"), slot("slot-2")],
            plugs: ["P-1", "P-2", "P-3", "P-4"].map(plug).to_vec(),
            transceivers: Vec::new(),
            cards: Vec::new(),
        }
    }
}

/// A healthy card of the lot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Model {
    /// Vendor and device.
    pub device: String,
    /// Vendor and device of the subsystem.
    pub subsystem: String,
    /// Part number.
    pub part: String,
    /// Ports, 1 to 8.
    pub ports: u32,
    /// Speed of a port, Mb/s.
    pub speed_mbps: u32,
    /// `copper` or `fibre`.
    pub medium: Medium,
    /// Speed of a lane of the bus, gigatransfers per second.
    pub bus_gts: f64,
    /// Lanes of the bus.
    pub bus_lanes: u32,
    /// Temperature after a long time under load, degrees Celsius.
    pub warm_c: f64,
    /// Receive queues of a port, and as many transmit queues, 1 to 64.
    pub queues: u32,
}

impl Default for Model {
    fn default() -> Self {
        Self {
            device: "f1a7:0b02".to_owned(),
            subsystem: "f1a7:1002".to_owned(),
            part: "HB-2G".to_owned(),
            ports: 2,
            speed_mbps: 1000,
            medium: Medium::Copper,
            bus_gts: 2.5,
            bus_lanes: 4,
            warm_c: 62.0,
            queues: 4,
        }
    }
}

/// A slot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SlotSpec {
    /// Its label.
    pub label: String,
    /// What is wrong with it.
    #[serde(default)]
    pub faults: Vec<SlotFault>,
}

/// A fault of a slot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum SlotFault {
    /// Dirty contacts: the bus corrects errors.
    BusErrors {
        /// On average in an hour of traffic.
        per_hour: f64,
    },
    /// Dirty contacts: the bus has fewer lanes.
    NarrowBus {
        /// Lanes left.
        lanes: u32,
    },
}

/// A plug.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlugSpec {
    /// Its label.
    pub label: String,
    /// How often it was fitted before the records begin.
    #[serde(default)]
    pub matings: u32,
    /// What is wrong with it.
    #[serde(default)]
    pub faults: Vec<PlugFault>,
}

/// A fault of a plug.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum PlugFault {
    /// Worn contacts: bits are inverted.
    BitErrors {
        /// Per bit.
        ratio: Ratio,
    },
    /// A broken contact: no link.
    Open,
    /// A loose contact: the link drops.
    Drops {
        /// Time between drops, seconds.
        every_s: f64,
    },
    /// A dirty fibre end: light is lost.
    Lossy {
        /// Loss, dB.
        db: f64,
    },
}

/// A transceiver.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TransceiverSpec {
    /// Its label.
    pub label: String,
    /// What is wrong with it.
    #[serde(default)]
    pub faults: Vec<TransceiverFault>,
}

/// A fault of a transceiver: it moves with it from port to port.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum TransceiverFault {
    /// It sends too little light.
    WeakTransceiver {
        /// Light sent, dBm.
        sent_dbm: f64,
    },
    /// It sees less light than arrives.
    DimReceiver {
        /// Loss, dB.
        db: f64,
    },
    /// It inverts bits.
    TransceiverErrors {
        /// Per bit.
        ratio: Ratio,
    },
    /// Nothing comes through it: no link.
    DeadTransceiver,
}

impl TransceiverFault {
    /// The word for it in a rig.
    pub fn name(&self) -> &'static str {
        match self {
            Self::WeakTransceiver { .. } => "weak-transceiver",
            Self::DimReceiver { .. } => "dim-receiver",
            Self::TransceiverErrors { .. } => "transceiver-errors",
            Self::DeadTransceiver => "dead-transceiver",
        }
    }
}

/// A card.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CardSpec {
    /// Serial number.
    pub serial: String,
    /// What is wrong with it.
    pub faults: Vec<CardFault>,
    /// What is wrong with the transceivers that came with it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub transceivers: Vec<OwnTransceiver>,
}

/// What is wrong with the transceiver that came in a port of a card.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OwnTransceiver {
    /// The port, from 1.
    pub port: u32,
    /// What is wrong.
    pub faults: Vec<TransceiverFault>,
}

/// A fault of a card. Ports are numbered from 1.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum CardFault {
    /// The bus has fewer lanes.
    NarrowBus {
        /// Lanes left.
        lanes: u32,
    },
    /// The bus corrects errors.
    BusErrors {
        /// On average in an hour of traffic.
        per_hour: f64,
    },
    /// Memory of the card damages frames, and its self-test says so.
    DamagedMemory {
        /// Per frame.
        ratio: Ratio,
    },
    /// Memory that all ports share damages frames while all of them send.
    SharedMemory {
        /// Per frame.
        ratio: Ratio,
    },
    /// A port inverts bits while all ports send.
    Crosstalk {
        /// The port.
        port: u32,
        /// Per bit.
        ratio: Ratio,
    },
    /// A port gets no link.
    DeadPort {
        /// The port.
        port: u32,
    },
    /// A port inverts bits.
    BitErrors {
        /// The port.
        port: u32,
        /// Per bit.
        ratio: Ratio,
    },
    /// A port's link drops.
    Drops {
        /// The port.
        port: u32,
        /// Time between drops, seconds.
        every_s: f64,
    },
    /// The card gets too hot and slows down.
    Overheats {
        /// Temperature after a long time under load, degrees Celsius.
        warm_c: f64,
        /// Share of its throughput that is left then.
        slows_to: f64,
    },
    /// The card computes transmit checksums wrongly.
    WrongChecksum,
    /// The card bears the addresses of another one.
    ClonedAddress {
        /// Serial number of the other.
        of: String,
    },
    /// The card is another model than the claim.
    Subsystem {
        /// Vendor and device that it names.
        is: String,
    },
    /// Nothing comes in on a receive queue.
    DeadQueue {
        /// The port.
        port: u32,
        /// The queue, from 0.
        queue: u32,
    },
    /// A receive queue raises no interrupt.
    SilentQueue {
        /// The port.
        port: u32,
        /// The queue, from 0.
        queue: u32,
    },
    /// A port lets every transceiver send too little light.
    WeakTransmitter {
        /// The port.
        port: u32,
        /// Light sent, dBm.
        sent_dbm: f64,
    },
}

impl CardFault {
    /// The word for it in a rig.
    pub fn name(&self) -> &'static str {
        match self {
            Self::NarrowBus { .. } => "narrow-bus",
            Self::BusErrors { .. } => "bus-errors",
            Self::DamagedMemory { .. } => "damaged-memory",
            Self::SharedMemory { .. } => "shared-memory",
            Self::Crosstalk { .. } => "crosstalk",
            Self::DeadPort { .. } => "dead-port",
            Self::BitErrors { .. } => "bit-errors",
            Self::Drops { .. } => "drops",
            Self::Overheats { .. } => "overheats",
            Self::WrongChecksum => "wrong-checksum",
            Self::ClonedAddress { .. } => "cloned-address",
            Self::Subsystem { .. } => "subsystem",
            Self::DeadQueue { .. } => "dead-queue",
            Self::SilentQueue { .. } => "silent-queue",
            Self::WeakTransmitter { .. } => "weak-transmitter",
        }
    }

    fn port(&self) -> Option<u32> {
        match self {
            Self::DeadPort { port }
            | Self::Crosstalk { port, .. }
            | Self::BitErrors { port, .. }
            | Self::Drops { port, .. }
            | Self::DeadQueue { port, .. }
            | Self::SilentQueue { port, .. }
            | Self::WeakTransmitter { port, .. } => Some(*port),
            _ => None,
        }
    }

    fn queue(&self) -> Option<u32> {
        match self {
            Self::DeadQueue { queue, .. } | Self::SilentQueue { queue, .. } => Some(*queue),
            _ => None,
        }
    }
}

/// Serial number of the reference card.
pub const REFERENCE: &str = "REFERENCE";

impl BenchRig {
    /// Reads a rig.
    ///
    /// # Errors
    /// The line, what is wrong there, and what is allowed.
    pub fn parse(text: &str) -> Result<Self, RigError> {
        read(text, |rig: &Self| rig.validate())
    }

    /// The rig as TOML; [`BenchRig::parse`] reads it back.
    pub fn to_toml(&self) -> String {
        write(self)
    }

    fn validate(&self) -> Result<(), Wrong> {
        check_ranges(&[
            ("ports", self.model.ports, 1..=8),
            ("bus_lanes", self.model.bus_lanes, 1..=32),
            ("queues", self.model.queues, 1..=64),
            ("speed_mbps", self.model.speed_mbps, 10..=400_000),
        ])?;
        let needed = self.model.ports as usize + 1;
        if self.plugs.len() < needed {
            return Err(("plugs".into(), format!("a bench for such cards needs at least {needed} plugs")));
        }
        if self.slots.len() < 2 {
            return Err(("slots".into(), "a bench needs at least 2 slots, to tell a slot from a card".into()));
        }
        if self.cards.len() > CARDS_MAX {
            return Err(("cards".into(), format!("a simulated lot has at most {CARDS_MAX} cards")));
        }
        if super::super::procedure::Procedure::named(&self.procedure).is_none() {
            let known = "procedure must be one of intake, standard, burn-in".to_owned();
            return Err((self.procedure.clone(), known));
        }
        let has_light = self.model.medium == Medium::Fibre;
        if let Some(of_copper) = self.transceivers.first().filter(|_| !has_light) {
            return Err((of_copper.label.clone(), "transceivers are for a model with medium fibre".into()));
        }
        let mut seen = BTreeSet::from([REFERENCE]);
        for card in &self.cards {
            if card.serial.is_empty() || !seen.insert(&card.serial) {
                return Err((card.serial.clone(), "every card needs a serial number of its own".into()));
            }
            if card.transceivers.iter().any(|own| !has_light || own.port == 0 || own.port > self.model.ports) {
                let text = format!("transceivers: ports are numbered from 1 to {}, of fibre", self.model.ports);
                return Err((card.serial.clone(), text));
            }
            for fault in &card.faults {
                if fault.port().is_some_and(|port| port == 0 || port > self.model.ports) {
                    let text = format!("{}: ports are numbered from 1 to {}", fault.name(), self.model.ports);
                    return Err((fault.name().into(), text));
                }
                if fault.queue().is_some_and(|queue| queue >= self.model.queues) {
                    let text = format!("{}: queues are numbered from 0 to {}", fault.name(), self.model.queues - 1);
                    return Err((fault.name().into(), text));
                }
                let needs_others = matches!(fault, CardFault::SharedMemory { .. } | CardFault::Crosstalk { .. });
                if needs_others && self.model.ports < 2 {
                    let text =
                        format!("{}: it shows only while other ports send, and this model has none", fault.name());
                    return Err((fault.name().into(), text));
                }
                if let CardFault::ClonedAddress { of } = fault
                    && self.cards.iter().all(|other| other.serial != *of)
                {
                    return Err((of.clone(), format!("cloned-address: no card has the serial number {of}")));
                }
            }
        }
        Ok(())
    }

    /// The faults of the card with this serial number; none for the reference card.
    pub(super) fn faults(&self, serial: &str) -> &[CardFault] {
        self.cards.iter().find(|card| card.serial == serial).map_or(&[], |card| &card.faults)
    }

    /// The faults of the transceiver with this label: a spare one, or one that came with a card.
    pub(super) fn transceiver_faults(&self, label: &str) -> &[TransceiverFault] {
        let spare = self.transceivers.iter().find(|spare| spare.label == label).map(|spare| &spare.faults);
        let own = || {
            let of_card = |card: &CardSpec, own: &OwnTransceiver| transceiver_label(&card.serial, own.port) == label;
            self.cards.iter().find_map(|card| card.transceivers.iter().find(|own| of_card(card, own)))
        };
        spare.or_else(|| own().map(|own| &own.faults)).map_or(&[], Vec::as_slice)
    }

    /// The address that stands on the sticker of a card, and that a healthy one has.
    pub fn sticker(&self, serial: &str) -> String {
        self.address(serial, 0)
    }

    fn address(&self, serial: &str, port: u32) -> String {
        let place = self.cards.iter().position(|card| card.serial == serial);
        // Documentation addresses: RFC 7042 2.1.2. The reference card has the last ones.
        let number = place.map_or(248, |place| place as u32 * self.model.ports) + port;
        format!("00:00:5e:00:53:{number:02x}")
    }

    /// The card with this serial number as a host would read it.
    pub fn card(&self, serial: &str) -> Card {
        let model = &self.model;
        let faults = self.faults(serial);
        let bears = faults.iter().find_map(|fault| match fault {
            CardFault::ClonedAddress { of } => Some(of.as_str()),
            _ => None,
        });
        let subsystem = faults.iter().find_map(|fault| match fault {
            CardFault::Subsystem { is } => Some(is.clone()),
            _ => None,
        });
        let port = |number: u32| {
            let address = Some(self.address(bears.unwrap_or(serial), number));
            CardPort {
                name: format!("{}.{}", serial.to_lowercase(), number + 1),
                address: address.clone(),
                permanent_address: address,
                speed_max_mbps: Some(model.speed_mbps),
                medium: model.medium,
                transceiver: (model.medium == Medium::Fibre).then(|| transceiver_label(serial, number + 1)),
            }
        };
        Card {
            device: model.device.clone(),
            subsystem: Some(subsystem.unwrap_or_else(|| model.subsystem.clone())),
            name: None,
            part: Some(model.part.clone()),
            serial: Some(serial.to_owned()),
            vpd_intact: Some(true),
            driver: Some("simulated".into()),
            firmware: Some("1.4".into()),
            revision: None,
            class: None,
            image: None,
            ports: (0..model.ports).map(port).collect(),
        }
    }

    /// What a card of this model can do on the bus.
    pub(super) fn bus(&self) -> BusLink {
        BusLink { gts: self.model.bus_gts, lanes: self.model.bus_lanes }
    }
}

/// Label of the transceiver that comes in a port of a card.
fn transceiver_label(serial: &str, port: u32) -> String {
    format!("{serial}-T{port}")
}

/// So that every port has a documentation address.
const CARDS_MAX: usize = 30;
