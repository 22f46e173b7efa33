//! Bit errors: independent ones, or bursts by the two-state model of Gilbert and Elliott.

use std::fmt;
use std::str::FromStr;

use serde::{Serialize, Serializer};

use crate::fault::FaultError;
use turnback_core::base::rng::Rng;

/// Bursts of bit errors. The line is in one of two states, good and bad, which can change at each bit.
///
/// Each bit is flipped with the bit error ratio of the present state. Then the state changes with the probability of
/// leaving it. So a burst is `1 / leave` bits long on average, and `enter / (enter + leave)` of all bits are in the bad
/// state. The bit error ratio of the good state is the plain flip ratio.
/// Source: Gilbert, Bell System Technical Journal 39 (1960); Elliott, same journal 42 (1963) (from memory).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Burst {
    /// Probability per bit of going from good to bad.
    pub enter: f64,
    /// Probability per bit of going from bad to good.
    pub leave: f64,
    /// Bit error ratio in the bad state.
    pub ratio: f64,
}

impl FromStr for Burst {
    type Err = FaultError;

    /// Reads `ENTER:LEAVE:RATIO`, for instance `1e-6:0.01:0.3`.
    fn from_str(text: &str) -> Result<Self, FaultError> {
        let error = || FaultError::Burst { given: text.to_owned() };
        let parts: Vec<f64> =
            text.split(':').map(crate::fault::ratio).collect::<Result<_, _>>().map_err(|_| error())?;
        match parts[..] {
            [enter, leave, ratio] if enter > 0.0 && leave > 0.0 => Ok(Self { enter, leave, ratio }),
            _ => Err(error()),
        }
    }
}

impl fmt::Display for Burst {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}", self.enter, self.leave, self.ratio)
    }
}

impl Serialize for Burst {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// Flips bits of a stream that arrives in pieces. Where the pieces end makes no difference.
///
/// It draws the distance to the next error, not a number per bit, so that a clean frame costs two subtractions.
#[derive(Clone, Debug)]
pub struct BitErrors {
    rng: Rng,
    ratio: f64,
    burst: Option<Burst>,
    bad: bool,
    /// Bits before the next error, if the state lasts that long.
    clean_bits: u64,
    /// Bits before the state changes.
    state_bits: u64,
}

impl BitErrors {
    /// Flips nothing until [`Self::change`] sets a ratio.
    pub fn new(rng: Rng) -> Self {
        Self { rng, ratio: 0.0, burst: None, bad: false, clean_bits: NEVER, state_bits: NEVER }
    }

    /// Uses these ratios from the next bit on, starting in the good state.
    pub fn change(&mut self, ratio: f64, burst: Option<Burst>) {
        if (self.ratio, self.burst) != (ratio, burst) {
            (self.ratio, self.burst) = (ratio, burst);
            self.enter(false);
        }
    }

    /// Whether any bit can be flipped at all.
    pub fn active(&self) -> bool {
        self.ratio > 0.0 || self.burst.is_some()
    }

    /// Flips bits in the next `bytes` of the stream. Calls `flipped` once for each flip, with the index of its byte.
    ///
    /// Within a byte the least significant bit comes first, as on an Ethernet or a serial line.
    pub fn damage(&mut self, bytes: &mut [u8], mut flipped: impl FnMut(usize)) {
        let bits = bytes.len() as u64 * 8;
        let mut at = 0;
        loop {
            let left = bits - at;
            if self.clean_bits < self.state_bits.min(left) {
                at += self.clean_bits;
                self.pass(self.clean_bits + 1);
                let index = (at / 8) as usize;
                bytes[index] ^= 1 << (at % 8);
                flipped(index);
                at += 1;
                self.clean_bits = self.rng.trials_before_success(self.state_ratio());
            } else if self.state_bits <= left {
                at += self.state_bits;
                self.enter(!self.bad);
                if at == bits {
                    return;
                }
            } else {
                self.clean_bits = less(self.clean_bits, left);
                self.pass(left);
                return;
            }
        }
    }

    fn pass(&mut self, bits: u64) {
        self.state_bits = less(self.state_bits, bits);
    }

