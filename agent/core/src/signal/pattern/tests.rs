//! Patterns against published sequences, closed forms, and a register stepped one bit at a time.

use std::collections::HashSet;

use proptest::prelude::*;

use super::*;
use crate::base::rng::Rng;

/// Line sequence facts of one pseudo-random pattern.
///
/// Polynomials, inversion and zero runs: ITU-T O.150 (05/96) Table 1 via docs.rs `comnum-mapping` (O150Sequence),
/// clauses from the O.150 table of contents. First bytes, counts, one-runs and CRCs (zlib, over `crc_bits` bits packed
/// most significant bit first and padded with zeros): computed with scipy 1.17.1 `max_len_seq`, cross-checked there
/// against a shift register model. The bytes of PRBS7 are those of two whole periods.
struct Published {
    pattern: Pattern,
    n: usize,
    k: usize,
    inverted: bool,
    first_64_bytes: &'static str,
    crc_bits: usize,
    crc: u32,
    ones_per_period: u64,
    longest_zeros: usize,
    longest_ones: usize,
}

#[rustfmt::skip]
const PUBLISHED: [Published; 9] = [
    Published { pattern: Pattern::Prbs7, n: 7, k: 6, inverted: false,
        first_64_bytes: "fe041851e459d4fa1c49b5bd8d2ee655fc0830a3c8b3a9f438936b7b1a5dcc",
        crc_bits: 127, crc: 0x487e69f9, ones_per_period: 64, longest_zeros: 6, longest_ones: 7 },
    Published { pattern: Pattern::Prbs9, n: 9, k: 5, inverted: false,
        first_64_bytes: concat!(
            "ff83df1732094ed1e7cd8a91c6d5c4c44021184e5586f4dc8a15a7ec92df9353",
            "3018ca34bfa2c759678fba0d6dd82d7d540a57977039d27aea243385ed9a1de1"
        ),
        crc_bits: 511, crc: 0xfa4dfa92, ones_per_period: 256, longest_zeros: 8, longest_ones: 9 },
    Published { pattern: Pattern::Prbs11, n: 11, k: 9, inverted: false,
        first_64_bytes: concat!(
            "ffe00c078331fec0b84b2cf3e78f367df1468b94b8cb7cd1f2c73b7ad2335fc4",
            "1a8e16c9bde9498df7454a0c47ab20f464bec8bd490da7675f444aac0381b0ee"
        ),
        crc_bits: 2047, crc: 0x5cc5c72e, ones_per_period: 1024, longest_zeros: 10, longest_ones: 11 },
    Published { pattern: Pattern::Prbs15, n: 15, k: 14, inverted: true,
        first_64_bytes: concat!(
            "0001fffbffe7ffaffe1ffbbfe67faafe01fbfbe7e7afae1e1bbba6662aab0005",
            "ffe3ffb7fe4ffa5fe23fb37e54fa05e3e3b7b64e4a5a42227332d5510019ffab"
        ),
        crc_bits: 32_767, crc: 0x5a851c91, ones_per_period: 16_383, longest_zeros: 15, longest_ones: 14 },
    Published { pattern: Pattern::Prbs20, n: 20, k: 3, inverted: false,
        first_64_bytes: concat!(
            "fffff1c71c8dc8d28d282d7d26157dda1573da158c25e44b396983ebe4abc699",
            "8dd3e457c6978dd31ba83750915ed37aba78bc23f56fc7a2a9502f7a4b874d1b"
        ),
        crc_bits: 1_048_575, crc: 0x0968bebd, ones_per_period: 524_288, longest_zeros: 19, longest_ones: 20 },
    Published { pattern: Pattern::Qrss, n: 20, k: 17, inverted: false,
        first_64_bytes: concat!(
            "fffffe00070003f001c700fff070073f03ec71c8fff8f003f701c4f0fe3770f8",
            "cf73eb4ecb138938fc0ff1c707fff38006f8031381b8f8c7f3ef86c93b080e34"
        ),
        crc_bits: 1_048_575, crc: 0x55981c75, ones_per_period: 524_319, longest_zeros: 14, longest_ones: 23 },
    Published { pattern: Pattern::Prbs23, n: 23, k: 18, inverted: true,
        first_64_bytes: concat!(
            "000001ffff83ffe007f83e0e000063ffe7c7f9c18e7c1f7c001e07f8420e1ff8",
            "643e1638065d8e64277a3e6f8418c1f1fe006383e7d801c64f8de0839c1e1fc0"
        ),
        crc_bits: 8_388_607, crc: 0xe269aaff, ones_per_period: 4_194_303, longest_zeros: 23, longest_ones: 22 },
    Published { pattern: Pattern::Prbs29, n: 29, k: 27, inverted: true,
        first_64_bytes: concat!(
            "00000007ffffff3fffffe1fffffccfffff807ffff3f3fffe1e1fffccccfff800",
            "07ff3fff3fe1ffe1fccffccf807f8073f3f3f21e1e1e2ccccccb000000c7ffff"
        ),
        crc_bits: 1_048_576, crc: 0x8c041a9e, ones_per_period: 268_435_455, longest_zeros: 29, longest_ones: 28 },
    Published { pattern: Pattern::Prbs31, n: 31, k: 28, inverted: true,
        first_64_bytes: concat!(
            "00000001ffffffe3fffffe07ffffe38ffffe001fffe3fe3ffe07e07fe38e38fe",
            "000001e3ffffe207fffe1b8fffe2701ffe1c1e3fe206207e1b91b8e271c7001c"
        ),
        crc_bits: 1_048_576, crc: 0x9b721c05, ones_per_period: 1_073_741_823, longest_zeros: 31, longest_ones: 30 },
];

