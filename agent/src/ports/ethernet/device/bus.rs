//! The bus between adapter and host: where the adapter sits, how fast its link is, and what errors the bus saw.
//!
//! Read from `/sys/bus`, which is the same in every network namespace, by the device's name that netlink tells.

use std::{fs, path::Path};

use serde::{Deserialize, Serialize};
use turnback_core::kind::ethernet::counters::BusErrors;

/// What is known of an adapter's bus.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bus {
    /// Kind of bus: `pci`, `usb`, `virtio`.
    pub kind: String,
    /// The adapter's address on it: `0000:01:00.0`.
    pub address: String,
    /// The PCI Express link; `None` on other buses.
    pub link: Option<BusLink>,
    /// Error totals since the machine started; `None` where the bus does not report.
    pub errors: Option<BusErrors>,
}

/// A PCI Express link as it was trained. Below its maximum it limits what the port can carry.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BusLink {
    /// Transfers per second and lane, in 10^9.
    pub speed_gtps: f64,
    /// Lanes in use.
    pub width_lanes: u32,
    /// The most the adapter can do.
    pub speed_max_gtps: f64,
    /// The most lanes the adapter has.
    pub width_max_lanes: u32,
}

impl BusLink {
    /// True when it was trained below what the adapter can do.
    pub fn is_reduced(&self) -> bool {
        self.speed_gtps < self.speed_max_gtps || self.width_lanes < self.width_max_lanes
    }
}

/// Reads what `/sys` tells about a device of a bus.
pub fn read(kind: &str, address: &str) -> Bus {
    let device = Path::new("/sys/bus").join(kind).join("devices").join(address);
    Bus { kind: kind.to_owned(), address: address.to_owned(), link: link(&device), errors: errors(&device) }
}

/// Its PCI Express link, from its directory.
pub(super) fn link(device: &Path) -> Option<BusLink> {
    let value = |name: &str| fs::read_to_string(device.join(name)).ok();
    Some(BusLink {
        speed_gtps: number(&value("current_link_speed")?)?,
        width_lanes: value("current_link_width")?.trim().parse().ok()?,
        speed_max_gtps: number(&value("max_link_speed")?)?,
        width_max_lanes: value("max_link_width")?.trim().parse().ok()?,
    })
}

/// Its error totals, from its directory.
pub(super) fn errors(device: &Path) -> Option<BusErrors> {
    let total_of = |file: &str, line: &str| total(&fs::read_to_string(device.join(file)).ok()?, line);
    Some(BusErrors {
        corrected: total_of("aer_dev_correctable", "TOTAL_ERR_COR")?,
        nonfatal: total_of("aer_dev_nonfatal", "TOTAL_ERR_NONFATAL").unwrap_or(0),
        fatal: total_of("aer_dev_fatal", "TOTAL_ERR_FATAL").unwrap_or(0),
    })
}

/// The number at the start of a text; what follows it differs between kernels.
fn number(text: &str) -> Option<f64> {
    let text = text.trim();
    let end = text.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(text.len());
    text[..end].parse().ok()
}

/// The count behind a name in one line of an error list.
fn total(text: &str, name: &str) -> Option<u64> {
    let line = text.lines().find(|line| line.split_whitespace().next() == Some(name))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_device_directory_is_read() {
        let directory = tempfile::tempdir().unwrap();
        // File names and lines: ABI sysfs-bus-pci and sysfs-bus-pci-devices-aer_stats; both spellings of the speed
        // occur.
        let files = [
            ("current_link_speed", "2.5 GT/s PCIe\n"),
            ("current_link_width", "1\n"),
            ("max_link_speed", "8 GT/s\n"),
            ("max_link_width", "4\n"),
            ("aer_dev_correctable", "RxErr 2\nBadTLP 1\nTOTAL_ERR_COR 3\n"),
            ("aer_dev_fatal", "Undefined 0\nTOTAL_ERR_FATAL 1\n"),
        ];
        assert_eq!((link(directory.path()), errors(directory.path())), (None, None));
        for (name, text) in files {
            fs::write(directory.path().join(name), text).unwrap();
        }
        let expected = BusLink { speed_gtps: 2.5, width_lanes: 1, speed_max_gtps: 8.0, width_max_lanes: 4 };
        assert_eq!(link(directory.path()), Some(expected));
        assert!(expected.is_reduced());
        assert_eq!(errors(directory.path()), Some(BusErrors { corrected: 3, nonfatal: 0, fatal: 1 }));
        fs::write(directory.path().join("current_link_speed"), "Unknown\n").unwrap();
        assert_eq!(link(directory.path()), None);
    }

    proptest! {
        #[test]
        fn any_text_is_read(text in ".{0,60}") {
            number(&text);
            total(&text, "TOTAL_ERR_COR");
        }
    }
}
