//! What we send: the named bit patterns, and any stretch of their endless streams.
//!
//! A pattern is an infinite stream of bytes. [`Pattern::fill`] writes it from any byte on, so sender and receiver share
//! nothing but a name and a phase. [`Window`] is the ready-made stretch that probes are cut from. [`detect()`] names an
//! unknown stream. The sequences are in `prbs.rs`, repeated units in `fixed.rs`.
//!
//! Bits are numbered in the order of the sequence: the first bit of the stream is bit 7, the most significant, of the
//! first byte.

mod detect;
mod fixed;
mod prbs;
#[cfg(test)]
mod tests;
mod window;

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

pub use detect::{DETECT_MIN_BYTES, Detected, detect};
use prbs::Register;
pub use window::{MAX_PROBE_BYTES, WINDOW_BYTES, Window};

/// A bit pattern by name, or a user's own bytes.
///
/// Written and read (also by serde) as its name, for example `prbs31` or `hex:DEADBEEF`.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub enum Pattern {
    /// x^7 + x^6 + 1.
    Prbs7,
    /// The 511-bit sequence.
    Prbs9,
    /// The 2047-bit sequence.
    Prbs11,
    /// 2^15 - 1 bits, inverted.
    Prbs15,
    /// 2^20 - 1 bits.
    Prbs20,
    /// 2^20 - 1 bits with no more than 14 zeros in a row.
    Qrss,
    /// 2^23 - 1 bits, inverted.
    Prbs23,
    /// 2^29 - 1 bits, inverted.
    Prbs29,
    /// 2^31 - 1 bits, inverted.
    Prbs31,
    /// 00.
    Zeros,
    /// FF.
    Ones,
    /// AA: ones and zeros by turns.
    Alternating,
    /// 80 40 20 10 08 04 02 01.
    WalkingOne,
    /// 7F BF DF EF F7 FB FD FE.
    WalkingZero,
    /// 00 01 02 ... FF.
    Counter,
    /// 40.
    OneInEight,
    /// 42.
    TwoInEight,
    /// 44 00 04.
    ThreeIn24,
    /// The twelve bytes of the CRPAT body.
    Crpat,
    /// The user's own bytes.
    Hex(HexUnit),
}

impl Pattern {
    /// Every named pattern, in the order to list them.
    pub fn named() -> impl Iterator<Item = Pattern> {
        CATALOGUE.iter().map(|entry| entry.pattern.clone())
    }

    /// The stable number that stands for the pattern in a probe; 0 is never used, [`Pattern::HEX_ID`] is any hex
    /// pattern.
    pub fn id(&self) -> u8 {
        self.entry().map_or(Self::HEX_ID, |entry| entry.id)
    }

    /// The id of every [`Pattern::Hex`].
    pub const HEX_ID: u8 = 255;

    /// The named pattern with this id.
    pub fn from_id(id: u8) -> Option<Pattern> {
        CATALOGUE.iter().find(|entry| entry.id == id).map(|entry| entry.pattern.clone())
    }

