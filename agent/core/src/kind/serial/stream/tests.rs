//! Damage put in by hand, counted back.

use proptest::prelude::*;

use super::*;
use crate::base::rng::Rng;
use crate::signal::pattern::Pattern;

fn stream(pattern: Pattern, mask: u8) -> BlockStream {
    BlockStream { tag: 0x5EA5_1DE5, first_block: 40, pattern, mask }
}

fn bytes_of(stream: &BlockStream, len: usize) -> Vec<u8> {
    let mut bytes = vec![0; len];
    stream.fill(0, &mut bytes);
    bytes
}

/// Hands `got` over in pieces, as what came back of `sent` bytes.
fn collect(stream: BlockStream, data_bits: u8, sent: usize, got: &[u8], piece: usize) -> LineTally {
    let mut rx = LineCollector::new(stream, data_bits, 0);
    rx.handle_sent(sent as u64, 0);
    for bytes in got.chunks(piece.max(1)) {
        rx.handle_bytes(bytes, 0);
    }
    rx.finish(0)
}

/// Places far enough apart that no two of them can be taken for one.
fn places(count: usize, len: usize, rng: &mut Rng) -> Vec<usize> {
    let room = len / count.max(1);
    (0..count).map(|i| i * room + rng.below((room - 20) as u64) as usize).collect()
}

