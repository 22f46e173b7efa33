//! Names of stages. A name says where the signal is turned back, and with what.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::base::placement::Placement;

/// A place along the line where the signal can be turned back.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Spot {
    /// Inside the chip, no plug.
    Internal,
    /// The plug is in the port itself.
    AtPort,
    /// The plug is at the far end of this segment; of the whole cable where none is named.
    FarEnd(Option<String>),
}

impl Spot {
    /// The placement of a run at this spot.
    pub fn placement(&self) -> Placement {
        match self {
            Self::Internal => Placement::Internal,
            Self::AtPort => Placement::AtPort,
            Self::FarEnd(_) => Placement::FarEnd,
        }
    }

    /// The place in words.
    pub fn in_words(&self) -> String {
        match self {
            Self::Internal => "the loop inside the chip".to_owned(),
            Self::AtPort => "the port".to_owned(),
            Self::FarEnd(None) => "the far end".to_owned(),
            Self::FarEnd(Some(segment)) => format!("the end of {segment}"),
        }
    }

    /// Segment at whose far end the plug is.
    pub fn segment(&self) -> Option<&str> {
        match self {
            Self::FarEnd(segment) => segment.as_deref(),
            _ => None,
        }
    }
}

impl fmt::Display for Spot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Internal => f.write_str("internal"),
            Self::AtPort => f.write_str("at-port"),
            Self::FarEnd(None) => f.write_str("far-end"),
            Self::FarEnd(Some(segment)) => write!(f, "far-end:{segment}"),
        }
    }
}

/// A stage of a case. In documents and on the command line it is one word: `internal`, `at-port`, `far-end`,
/// `far-end:SEGMENT`, `soak`, `soak:at-port`, `soak:far-end:SEGMENT`, `two-pairs`, `two-pairs:far-end:SEGMENT`,
/// `other-plug`, `known-good-port`, `cable-test`.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum StageName {
    /// A check with the signal turned back here.
    At(Spot),
    /// A long run here, while the cable is moved.
    Soak(Spot),
    /// A long run here at 100 Mb/s, which uses two of the four pairs.
    TwoPairs(Spot),
    /// Another plug at the port.
    OtherPlug,
    /// The plug of the case in a port known to be good.
    KnownGoodPort,
    /// The adapter's own test of the pairs, the plug removed.
    CableTest,
}

impl StageName {
    /// Where the signal is turned back; none for the cable test, which turns nothing back.
    pub fn spot(&self) -> Option<Spot> {
        match self {
            Self::At(spot) | Self::Soak(spot) | Self::TwoPairs(spot) => Some(spot.clone()),
            Self::OtherPlug | Self::KnownGoodPort => Some(Spot::AtPort),
            Self::CableTest => None,
        }
    }
}

impl fmt::Display for StageName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::At(spot) => spot.fmt(f),
            Self::Soak(Spot::FarEnd(None)) => f.write_str("soak"),
            Self::Soak(spot) => write!(f, "soak:{spot}"),
            Self::TwoPairs(Spot::FarEnd(None)) => f.write_str("two-pairs"),
            Self::TwoPairs(spot) => write!(f, "two-pairs:{spot}"),
            Self::OtherPlug => f.write_str("other-plug"),
            Self::KnownGoodPort => f.write_str("known-good-port"),
            Self::CableTest => f.write_str("cable-test"),
        }
    }
}

/// A word that names no stage.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error(
    "stage `{0}` is not one of internal, at-port, far-end, far-end:SEGMENT, soak, soak:at-port, soak:far-end:SEGMENT, \
     two-pairs, two-pairs:far-end:SEGMENT, other-plug, known-good-port, cable-test"
)]
pub struct StageNameError(String);

impl FromStr for StageName {
    type Err = StageNameError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let spot = |text: &str| match text {
            "internal" => Some(Spot::Internal),
            "at-port" => Some(Spot::AtPort),
            "far-end" => Some(Spot::FarEnd(None)),
            other => {
                let segment = other.strip_prefix("far-end:").filter(|label| !label.trim().is_empty())?;
                Some(Spot::FarEnd(Some(segment.to_owned())))
            }
        };
        let name = match text {
            "soak" => Some(Self::Soak(Spot::FarEnd(None))),
            "two-pairs" => Some(Self::TwoPairs(Spot::FarEnd(None))),
            "other-plug" => Some(Self::OtherPlug),
            "known-good-port" => Some(Self::KnownGoodPort),
            "cable-test" => Some(Self::CableTest),
            other => match (other.strip_prefix("soak:"), other.strip_prefix("two-pairs:")) {
                (Some(place), _) => spot(place).map(Self::Soak),
                (None, Some(place)) => spot(place).map(Self::TwoPairs),
                (None, None) => spot(other).map(Self::At),
            },
        };
        name.ok_or_else(|| StageNameError(text.to_owned()))
    }
}

impl TryFrom<String> for StageName {
    type Error = StageNameError;
    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse()
    }
}

impl From<StageName> for String {
    fn from(name: StageName) -> Self {
        name.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_reads_back_as_itself() {
        for text in [
            "internal",
            "at-port",
            "far-end",
            "far-end:A-14",
            "far-end:a:b",
            "soak",
            "soak:at-port",
            "soak:far-end:A-14",
            "two-pairs",
            "two-pairs:far-end:A-14",
            "other-plug",
            "known-good-port",
            "cable-test",
        ] {
            assert_eq!(text.parse::<StageName>().unwrap().to_string(), text);
        }
        assert_eq!("soak:far-end".parse::<StageName>(), "soak".parse());
        for (text, placement, words) in [
            ("internal", Placement::Internal, "the loop inside the chip"),
            ("at-port", Placement::AtPort, "the port"),
            ("far-end", Placement::FarEnd, "the far end"),
            ("far-end:A-14", Placement::FarEnd, "the end of A-14"),
        ] {
            let spot = text.parse::<StageName>().unwrap().spot().unwrap();
            assert_eq!((spot.placement(), spot.in_words().as_str()), (placement, words));
        }
        for wrong in ["", "far-end:", "far-end: ", "soak:", "port"] {
            let error = wrong.parse::<StageName>().unwrap_err().to_string();
            assert!(error.contains(&format!("`{wrong}`")) && error.contains("far-end:SEGMENT"), "{error}");
        }
    }
}
