//! Names of vendors and devices, from the list that Debian's package `pci.ids` installs.
//!
//! Its lines: `VVVV  vendor`; below it, after a tab, `DDDD  device`; below that, after two tabs, `VVVV DDDD` and the
//! name of a subsystem.

use std::fs;

/// The list of this machine.
#[derive(Clone, Debug, Default)]
pub struct Names(String);

impl Names {
    /// Reads it; empty where none is installed.
    pub fn of_this_machine() -> Self {
        Self(
            PLACES
                .iter()
                .find_map(|place| fs::read(place).ok())
                .map_or_else(String::new, |bytes| String::from_utf8_lossy(&bytes).into_owned()),
        )
    }

    /// The list in this text.
    #[cfg(test)]
    pub fn of(text: &str) -> Self {
        Self(text.to_owned())
    }

    /// Names of vendor and device, given as `f1a7:0b02`; with that of the subsystem where the list has one.
    pub fn of_device(&self, device: &str, subsystem: Option<&str>) -> Option<String> {
        let (vendor, device) = device.split_once(':')?;
        let subsystem = subsystem.map(|both| both.replace(':', " "));
        let (mut in_vendor, mut in_device) = (None, None);
        for line in self.0.lines().filter(|line| !line.starts_with('#')) {
            match line.strip_prefix("\t\t") {
                Some(below) => {
                    let named = |both: &String| in_device.is_some() && below.starts_with(both.as_str());
                    if let (Some(both), Some(vendor), Some(device)) =
                        (subsystem.as_ref().filter(|b| named(b)), in_vendor, in_device)
                    {
                        return Some(format!("{vendor} {device} ({})", below[both.len()..].trim()));
                    }
                }
                None => match line.strip_prefix('\t') {
                    // The first device after the one that is wanted: its subsystem has no name.
                    Some(_) if in_device.is_some() => break,
                    Some(rest) if in_vendor.is_some() => in_device = rest.strip_prefix(device).map(str::trim),
                    Some(_) => {}
                    None if in_vendor.is_some() => break,
                    None => in_vendor = line.strip_prefix(vendor).filter(|rest| rest.starts_with(' ')).map(str::trim),
                },
            }
        }
        match (in_vendor, in_device) {
            (Some(vendor), Some(device)) => Some(format!("{vendor} {device}")),
            (Some(vendor), None) => Some(format!("{vendor} {device}")),
            _ => None,
        }
    }
}

/// Where distributions put the list.
const PLACES: [&str; 2] = ["/usr/share/misc/pci.ids", "/usr/share/hwdata/pci.ids"];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_names_of_a_device_are_found() {
        let list = "# a comment\n\
            f1a6  Quay Instruments\n\t0b02  Not this one\n\
            f1a7  Harbour Works\n\t0b01  One-port card\n\t0b02  Two-port card\n\t\tf1a7 1002  low profile\n\
            \t0b03  Other\n\
            f1a8  Lock Gates\n\t0b09  Nor this\n\
            C 02  Network controller\n\t00  Ethernet controller\n";
        let names = Names::of(list);
        let of = |device, subsystem| names.of_device(device, subsystem);
        assert_eq!(of("f1a7:0b02", Some("f1a7:1002")).as_deref(), Some("Harbour Works Two-port card (low profile)"));
        assert_eq!(of("f1a7:0b02", Some("f1a7:1003")).as_deref(), Some("Harbour Works Two-port card"));
        assert_eq!(of("f1a7:0b01", Some("f1a7:1002")).as_deref(), Some("Harbour Works One-port card"));
        assert_eq!(of("f1a7:0b0f", None).as_deref(), Some("Harbour Works 0b0f"));
        assert_eq!(of("f1a7:0b09", None).as_deref(), Some("Harbour Works 0b09"), "of the next vendor");
        assert_eq!((of("f1a9:0b01", None), Names::default().of_device("f1a7:0b01", None)), (None, None));
    }
}
