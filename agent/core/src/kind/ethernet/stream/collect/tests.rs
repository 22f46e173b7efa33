//! The receiver against echoes made by hand from the sender's own probes.

use super::*;
use crate::base::time::NANO_PS;
use crate::kind::ethernet::stream::transmit::{Amount, Transmitter};
use crate::signal::compare::DamageTally;
use crate::signal::pattern::Pattern;
use proptest::prelude::*;

fn spec(frame_bytes: usize) -> StreamSpec {
    StreamSpec {
        lane: 0,
        tag: 0xFEED_BEEF_0123_4567,
        source: [2, 0, 0, 0, 0, 0x82],
        destination: [2, 0, 0, 0, 0, 2],
        pattern: Pattern::Prbs15,
        frame_bytes,
        first_sequence: 1000,
    }
}

fn probes(spec: &StreamSpec, count: u64) -> Vec<Vec<u8>> {
    let mut tx = Transmitter::new(spec.clone(), Amount::Probes(count), None, count, 0);
    let mut frames: Vec<Vec<u8>> = Vec::new();
    while (frames.len() as u64) < count {
        let sent = tx.batch((count as usize) - frames.len(), 5, |b| {
            frames.extend(b.iter().map(|o| [&o.header[..], o.payload].concat()));
            b.len()
        });
        tx.handle_sent(sent);
    }
    frames
}

fn echo(bytes: &[u8]) -> Echo<'_> {
    Echo { bytes, at: 1005, check: None }
}

fn collector(spec: &StreamSpec) -> Collector {
    Collector::new(spec.clone(), Flow::Full, 0, Outstanding::default())
}

#[test]
fn clean_echoes_are_returned_and_nothing_else() {
    let spec = spec(1514);
    let mut rx = collector(&spec);
    for frame in probes(&spec, 500) {
        assert!(matches!(rx.handle_echo(echo(&frame)), Seen::Probe { sent_at: Some(5), .. }));
    }
    let tally = rx.finish(500, 0, &[500]);
    assert_eq!((tally.counts.returned, tally.counts.lost, tally.counts.damaged), (500, 0, 0));
    assert_eq!(tally.counts.bits_compared, 500 * 1514 * 8);
    assert_eq!(tally.latency_loaded.max_ns(), Some(1000));
}

#[test]
fn one_wrong_bit_in_the_sequence_costs_one_bit_and_no_probe() {
    // Shortest frames: a power of two of them share a window, so a sequence with one high bit wrong fits phase and
    // payload.
    for frame_bytes in [60, 508, 1514] {
        let spec = spec(frame_bytes);
        let frames = probes(&spec, 200);
        for bit in 0..64 {
            let mut rx = collector(&spec);
            for (number, frame) in frames.iter().enumerate() {
                let mut frame = frame.clone();
                if number % 50 == 25 {
                    // The sequence is at 24..32, big-endian.
                    frame[31 - bit / 8] ^= 1 << (bit % 8);
                }
                rx.handle_echo(echo(&frame));
            }
            let counts = rx.finish(200, 0, &[200]).counts;
            let seen = (counts.returned, counts.lost, counts.reordered, counts.late, counts.damaged, counts.bit_errors);
            assert_eq!(seen, (200, 0, 0, 0, 4, 4), "bit {bit}, {frame_bytes} bytes");
        }
    }
}

#[test]
fn each_odd_echo_has_its_own_count() {
    let spec = spec(508);
    let frames = probes(&spec, 12);
    let mut rx = collector(&spec);
    let mut feed = |frame: &[u8]| rx.handle_echo(echo(frame));
    feed(&frames[0]);
    feed(&frames[0]); // twice
    feed(&frames[2]);
    feed(&frames[1]); // overtaken
    feed(&frames[3][..300]); // cut
    feed(&[&frames[4][..], &[0; 7]].concat()); // lengthened
    let mut bad = frames[5].clone();
    bad[200] ^= 0x21;
    feed(&bad); // two bits
    let other = probes(&StreamSpec { tag: 99, ..spec.clone() }, 1);
    assert_eq!(feed(&other[0]), Seen::Other);
    let mut noise = frames[6].clone();
    noise[14..].iter_mut().enumerate().for_each(|(i, b)| *b = (i as u8).wrapping_mul(37) ^ 0x5A);
    assert_eq!(feed(&noise), Seen::Unrecognised);
    let mut ip = frames[7].clone();
    ip[12..14].copy_from_slice(&[0x08, 0x00]);
    ip[14..].fill(0x45);
    assert_eq!(feed(&ip), Seen::Foreign);
    // The same noise with a failed check may be anybody's, one of ours included.
    let failed = Echo { check: Some(FrameCheck::Wrong), ..echo(&ip) };
    assert_eq!(rx.handle_echo(failed), Seen::Unrecognised);
    let c = rx.finish(12, 0, &[12]).counts;
    assert_eq!((c.returned, c.duplicated, c.reordered, c.truncated, c.lengthened), (6, 1, 1, 1, 1));
    assert_eq!((c.damaged, c.bit_errors, c.stale, c.unrecognised, c.lost), (1, 2, 1, 2, 6));
}

