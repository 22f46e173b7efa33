//! What the source of a lot says its cards are: `device=f1a7:0b02,ports=2,speed=1000`.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// The claim. What it does not name is not judged by it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Claim {
    /// Vendor and device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// Vendor and device of the subsystem.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subsystem: Option<String>,
    /// Part number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part: Option<String>,
    /// Number of ports.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ports: Option<u32>,
    /// Highest speed of each port, Mb/s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub speed: Option<u32>,
}

/// Why a text is no claim.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("claim `{0}` is not KEY=VALUE; keys are device, subsystem, part, ports, speed, as in device=f1a7:0b02,ports=2")]
pub struct ClaimError(String);

impl FromStr for Claim {
    type Err = ClaimError;

    fn from_str(text: &str) -> Result<Self, ClaimError> {
        let mut claim = Self::default();
        for part in text.split(',').map(str::trim).filter(|part| !part.is_empty()) {
            let wrong = || ClaimError(part.to_owned());
            let (key, value) = part.split_once('=').ok_or_else(wrong)?;
            let (value, number) = (value.trim(), || value.trim().parse::<u32>().map_err(|_| wrong()));
            match key.trim() {
                _ if value.is_empty() => return Err(wrong()),
                "device" => claim.device = Some(value.to_ascii_lowercase()),
                "subsystem" => claim.subsystem = Some(value.to_ascii_lowercase()),
                "part" => claim.part = Some(value.to_owned()),
                "ports" => claim.ports = Some(number()?),
                "speed" => claim.speed = Some(number()?),
                _ => return Err(wrong()),
            }
        }
        Ok(claim)
    }
}

impl fmt::Display for Claim {
    /// Writes it in the form that is read.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = |n: Option<u32>| n.map(|n| n.to_string());
        let parts = [
            ("device", self.device.clone()),
            ("subsystem", self.subsystem.clone()),
            ("part", self.part.clone()),
            ("ports", number(self.ports)),
            ("speed", number(self.speed)),
        ];
        let given: Vec<String> =
            parts.into_iter().filter_map(|(key, value)| Some(format!("{key}={}", value?))).collect();
        f.write_str(if given.is_empty() { "none" } else { "" })?;
        f.write_str(&given.join(","))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_claim_is_read_as_it_is_written_and_refused_with_its_keys() {
        let text = "device=f1a7:0b02,subsystem=f1a7:1002,part=HB-2G,ports=2,speed=1000";
        assert_eq!(text.parse::<Claim>().unwrap().to_string(), text);
        assert_eq!("".parse::<Claim>(), Ok(Claim::default()));
        for wrong in ["ports", "ports=two", "colour=red", "part="] {
            assert!(wrong.parse::<Claim>().unwrap_err().to_string().contains("subsystem, part"), "{wrong}");
        }
    }
}
