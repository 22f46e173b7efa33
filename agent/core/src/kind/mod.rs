//! The kinds of port. What only one kind knows stands in its folder; the other files here list the kinds.
//!
//! Match a [`Kind`] without a catch-all arm: then the compiler lists every place that a new kind must be added to.

pub mod ethernet;
pub mod port;
pub mod rig;
pub mod serial;
pub mod wiring;

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::base::{caution::Caution, placement::Placement};
use ethernet::link::Medium;

/// A kind of port. A simulated port has the kind of the port that it simulates.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A network interface, which carries frames.
    #[default]
    Ethernet,
    /// A serial line, which carries bytes.
    Serial,
}

impl Kind {
    /// Every kind, in the order of the lists.
    pub const ALL: [Self; 2] = [Self::Ethernet, Self::Serial];

    /// The word used in documents, records and on the page.
    pub fn name(self) -> &'static str {
        match self {
            Self::Ethernet => "ethernet",
            Self::Serial => "serial",
        }
    }

    /// Dangers of fitting a plug there to a port of this kind and medium; a serial line has no medium.
    pub fn cautions(self, medium: Medium, placement: Placement) -> Vec<Caution> {
        if placement == Placement::Internal {
            return Vec::new();
        }
        let mut cautions = match (self, medium) {
            (Self::Serial, _) => vec![Caution::SerialLevels],
            (Self::Ethernet, Medium::Fibre) => return vec![Caution::LaserLight, Caution::ReceiverOverload],
            (Self::Ethernet, Medium::DirectAttach | Medium::Virtual) => return Vec::new(),
            // Where the port does not say, copper is the likelier, light the more dangerous.
            (Self::Ethernet, Medium::Unknown) => vec![Caution::PowerOverEthernet, Caution::LaserLight],
            (Self::Ethernet, Medium::Copper) => vec![Caution::PowerOverEthernet],
        };
        if placement == Placement::FarEnd {
            match self {
                Self::Ethernet => cautions.extend([Caution::RingingVoltage, Caution::GroundPotential]),
                // A serial cable does not fit a telephone socket.
                Self::Serial => cautions.push(Caution::GroundPotential),
            }
        }
        cautions
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A word that is no kind of port.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("`{given}` is no kind of port: ethernet and serial are")]
pub struct KindError {
    /// The word.
    pub given: String,
}

impl FromStr for Kind {
    type Err = KindError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let known = Self::ALL.into_iter().find(|kind| kind.name() == text);
        known.ok_or_else(|| KindError { given: text.to_owned() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_has_one_word_everywhere() {
        for kind in Kind::ALL {
            assert_eq!(kind.name().parse(), Ok(kind));
            assert_eq!(serde_json::to_value(kind).unwrap(), kind.name());
        }
        assert!("simulated".parse::<Kind>().is_err(), "a simulated port has the kind of what it simulates");
    }

    #[test]
    fn a_caution_belongs_to_the_medium_and_the_place() {
        use Caution::{GroundPotential, LaserLight, PowerOverEthernet, ReceiverOverload, RingingVoltage, SerialLevels};
        use Medium::{Copper, DirectAttach, Fibre, Unknown, Virtual};
        use Placement::{AtPort, FarEnd, Internal};
        let table: [(Kind, Medium, Placement, &[Caution]); 9] = [
            (Kind::Ethernet, Copper, Internal, &[]),
            (Kind::Ethernet, Copper, AtPort, &[PowerOverEthernet]),
            (Kind::Ethernet, Copper, FarEnd, &[PowerOverEthernet, RingingVoltage, GroundPotential]),
            (Kind::Ethernet, Fibre, FarEnd, &[LaserLight, ReceiverOverload]),
            (Kind::Ethernet, Unknown, AtPort, &[PowerOverEthernet, LaserLight]),
            (Kind::Ethernet, Virtual, FarEnd, &[]),
            (Kind::Ethernet, DirectAttach, FarEnd, &[]),
            (Kind::Serial, Unknown, AtPort, &[SerialLevels]),
            (Kind::Serial, Unknown, FarEnd, &[SerialLevels, GroundPotential]),
        ];
        for (kind, medium, placement, cautions) in table {
            assert_eq!(kind.cautions(medium, placement), cautions, "{kind} {medium:?} {placement:?}");
        }
    }
}