/// A flipped high bit of the sequence names a probe far ahead whose header differs by one bit too (the check): taking
/// it for that one would move the ledger on and give up everything between.
#[test]
fn a_wrong_bit_anywhere_in_the_sequence_names_no_other_probe() {
    for size in [60, 508, 1514] {
        let spec = spec(size);
        let frames = probes(&spec, 130);
        for bit in 0..64 {
            let mut rx = collector(&spec);
            for frame in &frames[..100] {
                rx.handle_echo(echo(frame));
            }
            let mut bad = frames[100].clone();
            bad[31 - bit / 8] ^= 1 << (bit % 8);
            rx.handle_echo(echo(&bad));
            for frame in &frames[101..] {
                rx.handle_echo(echo(frame));
            }
            let c = rx.finish(130, 0, &[130]).counts;
            assert_eq!(
                (c.returned, c.lost, c.damaged, c.late, c.duplicated),
                (130, 0, 1, 0, 0),
                "size {size}, bit {bit}"
            );
        }
    }
}

#[test]
fn an_echo_with_a_damaged_ethertype_is_still_ours() {
    let spec = spec(60);
    let mut frame = probes(&spec, 1).remove(0);
    frame[12] ^= 0x40;
    let mut rx = collector(&spec);
    assert!(matches!(rx.handle_echo(echo(&frame)), Seen::Probe { sequence: 1000, .. }));
    assert_eq!(rx.finish(1, 0, &[1]).counts.bit_errors, 1);
}

#[test]
fn what_the_check_sequence_said_tells_wire_from_host() {
    let spec = spec(508);
    let frames = probes(&spec, 3);
    let mut rx = collector(&spec);
    let mut bad = frames[0].clone();
    bad[100] ^= 1;
    rx.handle_echo(Echo { check: Some(FrameCheck::Right), ..echo(&bad) });
    let mut bad = frames[1].clone();
    bad[100] ^= 1;
    rx.handle_echo(Echo { check: Some(FrameCheck::Wrong), ..echo(&bad) });
    rx.handle_echo(Echo { check: Some(FrameCheck::Wrong), ..echo(&frames[2]) });
    let c = rx.finish(3, 0, &[3]).counts;
    assert_eq!((c.damaged, c.damaged_after_check, c.failed_check_delivered), (2, 1, 2));
}

#[test]
fn a_clean_span_counts_like_its_probes() {
    let spec = spec(1514);
    let mut one_by_one = collector(&spec);
    let mut at_once = collector(&spec);
    let gap = 300_000_000;
    for (i, frame) in probes(&spec, 20).iter().enumerate() {
        // The probes above all carry send time 5; give each its own by building it anew.
        let sequence = 1000 + i as u64;
        let header = spec.header(sequence, gap * i as u64).emit();
        let bytes = [&header[..], &frame[HEADER_BYTES..]].concat();
        one_by_one.handle_echo(Echo { bytes: &bytes, at: gap * i as u64 + 777, check: None });
    }
    let pace = Pace { first_ps: 0, every_ps: gap * NANO_PS };
    at_once.handle_clean_span(1000, 20, pace, 777);
    let (a, b) = (one_by_one.finish(20, 0, &[]), at_once.finish(20, 0, &[]));
    assert_eq!(a.counts, b.counts);
    assert_eq!(a.seconds, b.seconds);
    assert_eq!(a.latency_loaded.max_ns(), b.latency_loaded.max_ns());
}

