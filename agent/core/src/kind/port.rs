//! Who a port is, and how documents of format 1 said what kind it has.

use serde::{Deserialize, Serialize};

use super::{Kind, KindError};

/// Who the port is.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Stored")]
pub struct PortIdentity {
    /// As named on the command line.
    pub name: String,
    /// What it carries.
    pub kind: Kind,
    /// It is a simulated port: no device stands behind it.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub simulated: bool,
    /// Current hardware address, where it has one.
    pub address: Option<String>,
    /// Address burnt into the adapter.
    pub permanent_address: Option<String>,
    /// Driver's name.
    pub driver: Option<String>,
    /// Firmware version.
    pub firmware: Option<String>,
    /// Place on the bus.
    pub bus: Option<String>,
}

impl PortIdentity {
    /// A real port of which nothing else is known.
    pub fn named(name: &str, kind: Kind) -> Self {
        Self { name: name.to_owned(), kind, ..Self::default() }
    }
}

/// An identity as documents of any format have it. Format 1 called a simulated port of either kind `simulated`; here it
/// is taken for an Ethernet port, and [`KindInFormat1::correct`] makes it a serial one where the rest of the document
/// says so.
#[derive(Deserialize)]
struct Stored {
    name: String,
    kind: String,
    #[serde(default)]
    simulated: bool,
    address: Option<String>,
    permanent_address: Option<String>,
    driver: Option<String>,
    firmware: Option<String>,
    bus: Option<String>,
}

impl TryFrom<Stored> for PortIdentity {
    type Error = KindError;

    fn try_from(stored: Stored) -> Result<Self, KindError> {
        let Stored { name, kind, simulated, address, permanent_address, driver, firmware, bus } = stored;
        let (kind, simulated) = kind_and_simulated(&kind, simulated)?;
        Ok(Self { name, kind, simulated, address, permanent_address, driver, firmware, bus })
    }
}

/// Reads the word for a kind as any format has it, with what format 2 says beside it. See [`PortIdentity`].
///
/// # Errors
/// For a word that no format has.
pub fn kind_and_simulated(word: &str, simulated: bool) -> Result<(Kind, bool), KindError> {
    match word {
        SIMULATED => Ok((Kind::Ethernet, true)),
        // Format 1 had no word where nobody had looked.
        "" => Ok((Kind::Ethernet, simulated)),
        word => Ok((word.parse()?, simulated)),
    }
}

/// The fields by which a run or a case of format 1 tells what kind of port it is about. Read it from the same text as
/// the document.
#[derive(Debug, Deserialize)]
pub struct KindInFormat1 {
    /// Present in reports of serial ports alone.
    line: Option<serde::de::IgnoredAny>,
    #[serde(default)]
    capabilities: CapabilitiesInFormat1,
}

#[derive(Debug, Default, Deserialize)]
struct CapabilitiesInFormat1 {
    #[serde(default)]
    carries_bytes: bool,
}

impl KindInFormat1 {
    /// Makes a simulated port a serial one if the document is about a serial port. Anything else stays as it is.
    pub fn correct(&self, port: &mut PortIdentity) {
        if port.simulated && (self.line.is_some() || self.capabilities.carries_bytes) {
            port.kind = Kind::Serial;
        }
    }
}

const SIMULATED: &str = "simulated";

#[cfg(test)]
mod tests {
    use super::*;

    /// A port as format 1 has it (docs/report-format.md, "A port").
    fn format_1(kind: &str) -> String {
        format!(
            "{{\"name\":\"sim:x\",\"kind\":\"{kind}\",\"address\":null,\"permanent_address\":null,\"driver\":null,\
             \"firmware\":null,\"bus\":null}}"
        )
    }

    #[test]
    fn a_port_of_format_1_gets_its_kind() {
        for (word, kind, simulated) in [
            ("ethernet", Kind::Ethernet, false),
            ("serial", Kind::Serial, false),
            ("simulated", Kind::Ethernet, true),
            ("", Kind::Ethernet, false),
        ] {
            let port: PortIdentity = serde_json::from_str(&format_1(word)).unwrap();
            assert_eq!((port.kind, port.simulated), (kind, simulated), "{word}");
        }
        assert!(serde_json::from_str::<PortIdentity>(&format_1("parallel")).is_err());
    }

    #[test]
    fn the_rest_of_a_document_tells_a_simulated_serial_port() {
        for (rest, kind) in [
            (r#"{"line":{"format":"9600,8N1"}}"#, Kind::Serial),
            (r#"{"line":null,"capabilities":{"carries_bytes":true}}"#, Kind::Serial),
            (r#"{"line":null,"capabilities":{"carries_bytes":false}}"#, Kind::Ethernet),
            (r#"{"capabilities":{"checks_frames":true}}"#, Kind::Ethernet),
            ("{}", Kind::Ethernet),
        ] {
            let mut port: PortIdentity = serde_json::from_str(&format_1("simulated")).unwrap();
            serde_json::from_str::<KindInFormat1>(rest).unwrap().correct(&mut port);
            assert_eq!(port.kind, kind, "{rest}");
        }
    }

    #[test]
    fn a_real_port_keeps_its_kind_whatever_the_document_says() {
        let mut port = PortIdentity::named("quay0", Kind::Ethernet);
        serde_json::from_str::<KindInFormat1>(r#"{"line":{}}"#).unwrap().correct(&mut port);
        assert_eq!(port.kind, Kind::Ethernet);
    }

    #[test]
    fn an_identity_is_read_back_as_it_was_written() {
        for (kind, simulated) in [(Kind::Ethernet, false), (Kind::Serial, false), (Kind::Serial, true)] {
            let port = PortIdentity { simulated, ..PortIdentity::named("quay0", kind) };
            let text = serde_json::to_string(&port).unwrap();
            assert_eq!(text.contains("simulated"), simulated, "only said where it is so");
            assert_eq!(serde_json::from_str::<PortIdentity>(&text).unwrap(), port);
        }
    }
}