/// The line sequence by the definition: stages `k` and `n` added into stage 1, output from stage `n`, all ones to
/// begin.
fn slow_line_bits(published: &Published, count: usize) -> Vec<bool> {
    let mut stages = vec![true; published.n];
    let mut line = Vec::with_capacity(count);
    for _ in 0..count {
        let output = stages[published.n - 1];
        // O.150 5.5 via docs.rs `comnum-mapping`: the next 14 bits are in stages 6 to 19.
        let suppressed = published.pattern == Pattern::Qrss && stages[5..19].iter().all(|stage| !stage);
        line.push((output || suppressed) != published.inverted);
        let input = stages[published.n - 1] ^ stages[published.k - 1];
        stages.rotate_right(1);
        stages[0] = input;
    }
    line
}

fn packed(bits: &[bool]) -> Vec<u8> {
    bits.chunks(8)
        .map(|eight| eight.iter().enumerate().fold(0, |byte, (i, &bit)| byte | u8::from(bit) << (7 - i)))
        .collect()
}

fn unpacked(bytes: &[u8]) -> Vec<bool> {
    bytes.iter().flat_map(|byte| (0..8).map(move |i| byte >> (7 - i) & 1 == 1)).collect()
}

fn stretch(pattern: &Pattern, phase_bytes: u64, len: usize) -> Vec<u8> {
    let mut out = vec![0x5A; len];
    pattern.fill(phase_bytes, &mut out);
    out
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// CRC-32 of IEEE 802.3, a bit at a time: generator reflected 0xEDB88320 (RFC 3385 3), start and end complement (RFC
/// 1662 C.3).
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| crc >> 1 ^ if crc & 1 == 1 { 0xEDB8_8320 } else { 0 })
    })
}

/// Longest run of `level`, the bits taken as a circle.
fn longest_run(bits: &[bool], level: bool) -> usize {
    let (mut run, mut longest) = (0, 0);
    for &bit in bits.iter().chain(&bits[..64]) {
        run = if bit == level { run + 1 } else { 0 };
        longest = longest.max(run);
    }
    longest
}

fn any_pattern() -> impl Strategy<Value = Pattern> {
    let named: Vec<_> = Pattern::named().collect();
    let hex = prop::collection::vec(any::<u8>(), 1..40).prop_map(|bytes| Pattern::Hex(HexUnit(bytes.into())));
    prop_oneof![9 => prop::sample::select(named), 1 => hex]
}