/// The first echo of all is wrong in one bit of its address, and the others come back untouched, at once.
#[test]
fn a_damaged_address_before_a_clean_span_is_damage() {
    let spec = spec(60);
    let mut rx = collector(&spec);
    let mut first = probes(&spec, 1).remove(0);
    first[3] ^= 4;
    rx.handle_echo(echo(&first));
    rx.handle_clean_span(1001, 19, Pace { first_ps: 0, every_ps: NANO_PS }, 777);
    let c = rx.finish(20, 0, &[20]).counts;
    assert_eq!((c.returned, c.readdressed, c.damaged, c.bit_errors), (20, 0, 1, 1));
}

/// The frame with its two addresses exchanged.
fn swapped(frame: &[u8]) -> Vec<u8> {
    [&frame[6..12], &frame[..6], &frame[12..]].concat()
}

#[test]
fn one_and_the_same_change_in_every_echo_is_no_damage() {
    for size in [60, 508, 1514] {
        let spec = spec(size);
        let padded = |frame: &[u8]| [frame, &[7; 4]].concat();
        let both = |frame: &[u8]| padded(&swapped(frame));
        let counts = |change: &dyn Fn(&[u8]) -> Vec<u8>| {
            let mut rx = collector(&spec);
            let frames = probes(&spec, 50);
            frames.iter().for_each(|frame| assert!(matches!(rx.handle_echo(echo(&change(frame))), Seen::Probe { .. })));
            rx.finish(50, 0, &[50]).counts
        };
        for (change, readdressed, padded) in
            [(&swapped as &dyn Fn(&[u8]) -> Vec<u8>, 50, 0), (&padded, 0, 50), (&both, 50, 50)]
        {
            let c = counts(change);
            assert_eq!((c.returned, c.lost, c.damaged, c.bit_errors, c.lengthened), (50, 0, 0, 0, 0), "size {size}");
            assert_eq!((c.readdressed, c.padded, c.bits_compared), (readdressed, padded, 50 * size as u64 * 8));
        }
    }
}

#[test]
fn damage_on_top_of_a_change_is_counted_without_it() {
    let spec = spec(508);
    let mut rx = collector(&spec);
    for (number, frame) in probes(&spec, 50).iter().enumerate() {
        let mut frame = swapped(frame);
        if number % 10 == 4 {
            frame[200] ^= 0x21;
        }
        rx.handle_echo(echo(&frame));
    }
    let c = rx.finish(50, 0, &[50]).counts;
    assert_eq!((c.damaged, c.bit_errors, c.readdressed, c.returned), (5, 10, 45, 50));
}

#[test]
fn a_change_of_some_echoes_among_others_is_damage() {
    let spec = spec(508);
    let frames = probes(&spec, 50);
    // The two addresses differ in one bit: two wrong bits a frame. Nine in ten must have the change.
    for (changed, damaged, bit_errors, readdressed) in [(1, 1, 2, 0), (44, 44, 88, 0), (45, 0, 0, 45)] {
        let mut rx = collector(&spec);
        for (number, frame) in frames.iter().enumerate() {
            rx.handle_echo(echo(&if number < changed { swapped(frame) } else { frame.clone() }));
        }
        let tally = rx.finish(50, 0, &[50]);
        let c = tally.counts;
        assert_eq!((c.damaged, c.bit_errors, c.readdressed, c.returned), (damaged, bit_errors, readdressed, 50));
        assert_eq!((tally.damage.errored_probes, tally.damage.probes_compared), (damaged, 50));
    }
    let many = probes(&spec, 100);
    for (changed, readdressed) in [(89, 0), (90, 90)] {
        let mut rx = collector(&spec);
        let changed =
            |(number, frame): (usize, &Vec<u8>)| if number < changed { swapped(frame) } else { frame.clone() };
        many.iter().enumerate().map(changed).for_each(|frame| _ = rx.handle_echo(echo(&frame)));
        assert_eq!(rx.finish(100, 0, &[100]).counts.readdressed, readdressed);
    }
    // Two alone may be damage, three are not.
    for (count, damaged, readdressed) in [(2, 2, 0), (3, 0, 3)] {
        let mut rx = collector(&spec);
        frames[..count].iter().for_each(|frame| _ = rx.handle_echo(echo(&swapped(frame))));
        let c = rx.finish(50, 0, &[50]).counts;
        assert_eq!((c.damaged, c.readdressed), (damaged, readdressed));
    }
    // After the first whole echo no change is believed.
    let mut rx = collector(&spec);
    rx.handle_echo(echo(&frames[0]));
    frames[1..].iter().for_each(|frame| _ = rx.handle_echo(echo(&swapped(frame))));
    assert_eq!(rx.finish(50, 0, &[50]).counts.damaged, 49);
    // Bytes of another number behind every echo, or behind the first alone, are no change alike: longer, not damaged.
    for (longer, lengthened) in [(50, 50), (1, 1)] {
        let mut rx = collector(&spec);
        for (number, frame) in frames.iter().enumerate() {
            let behind = if number < longer { 1 + number % 16 } else { 0 };
            rx.handle_echo(echo(&[&frame[..], &vec![0; behind]].concat()));
        }
        let c = rx.finish(50, 0, &[50]).counts;
        assert_eq!((c.lengthened, c.padded, c.damaged, c.returned), (lengthened, 0, 0, 50));
    }
}

