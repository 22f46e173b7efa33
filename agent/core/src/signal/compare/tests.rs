//! Compare against a slow bit-by-bit version, and kinds of damage tested both ways.

use proptest::prelude::*;

use super::*;
use crate::base::rng::Rng;
use crate::signal::pattern::Pattern;

/// Every wrong bit of the common part as (bit of the probe, level sent), least significant bit of a byte first.
fn slow_errors(expected: &[u8], got: &[u8], at_offset: usize) -> Vec<(usize, bool)> {
    let mut errors = Vec::new();
    for (i, (expected, got)) in expected.iter().zip(got).enumerate() {
        for bit in 0..8 {
            let (sent, read) = (expected >> bit & 1 == 1, got >> bit & 1 == 1);
            if sent != read {
                errors.push((8 * (at_offset + i) + bit, sent));
            }
        }
    }
    errors
}

fn slow_compare(expected: &[u8], got: &[u8], at_offset: usize) -> Option<ProbeDamage> {
    let common = expected.len().min(got.len());
    let errors = slow_errors(expected, got, at_offset);
    let (first, last) = (errors.first()?.0, errors.last()?.0);
    let by_word_bit =
        |level| std::array::from_fn(|bit| errors.iter().filter(|e| e.0 % 64 == bit && e.1 == level).count() as u32);
    let read = |level: u8| {
        let bits = (0..8 * common).filter(|bit| got[bit / 8] >> (bit % 8) & 1 == level);
        bits.fold(0, |mask, bit| mask | 1_u64 << ((8 * at_offset + bit) % 64))
    };
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for &(bit, _) in &errors {
        match groups.last_mut().filter(|group| bit - group[group.len() - 1] - 1 < 64) {
            Some(group) => group.push(bit),
            None => groups.push(vec![bit]),
        }
    }
    groups.retain(|group| group.len() > 1);
    Some(ProbeDamage {
        bits_compared: 8 * common as u64,
        bit_errors: errors.len() as u64,
        first_offset: first / 8,
        last_offset: last / 8,
        zeros_to_ones: by_word_bit(false),
        ones_to_zeros: by_word_bit(true),
        read_zero: read(0),
        read_one: read(1),
        offsets: std::array::from_fn(|bin| {
            errors.iter().filter(|e| e.0 / 8 * 64 / (at_offset + common) == bin).count() as u32
        }),
        bursts: groups.len() as u32,
        bit_errors_in_bursts: groups.iter().map(|group| group.len() as u64).sum(),
        longest_burst_bits: groups
            .iter()
            .map(|group| (group[group.len() - 1] - group[0] + 1) as u64)
            .max()
            .unwrap_or(0),
        inverted: common >= 8 && errors.len() as f64 / (8 * common) as f64 >= 0.875,
    })
}

/// The generator of the crate with the draws that these tests need.
struct Random(Rng);

impl Random {
    fn new(seed: u64) -> Self {
        Self(Rng::new(seed))
    }

    fn next(&mut self) -> u64 {
        self.0.draw()
    }

    fn below(&mut self, bound: u64) -> u64 {
        self.next() % bound
    }

    fn bytes(&mut self, len: usize) -> Vec<u8> {
        (0..len).map(|_| self.next() as u8).collect()
    }

    /// Flips each bit with probability `ratio`.
    fn scatter(&mut self, data: &mut [u8], ratio: f64) {
        for bit in 0..8 * data.len() {
            if self.0.fraction() < ratio {
                data[bit / 8] ^= 1 << (bit % 8);
            }
        }
    }
}

/// Sends `probes` payloads of `len` bytes cut from `pattern`, damages each, and tallies.
fn tally(pattern: &Pattern, probes: u64, len: usize, mut damage: impl FnMut(u64, &mut [u8])) -> DamageTally {
    let mut tally = DamageTally::default();
    let mut expected = vec![0; len];
    for probe in 0..probes {
        pattern.fill(probe * len as u64, &mut expected);
        let mut got = expected.clone();
        damage(probe, &mut got);
        match compare(&expected, &got, HEADER_BYTES) {
            Some(found) => tally.add_damage(&found),
            None => tally.add_clean(8 * len as u64),
        }
    }
    tally
}

/// Any place that is not at a word boundary will do.
const HEADER_BYTES: usize = 42;

/// Forces bit `bit` of every word of `word_bits` bits, counted from the start of the probe, to `level`.
fn stick(got: &mut [u8], bit: usize, word_bits: usize, level: Level) {
    for i in 0..8 * got.len() {
        if (8 * HEADER_BYTES + i) % word_bits == bit {
            match level {
                Level::One => got[i / 8] |= 1 << (i % 8),
                Level::Zero => got[i / 8] &= !(1 << (i % 8)),
            }
        }
    }
}