#[test]
fn crc_gives_the_check_value() {
    // Check value of ASCII "123456789": computed with zlib.
    assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
}

#[test]
fn sequences_begin_as_published() {
    for published in &PUBLISHED {
        let bytes = stretch(&published.pattern, 0, published.first_64_bytes.len() / 2);
        assert_eq!(hex(&bytes), published.first_64_bytes, "{}", published.pattern);
    }
    // PN9 as in public radio code and the ETSI DMR idle block.
    assert_eq!(hex(&stretch(&Pattern::Prbs9, 0, 12)), "ff83df1732094ed1e7cd8a91");
}

#[test]
fn long_stretches_have_the_published_crc() {
    for published in &PUBLISHED {
        let mut bytes = stretch(&published.pattern, 0, published.crc_bits.div_ceil(8));
        if let (Some(last), used @ 1..) = (bytes.last_mut(), published.crc_bits % 8) {
            *last &= 0xFF << (8 - used);
        }
        assert_eq!(crc32(&bytes), published.crc, "{}", published.pattern);
    }
}

#[test]
fn sequences_equal_a_register_stepped_bit_by_bit() {
    for published in &PUBLISHED {
        let slow = packed(&slow_line_bits(published, 8 * 40_000));
        assert!(stretch(&published.pattern, 0, 40_000) == slow, "{}", published.pattern);
    }
}

#[test]
fn ones_and_runs_of_a_period_are_as_published() {
    for published in PUBLISHED.iter().filter(|published| published.n <= 23) {
        let period = (1 << published.n) - 1;
        assert_eq!(published.pattern.period_bytes(), period as u64);
        let mut bits = unpacked(&stretch(&published.pattern, 0, period / 8 + 1));
        bits.truncate(period);
        let name = &published.pattern;
        assert_eq!(bits.iter().filter(|&&bit| bit).count() as u64, published.ones_per_period, "{name}");
        assert_eq!(longest_run(&bits, false), published.longest_zeros, "{name}");
        assert_eq!(longest_run(&bits, true), published.longest_ones, "{name}");
    }
}

#[test]
fn long_sequences_come_round_after_their_period() {
    // A maximal-length register repeats after 2^n - 1 bits, not before: 2^31 - 1 is prime, and n = 29 is checked at
    // (2^29 - 1) / 233, / 1103 and / 2089, its prime factors.
    for (pattern, bits, primes) in [
        (Pattern::Prbs31, (1_u64 << 31) - 1, vec![(1_u64 << 31) - 1]),
        (Pattern::Prbs29, (1 << 29) - 1, vec![233, 1103, 2089]),
        (Pattern::Prbs23, (1 << 23) - 1, vec![47, 178_481]),
    ] {
        assert_eq!(stretch(&pattern, bits, 64), stretch(&pattern, 0, 64), "{pattern}");
        for prime in primes {
            assert_ne!(stretch(&pattern, bits / prime, 64), stretch(&pattern, 0, 64), "{pattern} / {prime}");
        }
        // The stream runs over the end of the period without a seam.
        let across = stretch(&pattern, bits - 1000, 3000);
        assert!(across[1000..] == stretch(&pattern, 0, 2000), "{pattern}");
    }
}

#[test]
fn distant_phases_agree_with_a_walk() {
    // The later windows lie more than a hundred periods on; sliding there and filling afresh must agree.
    let mut window = Window::new(&Pattern::Prbs31, 0);
    for index in [1, 2, 3, 1_000_000, 1_000_001] {
        window.slide_to(index);
        assert!(*window.table() == *stretch(&Pattern::Prbs31, index * WINDOW_BYTES as u64, window.table().len()));
    }
}