#[test]
fn frames_of_others_are_foreign_whatever_their_ethertype() {
    let spec = spec(508);
    let mut rx = collector(&spec);
    let theirs = StreamSpec { source: [2, 0, 0, 0, 9, 0x87], destination: [2, 0, 0, 0, 9, 7], ..spec.clone() };
    // Another tester, with a tag of its own or, started with the same seed, with ours.
    for tag in [99, spec.tag] {
        let probe = probes(&StreamSpec { tag, ..theirs.clone() }, 1).remove(0);
        assert_eq!(rx.handle_echo(echo(&probe)), Seen::Foreign);
    }
    // A station that speaks our EtherType, and no probe.
    let mut frame = vec![0x5A; 200];
    frame[..6].copy_from_slice(&spec.destination);
    frame[6..12].copy_from_slice(&[0x3C, 0x52, 0x82, 0x11, 0x22, 0x33]);
    frame[12..14].copy_from_slice(&ETHERTYPE.to_be_bytes());
    assert_eq!(rx.handle_echo(echo(&frame)), Seen::Foreign);
    // Four wrong bits in the addresses may be ours, five are another's.
    for (wrong, seen) in [(0x0F, Seen::Unrecognised), (0x1F, Seen::Foreign)] {
        let mut frame = vec![0x5A; 200];
        frame[..14].copy_from_slice(&probes(&spec, 1)[0][..14]);
        frame[3] ^= wrong;
        assert_eq!(rx.handle_echo(echo(&frame)), seen);
    }
    let c = rx.finish(0, 0, &[]).counts;
    assert_eq!((c.returned, c.stale, c.unrecognised), (0, 0, 1));
}

/// 12 wrong bits of 64 in the tag are taken for ours, 13 for another run's.
#[test]
fn a_tag_is_ours_up_to_twelve_wrong_bits() {
    let spec = spec(508);
    for (bits, seen) in [(12, true), (13, false)] {
        let mut frame = probes(&spec, 1).remove(0);
        (0..bits).for_each(|bit| frame[16 + bit / 8] ^= 1 << (bit % 8));
        let seen_as = collector(&spec).handle_echo(echo(&frame));
        assert_eq!(matches!(seen_as, Seen::Probe { .. }), seen, "{bits} bits: {seen_as:?}");
        // With a check that fits, as of a probe of that tag.
        let tag = spec.tag ^ ((1 << bits) - 1);
        let other = probes(&StreamSpec { tag, ..spec.clone() }, 1).remove(0);
        let seen_as = collector(&spec).handle_echo(echo(&other));
        assert_eq!(seen_as == Seen::Other, !seen, "{bits} bits: {seen_as:?}");
    }
}