const LEN: usize = 6000;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn what_comes_back_as_sent_is_clean(
        len in 0_usize..3000,
        piece in 1_usize..700,
        data_bits in 5_u8..=8,
        pattern in prop::sample::select(vec![Pattern::Prbs31, Pattern::Zeros, Pattern::Counter]),
    ) {
        let stream = stream(pattern, 0xFF >> (8 - data_bits));
        let got = bytes_of(&stream, len);
        let tally = collect(stream, data_bits, len, &got, piece);
        prop_assert!(tally.counts.is_clean(), "{:?}", tally.counts);
        prop_assert_eq!(tally.counts.bits_compared, len as u64 * u64::from(data_bits));
    }

    #[test]
    fn so_many_wrong_bytes_are_so_many_wrong_bytes(seed: u64, count in 0_usize..60, piece in 1_usize..700) {
        let mut rng = Rng::new(seed);
        let stream = stream(Pattern::Prbs31, 0xFF);
        let mut got = bytes_of(&stream, LEN);
        for at in places(count, LEN, &mut rng) {
            got[at] ^= 1 + rng.below(255) as u8;
        }
        let counts = collect(stream, 8, LEN, &got, piece).counts;
        prop_assert_eq!((counts.damaged, counts.lost, counts.inserted), (count as u64, 0, 0));
    }

    #[test]
    fn so_many_lost_bytes_are_so_many_lost_bytes(
        seed: u64,
        count in 0_usize..60,
        piece in 1_usize..700,
        data_bits in 5_u8..=8,
    ) {
        let mut rng = Rng::new(seed);
        let stream = stream(Pattern::Prbs31, 0xFF >> (8 - data_bits));
        let mut got = bytes_of(&stream, LEN);
        for at in places(count, LEN, &mut rng).into_iter().rev() {
            got.remove(at);
        }
        let counts = collect(stream, data_bits, LEN, &got, piece).counts;
        prop_assert_eq!((counts.damaged, counts.lost, counts.inserted), (0, count as u64, 0));
    }

    #[test]
    fn so_many_extra_bytes_are_so_many_extra_bytes(seed: u64, count in 0_usize..60, piece in 1_usize..700) {
        let mut rng = Rng::new(seed);
        let stream = stream(Pattern::Prbs31, 0xFF);
        let mut got = bytes_of(&stream, LEN);
        for at in places(count, LEN, &mut rng).into_iter().rev() {
            got.insert(at, rng.draw() as u8);
        }
        let counts = collect(stream, 8, LEN, &got, piece).counts;
        prop_assert_eq!((counts.damaged, counts.lost, counts.inserted), (0, 0, count as u64));
    }

    #[test]
    fn one_gap_is_one_gap_however_long(from in 0_usize..4000, gap in 1_usize..1900, piece in 1_usize..700) {
        let stream = stream(Pattern::Prbs31, 0xFF);
        let sent = bytes_of(&stream, LEN);
        let got = [&sent[..from], &sent[from + gap..]].concat();
        let counts = collect(stream, 8, LEN, &got, piece).counts;
        prop_assert_eq!((counts.damaged, counts.lost, counts.inserted), (0, gap as u64, 0));
    }

    /// A kernel that drops what nobody fetches drops hundreds of bytes at a time, and changes none. Whatever it keeps
    /// in between holds a head here, but for the very end.
    #[test]
    fn many_long_gaps_damage_nothing(seed: u64, piece in 1_usize..700) {
        let mut rng = Rng::new(seed);
        let stream = stream(Pattern::Prbs31, 0xFF);
        let sent = bytes_of(&stream, 60_000);
        let (mut got, mut at) = (Vec::new(), 0);
        while at < sent.len() {
            let run = (BLOCK_BYTES + HEAD_BYTES + rng.below(1500) as usize).min(sent.len() - at);
            got.extend_from_slice(&sent[at..at + run]);
            at += run + 100 + rng.below(3000) as usize;
        }
        let counts = collect(stream, 8, sent.len(), &got, piece).counts;
        prop_assert_eq!((counts.damaged, counts.inserted), (0, 0), "{:?}", counts);
        prop_assert_eq!(counts.lost as usize, sent.len() - got.len());
    }

    /// Long after the last head that came, the very end comes back: bytes that hold no head, and are none the worse.
    #[test]
    fn the_end_behind_a_long_gap_is_not_damaged(kept in 200_usize..256, tail in 8_usize..96, piece in 1_usize..700) {
        let stream = stream(Pattern::Prbs31, 0xFF);
        let sent = bytes_of(&stream, 20 * BLOCK_BYTES + 96);
        let got = [&sent[..10 * BLOCK_BYTES + kept], &sent[sent.len() - tail..]].concat();
        let counts = collect(stream, 8, sent.len(), &got, piece).counts;
        prop_assert_eq!((counts.damaged, counts.inserted), (0, 0), "{:?}", counts);
        prop_assert_eq!(counts.lost as usize, sent.len() - got.len());
    }

    #[test]
    fn a_byte_lost_from_a_pattern_without_detail_is_one_lost_byte(at in 0_usize..5900, piece in 1_usize..700) {
        // Without detail only the heads show it; in a head itself the byte is known.
        for pattern in [Pattern::Zeros, Pattern::Ones, Pattern::Alternating] {
            let stream = stream(pattern, 0xFF);
            let mut got = bytes_of(&stream, LEN);
            got.remove(at);
            let counts = collect(stream, 8, LEN, &got, piece).counts;
            prop_assert_eq!((counts.damaged, counts.lost, counts.inserted), (0, 1, 0));
        }
    }

    #[test]
    fn what_is_still_out_is_neither_sent_nor_lost(sent in 0_usize..4000, came in 0_usize..4000, gap in 1_usize..40) {
        let stream = stream(Pattern::Prbs31, 0xFF);
        let came = came.min(sent);
        let withdrawn = |got: &[u8]| {
            let mut rx = LineCollector::new(stream.clone(), 8, 0);
            rx.handle_sent(sent as u64, 0);
            rx.handle_bytes(got, 0);
            rx.withdraw(0);
            rx.finish(0).counts
        };
        let whole = bytes_of(&stream, came);
        let counts = withdrawn(&whole);
        prop_assert_eq!((counts.sent, counts.returned, counts.failed()), (came as u64, came as u64, 0));
        // A gap shows once the head behind it is in; what else came of that block is left out.
        let from = 100;
        let got = [&whole[..from.min(came)], &whole[(from + gap).min(came)..]].concat();
        let counts = withdrawn(&got);
        let is_known = came >= BLOCK_BYTES + HEAD_BYTES + SLIP_MAX;
        prop_assert_eq!(counts.sent + counts.inserted, counts.returned + counts.lost);
        prop_assert_eq!((counts.damaged, counts.inserted), (0, 0));
        prop_assert!(!is_known || counts.lost == gap as u64, "{:?}", counts);
    }

    #[test]
    fn noise_is_not_recognised_and_what_was_sent_is(noise in prop::collection::vec(any::<u8>(), 1..4000)) {
        let mut rx = LineCollector::new(stream(Pattern::Prbs31, 0xFF), 8, 0);
        rx.handle_sent(6000, 0);
        rx.handle_bytes(&noise, 0);
        prop_assert!(rx.recognised() == 0 || rx.in_step(), "{}", rx.recognised());
        let mut rx = LineCollector::new(stream(Pattern::Prbs31, 0xFF), 8, 0);
        rx.handle_sent(600, 0);
        rx.handle_bytes(&bytes_of(&stream(Pattern::Prbs31, 0xFF), 600), 0);
        prop_assert_eq!(rx.recognised(), 600);
    }

    #[test]
    fn arbitrary_bytes_never_panic_and_the_counts_balance(
        sent in 0_usize..4000, got in prop::collection::vec(any::<u8>(), 0..4000), piece in 1_usize..700,
    ) {
        let counts = collect(stream(Pattern::Prbs15, 0xFF), 8, sent, &got, piece).counts;
        prop_assert_eq!(counts.sent + counts.inserted, counts.returned + counts.lost);
        prop_assert!(counts.bit_errors <= counts.bits_compared);
    }

    #[test]
    fn all_kinds_at_once_balance(seed: u64, piece in 1_usize..700) {
        let mut rng = Rng::new(seed);
        let stream = stream(Pattern::Prbs31, 0xFF);
        let mut got = Vec::new();
        for byte in bytes_of(&stream, LEN) {
            if rng.chance(0.01) {
                got.push(rng.draw() as u8);
            }
            if !rng.chance(0.01) {
                got.push(if rng.chance(0.01) { byte ^ 0x10 } else { byte });
            }
        }
        let counts = collect(stream, 8, LEN, &got, piece).counts;
        prop_assert_eq!(counts.sent + counts.inserted, counts.returned + counts.lost);
        // About 60 of each; two that stand together may be taken for one of another kind.
        prop_assert!(counts.failed() < 400, "{:?}", counts);
    }

    #[test]
    fn tallies_merge_in_any_order(a in 0_usize..900, b in 0_usize..900, at in 0_usize..500) {
        let part = |len: usize| {
            let stream = stream(Pattern::Prbs31, 0xFF);
            let mut got = bytes_of(&stream, len);
            if at < len {
                got.remove(at);
            }
            collect(stream, 8, len, &got, 100)
        };
        let (mut left, mut right) = (part(a), part(b));
        left.merge(&part(b));
        right.merge(&part(a));
        prop_assert_eq!(left.counts, right.counts);
        prop_assert_eq!(left.damage, right.damage);
        prop_assert_eq!(left.seconds, right.seconds);
    }
}

