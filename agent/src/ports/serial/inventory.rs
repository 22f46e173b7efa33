//! Which serial lines this machine has.

use std::path::Path;

use serde::Serialize;
use serialport::SerialPortType;

use crate::ports::inventory::PortKind;

/// One serial line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SerialEntry {
    /// Always serial.
    pub kind: PortKind,
    /// Path of the device.
    pub name: String,
    /// Name of the driver.
    pub driver: Option<String>,
    /// Maker, product and number of a USB adapter, as it gives them.
    pub usb: Option<String>,
    /// A test could start now.
    pub testable: bool,
    /// If not, why not.
    pub why_not: Vec<String>,
}

/// Every serial line with hardware behind it, by name.
///
/// The kernel makes device files for UARTs that are not there; those are left out.
pub fn serial_ports() -> Vec<SerialEntry> {
    let mut entries: Vec<SerialEntry> = serialport::available_ports()
        .unwrap_or_default()
        .into_iter()
        .filter(|port| has_hardware(&port.port_name))
        .map(|port| SerialEntry {
            kind: PortKind::Serial,
            driver: driver(&port.port_name),
            usb: match port.port_type {
                SerialPortType::UsbPort(usb) => Some(
                    [usb.manufacturer, usb.product, usb.serial_number]
                        .into_iter()
                        .flatten()
                        .collect::<Vec<_>>()
                        .join(" "),
                ),
                _ => None,
            },
            name: port.port_name,
            testable: false,
            why_not: vec!["this version tests Ethernet ports; it only lists serial ones".into()],
        })
        .collect();
    entries.sort_by(|a, b| a.name.cmp(&b.name));
    entries
}

fn class_folder(device: &str) -> Option<std::path::PathBuf> {
    Some(Path::new("/sys/class/tty").join(Path::new(device).file_name()?))
}

/// `type` 0 is PORT_UNKNOWN (`linux/serial_core.h`): a device file without a UART. Drivers of other kinds have no such file.
fn has_hardware(device: &str) -> bool {
    let kind = class_folder(device).and_then(|folder| std::fs::read_to_string(folder.join("type")).ok());
    kind.is_none_or(|kind| kind.trim() != "0")
}

fn driver(device: &str) -> Option<String> {
    let link = std::fs::read_link(class_folder(device)?.join("device/driver")).ok()?;
    Some(link.file_name()?.to_string_lossy().into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_listed_is_a_device_and_says_why_it_cannot_be_tested() {
        for entry in serial_ports() {
            assert!(entry.name.starts_with("/dev/"), "{entry:?}");
            assert!(!entry.testable && !entry.why_not.is_empty(), "{entry:?}");
        }
        assert!(has_hardware("/dev/nothing-of-this-name"), "only a file that says so is no hardware");
    }
}