#[test]
fn equal_data_is_clean() {
    assert_eq!(compare(b"", b"", 0), None);
    assert_eq!(compare(b"lock gate", b"lock gate", 42), None);
    // Only the common part counts here; a missing end is counted elsewhere.
    assert_eq!(compare(b"lock gate", b"lock", 42), None);
    assert_eq!(compare(b"lock", b"", 42), None);
}

#[test]
fn one_flipped_bit_is_placed() {
    let expected = [0_u8; 100];
    let mut got = expected;
    got[51] = 0x08;
    let damage = compare(&expected, &got, 42).unwrap();
    assert_eq!((damage.bit_errors, damage.bits_compared), (1, 800));
    assert_eq!((damage.first_offset, damage.last_offset), (93, 93));
    // Byte 93 is byte 5 of the word at 88, and 93 of 142 is in the 42nd 64th of the probe.
    assert_eq!(damage.zeros_to_ones[8 * 5 + 3], 1);
    assert_eq!(damage.offsets[41], 1);
    assert_eq!((damage.bursts, damage.longest_burst_bits, damage.inverted), (0, 0, false));
}

/// What a frame's header shifts is told where it is in the frame: bytes 10 and 130 of 142 are in the 5th and 59th 64th.
#[test]
fn errors_are_moved_from_one_place_to_another() {
    let mut damage = compare(&[0; 142], &[&[0_u8; 10][..], &[7], &[0; 131]].concat(), 0).unwrap();
    assert_eq!((damage.offsets[4], damage.offsets[58]), (3, 0));
    damage.move_errors(10, 130, 142, 2);
    damage.move_errors(10, 130, 142, 1);
    assert_eq!((damage.offsets[4], damage.offsets[58]), (0, 3));
}

/// By the formula: 1000 errored of 100 000 at random end their group with 0.99^64 = 0.5256 (by hand).
#[test]
fn groups_are_held_against_those_that_chance_makes() {
    let mut tally = DamageTally { probes_compared: 100_000, errored_probes: 1000, ..DamageTally::default() };
    tally.note_groups(7);
    assert_eq!((tally.errored_groups, tally.errored_groups_by_chance), (7, 525));
    let other = tally.clone();
    tally.merge(&other);
    assert_eq!((tally.errored_groups, tally.errored_groups_by_chance), (14, 1050));
}

#[test]
fn wrong_bits_are_counted_by_their_place_in_the_byte() {
    let found = tally(&Pattern::Zeros, 3, 100, |_, got| (got[51], got[60]) = (0x08, 0x80));
    assert_eq!(found.bit_in_byte, [0, 0, 0, 3, 0, 0, 0, 3]);
}

#[test]
fn bursts_end_after_the_guard() {
    let expected = [0_u8; 64];
    for (gap, bursts, longest) in [(0, 1, 2), (63, 1, 65), (64, 0, 0), (65, 0, 0)] {
        for start in 0..64 {
            let mut got = expected;
            for bit in [start, start + gap + 1] {
                got[bit / 8] |= 1 << (bit % 8);
            }
            let damage = compare(&expected, &got, 0).unwrap();
            assert_eq!((damage.bursts, damage.longest_burst_bits), (bursts, longest), "gap {gap} from bit {start}");
        }
    }
}

#[test]
fn no_errors_is_no_damage() {
    assert_eq!(DamageTally::default().kind(), DamageKind::None);
    assert_eq!(tally(&Pattern::Prbs31, 100, 1458, |_, _| {}).kind(), DamageKind::None);
}

#[test]
fn random_errors_are_scattered() {
    let mut random = Random::new(1);
    for pattern in Pattern::named() {
        for len in [18, 100, 1458] {
            for ratio in [1e-4, 1e-3, 1e-2, 0.05, 0.2, 0.5] {
                let probes = (60_000 / len) as u64;
                let tally = tally(&pattern, probes, len, |_, got| random.scatter(got, ratio));
                let kind = tally.kind();
                let allowed = kind == DamageKind::Scattered || (kind == DamageKind::None && tally.bit_errors == 0);
                assert!(allowed, "{pattern}, {len} bytes, {ratio}: {kind:?} of {} errors", tally.bit_errors);
            }
        }
    }
}

#[test]
fn a_few_random_errors_are_never_given_a_shape() {
    // Small numbers are where chance looks like a shape.
    for seed in 0..3000 {
        let mut random = Random::new(seed);
        let len = [18, 46, 1458][seed as usize % 3];
        let flips = 1 + random.below(40);
        let kind = tally(&Pattern::Prbs31, flips, len, |_, got| {
            let bit = random.below(8 * len as u64) as usize;
            got[bit / 8] ^= 1 << (bit % 8);
        })
        .kind();
        assert_eq!(kind, DamageKind::Scattered, "seed {seed}");
    }
}