#[test]
fn crpat_bodies_have_the_remembered_fcs() {
    // IEEE 802.3 36A.4 (126 repeats) and 36A.5 (29): octets from memory, in the order sent.
    for (repeats, fcs) in [(126, [0x94, 0xD2, 0x54, 0xAC]), (29, [0x2F, 0xE0, 0xAA, 0xEF])] {
        assert_eq!(crc32(&stretch(&Pattern::Crpat, 0, 12 * repeats)).to_le_bytes(), fcs);
    }
}

#[test]
fn fixed_patterns_have_the_stated_density() {
    // Densities follow from the names; the 15 zeros of 3-in-24 are within the AMI limit of RFC 4805 3.4.1.
    for (pattern, ones, of, zeros) in [
        (Pattern::OneInEight, 1, 8, 7),
        (Pattern::TwoInEight, 2, 8, 4),
        (Pattern::ThreeIn24, 3, 24, 15),
        (Pattern::Alternating, 1, 2, 1),
    ] {
        let bits = unpacked(&stretch(&pattern, 0, 24));
        assert_eq!(bits.iter().filter(|&&bit| bit).count() * of, ones * bits.len(), "{pattern}");
        assert_eq!(longest_run(&bits, false), zeros, "{pattern}");
    }
    assert_eq!(stretch(&Pattern::Counter, 254, 4), [254, 255, 0, 1]);
    assert_eq!(stretch(&Pattern::WalkingZero, 3, 2), [0b1110_1111, 0b1111_0111]);
}

#[test]
fn names_and_ids_are_unique_and_read_back() {
    let (mut ids, mut names) = (HashSet::new(), HashSet::new());
    for pattern in Pattern::named() {
        let name = pattern.to_string();
        assert!(ids.insert(pattern.id()) && names.insert(name.clone()), "{name}");
        assert!(![0, Pattern::HEX_ID].contains(&pattern.id()), "{name}");
        assert_eq!(Pattern::from_id(pattern.id()), Some(pattern.clone()));
        assert_eq!(name.parse(), Ok(pattern.clone()));
        assert_eq!(serde_json::to_string(&pattern).unwrap(), format!("\"{name}\""));
        assert!(pattern.description().contains('('), "{name} names no source");
    }
    assert_eq!(Pattern::from_id(0), None);
    assert_eq!(Pattern::from_id(Pattern::HEX_ID), None);
}

#[test]
fn ids_stay_as_released() {
    let ids: Vec<_> = Pattern::named().map(|pattern| pattern.id()).collect();
    assert_eq!(ids, [1, 2, 3, 4, 5, 6, 7, 8, 9, 16, 17, 18, 19, 20, 21, 22, 23, 24, 25]);
}

#[test]
fn hex_patterns_read_and_repeat() {
    let pattern: Pattern = "hex:DeadBeef".parse().unwrap();
    assert_eq!(pattern.to_string(), "hex:DEADBEEF");
    assert_eq!(pattern.id(), Pattern::HEX_ID);
    assert_eq!(stretch(&pattern, 3, 6), [0xEF, 0xDE, 0xAD, 0xBE, 0xEF, 0xDE]);
    assert_eq!(serde_json::from_str::<Pattern>("\"hex:deadbeef\"").unwrap(), pattern);
}

#[test]
fn wrong_names_say_what_is_allowed() {
    for text in ["", "prbs8", "55-octet", "prbs 7"] {
        let error = text.parse::<Pattern>().unwrap_err();
        let shown = error.to_string();
        assert!(
            shown.contains(&format!("`{text}`")) && shown.contains("prbs31, zeros") && shown.contains("hex:DIGITS")
        );
    }
    for text in ["hex:", "hex:ABC", "hex:0g", "hex:é0", &format!("hex:{}", "00".repeat(1025))] {
        let error = text.parse::<Pattern>().unwrap_err();
        assert!(error.to_string().contains("2 to 2048 digits"), "{error}");
    }
}

#[test]
fn short_patterns_never_slide() {
    for pattern in Pattern::named() {
        let mut window = Window::new(&pattern, 7);
        let short = pattern.period_bytes() <= 32_767;
        assert_eq!(window.wraps_at().is_some(), short, "{pattern}");
        if short {
            let phase = u64::MAX - 12;
            assert_eq!(window.slice(phase, 1458).unwrap(), stretch(&pattern, phase, 1458), "{pattern}");
            let before = window.table().to_vec();
            window.slide_to(9);
            assert!(before == window.table());
        }
    }
}