    /// One line: what it is and where that is defined.
    pub fn description(&self) -> &'static str {
        self.entry().map_or("bytes given by the user, repeated", |entry| entry.description)
    }

    /// A number of bytes after which the stream repeats.
    pub fn period_bytes(&self) -> u64 {
        match self.source() {
            Source::Register(register) => register.period(),
            Source::Unit(unit) => unit.len() as u64,
        }
    }

    /// Writes the stream from byte `phase_bytes` on.
    ///
    /// Costs a fraction of a microsecond to find its place, then runs at vector speed.
    pub fn fill(&self, phase_bytes: u64, out: &mut [u8]) {
        match self.source() {
            Source::Register(register) => register.fill(phase_bytes, out),
            Source::Unit(unit) => fixed::repeat(unit, phase_bytes, out),
        }
    }

    fn source(&self) -> Source<'_> {
        match self {
            // n and k: ITU-T O.150 (05/96) Table 1 as restated by docs.rs `comnum-mapping` (O150Sequence).
            Self::Prbs7 => Source::Register(const { &Register::new(7, 6) }),
            Self::Prbs9 => Source::Register(const { &Register::new(9, 5) }),
            Self::Prbs11 => Source::Register(const { &Register::new(11, 9) }),
            Self::Prbs15 => Source::Register(const { &Register::inverted(15, 14) }),
            Self::Prbs20 => Source::Register(const { &Register::new(20, 3) }),
            Self::Qrss => Source::Register(const { &Register::zero_suppressed(20, 17) }),
            Self::Prbs23 => Source::Register(const { &Register::inverted(23, 18) }),
            Self::Prbs29 => Source::Register(const { &Register::inverted(29, 27) }),
            Self::Prbs31 => Source::Register(const { &Register::inverted(31, 28) }),
            Self::Zeros => Source::Unit(&[0x00]),
            Self::Ones => Source::Unit(&[0xFF]),
            Self::Alternating => Source::Unit(&[0xAA]),
            Self::WalkingOne => Source::Unit(&fixed::WALKING_ONE),
            Self::WalkingZero => Source::Unit(&fixed::WALKING_ZERO),
            Self::Counter => Source::Unit(&fixed::COUNTER),
            Self::OneInEight => Source::Unit(&[0x40]),
            Self::TwoInEight => Source::Unit(&[0x42]),
            Self::ThreeIn24 => Source::Unit(&fixed::THREE_IN_24),
            Self::Crpat => Source::Unit(&fixed::CRPAT),
            Self::Hex(unit) => Source::Unit(unit.bytes()),
        }
    }

    fn entry(&self) -> Option<&'static Entry> {
        CATALOGUE.iter().find(|entry| entry.pattern == *self)
    }
}

/// Where a stream comes from.
enum Source<'a> {
    Register(&'static Register),
    Unit(&'a [u8]),
}

/// The bytes of a hex pattern: 1 to [`HexUnit::MAX_BYTES`] of them.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct HexUnit(Box<[u8]>);

impl HexUnit {
    /// Longest unit accepted, in bytes; what no probe repeats need not be typed.
    pub const MAX_BYTES: usize = 1024;

    /// The repeated bytes, at least one.
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }

    fn parse(digits: &str) -> Option<Self> {
        let pairs = digits.as_bytes().chunks(2);
        if digits.is_empty() || pairs.len() > Self::MAX_BYTES {
            return None;
        }
        let digit = |byte: u8| char::from(byte).to_digit(16).map(|value| value as u8);
        let bytes: Option<Box<[u8]>> = pairs
            .map(|pair| match pair {
                [high, low] => Some(digit(*high)? << 4 | digit(*low)?),
                _ => None,
            })
            .collect();
        bytes.map(Self)
    }
}

/// Why a text is not a pattern.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PatternError {
    /// No pattern has this name.
    #[error("no pattern is called `{given}`; allowed: {}, hex:DIGITS", names())]
    UnknownName {
        /// The text as given.
        given: String,
    },
    /// The part after `hex:` cannot be read.
    #[error(
        "hex pattern `{given}` is not whole bytes; allowed: hex: and 2 to {} digits 0-9 a-f, an even number",
        HexUnit::MAX_BYTES * 2
    )]
    BadHex {
        /// The text as given.
        given: String,
    },
}

impl fmt::Display for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Hex(unit) => {
                f.write_str("hex:")?;
                unit.bytes().iter().try_for_each(|byte| write!(f, "{byte:02X}"))
            }
            // Only `Hex` has no entry, which a test holds.
            named => f.pad(named.entry().map_or("", |entry| entry.name)),
        }
    }
}

impl FromStr for Pattern {
    type Err = PatternError;