    fn enter(&mut self, bad: bool) {
        self.bad = bad;
        let leaving = self.burst.map_or(0.0, |burst| if bad { burst.leave } else { burst.enter });
        self.state_bits = self.rng.trials_before_success(leaving).saturating_add(1);
        // Geometric distances have no memory, so a new draw at a change of state is as good as the rest of the old one.
        self.clean_bits = self.rng.trials_before_success(self.state_ratio());
    }

    fn state_ratio(&self) -> f64 {
        match self.burst {
            Some(burst) if self.bad => burst.ratio,
            _ => self.ratio,
        }
    }
}

fn less(distance: u64, passed: u64) -> u64 {
    if distance == NEVER { NEVER } else { distance - passed }
}

/// [`Rng::trials_before_success`] returns this if no success is within reach.
const NEVER: u64 = u64::MAX;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    // proptest's prelude has a trait of the same name.
    use turnback_core::base::rng::Rng;

    fn damaged(ratio: f64, burst: Option<Burst>, seed: u64, pieces: &[usize]) -> (Vec<u8>, u64) {
        let mut errors = BitErrors::new(Rng::new(seed));
        errors.change(ratio, burst);
        let mut all = Vec::new();
        let mut count = 0;
        for &piece in pieces {
            let mut bytes = vec![0; piece];
            errors.damage(&mut bytes, |_| count += 1);
            all.extend(bytes);
        }
        (all, count)
    }

    fn ones(bytes: &[u8]) -> u64 {
        bytes.iter().map(|byte| u64::from(byte.count_ones())).sum()
    }

    proptest! {
        #[test]
        fn every_flip_is_counted_and_pieces_make_no_difference(
            seed: u64, ratio in 0.0..=1.0_f64, bursts: bool, pieces in prop::collection::vec(0_usize..100, 0..30),
        ) {
            let burst = bursts.then_some(Burst { enter: 0.01, leave: 0.1, ratio: 0.5 });
            let (bytes, count) = damaged(ratio, burst, seed, &pieces);
            prop_assert_eq!(ones(&bytes), count);
            prop_assert_eq!(damaged(ratio, burst, seed, &[pieces.iter().sum()]), (bytes, count));
        }
    }

    #[test]
    fn the_ends_of_the_ratio_are_exact() {
        assert_eq!(damaged(0.0, None, 3, &[1000]).1, 0);
        assert_eq!(damaged(1.0, None, 3, &[999, 1]).1, 8000);
    }

    #[test]
    fn independent_errors_keep_their_ratio() {
        let bits = 8.0 * 1e6;
        let count = damaged(1e-3, None, 11, &[1_000_000]).1 as f64;
        // Binomial distribution: mean n p, variance n p (1 - p); six deviations.
        assert!((count - bits * 1e-3).abs() < 6.0 * (bits * 1e-3 * 0.999).sqrt(), "{count}");
    }

    #[test]
    fn bursts_keep_the_share_of_the_bad_state() {
        let burst = Burst { enter: 1e-3, leave: 1e-2, ratio: 0.5 };
        let (bytes, count) = damaged(0.0, Some(burst), 12, &[4_000_000]);
        let bits = 8.0 * 4e6;
        let expected = bits * 0.5 * 1e-3 / (1e-3 + 1e-2);
        // About n * enter * leave / (enter + leave) = 29,000 bursts. The spread of bursts, and of gaps, is as large as
        // their mean, so one deviation of the share is near sqrt(2 / 29,000) = 0.8 %.
        assert!((count as f64 / expected - 1.0).abs() < 0.05, "{count} against {expected}");
        assert_eq!(ones(&bytes), count);
        let empty = bytes.iter().filter(|&&byte| byte == 0).count() as f64 / bytes.len() as f64;
        assert!(empty > 0.8, "errors come in bursts, so most bytes are clean: {empty}");
    }

    #[test]
    fn a_burst_is_read_as_three_probabilities() {
        assert_eq!("1e-6:0.01:0.3".parse::<Burst>().unwrap(), Burst { enter: 1e-6, leave: 0.01, ratio: 0.3 });
        for bad in ["", "1:2:3", "0.1:0.1", "0:0.1:0.5", "0.1:0.1:0.1:0.1", "a:b:c"] {
            let text = bad.parse::<Burst>().unwrap_err().to_string();
            assert!(text.contains("ENTER:LEAVE:RATIO"), "{text}");
        }
    }
}