#[test]
fn bytes_behind_a_gap_are_known_once_eight_of_them_are_in() {
    let stream = stream(Pattern::Prbs31, 0xFF);
    let sent = bytes_of(&stream, 700);
    let mut rx = LineCollector::new(stream, 8, 0);
    rx.handle_sent(700, 0);
    rx.handle_bytes(&sent[..300], 0);
    rx.handle_bytes(&sent[350..357], 0);
    assert!(!rx.tail_is_known());
    rx.handle_bytes(&sent[357..358], 0);
    assert!(rx.tail_is_known());
    rx.handle_bytes(&[!sent[358]], 0);
    assert!(!rx.tail_is_known());
}

#[test]
fn a_stuck_bit_is_wrong_bits_and_no_slip() {
    let stream = stream(Pattern::Prbs31, 0xFF);
    let got: Vec<u8> = bytes_of(&stream, LEN).into_iter().map(|byte| byte | 0x20).collect();
    let tally = collect(stream, 8, LEN, &got, 333);
    assert_eq!((tally.counts.lost, tally.counts.inserted), (0, 0), "{:?}", tally.counts);
    assert!(
        matches!(tally.damage.kind(), crate::signal::compare::DamageKind::StuckBit { bit: 5, .. }),
        "{:?}",
        tally.damage.kind()
    );
}