#[test]
fn bursts_are_told_from_scattered_errors() {
    for (seed, length) in [(1, 12), (2, 40), (3, 200), (4, 2000)] {
        let mut random = Random::new(seed);
        let tally = tally(&Pattern::Prbs23, 300, 1458, |probe, got| {
            if probe % 10 == 0 {
                let start = random.below(8 * 1458 - length);
                for bit in start..start + length {
                    got[bit as usize / 8] ^= (random.next() as u8 & 1) << (bit % 8);
                }
            }
        });
        assert_eq!(tally.kind(), DamageKind::Bursts, "length {length}");
        assert!(tally.longest_burst_bits <= length);
    }
}

#[test]
fn inverted_echoes_are_told_from_lost_ones() {
    for pattern in Pattern::named() {
        let inverted = tally(&pattern, 20, 1458, |_, got| got.iter_mut().for_each(|byte| *byte = !*byte));
        assert_eq!((inverted.kind(), inverted.inverted_probes), (DamageKind::Inverted, 20));
    }
    let mut random = Random::new(5);
    let noise = tally(&Pattern::Prbs31, 2000, 18, |_, got| got.copy_from_slice(&random.bytes(18)));
    assert_eq!((noise.kind(), noise.inverted_probes), (DamageKind::Scattered, 0));
}

/// Seven wrong bits of eight, of 64 at least: one below, and at it.
#[test]
fn one_echo_is_inverted_from_seven_eighths_of_64_bits_on() {
    let inverted = |bytes: usize, right: usize| {
        let mut got = vec![0xFF; bytes];
        (0..right).for_each(|bit| got[bit / 8] ^= 1 << (bit % 8));
        compare(&vec![0; bytes], &got, HEADER_BYTES).unwrap().inverted
    };
    for (bytes, right, expected) in [
        (8, 8, true),
        (8, 9, false),
        (7, 0, false),
        (9, 9, true),
        (9, 10, false),
        (1000, 1000, true),
        (1000, 1001, false),
    ] {
        assert_eq!(inverted(bytes, right), expected, "{right} bits right of {bytes} bytes");
    }
}

#[test]
fn stuck_bits_are_named_with_word_and_level() {
    for level in [Level::Zero, Level::One] {
        for (bit, word_bits) in [(0, 8), (7, 8), (13, 16), (5, 32), (31, 32), (40, 64), (63, 64)] {
            for len in [46, 1458] {
                let tally = tally(&Pattern::Prbs31, 100, len, |_, got| stick(got, bit, word_bits, level));
                let expected = DamageKind::StuckBit { bit: bit as u8, word_bits: word_bits as u8, level };
                assert_eq!(tally.kind(), expected, "{len} bytes");
            }
        }
    }
}

#[test]
fn a_stuck_bit_in_some_probes_only_is_named() {
    // One of many receive buffers is bad.
    let tally = tally(&Pattern::Prbs15, 1000, 1458, |probe, got| {
        if probe % 97 == 3 {
            stick(got, 17, 64, Level::One);
        }
    });
    assert_eq!(tally.kind(), DamageKind::StuckBit { bit: 17, word_bits: 64, level: Level::One });
}

#[test]
fn a_weak_bit_is_not_called_stuck() {
    // The same bit, always in the same direction, but only every other time.
    for level in [Level::One, Level::Zero] {
        let mut random = Random::new(7);
        let tally = tally(&Pattern::Prbs31, 200, 1458, |_, got| {
            let mut stuck = got.to_vec();
            stick(&mut stuck, 17, 64, level);
            for (byte, stuck) in got.iter_mut().zip(stuck) {
                if random.next() & 1 == 0 {
                    *byte = stuck;
                }
            }
        });
        assert_eq!(tally.kind(), DamageKind::Scattered, "{level:?}");
    }
}

#[test]
fn too_few_errors_are_not_called_stuck() {
    let tally = tally(&Pattern::Zeros, 15, 18, |_, got| got[3] |= 0x10);
    assert_eq!((tally.bit_errors, tally.kind()), (15, DamageKind::Scattered));
}