/// Two steps of the shortest frames, as two handfuls of first probes are: they differ in nothing but their sequence.
#[test]
fn what_comes_in_of_an_earlier_step_is_late_once_and_only_if_it_was_lost() {
    let first = spec(60);
    let sent = probes(&first, 8);
    let mut rx = collector(&first);
    [0, 1, 5].iter().for_each(|back: &usize| _ = rx.handle_echo(echo(&sent[*back])));
    let outstanding = rx.give_up(8);
    assert_eq!((rx.finish(8, 0, &[8]).counts.lost, outstanding.count()), (5, 5));

    let second = StreamSpec { first_sequence: 1008, ..first.clone() };
    let mut rx = Collector::new(second.clone(), Flow::Full, 0, outstanding);
    rx.handle_sent(1016, 2000);
    // Probe 1002, late; 1003, late and its check damaged, its own and no echo of this step; then both again.
    let mut damaged = sent[3].clone();
    damaged[50] ^= 0x10;
    [&sent[2], &damaged, &sent[2], &sent[3], &sent[0], &sent[5]]
        .iter()
        .for_each(|frame| _ = rx.handle_echo(echo(frame)));
    for frame in probes(&second, 8) {
        assert!(matches!(rx.handle_echo(echo(&frame)), Seen::Probe { sent_at: Some(5), .. }));
    }
    let left = rx.give_up(8);
    let c = rx.finish(8, 0, &[8]).counts;
    assert_eq!((c.returned, c.lost, c.damaged, c.late, c.duplicated), (8, 0, 0, 2, 4));
    assert_eq!(left.count(), 3);
}

/// A late echo whose check has 12 wrong bits is known, with 13 it is anybody's; an echo of this step whose sequence has
/// the one wrong bit that names a probe of an earlier one stays this step's.
#[test]
fn an_earlier_step_is_believed_only_where_its_own_check_speaks_for_it() {
    let first = spec(60);
    let late = probes(&first, 8).remove(3);
    let second = StreamSpec { first_sequence: 1016, ..first.clone() };
    let receiver = || {
        let mut rx = Collector::new(second.clone(), Flow::Full, 0, collector(&first).give_up(8));
        rx.handle_sent(1024, 2000);
        rx
    };
    for (bits, is_late) in [(12, 1), (13, 0)] {
        let (mut rx, mut frame) = (receiver(), late.clone());
        (0..bits).for_each(|bit| frame[48 + bit / 8] ^= 1 << (bit % 8));
        rx.handle_echo(echo(&frame));
        assert_eq!(rx.finish(8, 0, &[8]).counts.late, is_late, "{bits} bits");
    }
    let mut rx = receiver();
    for (number, mut frame) in probes(&second, 8).into_iter().enumerate() {
        // 1019 with one wrong bit is 1003.
        if number == 3 {
            frame[31] ^= 0x10;
        }
        rx.handle_echo(echo(&frame));
    }
    let c = rx.finish(8, 0, &[8]).counts;
    assert_eq!((c.returned, c.late, c.damaged), (8, 0, 1));
}

/// A wrong bit of the send time and the one of the check that hides it: the header fits, and names a second in which
/// nothing was sent.
#[test]
fn a_second_outside_the_run_does_not_exist() {
    let spec = spec(508);
    for bit in 0..64 {
        let mut rx = collector(&spec);
        rx.handle_sent(1100, 1005);
        for (number, frame) in probes(&spec, 100).iter().enumerate() {
            let mut frame = frame.clone();
            if number == 50 {
                // docs/probe-format.md: send time at 32..40 enters the check at 48..56 turned by 31 bits; big-endian.
                let check_bit = (bit + 31) % 64;
                frame[39 - bit / 8] ^= 1 << (bit % 8);
                frame[55 - check_bit / 8] ^= 1 << (check_bit % 8);
                assert_eq!(Header::new_sized(&frame[..]).map(|h| h.syndrome()), Ok(0));
            }
            rx.handle_echo(echo(&frame));
        }
        let tally = rx.finish(100, 0, &[100]);
        assert_eq!((tally.counts.returned, tally.seconds.len()), (100, 1), "bit {bit}");
        // Times up to now (1005) are possible ones; beyond it both wrong bits are counted.
        let seen = (tally.counts.damaged, tally.counts.bit_errors);
        assert_eq!(seen, if 5 ^ (1_u64 << bit) > 1005 { (1, 2) } else { (0, 0) }, "bit {bit}");
    }
}

