//! What a copper transceiver finds when it sends a pulse down each pair and listens for what is thrown back (time-domain
//! reflectometry): open or shorted, and how far away.
//!
//! It takes the link down for some seconds, and expects an ordinary cable end or none: a loopback plug joins pairs, which
//! reads as a short, so it is run with the plug removed.

use std::fmt;

use serde::{Deserialize, Serialize};

/// A pair of an 8P8C cable by the transceiver's letter. On the contacts: A is 1-2, B 3-6, C 4-5, D 7-8 (IEEE Std 802.3, 40.8).
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

impl fmt::Display for Pair {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (one, other) = self.contacts();
        write!(f, "{self:?} ({one}-{other})")
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

impl PairStatus {
    /// Whether this is a fault of the cable; `None` where nothing was found out.
    pub fn is_fault(self) -> Option<bool> {
        match self {
            Self::Ok => Some(false),
            Self::Open | Self::ShortWithinPair | Self::ShortToOtherPair | Self::ImpedanceMismatch => Some(true),
            Self::Noisy | Self::NotResolved | Self::Unknown => None,
        }
    }
}

impl fmt::Display for PairStatus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Ok => "ok",
            Self::Open => "open",
            Self::ShortWithinPair => "short within the pair",
            Self::ShortToOtherPair => "short to another pair",
            Self::ImpedanceMismatch => "impedance mismatch",
            Self::Noisy => "too noisy to measure",
            Self::NotResolved => "not resolved",
            Self::Unknown => "unknown",
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
    /// How far from the port the fault is, metres; only for a fault, and as coarse as the transceiver's own steps.
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
        self.fault_distance_m.map_or(Ok(()), |m| write!(f, " at {m:.1} m"))
    }
}

impl fmt::Display for CableTest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.pairs.is_empty() {
            return f.write_str("no pair was told of");
        }
        let pairs: Vec<String> = self.pairs.iter().map(ToString::to_string).collect();
        f.write_str(&pairs.join(", "))
    }
}

impl CableTest {
    /// Whether any pair has a fault; `None` when none has but not all were found out, or none was told of.
    pub fn has_fault(&self) -> Option<bool> {
        if self.pairs.iter().any(|pair| pair.status.is_fault() == Some(true)) {
            return Some(true);
        }
        let all_ok = !self.pairs.is_empty() && self.pairs.iter().all(|pair| pair.status == PairStatus::Ok);
        all_ok.then_some(false)
    }

    /// The fault nearest to the port, metres.
    pub fn nearest_fault_m(&self) -> Option<f64> {
        self.pairs.iter().filter_map(|pair| pair.fault_distance_m).min_by(f64::total_cmp)
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
        assert_eq!(test(&[(Noisy, None), (Open, Some(31.5))]).has_fault(), Some(true));
        assert_eq!(CableTest::default().has_fault(), None);
        let two = test(&[(Open, Some(31.5)), (ShortWithinPair, Some(2.0)), (Ok, None)]);
        assert_eq!(two.nearest_fault_m(), Some(2.0));
    }

    #[test]
    fn pairs_are_named_with_their_contacts() {
        // Contacts of the pairs: IEEE Std 802.3, 40.8.1 (from memory).
        assert_eq!(Pair::B.to_string(), "B (3-6)");
        assert_eq!(serde_json::to_string(&Pair::C).unwrap(), "\"C\"");
    }
}
