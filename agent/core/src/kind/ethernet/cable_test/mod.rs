//! What a copper transceiver finds when it sends a pulse down each pair and listens for the reflection (time-domain
//! reflectometry): open or shorted, and how far away.
//!
//! The test takes the link down for some seconds. Remove the loopback plug first: it joins pairs, which reads as a
//! short.

mod reading;

use std::fmt;

use serde::{Deserialize, Serialize};

pub use reading::{Reading, read};

/// A pair of an 8P8C cable by the transceiver's letter. On the contacts: A is 1-2, B 3-6, C 4-5, D 7-8 (IEEE Std 802.3,
/// 40.8).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Pair {
    /// Contacts 1 and 2.
    A,
    /// Contacts 3 and 6.
    B,
    /// Contacts 4 and 5.
    C,
    /// Contacts 7 and 8.
    D,
}

impl Pair {
    /// 10 and 100 Mb/s use it: those on contacts 1-2 and 3-6 (IEEE Std 802.3 25, from memory).
    pub fn carries_100(self) -> bool {
        matches!(self, Self::A | Self::B)
    }

    /// Its number in a cable wired by T568B. T568A changes pairs 2 and 3.
    pub fn number(self) -> u8 {
        match self {
            Self::A => 2,
            Self::B => 3,
            Self::C => 1,
            Self::D => 4,
        }
    }

    /// Its colour in a cable wired by T568B: pair 1 blue, 2 orange, 3 green, 4 brown (published, second hand).
    pub fn colour(self) -> &'static str {
        match self {
            Self::A => "orange",
            Self::B => "green",
            Self::C => "blue",
            Self::D => "brown",
        }
    }

    /// Its two contacts.
    pub fn contacts(self) -> (u8, u8) {
        match self {
            Self::A => (1, 2),
            Self::B => (3, 6),
            Self::C => (4, 5),
            Self::D => (7, 8),
        }
    }
}

/// The two pairs that carry 10 and 100 Mb/s too, as [`Pair`] writes one.
pub const ALSO_100: &str = "pairs 2 and 3 (orange and green, pins 1, 2, 3 and 6)";
/// The two pairs that only 1000 Mb/s and faster use.
pub const ONLY_1000: &str = "pairs 1 and 4 (blue and brown, pins 4, 5, 7 and 8)";

/// What a pass at a speed of 100 Mb/s or less is limited to.
pub fn at_two_pairs(speed_mbps: u32) -> String {
    format!("at {speed_mbps} Mb/s: pairs 2 and 3 only")
}

impl fmt::Display for Pair {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (one, other) = self.contacts();
        write!(f, "pair {} ({}, pins {one} and {other})", self.number(), self.colour())
    }
}

/// What was found on a pair.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PairStatus {
    /// Nothing wrong.
    Ok,
    /// A wire ends.
    Open,
    /// The two wires of the pair touch.
    ShortWithinPair,
    /// A wire touches one of another pair.
    ShortToOtherPair,
    /// The impedance changes where it should not: a kink, water, a bad splice.
    ImpedanceMismatch,
    /// Too noisy to measure, as on a cable with a live far end.
    Noisy,
    /// Measured, and the result cannot be told apart.
    NotResolved,
    /// The transceiver did not say.
    Unknown,
}

impl fmt::Display for PairStatus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Ok => "without a fault",
            Self::Open => "open",
            Self::ShortWithinPair => "shorted",
            Self::ShortToOtherPair => "touches another pair",
            Self::ImpedanceMismatch => "changes its impedance",
            Self::Noisy => "too noisy to measure",
            Self::NotResolved => "not clear",
            Self::Unknown => "not reported",
        })
    }
}

/// One pair's result.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PairResult {
    /// The pair.
    pub pair: Pair,
    /// What was found.
    pub status: PairStatus,
    /// How far from the port its end or fault is, metres; only where one was found, and as coarse as the transceiver's
    /// own steps.
    pub fault_distance_m: Option<f64>,
}

/// Result of a cable test, by pair.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CableTest {
    /// Every pair that was told of, A first.
    pub pairs: Vec<PairResult>,
}

impl fmt::Display for PairResult {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.pair, self.status)?;
        self.fault_distance_m.map_or(Ok(()), |m| write!(f, " at about {m:.0} m from the port"))
    }
}

impl fmt::Display for CableTest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.pairs.is_empty() {
            return f.write_str("the adapter reported no pair");
        }
        let mut pairs: Vec<&PairResult> = self.pairs.iter().collect();
        pairs.sort_by_key(|result| result.pair.number());
        f.write_str(&pairs.into_iter().map(ToString::to_string).collect::<Vec<_>>().join(", "))
    }
}

impl CableTest {
    /// Whether any pair has a fault, by what all of them show together; `None` when that cannot be read.
    pub fn has_fault(&self) -> Option<bool> {
        match read(self) {
            Reading::Broken(_) => Some(true),
            Reading::Alike(_) => Some(false),
            Reading::Unclear => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn test(pairs: &[(PairStatus, Option<f64>)]) -> CableTest {
        let letters = [Pair::A, Pair::B, Pair::C, Pair::D];
        let pairs = letters.into_iter().zip(pairs);
        CableTest {
            pairs: pairs
                .map(|(pair, &(status, fault_distance_m))| PairResult { pair, status, fault_distance_m })
                .collect(),
        }
    }

    #[test]
    fn one_fault_is_a_fault_and_silence_is_no_pass() {
        use PairStatus::{Noisy, Ok, Open, ShortWithinPair};
        assert_eq!(test(&[(Ok, None); 4]).has_fault(), Some(false));
        assert_eq!(test(&[(Ok, None), (Noisy, None)]).has_fault(), None);
        // A bare far end reads open too.
        assert_eq!(test(&[(Noisy, None), (Open, Some(31.5))]).has_fault(), None);
        assert_eq!(test(&[(Open, Some(31.5)); 4]).has_fault(), Some(false));
        assert_eq!(CableTest::default().has_fault(), None);
        assert_eq!(test(&[(Open, Some(31.5)), (ShortWithinPair, Some(2.0)), (Ok, None)]).has_fault(), Some(true));
    }

    #[test]
    fn pairs_are_named_with_their_contacts() {
        // Contacts of the pairs: IEEE Std 802.3, 40.8.1 (from memory).
        // Numbers and colours: T568B (published, second hand).
        assert_eq!(Pair::B.to_string(), "pair 3 (green, pins 3 and 6)");
        let open = PairResult { pair: Pair::D, status: PairStatus::Open, fault_distance_m: Some(36.2) };
        assert_eq!(open.to_string(), "pair 4 (brown, pins 7 and 8) open at about 36 m from the port");
        assert_eq!(serde_json::to_string(&Pair::C).unwrap(), "\"C\"");
    }
}
