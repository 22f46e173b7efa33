//! Who a card is: all functions of one device in one slot, with their ports.

use serde::{Deserialize, Serialize};

use super::image::ImageFacts;
use crate::kind::ethernet::link::Medium;

/// The identity of a card, as the host reads it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Card {
    /// Vendor and device as PCI numbers them, `f1a7:0b02`; of a USB adapter likewise.
    pub device: String,
    /// Vendor and device of the subsystem, in the same form.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subsystem: Option<String>,
    /// Names of vendor and device, where the host knows them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Revision as PCI numbers it, `0x01`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub revision: Option<String>,
    /// Class as PCI numbers it, `0x020000` for an Ethernet card.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub class: Option<String>,
    /// Part number from the vital product data.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part: Option<String>,
    /// Serial number from the vital product data.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Whether the checksum of the vital product data is right; none where there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vpd_intact: Option<bool>,
    /// Driver's name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub driver: Option<String>,
    /// Firmware version.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub firmware: Option<String>,
    /// Its own memory, where the driver shows it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub image: Option<ImageFacts>,
    /// Its ports, in the order of their names.
    pub ports: Vec<CardPort>,
}

/// A port of a card.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CardPort {
    /// Interface name.
    pub name: String,
    /// Address in use.
    pub address: Option<String>,
    /// Address burnt into the card.
    pub permanent_address: Option<String>,
    /// Highest speed that it supports, Mb/s; none where the host does not say.
    pub speed_max_mbps: Option<u32>,
    /// What carries the bits.
    pub medium: Medium,
    /// Serial number of the transceiver in it; none where there is none, or where it cannot be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transceiver: Option<String>,
}

/// Width and speed of a PCI Express link.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BusLink {
    /// Speed of a lane, gigatransfers per second.
    pub gts: f64,
    /// Number of lanes.
    pub lanes: u32,
}

impl BusLink {
    /// The most that two ends can do together.
    pub fn together(self, other: Self) -> Self {
        Self { gts: self.gts.min(other.gts), lanes: self.lanes.min(other.lanes) }
    }

    /// Data rate in one direction, bits per second, before packet overhead. Up to 5 GT/s a lane carries 8 bits in 10,
    /// above that 128 in 130 (PCI Express Base Specification, from memory).
    pub fn bits_per_second(self) -> f64 {
        let coded = if self.gts <= 5.0 { 0.8 } else { 128.0 / 130.0 };
        self.gts * 1e9 * f64::from(self.lanes) * coded
    }
}

impl std::fmt::Display for BusLink {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "x{} at {} GT/s", self.lanes, self.gts)
    }
}

impl Card {
    /// Whether this is the same card: the same serial number where both have one, and the same permanent addresses.
    /// Addresses alone do not tell, since some cards bear another's.
    pub fn is(&self, other: &Self) -> bool {
        let same_serial = match (&self.serial, &other.serial) {
            (Some(a), Some(b)) => a == b,
            (None, None) => true,
            _ => false,
        };
        same_serial && self.device == other.device && self.addresses().eq(other.addresses())
    }

    /// Whether both are of one kind and have the same driver: what a driver cannot do with one, it cannot do with the
    /// other.
    pub fn is_kind_of(&self, other: &Self) -> bool {
        self.device == other.device && self.driver == other.driver
    }

    /// The permanent addresses of its ports, else those in use.
    pub fn addresses(&self) -> impl Iterator<Item = &str> {
        self.ports.iter().filter_map(|port| port.permanent_address.as_deref().or(port.address.as_deref()))
    }

    /// The transceiver in each port, by its label: its serial number, and where that cannot be read, whose it is. None
    /// where a port has no light.
    pub fn transceivers(&self) -> Vec<Option<String>> {
        let label = |port: &CardPort| {
            let address = port.permanent_address.as_ref().or(port.address.as_ref());
            let of = address.filter(|_| port.medium == Medium::Fibre).map(|address| format!("of {address}"));
            port.transceiver.clone().or(of)
        };
        self.ports.iter().map(label).collect()
    }

