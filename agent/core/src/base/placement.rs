//! Where the signal is turned back.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Where the signal is turned back.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Placement {
    /// No plug: a loop inside the chip.
    Internal,
    /// The plug is in the port itself.
    #[default]
    AtPort,
    /// The plug is at the far end of a cable.
    FarEnd,
    /// A second port takes the place of the plug.
    ReturnPort,
}

impl Placement {
    /// Every placement, from the inside out.
    pub const ALL: [Self; 4] = [Self::Internal, Self::AtPort, Self::FarEnd, Self::ReturnPort];

    /// The word used on the command line and in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Internal => "internal",
            Self::AtPort => "at-port",
            Self::FarEnd => "far-end",
            Self::ReturnPort => "return-port",
        }
    }

    /// What turns the signal back there, in words.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Internal => "loop inside the chip",
            Self::AtPort => "plug in the port",
            Self::FarEnd => "plug at the far end",
            Self::ReturnPort => "cable to the return port",
        }
    }
}

impl fmt::Display for Placement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A word that names no placement.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("placement `{0}` is not one of internal, at-port, far-end, return-port")]
pub struct PlacementError(String);

impl FromStr for Placement {
    type Err = PlacementError;
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::ALL.into_iter().find(|p| p.name() == text).ok_or_else(|| PlacementError(text.to_owned()))
    }
}