proptest! {
    /// Up to 12 flips anywhere behind the addresses: matched to its own probe and counted to the bit.
    #[test]
    fn flipped_bits_are_counted_exactly(
        which in 0usize..40,
        size in prop_oneof![Just(508usize), Just(1514)],
        flips in proptest::collection::btree_set(0usize..508 * 8, 1..12),
    ) {
        let spec = spec(size);
        let frames = probes(&spec, 40);
        let mut rx = collector(&spec);
        for frame in &frames[..which] {
            rx.handle_echo(echo(frame));
        }
        let mut bad = frames[which].clone();
        for bit in &flips {
            bad[bit / 8] ^= 1 << (bit % 8);
        }
        let header = Header::new_sized(&bad[..]).map(|h| h.syndrome() != 0).unwrap_or(false);
        // Two flips in different words can cancel in the check and look like another probe's intact header.
        prop_assume!(header || flips.iter().all(|b| !(112..448).contains(b)));
        prop_assert_eq!(rx.handle_echo(echo(&bad)), Seen::Probe {
            sequence: 1000 + which as u64,
            sent_at: if header { None } else { Some(5) },
        });
        // Two flips that meet in send time and check cancel in the syndrome; they are the only ones that can hide.
        let meet = flips.iter().any(|b| {
            (256..320).contains(b) && {
                let bit_of_word = 63 - (b - 256) / 8 * 8 - (7 - b % 8);
                let turned = (bit_of_word + 31) % 64;
                let check_bit = 384 + (63 - turned) / 8 * 8 + (turned % 8);
                flips.contains(&check_bit)
            }
        });
        prop_assume!(!meet);
        prop_assert_eq!(rx.finish(40, 0, &[]).counts.bit_errors, flips.len() as u64);
    }

    /// A wrong bit of the sequence and the one of the check that hides it: whatever number comes of it, at most that
    /// echo goes astray. Without the sender's count, one high bit would have given up every probe up to it.
    #[test]
    fn a_forged_sequence_costs_at_most_its_own_probe(
        forged in proptest::collection::btree_map(0usize..200, 0usize..64, 1..8),
        frame_bytes in prop_oneof![Just(60usize), Just(508), Just(1514)],
        window in 1u64..40,
    ) {
        let spec = spec(frame_bytes);
        let frames = probes(&spec, 200);
        let mut rx = collector(&spec);
        for (number, frame) in frames.iter().enumerate() {
            let mut frame = frame.clone();
            if let Some(bit) = forged.get(&number) {
                // docs/probe-format.md: sequence at 24..32 enters the check at 48..56 turned by 17 bits; big-endian.
                let check_bit = (bit + 17) % 64;
                frame[31 - bit / 8] ^= 1 << (bit % 8);
                frame[55 - check_bit / 8] ^= 1 << (check_bit % 8);
                prop_assert_eq!(Header::new_sized(&frame[..]).map(|h| h.syndrome()), Ok(0));
            }
            rx.handle_sent((1000 + number as u64 + window).min(1200), 5);
            rx.handle_echo(echo(&frame));
        }
        let counts = rx.finish(200, 0, &[200]).counts;
        prop_assert!(counts.lost <= forged.len() as u64, "{:?}", counts);
        prop_assert!(counts.returned + counts.duplicated + counts.late >= 200 - forged.len() as u64);
        // A number far ahead can be no probe's: the echo is matched to its own, and both wrong bits are counted.
        if forged.values().all(|bit| *bit >= 11) {
            prop_assert_eq!((counts.lost, counts.damaged), (0, forged.len() as u64), "{:?}", counts);
            prop_assert_eq!(counts.bit_errors, 2 * forged.len() as u64);
        }
    }

    #[test]
    fn arbitrary_frames_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let spec = spec(60);
        collector(&spec).handle_echo(echo(&bytes));
    }
}

/// Head or pattern alone tells whose a probe is; of the pattern its first 64 bytes are looked at, and no more.
#[test]
fn a_probe_is_known_by_its_head_or_by_its_pattern() {
    let spec = spec(1514);
    let frames = probes(&spec, 11);
    // Half of all bits wrong: in sequence, time and shape, or from the 64th byte of the pattern to the end.
    for wrong in [24..48, 120..1514] {
        let mut rx = collector(&spec);
        frames[..10].iter().for_each(|frame| _ = rx.handle_echo(echo(frame)));
        let mut bad = frames[10].clone();
        bad[wrong.clone()].iter_mut().for_each(|byte| *byte ^= 0x55);
        assert!(matches!(rx.handle_echo(echo(&bad)), Seen::Probe { sequence: 1010, .. }), "{wrong:?}");
    }
}