#[test]
fn a_window_serves_only_what_it_holds() {
    let window = Window::new(&Pattern::Prbs31, 1);
    let start = WINDOW_BYTES as u64;
    assert_eq!(window.slice(start - 1, 1), None);
    assert!(window.slice(2 * start - 1, MAX_PROBE_BYTES).is_some());
    assert_eq!(window.slice(2 * start + MAX_PROBE_BYTES as u64 - 1, 2), None);
    assert_eq!(window.slice(u64::MAX, usize::MAX), None);
    // The last window there is.
    let last = Window::new(&Pattern::Prbs31, u64::MAX);
    assert_eq!(last.slice(u64::MAX, 1), Some(&*stretch(&Pattern::Prbs31, u64::MAX, 1)));
}

/// Detects a stretch of `pattern` from bit `phase`, inverted or not, and checks that what was found describes it.
fn detects(pattern: &Pattern, phase_bits: u64, inverted: bool, len: usize) {
    let whole = stretch(pattern, phase_bits / 8, len + 1);
    let bits: Vec<_> =
        unpacked(&whole)[phase_bits as usize % 8..][..len * 8].iter().map(|bit| bit ^ inverted).collect();
    let found = detect(&packed(&bits)).unwrap_or_else(|| panic!("{pattern} from bit {phase_bits}"));
    assert_eq!((found.bit_errors, found.bits_compared), (0, 8 * len as u64), "{found:?}");
    let again = unpacked(&stretch(&found.pattern, found.phase_bits / 8, len + 1));
    let again: Vec<_> =
        again[found.phase_bits as usize % 8..][..len * 8].iter().map(|bit| bit ^ found.inverted).collect();
    assert!(again == bits, "{found:?}");
    if let Some(phase_bytes) = found.phase_bytes() {
        let bytes: Vec<_> =
            stretch(&found.pattern, phase_bytes, len).iter().map(|b| if found.inverted { !b } else { *b }).collect();
        assert!(bytes == packed(&bits), "{found:?}");
    }
    if let Source::Register(register) = pattern.source() {
        let expected = (pattern.clone(), inverted, phase_bits % register.period());
        assert_eq!((found.pattern, found.inverted, found.phase_bits), expected);
    }
}

#[test]
fn every_pattern_is_detected() {
    for pattern in Pattern::named() {
        for (phase_bits, inverted) in [(0, false), (1_234_567, false), (77, true), (4_000_000_001, true)] {
            detects(&pattern, phase_bits, inverted, DETECT_MIN_BYTES);
            detects(&pattern, phase_bits, inverted, 1458);
        }
    }
}

#[test]
fn constant_data_is_zeros_or_ones() {
    for (byte, pattern) in [(0x00, Pattern::Zeros), (0xFF, Pattern::Ones)] {
        let mut data = vec![byte; 1000];
        for at in [100, 700] {
            data[at] ^= 0x10;
        }
        let found = detect(&data).unwrap();
        assert_eq!((found.pattern, found.inverted, found.bit_errors), (pattern, false, 2));
    }
}

#[test]
fn too_little_is_not_named() {
    assert_eq!(detect(&stretch(&Pattern::Prbs7, 0, DETECT_MIN_BYTES - 1)), None);
    assert_eq!(detect(&[]), None);
}

/// Flips about one bit in `one_in`, by a generator seeded with `seed`, and says how many.
fn damage(data: &mut [u8], one_in: u64, seed: u64) -> u64 {
    let mut rng = Rng::new(seed);
    let mut flipped = 0;
    for byte in data {
        for bit in 0..8 {
            if rng.draw().is_multiple_of(one_in) {
                *byte ^= 1 << bit;
                flipped += 1;
            }
        }
    }
    flipped
}