#[test]
fn errors_at_one_place_are_bound_to_it() {
    let mut random = Random::new(9);
    let mut damage = |_, got: &mut [u8]| got[500 + random.below(4) as usize] ^= 1 + random.below(255) as u8;
    let bound = tally(&Pattern::Prbs31, 30, 1458, &mut damage);
    let DamageKind::OffsetBound { first_offset_bytes, last_offset_bytes } = bound.kind() else {
        panic!("{:?}", bound.kind());
    };
    assert!(first_offset_bytes >= 542 && last_offset_bytes <= 545);
    // Two probes prove nothing, and one error elsewhere refutes.
    let two = tally(&Pattern::Prbs31, 2, 1458, &mut damage);
    assert!(!matches!(two.kind(), DamageKind::OffsetBound { .. }));
    let mut elsewhere = bound;
    elsewhere.merge(&tally(&Pattern::Prbs31, 1, 1458, |_, got| got[900] ^= 1));
    assert!(!matches!(elsewhere.kind(), DamageKind::OffsetBound { .. }));
}

#[test]
fn tallies_read_back_from_json() {
    let mut random = Random::new(11);
    let tally = tally(&Pattern::Prbs31, 50, 300, |_, got| random.scatter(got, 0.01));
    let text = serde_json::to_string(&tally).unwrap();
    assert_eq!(serde_json::from_str::<DamageTally>(&text).unwrap(), tally);
    let error = serde_json::from_str::<Bins>("[1, 2]").unwrap_err();
    assert!(error.to_string().contains("2 counts; allowed: 64"));
    let kind = DamageKind::StuckBit { bit: 3, word_bits: 8, level: Level::One };
    assert_eq!(serde_json::to_string(&kind).unwrap(), r#"{"kind":"stuck-bit","bit":3,"word_bits":8,"level":"one"}"#);
}

/// Data and a damaged copy, from untouched to all different, of lengths that may differ.
fn damaged() -> impl Strategy<Value = (Vec<u8>, Vec<u8>, usize)> {
    (
        0_usize..700,
        0_usize..700,
        prop_oneof![Just(0.0), Just(0.001), Just(0.02), Just(0.5), Just(0.97)],
        any::<u64>(),
        0_usize..100,
    )
        .prop_map(|(sent, received, ratio, seed, at_offset)| {
            let mut random = Random::new(seed);
            let expected = random.bytes(sent.max(received));
            let mut got = expected.clone();
            random.scatter(&mut got, ratio);
            (expected[..sent].to_vec(), got[..received].to_vec(), at_offset)
        })
}

fn tally_of(probes: &[(Vec<u8>, Vec<u8>, usize)]) -> DamageTally {
    let mut tally = DamageTally::default();
    for (expected, got, at_offset) in probes {
        match compare(expected, got, *at_offset) {
            Some(damage) => tally.add_damage(&damage),
            None => tally.add_clean(8 * expected.len().min(got.len()) as u64),
        }
    }
    tally
}

proptest! {
    #[test]
    fn compare_equals_the_slow_version((expected, got, at_offset) in damaged()) {
        prop_assert_eq!(compare(&expected, &got, at_offset), slow_compare(&expected, &got, at_offset));
    }

    #[test]
    fn k_flipped_bits_compare_as_k(
        mut data in prop::collection::vec(any::<u8>(), 1..2000),
        flips in prop::collection::vec(any::<prop::sample::Index>(), 0..60),
        at_offset in 0_usize..64,
    ) {
        let expected = data.clone();
        let bits: std::collections::HashSet<_> = flips.iter().map(|flip| flip.index(8 * data.len())).collect();
        for bit in &bits {
            data[bit / 8] ^= 1 << (bit % 8);
        }
        prop_assert_eq!(compare(&expected, &data, at_offset).map_or(0, |damage| damage.bit_errors), bits.len() as u64);
    }

    #[test]
    fn tallies_merge_in_any_order(
        mut probes in prop::collection::vec(damaged(), 0..8),
        cut in any::<prop::sample::Index>(),
    ) {
        let whole = tally_of(&probes);
        prop_assert_eq!(whole.bit_errors, whole.zeros_to_ones + whole.ones_to_zeros);
        prop_assert_eq!(whole.bit_errors, whole.bit_in_byte.iter().sum::<u64>());
        prop_assert_eq!(whole.bit_errors, whole.offsets.sum());
        let cut = cut.index(probes.len() + 1);
        let (mut left, right) = (tally_of(&probes[..cut]), tally_of(&probes[cut..]));
        let mut other = right.clone();
        other.merge(&left);
        left.merge(&right);
        prop_assert_eq!(&left, &whole);
        prop_assert_eq!(&other, &whole);
        probes.reverse();
        prop_assert_eq!(tally_of(&probes), whole);
    }

    #[test]
    fn naming_a_kind_never_panics(probes in prop::collection::vec(damaged(), 0..8)) {
        let tally = tally_of(&probes);
        prop_assert_eq!(tally.kind() == DamageKind::None, tally.bit_errors == 0);
    }
}
