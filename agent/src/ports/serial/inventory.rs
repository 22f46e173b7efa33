//! Which serial lines this machine has, and whether each can be tested now.

use std::{collections::BTreeMap, fs, path::Path};

use serde::Serialize;
use turnback_core::kind::Kind;

use crate::guard::lock::PortLock;

use super::{
    device::{Device, DeviceKind, names},
    facts::{Facts, UsbAdapter},
    service::Places,
};

/// One serial line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SerialEntry {
    /// Always serial.
    pub kind: Kind,
    /// Path of the device.
    pub name: String,
    /// Names that stay the same when it is plugged in elsewhere or later, from `/dev/serial`.
    pub stable_names: Vec<String>,
    /// Name of the driver.
    pub driver: Option<String>,
    /// Kind of the chip, as in `16550A`; adapters do not tell.
    pub chip: Option<String>,
    /// Highest speed the chip's clock allows, bits a second, where the kernel knows the clock.
    pub bits_per_second_max: Option<u32>,
    /// What a USB adapter says of itself.
    pub usb: Option<UsbAdapter>,
    /// A run has it now.
    pub under_test: bool,
    /// Why it counts as in service.
    pub in_service: Vec<String>,
    /// A test could start now.
    pub testable: bool,
    /// If not, why not, each with its way out where there is one.
    pub why_not: Vec<String>,
}

/// Every serial line with hardware behind it, by name. Opens none.
pub fn serial_ports() -> Vec<SerialEntry> {
    let places = Places::default();
    let links = stable_names(Path::new("/dev/serial"));
    let devices = names().into_iter().filter_map(|name| Device::find(&name).ok());
    devices.filter(|device| device.kind == DeviceKind::Serial).map(|device| entry(&device, &places, &links)).collect()
}

/// The serial line behind any of its names, under that name: a link of `/dev/serial`, a pseudo-terminal. Opens nothing.
pub fn serial_port(name: &str) -> Option<SerialEntry> {
    let device = Device::find(name).ok()?;
    Some(SerialEntry { name: name.to_owned(), ..entry(&device, &Places::default(), &BTreeMap::new()) })
}

/// The right that a run on this line would lack; none where there is no such line.
pub fn missing_right(name: &str) -> Option<String> {
    right_missing(&Device::find(name).ok()?)
}

fn right_missing(device: &Device) -> Option<String> {
    let path = device.path.display();
    (!super::sys::may_open(&device.path)).then(|| {
        format!("no right to read and write {path} (to get it: join the group that owns the file, or work as root)")
    })
}

fn entry(device: &Device, places: &Places, links: &BTreeMap<String, Vec<String>>) -> SerialEntry {
    let facts = Facts::read(Path::new("/sys"), device.number);
    let path = device.path.to_string_lossy().into_owned();
    let in_service: Vec<String> =
        places.holders(device).iter().map(|holder| holder.reason(&device.path).text).collect();
    let held = PortLock::held_named(&device.lock_key());
    let under_test = held.is_some();
    let why_not: Vec<String> =
        held.into_iter().chain(in_service.iter().cloned()).chain(right_missing(device)).collect();
    SerialEntry {
        kind: Kind::Serial,
        stable_names: links.get(&path).cloned().unwrap_or_default(),
        driver: facts.driver.clone(),
        chip: facts.chip_name(),
        bits_per_second_max: facts.clock_hz.map(|hz| hz / 16),
        testable: why_not.is_empty(),
        usb: facts.usb,
        under_test,
        in_service,
        why_not,
        name: path,
    }
}

/// Names in the folders `by-id` and `by-path`, by the device they lead to.
fn stable_names(folder: &Path) -> BTreeMap<String, Vec<String>> {
    let mut found: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for kind in ["by-id", "by-path"] {
        let Ok(entries) = fs::read_dir(folder.join(kind)) else { continue };
        for link in entries.flatten().map(|entry| entry.path()) {
            if let Ok(device) = fs::canonicalize(&link) {
                let names = found.entry(device.to_string_lossy().into_owned()).or_default();
                names.push(link.to_string_lossy().into_owned());
                names.sort();
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    #[test]
    fn a_line_that_cannot_be_tested_says_why() {
        for entry in serial_ports() {
            assert!(entry.name.starts_with("/dev/"), "{entry:?}");
            assert_eq!(entry.testable, entry.why_not.is_empty(), "{entry:?}");
        }
    }

    #[test]
    fn lasting_names_are_found_in_both_folders() {
        let root = tempfile::tempdir().unwrap();
        for folder in ["by-id", "by-path"] {
            fs::create_dir(root.path().join(folder)).unwrap();
        }
        let device = root.path().join("ttyUSB0");
        fs::write(&device, "").unwrap();
        symlink("../ttyUSB0", root.path().join("by-id/usb-Quay_Works_Q12-if00-port0")).unwrap();
        symlink("../ttyUSB0", root.path().join("by-path/pci-0000:00-usb-0:2:1.0-port0")).unwrap();
        symlink("../ttyUSB9", root.path().join("by-path/dangling")).unwrap();
        let names = stable_names(root.path());
        let names = &names[&fs::canonicalize(&device).unwrap().to_string_lossy().into_owned()];
        assert_eq!(names.len(), 2, "{names:?}");
        assert!(names[0].contains("by-id") && names[1].contains("by-path"), "the one by identity first");
    }
}
