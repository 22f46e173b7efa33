//! Names the kind of damage that a tally shows.
//!
//! Each rule asks whether errors scattered at random could look like this, and names a kind only if they practically
//! never do. The thresholds are the constants at the foot, all our own choice.

use serde::{Deserialize, Serialize};

use super::{DamageTally, GUARD_BITS};

/// The shape of damage, for a report to name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum DamageKind {
    /// No bit was wrong.
    None,
    /// Wrong bits without a shape, or too few to tell.
    Scattered,
    /// Wrong bits come close together.
    Bursts,
    /// Echoes are the complement of what was sent: a swapped pair of wires.
    Inverted,
    /// One bit of each word always reads the same level, whatever was sent.
    StuckBit {
        /// Number of the bit in the word, 0 the least significant of the word's first byte. Words begin at multiples of
        /// their size from the start of the probe.
        bit: u8,
        /// Size of the word in bits: 8, 16, 32 or 64, the largest that the errors allow. A pattern that repeats after a
        /// few bytes can make it larger than it is.
        word_bits: u8,
        /// What the bit reads.
        level: Level,
    },
    /// All wrong bits are in the same few bytes of the probe.
    OffsetBound {
        /// First byte of the probe that was ever wrong.
        first_offset_bytes: u64,
        /// Last byte of the probe that was ever wrong.
        last_offset_bytes: u64,
    },
}

/// Level of a bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// Always 0.
    Zero,
    /// Always 1.
    One,
}

impl std::fmt::Display for DamageKind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::None => f.write_str("no damage"),
            Self::Scattered => f.write_str("scattered"),
            Self::Bursts => f.write_str("in bursts"),
            Self::Inverted => f.write_str("every bit inverted, as where the two wires of a pair are exchanged"),
            Self::StuckBit { bit, word_bits, level } => {
                write!(
                    f,
                    "bit {bit} of every {word_bits}-bit word stuck at {}",
                    if *level == Level::One { 1 } else { 0 }
                )
            }
            Self::OffsetBound { first_offset_bytes, last_offset_bytes } => {
                write!(f, "always at bytes {first_offset_bytes} to {last_offset_bytes} of the frame")
            }
        }
    }
}

impl DamageTally {
    /// Names the kind of damage; the first that fits of none, inverted, offset-bound, stuck bit, bursts, scattered.
    pub fn kind(&self) -> DamageKind {
        if self.bit_errors == 0 {
            return DamageKind::None;
        }
        // A serial line's blocks of a byte or two are too short to tell by themselves; all of them together are not.
        let bits = self.bits_compared_in_errored_probes;
        let nearly_all = bits >= 64 && self.bit_errors as f64 >= 7.0 / 8.0 * bits as f64;
        if nearly_all || self.inverted_probes * 100 >= self.errored_probes * MOSTLY_PERCENT {
            return DamageKind::Inverted;
        }
        let shape = self.offset_bound().or_else(|| self.stuck_bit());
        shape.unwrap_or(if self.has_bursts() { DamageKind::Bursts } else { DamageKind::Scattered })
    }

    /// All errors lie within 8 bytes, in so many probes that chance is ruled out.
    ///
    /// If the first errored probe has fixed the place, another one's errors fall there by chance at most with the share
    /// of the probe that lies within 8 bytes either way, `2 / words`; all others do with that to the power of their
    /// number.
    fn offset_bound(&self) -> Option<DamageKind> {
        let (first_offset_bytes, last_offset_bytes) = (self.first_offset_bytes?, self.last_offset_bytes?);
        let words = self.bits_compared_in_errored_probes as f64 / 64.0 / self.errored_probes as f64;
        let chance = (2.0 / words).powf(self.errored_probes.saturating_sub(1) as f64);
        let together = last_offset_bytes.saturating_sub(first_offset_bytes) < 8;
        (together && chance <= CHANCE).then_some(DamageKind::OffsetBound { first_offset_bytes, last_offset_bytes })
    }