/// A probe that says it left before the run began, in an intact head, is damaged.
#[test]
fn no_probe_left_before_the_run_began() {
    for (origin, damaged) in [(5, 0), (6, 1)] {
        let spec = spec(508);
        let mut rx = Collector::new(spec.clone(), Flow::Full, origin, Outstanding::default());
        rx.handle_echo(echo(&probes(&spec, 1)[0]));
        assert_eq!(rx.finish(1, 0, &[1]).counts.damaged, damaged);
    }
}

/// Nearer than a quarter of the 106 bytes looked at: 211 wrong bits are, 212 are not.
#[test]
fn what_is_a_quarter_wrong_is_not_taken_for_a_probe() {
    for (wrong_bits, known) in [(211, true), (212, false)] {
        let mut frame = probes(&spec(508), 1).remove(0);
        (0..wrong_bits).for_each(|bit| frame[56 + bit / 8] ^= 1 << (bit % 8));
        let seen = collector(&spec(508)).handle_echo(echo(&frame));
        assert_eq!(matches!(seen, Seen::Probe { .. }), known, "{wrong_bits} bits: {seen:?}");
    }
}

/// Two errored probes are one group with up to 63 right ones between, and two from 64 on.
#[test]
fn errored_probes_are_one_group_up_to_63_right_ones_between() {
    let groups = |between: usize| {
        let spec = spec(60);
        let mut rx = collector(&spec);
        for (number, mut frame) in probes(&spec, 100).into_iter().enumerate() {
            if [10, 11 + between].contains(&number) {
                frame[58] ^= 1;
            }
            rx.handle_echo(echo(&frame));
        }
        rx.finish(100, 0, &[100]).damage.errored_groups
    };
    assert_eq!((groups(0), groups(63), groups(64)), (1, 1, 2));
}

/// Damages probes as a channel of two states does that is left with a fixed chance at each probe (Gilbert, Bell System
/// Technical Journal 39 (1960), pp. 1253-1265, from memory), one bit in each; with `leave` 1 every probe has its own
/// chance.
fn through_gilbert(seed: u64, enter: f64, leave: f64, hit: f64, count: u64) -> DamageTally {
    let spec = spec(60);
    let mut rng = crate::base::rng::Rng::new(seed);
    let mut rx = collector(&spec);
    let mut bad = false;
    for mut frame in probes(&spec, count) {
        bad = if bad { rng.fraction() >= leave } else { rng.fraction() < enter };
        if bad && rng.fraction() < hit {
            let bit = rng.below(8 * 18) as usize;
            frame[42 + bit / 8] ^= 1 << (bit % 8);
        }
        rx.handle_echo(echo(&frame));
    }
    rx.finish(count, 0, &[count]).damage
}

#[test]
fn a_disturbance_that_hits_many_probes_once_each_comes_in_bursts() {
    use crate::signal::compare::DamageKind;
    for seed in 1..=4 {
        // Bad for 200 probes on average, one in 20 of them hit: no probe holds two wrong bits near each other.
        let bursts = through_gilbert(seed, 1e-4, 0.005, 0.05, 100_000);
        assert!(bursts.bursts * 20 < bursts.errored_probes, "{bursts:?}");
        assert_eq!(bursts.kind(), DamageKind::Bursts, "seed {seed}: {bursts:?}");
    }
}

#[test]
fn probes_hit_at_random_are_not_called_bursts_however_often_and_in_whatever_mixture_of_steps() {
    use crate::signal::compare::DamageKind;
    for seed in 1..=4 {
        let mut all = DamageTally::default();
        for ratio in [0.001, 0.01, 0.05, 0.1, 0.5] {
            let even = through_gilbert(seed, 1.0, 0.0, ratio, 20_000);
            assert_eq!(even.kind(), DamageKind::Scattered, "seed {seed}, {ratio}: {even:?}");
            all.merge(&even);
        }
        assert_eq!(all.kind(), DamageKind::Scattered, "seed {seed}: {all:?}");
    }
}