#[test]
fn damaged_streams_are_named_with_their_errors() {
    for pattern in Pattern::named() {
        for seed in 0..8 {
            let mut data = stretch(&pattern, 1000 * seed, 512);
            let flipped = damage(&mut data, 50, seed);
            let found = detect(&data).unwrap_or_else(|| panic!("{pattern} seed {seed}"));
            assert_eq!((&found.pattern, found.inverted, found.bit_errors), (&pattern, false, flipped), "seed {seed}");
        }
    }
}

#[test]
fn noise_is_not_named() {
    for seed in 0..50 {
        let mut data = vec![0; 64 + seed as usize * 20];
        damage(&mut data, 2, seed);
        assert_eq!(detect(&data), None, "seed {seed}");
    }
}

#[test]
fn no_two_units_are_near_each_other() {
    // Detection rests on this: a stretch within 1/32 of one pattern cannot be within 1/32 of another.
    let units: Vec<_> = Pattern::named().filter(|pattern| matches!(pattern.source(), Source::Unit(_))).collect();
    for a in &units {
        let bytes = stretch(a, 0, 512);
        for b in units.iter().filter(|b| *b != a) {
            let bits = unpacked(&stretch(b, 0, 512 + b.period_bytes() as usize));
            for phase in 0..b.period_bytes() as usize * 8 {
                let other = packed(&bits[phase..][..4096]);
                let apart: u32 = bytes.iter().zip(other).map(|(a, b)| (a ^ b).count_ones()).sum();
                let complements = [(Pattern::Zeros, Pattern::Ones), (Pattern::WalkingOne, Pattern::WalkingZero)];
                let complementary = complements.iter().any(|(c, d)| [a, b] == [c, d] || [a, b] == [d, c]);
                let nearest = if complementary { apart } else { apart.min(4096 - apart) };
                assert!(nearest > 2 * 4096 / 32, "{a} and {b} from bit {phase} are {nearest} bits apart");
            }
        }
    }
}

proptest! {
    #[test]
    fn any_stretch_equals_a_sequential_run(
        pattern in any_pattern(),
        phase in 0_u64..3_000_000,
        len in 0_usize..3000,
        cut in any::<prop::sample::Index>(),
    ) {
        let whole = stretch(&pattern, phase, len);
        let cut = cut.index(len + 1);
        prop_assert_eq!(&whole[cut..], &stretch(&pattern, phase + cut as u64, len - cut)[..]);
        prop_assert_eq!(&whole[..cut], &stretch(&pattern, phase, cut)[..]);
        prop_assert_eq!(&whole, &stretch(&pattern, phase + pattern.period_bytes(), len));
    }

    #[test]
    fn stretches_equal_the_slow_register(which in 0..PUBLISHED.len(), phase in 0_usize..20_000, len in 0_usize..600) {
        let published = &PUBLISHED[which];
        let slow = packed(&slow_line_bits(published, 8 * (phase + len)));
        prop_assert_eq!(stretch(&published.pattern, phase as u64, len), &slow[phase..]);
    }

    #[test]
    fn window_slices_are_the_stream(
        pattern in any_pattern(),
        index in 0_u64..40,
        steps in 0_u64..3,
        offset in 0..WINDOW_BYTES,
        len in 0..=2000_usize,
    ) {
        let mut window = Window::new(&pattern, index);
        for step in 1..=steps {
            window.slide_to(index + step);
        }
        let phase = (index + steps) * WINDOW_BYTES as u64 + offset as u64;
        prop_assert_eq!(Window::index_of(phase), index + steps);
        prop_assert_eq!(window.slice(phase, len).unwrap(), &stretch(&pattern, phase, len)[..]);
    }

    #[test]
    fn names_read_back(pattern in any_pattern()) {
        prop_assert_eq!(pattern.to_string().parse::<Pattern>().unwrap(), pattern);
    }

    #[test]
    fn arbitrary_text_and_bytes_never_panic(text in ".*", bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = text.parse::<Pattern>();
        let _ = format!("hex:{text}").parse::<Pattern>();
        let _ = detect(&bytes);
    }
}
