//! A rig of either kind, by name or text.

use super::Kind;
use super::ethernet::link::Medium;
use super::ethernet::sim::{BUILTIN, Rig, builtin};
use super::serial::sim::SerialRig;
use super::serial::sim::builtin::{BUILTIN_SERIAL, builtin_serial};
use crate::sim::file::RigError;

/// A rig of either kind.
#[derive(Clone, Debug, PartialEq)]
pub enum AnyRig {
    /// A port of frames.
    Frames(Box<Rig>),
    /// A serial port.
    Serial(Box<SerialRig>),
}

impl AnyRig {
    /// The built-in rig of this name.
    pub fn builtin(name: &str) -> Option<Self> {
        let frames = builtin(name).map(|rig| Self::Frames(Box::new(rig)));
        frames.or_else(|| builtin_serial(name).map(|rig| Self::Serial(Box::new(rig))))
    }

    /// Reads a rig: one with a table `[uart]` is a serial one.
    ///
    /// # Errors
    /// As for [`Rig::parse`].
    pub fn parse(text: &str) -> Result<Self, RigError> {
        let is_serial = toml::from_str::<toml::Table>(text).is_ok_and(|table| table.contains_key("uart"));
        if is_serial {
            SerialRig::parse(text).map(|rig| Self::Serial(Box::new(rig)))
        } else {
            Rig::parse(text).map(|rig| Self::Frames(Box::new(rig)))
        }
    }

    /// The rig as TOML; [`AnyRig::parse`] reads it back.
    pub fn to_toml(&self) -> String {
        match self {
            Self::Frames(rig) => rig.to_toml(),
            Self::Serial(rig) => rig.to_toml(),
        }
    }

    /// The kind of the port that it simulates.
    pub fn kind(&self) -> Kind {
        match self {
            Self::Frames(_) => Kind::Ethernet,
            Self::Serial(_) => Kind::Serial,
        }
    }

    /// What carries the bits of the port that it simulates.
    pub fn medium(&self) -> Medium {
        match self {
            Self::Frames(rig) => rig.port.medium,
            Self::Serial(_) => Medium::Unknown,
        }
    }

    /// Seed to use when the caller has none of its own.
    pub fn seed(&self) -> u32 {
        match self {
            Self::Frames(rig) => rig.seed,
            Self::Serial(rig) => rig.seed,
        }
    }
}

/// Name of every built-in rig of either kind and what it shows.
pub fn builtin_names() -> impl Iterator<Item = (&'static str, &'static str)> {
    BUILTIN.into_iter().chain(BUILTIN_SERIAL)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_is_a_rig_that_is_read_back_as_its_kind() {
        for (name, about) in builtin_names() {
            let rig = AnyRig::builtin(name).unwrap();
            assert_eq!(matches!(rig, AnyRig::Serial(_)), name.starts_with("serial-"), "{name}");
            assert_eq!(AnyRig::parse(&rig.to_toml()), Ok(rig), "{name}: {about}");
        }
        assert_eq!(AnyRig::builtin("crane"), None);
    }
}
