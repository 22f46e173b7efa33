//! Values of a rig. Each checks itself while it is read, so that a refusal names the line.

use serde::{Deserialize, Serialize};

use crate::base::time::{Nanos, SECOND_NS};

/// Where a fault is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum FaultPlace {
    /// Between the host and the point where the internal loop turns back.
    PortHost,
    /// Between the internal loop and the connector.
    PortLine,
    /// In the cable segment with this label; passed out and back.
    Segment(String),
    /// In the plug.
    Plug,
    /// In the other plug, which is used when a person swaps plugs.
    OtherPlug,
    /// In the host, after the frame check.
    Host,
}

impl FaultPlace {
    /// On the line side of the internal loop.
    pub fn is_line(&self) -> bool {
        matches!(self, Self::PortLine | Self::Segment(_) | Self::Plug | Self::OtherPlug)
    }
}

impl TryFrom<String> for FaultPlace {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        match text.as_str() {
            "port-host" => Ok(Self::PortHost),
            "port-line" => Ok(Self::PortLine),
            "plug" => Ok(Self::Plug),
            "other-plug" => Ok(Self::OtherPlug),
            "host" => Ok(Self::Host),
            other => match other.strip_prefix("segment:") {
                Some(label) if !label.is_empty() => Ok(Self::Segment(label.to_owned())),
                _ => Err(format!(
                    "place `{other}` is not one of port-host, port-line, segment:LABEL, plug, other-plug, host"
                )),
            },
        }
    }
}

impl From<FaultPlace> for String {
    fn from(place: FaultPlace) -> Self {
        match place {
            FaultPlace::PortHost => "port-host".to_owned(),
            FaultPlace::PortLine => "port-line".to_owned(),
            FaultPlace::Segment(label) => format!("segment:{label}"),
            FaultPlace::Plug => "plug".to_owned(),
            FaultPlace::OtherPlug => "other-plug".to_owned(),
            FaultPlace::Host => "host".to_owned(),
        }
    }
}

/// A probability, 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Ratio(pub f64);

impl Ratio {
    /// The number.
    pub fn value(self) -> f64 {
        self.0
    }
}

impl TryFrom<f64> for Ratio {
    type Error = String;
    fn try_from(value: f64) -> Result<Self, String> {
        if (0.0..=1.0).contains(&value) { Ok(Self(value)) } else { Err(format!("ratio {value} must be 0 to 1")) }
    }
}

impl From<Ratio> for f64 {
    fn from(ratio: Ratio) -> Self {
        ratio.0
    }
}

/// A time of a rig, 0 to 1e9 seconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Seconds(pub f64);

impl Seconds {
    /// In nanoseconds.
    pub fn ns(self) -> Nanos {
        (self.0 * SECOND_NS as f64).round() as Nanos
    }
}

impl TryFrom<f64> for Seconds {
    type Error = String;
    fn try_from(value: f64) -> Result<Self, String> {
        if (0.0..=1e9).contains(&value) { Ok(Self(value)) } else { Err(format!("{value} s must be 0 to 1e9")) }
    }
}

impl From<Seconds> for f64 {
    fn from(seconds: Seconds) -> Self {
        seconds.0
    }
}
