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
}