    /// Device, ports and serial number in a few words.
    pub fn words(&self) -> String {
        let name = self.name.as_deref().or(self.part.as_deref()).unwrap_or(&self.device);
        let serial = self.serial.as_ref().map_or(String::new(), |serial| format!(", serial {serial}"));
        let ports = if self.ports.len() == 1 { "1 port".to_owned() } else { format!("{} ports", self.ports.len()) };
        format!("{name}, {ports}{serial}")
    }
}

/// The six bytes of an address in text; none if it is no address.
pub fn address_bytes(text: &str) -> Option<[u8; 6]> {
    let mut bytes = [0; 6];
    let mut parts = text.trim().split([':', '-']);
    for byte in &mut bytes {
        *byte = u8::from_str_radix(parts.next().filter(|part| part.len() == 2)?, 16).ok()?;
    }
    parts.next().is_none().then_some(bytes)
}

/// Why an address cannot be a card's own; none if it can. The two lowest bits of the first octet are group and local
/// (RFC 7042 2.1).
pub fn address_fault(text: &str) -> Option<&'static str> {
    match address_bytes(text) {
        None => Some("no address"),
        Some([0, 0, 0, 0, 0, 0]) => Some("all zeros"),
        Some([255, 255, 255, 255, 255, 255]) => Some("all ones"),
        Some(bytes) if bytes[0] & 1 != 0 => Some("a group address"),
        Some(bytes) if bytes[0] & 2 != 0 => Some("locally administered"),
        Some(_) => None,
    }
}

/// An address as a number, to see whether addresses follow each other.
pub fn address_number(text: &str) -> Option<u64> {
    address_bytes(text).map(|bytes| bytes.iter().fold(0, |number, byte| number << 8 | u64::from(*byte)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 7042 2.1 for the bits, 2.1.2 for the documentation addresses 00-00-5E-00-53-xx.
    #[test]
    fn an_address_that_no_card_can_have_is_told_why() {
        for (text, fault) in [
            ("00:00:5e:00:53:10", None),
            ("00-00-5E-00-53-FF", None),
            ("00:00:00:00:00:00", Some("all zeros")),
            ("ff:ff:ff:ff:ff:ff", Some("all ones")),
            ("01:00:5e:90:10:01", Some("a group address")),
            ("02:51:0a:79:00:01", Some("locally administered")),
            ("00:00:5e:00:53", Some("no address")),
            ("00:00:5e:00:53:10:11", Some("no address")),
            ("quay", Some("no address")),
        ] {
            assert_eq!(address_fault(text), fault, "{text}");
        }
        assert_eq!(address_number("00:00:5e:00:53:10"), Some(0x5e00_5310));
    }

    #[test]
    fn cards_with_one_address_and_two_serial_numbers_are_two() {
        let port = CardPort { permanent_address: Some("00:00:5e:00:53:10".into()), ..CardPort::default() };
        let card = Card { serial: Some("A".into()), ports: vec![port], ..Card::default() };
        assert!(card.is(&card.clone()));
        assert!(!card.is(&Card { serial: Some("B".into()), ..card.clone() }));
        assert!(!card.is(&Card { ports: Vec::new(), ..card.clone() }));
    }

    /// 2.5 GT/s carries 2 Gb/s and 8 GT/s about 7.9 Gb/s a lane (from memory).
    #[test]
    fn a_lane_carries_what_its_code_leaves() {
        let rate = |gts, lanes| BusLink { gts, lanes }.bits_per_second();
        assert!((rate(2.5, 1) - 2e9).abs() < 1.0 && (rate(5.0, 4) - 16e9).abs() < 1.0);
        assert!((rate(8.0, 1) - 7.877e9).abs() < 1e6);
        let together = BusLink { gts: 8.0, lanes: 4 }.together(BusLink { gts: 5.0, lanes: 8 });
        assert_eq!(together, BusLink { gts: 5.0, lanes: 4 });
    }
}