    /// Practically all errors are on word bits that read one level throughout, and these make up one bit of a word.
    ///
    /// A bit of a byte in one direction is a sixteenth of all there is to damage: that all of [`FEWEST_STUCK_ERRORS`]
    /// random errors fall there has a probability of `16 * (1/16)^16`, about 1e-18.
    fn stuck_bit(&self) -> Option<DamageKind> {
        if self.bit_errors < FEWEST_STUCK_ERRORS {
            return None;
        }
        let one = (Level::One, &self.zeros_to_ones_by_word_bit.0, &self.read_zero_by_word_bit.0);
        let zero = (Level::Zero, &self.ones_to_zeros_by_word_bit.0, &self.read_one_by_word_bit.0);
        [one, zero].into_iter().find_map(|(level, errors, read_other)| {
            let stuck = |bit: &usize| errors[*bit] > 0 && read_other[*bit] * STRAY_OF <= self.errored_probes;
            let bits: Vec<_> = (0..64).filter(stuck).collect();
            let explained: u64 = bits.iter().map(|&bit| errors[bit]).sum();
            if self.bit_errors.saturating_sub(explained) * STRAY_OF > self.bit_errors {
                return None;
            }
            let word_bits =
                [64, 32, 16, 8].into_iter().find(|word| bits.iter().all(|bit| bit % word == bits[0] % word))?;
            Some(DamageKind::StuckBit { bit: (bits[0] % word_bits) as u8, word_bits: word_bits as u8, level })
        })
    }

    /// Errors stand in fewer groups than half of what scattered errors would: wrong bits within a probe, or errored
    /// probes in the stream, as where a disturbance lasts for many probes and hits each of them once at most.
    ///
    /// With a share `p` of all bits wrong at random, an error ends its group if the next [`GUARD_BITS`] bits are right:
    /// `(1-p)^GUARD_BITS` of the errors do.
    fn has_bursts(&self) -> bool {
        let ratio = self.bit_errors as f64 / self.bits_compared as f64;
        let groups_by_chance = self.bit_errors as f64 * (1.0 - ratio).powi(GUARD_BITS as i32);
        let groups = self.bursts + self.bit_errors.saturating_sub(self.bit_errors_in_bursts);
        let within_probes = self.bit_errors >= FEWEST_BURST_ERRORS && (groups as f64) < groups_by_chance / 2.0;
        let by_chance = self.errored_groups_by_chance;
        within_probes
            || self.errored_groups > 0 && by_chance >= FEWEST_GROUPS_BY_CHANCE && 2 * self.errored_groups < by_chance
    }
}

/// Percentage of errored probes that must be inverted; the rest may have lost more than their polarity.
const MOSTLY_PERCENT: u64 = 90;

/// Probability at which chance is ruled out for an offset: once in a thousand million damaged runs.
const CHANCE: f64 = 1e-9;

/// Wrong bits below which no bit is called stuck.
const FEWEST_STUCK_ERRORS: u64 = 16;

/// One in so many of the errors, and of the probes, need not be explained by a stuck bit: other faults may be about.
const STRAY_OF: u64 = 100;

/// Wrong bits below which nothing is called bursts.
const FEWEST_BURST_ERRORS: u64 = 8;

/// Groups of errored probes that chance would make, below which half of them may be chance too: of a Poisson count of
/// 32, fewer than 16 come once in about two thousand runs.
const FEWEST_GROUPS_BY_CHANCE: u64 = 32;

/// Each threshold from both sides. The figures are our own choice; what is checked is that they are those of the texts
/// above.
#[cfg(test)]
mod tests {
    use super::*;

    /// So many wrong bits in as many probes of 1458 bytes, far apart, among very many that are right.
    fn wrong(bit_errors: u64, errored_probes: u64) -> DamageTally {
        DamageTally {
            bits_compared: 1 << 62,
            errored_probes,
            bits_compared_in_errored_probes: 8 * 1458 * errored_probes,
            bit_errors,
            first_offset_bytes: Some(42),
            last_offset_bytes: Some(1400),
            ..DamageTally::default()
        }
    }

    fn kind(tally: DamageTally) -> DamageKind {
        tally.kind()
    }

    #[test]
    fn inverted_takes_seven_eighths_of_64_bits_or_nine_probes_of_ten() {
        let bits = |bits_compared_in_errored_probes, bit_errors| {
            kind(DamageTally { bits_compared_in_errored_probes, ..wrong(bit_errors, 10) })
        };
        assert_eq!(bits(64, 56), DamageKind::Inverted);
        assert_ne!(bits(64, 55), DamageKind::Inverted);
        assert_ne!(bits(63, 63), DamageKind::Inverted);
        assert_eq!(bits(8000, 7000), DamageKind::Inverted);
        assert_ne!(bits(8000, 6999), DamageKind::Inverted);
        let probes = |inverted_probes| kind(DamageTally { inverted_probes, ..wrong(10_000, 1000) });
        assert_eq!(probes(900), DamageKind::Inverted);
        assert_eq!(probes(899), DamageKind::Scattered);
    }

