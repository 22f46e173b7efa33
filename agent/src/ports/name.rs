//! The name of a port as a person types it.

use std::{convert::Infallible, fmt, str::FromStr};

use turnback_core::kind::{Kind, port::PortIdentity, rig::AnyRig};

use super::{error::PortError, simulated};

/// A port by its name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PortName {
    /// A network interface, such as `quay0`.
    Interface(String),
    /// A serial line by a path of its device file, such as `/dev/ttyS0`.
    SerialDevice(String),
    /// A built-in rig, `sim:NAME`.
    BuiltinRig(String),
    /// A rig that a file describes, `sim:FILE`.
    RigFile(String),
}

impl FromStr for PortName {
    type Err = Infallible;

    /// Every text names a port of some kind; whether there is one is found out when it is opened. A path is a serial
    /// line, since names of interfaces have no slash.
    fn from_str(text: &str) -> Result<Self, Infallible> {
        Ok(match text.strip_prefix(RIG) {
            Some(rig) if AnyRig::builtin(rig).is_some() => Self::BuiltinRig(rig.to_owned()),
            Some(file) => Self::RigFile(file.to_owned()),
            None if text.contains('/') => Self::SerialDevice(text.to_owned()),
            None => Self::Interface(text.to_owned()),
        })
    }
}

/// As it was typed.
impl fmt::Display for PortName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Interface(name) | Self::SerialDevice(name) => f.write_str(name),
            Self::BuiltinRig(rig) | Self::RigFile(rig) => write!(f, "{RIG}{rig}"),
        }
    }
}

impl PortName {
    /// Reads a name; see [`PortName::from_str`].
    pub fn parse(text: &str) -> Self {
        let Ok(name) = text.parse();
        name
    }

    /// The rig behind a simulated port; `None` for a real one.
    ///
    /// # Errors
    /// A file that cannot be read, or is no rig.
    pub fn rig(&self) -> Result<Option<AnyRig>, PortError> {
        match self {
            Self::Interface(_) | Self::SerialDevice(_) => Ok(None),
            Self::BuiltinRig(name) | Self::RigFile(name) => rig(name).map(Some),
        }
    }

    /// What the name alone tells of a port that could not be opened.
    pub fn identity(&self) -> PortIdentity {
        let (kind, simulated) = match self {
            Self::Interface(_) => (Kind::Ethernet, false),
            Self::SerialDevice(_) => (Kind::Serial, false),
            Self::BuiltinRig(_) | Self::RigFile(_) => {
                (self.rig().ok().flatten().map_or(Kind::default(), |rig| rig.kind()), true)
            }
        };
        PortIdentity { simulated, ..PortIdentity::named(&self.to_string(), kind) }
    }
}

const RIG: &str = "sim:";

/// The rig of this name or in this file, without the `sim:` before it.
///
/// # Errors
/// A file that cannot be read, or is no rig.
pub fn rig(what: &str) -> Result<AnyRig, PortError> {
    simulated::load(what)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_says_what_it_names_and_comes_back_as_it_was_typed() {
        let table = [
            ("quay0", PortName::Interface("quay0".into())),
            ("/dev/ttyS0", PortName::SerialDevice("/dev/ttyS0".into())),
            ("./quay", PortName::SerialDevice("./quay".into())),
            ("sim:good", PortName::BuiltinRig("good".into())),
            ("sim:serial-good", PortName::BuiltinRig("serial-good".into())),
            ("sim:rigs/quay.toml", PortName::RigFile("rigs/quay.toml".into())),
            ("sim:", PortName::RigFile(String::new())),
            ("simulated", PortName::Interface("simulated".into())),
        ];
        for (text, name) in table {
            assert_eq!(PortName::parse(text), name, "{text}");
            assert_eq!(name.to_string(), text);
        }
    }

    #[test]
    fn a_port_that_could_not_be_opened_has_the_kind_its_name_tells() {
        let table = [
            ("quay0", Kind::Ethernet, false),
            ("/dev/ttyS0", Kind::Serial, false),
            ("sim:good", Kind::Ethernet, true),
            ("sim:serial-good", Kind::Serial, true),
        ];
        for (text, kind, simulated) in table {
            let identity = PortName::parse(text).identity();
            assert_eq!((identity.name.as_str(), identity.kind, identity.simulated), (text, kind, simulated));
        }
    }
}