    /// Reads a name or `hex:` with an even number of digits; upper and lower case are the same.
    fn from_str(text: &str) -> Result<Self, PatternError> {
        let lower = text.to_ascii_lowercase();
        if let Some(digits) = lower.strip_prefix("hex:") {
            let unit = HexUnit::parse(digits).ok_or_else(|| PatternError::BadHex { given: text.to_owned() })?;
            return Ok(Self::Hex(unit));
        }
        CATALOGUE
            .iter()
            .find(|entry| entry.name == lower)
            .map(|entry| entry.pattern.clone())
            .ok_or_else(|| PatternError::UnknownName { given: text.to_owned() })
    }
}

impl From<Pattern> for String {
    fn from(pattern: Pattern) -> Self {
        pattern.to_string()
    }
}

impl TryFrom<String> for Pattern {
    type Error = PatternError;

    fn try_from(text: String) -> Result<Self, PatternError> {
        text.parse()
    }
}

fn names() -> String {
    CATALOGUE.iter().map(|entry| entry.name).collect::<Vec<_>>().join(", ")
}

struct Entry {
    pattern: Pattern,
    id: u8,
    name: &'static str,
    description: &'static str,
}

const fn entry(pattern: Pattern, id: u8, name: &'static str, description: &'static str) -> Entry {
    Entry { pattern, id, name, description }
}

/// Ids are part of the probe format: never change one, only add.
static CATALOGUE: [Entry; 19] = [
    entry(Pattern::Prbs7, 1, "prbs7", "pseudo-random, 127 bits (x^7+x^6+1, common practice, not in O.150)"),
    entry(Pattern::Prbs9, 2, "prbs9", "pseudo-random, 511 bits (ITU-T O.150 5.1)"),
    entry(Pattern::Prbs11, 3, "prbs11", "pseudo-random, 2047 bits (ITU-T O.150 5.2)"),
    entry(Pattern::Prbs15, 4, "prbs15", "pseudo-random, 2^15-1 bits, inverted (ITU-T O.150 5.3)"),
    entry(Pattern::Prbs20, 5, "prbs20", "pseudo-random, 2^20-1 bits (ITU-T O.150 5.4)"),
    entry(Pattern::Qrss, 6, "qrss", "pseudo-random, 2^20-1 bits, at most 14 zeros together (ITU-T O.150 5.5)"),
    entry(Pattern::Prbs23, 7, "prbs23", "pseudo-random, 2^23-1 bits, inverted (ITU-T O.150 5.6)"),
    entry(Pattern::Prbs29, 8, "prbs29", "pseudo-random, 2^29-1 bits, inverted (ITU-T O.150 5.7)"),
    entry(Pattern::Prbs31, 9, "prbs31", "pseudo-random, 2^31-1 bits, inverted (ITU-T O.150 5.8)"),
    entry(Pattern::Zeros, 16, "zeros", "all zeros: 00 (common practice, no source)"),
    entry(Pattern::Ones, 17, "ones", "all ones: FF (RFC 4805 3.4.2)"),
    entry(Pattern::Alternating, 18, "alternating", "ones and zeros by turns: AA (common practice, no source)"),
    entry(Pattern::WalkingOne, 19, "walking-one", "one set bit walks through a byte (common practice, no source)"),
    entry(Pattern::WalkingZero, 20, "walking-zero", "one clear bit walks through a byte (common practice, no source)"),
    entry(Pattern::Counter, 21, "counter", "bytes 00 to FF in order (common practice, no source)"),
    entry(Pattern::OneInEight, 22, "one-in-eight", "one 1 in 8 bits: 40 (from memory)"),
    entry(Pattern::TwoInEight, 23, "two-in-eight", "two ones in 8 bits, at most 4 zeros together: 42 (from memory)"),
    entry(
        Pattern::ThreeIn24,
        24,
        "three-in-24",
        "three ones in 24 bits: 44 00 04 (RFC 4805 dsx1SendCode; bits from memory)",
    ),
    entry(
        Pattern::Crpat,
        25,
        "crpat",
        "CRPAT body, 12 bytes repeated (IEEE 802.3 36A.4, 48A; from memory, FCS checked)",
    ),
];