    #[test]
    fn errors_of_one_place_are_within_eight_bytes_in_more_probes_than_chance_allows() {
        let at = |last, probes| {
            kind(DamageTally { first_offset_bytes: Some(100), last_offset_bytes: Some(last), ..wrong(probes, probes) })
        };
        // 1458 bytes are 182 words: (2 / 182.25)^(n-1) is 1.6e-10 for 6 probes and 1.5e-8 for 5 (computed).
        let found = DamageKind::OffsetBound { first_offset_bytes: 100, last_offset_bytes: 107 };
        assert_eq!(at(107, 6), found);
        assert_eq!(at(107, 5), DamageKind::Scattered);
        assert_eq!(at(108, 6), DamageKind::Scattered);
        // Two probes so long that the second falls there with 2 / (2e9), and ever so many of a single word.
        let bits = |bits_compared_in_errored_probes, probes| {
            let place =
                DamageTally { first_offset_bytes: Some(100), last_offset_bytes: Some(107), ..wrong(probes, probes) };
            kind(DamageTally { bits_compared_in_errored_probes, ..place })
        };
        assert_eq!(bits(2 * 64 * 2_000_000_000, 2), found);
        assert_eq!(bits(2 * 64 * 1_950_000_000, 2), DamageKind::Scattered);
        assert_eq!(bits(64 * 5000, 5000), DamageKind::Scattered);
    }

    #[test]
    fn a_stuck_bit_explains_sixteen_errors_and_99_of_a_hundred() {
        let stuck = DamageKind::StuckBit { bit: 3, word_bits: 64, level: Level::One };
        let of = |explained, stray, read_other| {
            let mut tally = wrong(explained + stray, 100);
            tally.zeros_to_ones_by_word_bit.0[3] = explained;
            tally.read_zero_by_word_bit.0[3] = read_other;
            kind(tally)
        };
        assert_eq!(of(16, 0, 0), stuck);
        assert_eq!(of(15, 0, 0), DamageKind::Scattered);
        // Of 200 errors 1 % is two; of 100 probes one.
        assert_eq!(of(198, 2, 1), stuck);
        assert_eq!(of(197, 3, 0), DamageKind::Scattered);
        assert_eq!(of(200, 0, 2), DamageKind::Scattered);
        // A bit of every byte, seen in one word bit fifteen times and in another once.
        let mut tally = wrong(16, 100);
        (tally.zeros_to_ones_by_word_bit.0[3], tally.zeros_to_ones_by_word_bit.0[11]) = (15, 1);
        assert_eq!(kind(tally), DamageKind::StuckBit { bit: 3, word_bits: 8, level: Level::One });
        // One probe in a hundred: not one in 99, and not 101 in ten thousand.
        for (read_other, probes, found) in
            [(100, 10_000, stuck), (101, 10_000, DamageKind::Scattered), (1, 99, DamageKind::Scattered)]
        {
            let mut tally = wrong(200, probes);
            (tally.zeros_to_ones_by_word_bit.0[3], tally.read_zero_by_word_bit.0[3]) = (200, read_other);
            assert_eq!(kind(tally), found, "{read_other} of {probes}");
        }
    }

    #[test]
    fn a_stuck_bit_is_told_with_its_level() {
        for (level, words) in [
            (Level::One, "bit 3 of every 8-bit word stuck at 1"),
            (Level::Zero, "bit 3 of every 8-bit word stuck at 0"),
        ] {
            assert_eq!(DamageKind::StuckBit { bit: 3, word_bits: 8, level }.to_string(), words);
        }
    }

    #[test]
    fn bursts_are_eight_errors_in_fewer_than_half_the_groups() {
        // So many groups, of which one holds all that is not alone.
        let of = |errors: u64, groups: u64| {
            kind(DamageTally { bursts: 1, bit_errors_in_bursts: errors - (groups - 1), ..wrong(errors, errors) })
        };
        assert_eq!(of(8, 3), DamageKind::Bursts);
        assert_eq!(of(8, 4), DamageKind::Scattered);
        assert_eq!(of(7, 1), DamageKind::Scattered);
        assert_eq!(of(24, 11), DamageKind::Bursts);
        assert_eq!(of(24, 12), DamageKind::Scattered);
        let probes = |errored_groups, errored_groups_by_chance| {
            kind(DamageTally { errored_groups, errored_groups_by_chance, ..wrong(50, 50) })
        };
        assert_eq!(probes(15, 32), DamageKind::Bursts);
        assert_eq!(probes(16, 32), DamageKind::Scattered);
        assert_eq!((probes(1, 31), probes(1, 32)), (DamageKind::Scattered, DamageKind::Bursts));
        assert_eq!(probes(0, 100), DamageKind::Scattered);
    }
}