#[test]
fn a_complement_is_inverted_and_no_slip() {
    let stream = stream(Pattern::Prbs31, 0xFF);
    let got: Vec<u8> = bytes_of(&stream, LEN).into_iter().map(|byte| !byte).collect();
    let tally = collect(stream, 8, LEN, &got, 333);
    assert_eq!((tally.counts.damaged, tally.counts.lost, tally.counts.inserted), (LEN as u64, 0, 0));
    assert_eq!(tally.damage.kind(), crate::signal::compare::DamageKind::Inverted);
}

#[test]
fn a_mark_is_tied_to_its_byte() {
    let stream = stream(Pattern::Prbs31, 0xFF);
    let sent = bytes_of(&stream, 700);
    let mut rx = LineCollector::new(stream, 8, 0);
    rx.handle_sent(700, 0);
    rx.handle_bytes(&sent[..300], 0);
    rx.handle_marked(sent[300] ^ 4, 0);
    rx.handle_bytes(&sent[301..400], 0);
    rx.handle_marked(sent[400], 0);
    rx.handle_bytes(&sent[401..], 0);
    let counts = rx.finish(0).counts;
    assert_eq!((counts.damaged, counts.marked, counts.damaged_marked), (1, 2, 1));
    assert!(!counts.is_clean());
}

#[test]
fn what_never_comes_back_is_lost() {
    let counts = collect(stream(Pattern::Prbs31, 0xFF), 8, 1000, &[], 1).counts;
    assert_eq!((counts.sent, counts.lost, counts.returned, counts.bits_compared), (1000, 1000, 0, 0));
}

#[test]
fn the_end_is_in_when_the_last_block_is_from_its_head_on() {
    // All blocks of this pattern are alike but for their heads.
    let stream = stream(Pattern::Zeros, 0xFF);
    let sent = BLOCK_BYTES + 40;
    let bytes = bytes_of(&stream, sent);
    let heard = |got: &[u8]| {
        let mut rx = LineCollector::new(stream.clone(), 8, 0);
        rx.handle_sent(sent as u64, 0);
        rx.handle_bytes(got, 0);
        assert!(rx.outstanding() > 0);
        rx.end_is_in()
    };
    let without_ten = |at: usize| [&bytes[..at], &bytes[at + 10..]].concat();
    assert!(heard(&without_ten(100)), "a gap, and the end behind it");
    assert!(!heard(&bytes[..sent - 10]), "the end still to come");
    assert!(!heard(&without_ten(100)[..sent - 20]), "a gap, and the end still to come");
    assert!(!heard(&without_ten(BLOCK_BYTES + 20)), "a gap in the end itself");
    assert!(!heard(&[]));
}

/// What is lost is of the second in which it was sent, whenever that shows; what comes back, of the one in which it
/// comes.
#[test]
fn a_silence_shows_in_its_own_seconds() {
    let stream = stream(Pattern::Prbs31, 0xFF);
    let all = bytes_of(&stream, 5 * 512);
    let mut rx = LineCollector::new(stream, 8, 0);
    let at = |second: u64| second * crate::base::time::SECOND_NS;
    rx.handle_sent(512, at(0));
    rx.handle_bytes(&all[..512], at(0));
    for second in 1..4 {
        rx.handle_sent(512, at(second));
    }
    rx.handle_sent(512, at(4));
    rx.handle_bytes(&all[4 * 512..], at(5));
    let tally = rx.finish(at(5));
    let returned: Vec<_> = tally.seconds.iter().map(|second| second.returned).collect();
    assert_eq!(returned, [512, 0, 0, 0, 0, 512]);
    // Heads begin alike: which of two such beginnings is missing is a matter of taste.
    let sent: Vec<_> = tally.seconds.iter().map(|second| second.sent).collect();
    assert!(sent[1..4].iter().all(|sent| (480..=512).contains(sent)) && sent[4] < 32, "{sent:?}");
    assert_eq!(tally.counts.lost, 3 * 512);
}
