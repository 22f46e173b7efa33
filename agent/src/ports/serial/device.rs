//! The device behind a name: which names stand for one line, what locks it, and what tells it from a later one.

use std::{
    fs, io,
    os::unix::fs::MetadataExt,
    path::{Path, PathBuf},
};

use super::{facts::Facts, number::Number};
use crate::ports::error::PortError;

/// What a terminal device is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeviceKind {
    /// A line with hardware behind it.
    Serial,
    /// The near end of a pseudo-terminal: bytes pass, and there is nothing else.
    Pseudo,
}

/// A serial line of this machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Device {
    /// As the person named it.
    pub name: String,
    /// The device file itself, all links followed.
    pub path: PathBuf,
    /// Its number.
    pub number: Number,
    /// What it is.
    pub kind: DeviceKind,
}

impl Device {
    /// Finds the device behind any of its names: `/dev/ttyUSB0`, a link under `/dev/serial`, `/dev/pts/3`. Opens
    /// nothing.
    ///
    /// # Errors
    /// No such file, or none that is a serial line.
    pub fn find(name: &str) -> Result<Self, PortError> {
        let unknown = |known: String| PortError::Unknown { name: name.to_owned(), known };
        let host = |cause: io::Error| PortError::Host {
            port: name.to_owned(),
            action: "look".to_owned(),
            cause: cause.to_string(),
        };
        let path = match fs::canonicalize(name) {
            Ok(path) => path,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Err(unknown(known())),
            Err(error) => return Err(host(error)),
        };
        let metadata = fs::metadata(&path).map_err(host)?;
        let Some(number) = Number::of(&metadata) else { return Err(unknown("it is no device".to_owned())) };
        let drivers = fs::read_to_string("/proc/tty/drivers").unwrap_or_default();
        let kind = match kind_of(&drivers, number) {
            Some(DriverKind::Serial) => DeviceKind::Serial,
            Some(DriverKind::PseudoSlave) => DeviceKind::Pseudo,
            Some(DriverKind::Other(what)) => {
                return Err(unknown(format!("it is a terminal of the kind \"{what}\", no serial line")));
            }
            None => return Err(unknown("it is a device, but no serial line".to_owned())),
        };
        Ok(Self { name: name.to_owned(), path, number, kind })
    }

    /// The key that excludes two runs on one line, whatever names they use for it.
    pub fn lock_key(&self) -> String {
        format!("serial/{}:{}", self.number.major, self.number.minor)
    }

    /// Whatever tells it from another device that gets the same path later; empty if nothing does.
    ///
    /// For hardware the place in the machine, and what a USB adapter says of itself; for a pseudo-terminal, whose
    /// numbers are used again at once, when it was made.
    pub fn identity(&self) -> String {
        match self.kind {
            DeviceKind::Pseudo => fs::metadata(&self.path)
                .map(|metadata| format!("made {}.{:09}", metadata.ctime(), metadata.ctime_nsec()))
                .unwrap_or_default(),
            DeviceKind::Serial => {
                let facts = Facts::read(Path::new("/sys"), self.number);
                let usb = facts.usb.as_ref().map(|usb| format!(" {usb}")).unwrap_or_default();
                facts.folder.map(|folder| format!("{}{usb}", folder.display())).unwrap_or_default()
            }
        }
    }
}

fn known() -> String {
    let names = names();
    if names.is_empty() {
        "this machine has no serial line".to_owned()
    } else {
        format!("there is {}", names.join(", "))
    }
}

/// Paths of the lines with hardware behind them, sorted. The kernel makes device files for chips that are not there;
/// those are left out.
pub(super) fn names() -> Vec<String> {
    let mut names: Vec<String> = serialport::available_ports()
        .unwrap_or_default()
        .into_iter()
        .map(|port| port.port_name)
        .filter(|name| {
            fs::metadata(name)
                .ok()
                .as_ref()
                .and_then(Number::of)
                .is_some_and(|number| Facts::read(Path::new("/sys"), number).has_hardware())
        })
        .collect();
    names.sort();
    names.dedup();
    names
}

#[derive(Debug, PartialEq)]
enum DriverKind {
    Serial,
    PseudoSlave,
    Other(String),
}

/// What drives a device number, by `/proc/tty/drivers`: name, first path, major, minor or range of minors, kind.
fn kind_of(drivers: &str, number: Number) -> Option<DriverKind> {
    drivers.lines().find_map(|line| {
        let words: Vec<&str> = line.split_whitespace().collect();
        let [.., major, minors, kind] = words.as_slice() else { return None };
        let (first, last) = minors.split_once('-').unwrap_or((minors, minors));
        let (first, last): (u32, u32) = (first.parse().ok()?, last.parse().ok()?);
        if major.parse() != Ok(number.major) || !(first..=last).contains(&number.minor) {
            return None;
        }
        Some(match *kind {
            "serial" => DriverKind::Serial,
            "pty:slave" => DriverKind::PseudoSlave,
            other => DriverKind::Other(other.to_owned()),
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As a kernel printed it (Linux 6.18), with a USB adapter's line as in the kernel's usb-serial documentation.
    const DRIVERS: &str = "\
/dev/tty             /dev/tty        5       0 system:/dev/tty
/dev/console         /dev/console    5       1 system:console
/dev/ptmx            /dev/ptmx       5       2 system
usbserial            /dev/ttyUSB   188 0-511 serial
serial               /dev/ttyS       4 64-95 serial
pty_slave            /dev/pts      136 0-1048575 pty:slave
pty_master           /dev/ptm      128 0-1048575 pty:master
unknown              /dev/tty        4 1-63 console
";

    #[test]
    fn drivers_are_told_apart() {
        let kind = |major, minor| kind_of(DRIVERS, Number { major, minor });
        assert_eq!(kind(4, 65), Some(DriverKind::Serial));
        assert_eq!(kind(188, 0), Some(DriverKind::Serial));
        assert_eq!(kind(136, 3), Some(DriverKind::PseudoSlave));
        assert_eq!(kind(4, 1), Some(DriverKind::Other("console".into())));
        assert_eq!(kind(5, 1), Some(DriverKind::Other("system:console".into())));
        assert_eq!(kind(1, 3), None, "the null device is no terminal");
        assert_eq!(kind_of("garbage\n1 2\n", Number { major: 4, minor: 65 }), None);
    }

    #[test]
    fn what_is_no_serial_line_is_said_to_be_none() {
        for (name, why) in [
            ("/dev/null", "no serial line"),
            ("/dev/ptmx", "no serial line"),
            ("/etc/hostname", "no device"),
            ("/dev", "no device"),
            ("/dev/no-such-line", "there is"),
        ] {
            let error = Device::find(name).unwrap_err();
            assert!(matches!(error, PortError::Unknown { .. }), "{name}: {error}");
            let text = error.to_string();
            assert!(text.contains(why) || text.contains("no serial line"), "{name}: {text}");
        }
    }
}
