//! Compares the counts of the frame plug with what a listener behind it sees.

use clap::Parser;
use proptest::prelude::*;

use super::*;

#[derive(Parser)]
#[command(no_binary_name = true)]
struct Options {
    #[command(flatten)]
    faults: FrameFaults,
}

fn plug(arguments: &str, seed: u64) -> FramePlug {
    FramePlug::new(Options::parse_from(arguments.split_whitespace()).faults, seed).unwrap()
}

/// A probe of `len` bytes that carries its number right after the header.
fn probe(number: u32, len: usize) -> Vec<u8> {
    let mut frame = vec![0x5A; len];
    frame[12..14].copy_from_slice(&PROBE_ETHERTYPE.to_be_bytes());
    frame[14..18].copy_from_slice(&number.to_be_bytes());
    frame
}

fn number(frame: &[u8]) -> u32 {
    u32::from_be_bytes(frame[14..18].try_into().unwrap())
}

/// Sends `count` probes one microsecond apart, then lets out everything that waits.
fn run(plug: &mut FramePlug, count: u32, len: usize) -> Vec<Vec<u8>> {
    let mut out = Vec::new();
    let mut send = |frame: &[u8]| {
        out.push(frame.to_vec());
        true
    };
    for index in 0..count {
        let now_ns = u64::from(index) * 1000;
        plug.handle_time(now_ns, &mut send);
        plug.handle_frame(&mut probe(index, len), now_ns, &mut send);
    }
    plug.finish(u64::from(count) * 1000, &mut send);
    out
}

proptest! {
    #[test]
    fn the_counts_equal_what_a_listener_sees(
        seed: u64, kinds in [0.0..0.2_f64, 0.0..0.2, 0.0..0.2, 0.0..0.2, 0.0..0.2],
        flip_ratio in 0.0..0.01_f64, delay_us in 0_u32..5, jitter_us in 0_u32..5, count in 0_u32..400,
        len in 60_usize..200, start in 0_u64..400, outage in 0_u64..50,
    ) {
        let [drop, duplicate, swap, truncate, lengthen] = kinds;
        let mut plug = plug(&format!(
            "--drop {drop} --duplicate {duplicate} --swap {swap} --truncate {truncate} --lengthen {lengthen} \
             --flip-ratio {flip_ratio} --spare-bytes 18 --delay-us {delay_us} --jitter-us {jitter_us} \
             --outage {start}:{outage}",
        ), seed);
        let out = run(&mut plug, count, len);
        let counts = plug.counts();

        prop_assert_eq!(counts.frames_seen, u64::from(count));
        prop_assert_eq!(counts.frames_returned, out.len() as u64);
        prop_assert_eq!(counts.pending, 0);
        prop_assert_eq!(counts.frames_seen + counts.duplicated, counts.frames_returned + counts.dropped);

        let mut times = vec![0_u64; count as usize];
        let mut late = 0;
        let mut highest = None;
        let (mut cut, mut bytes_cut, mut long, mut bytes_added, mut bits, mut flipped) = (0, 0, 0, 0, 0, 0);
        for frame in &out {
            let index = number(frame);
            times[index as usize] += 1;
            late += u64::from(highest > Some(index));
            highest = highest.max(Some(index));
            if times[index as usize] > 1 {
                continue;
            }
            cut += u64::from(frame.len() < len);
            bytes_cut += len.saturating_sub(frame.len()) as u64;
            long += u64::from(frame.len() > len);
            bytes_added += frame.len().saturating_sub(len) as u64;
            let changed: u32 = frame.iter().zip(probe(index, len)).map(|(a, b)| (a ^ b).count_ones()).sum();
            bits += u64::from(changed);
            flipped += u64::from(changed > 0);
        }
        prop_assert_eq!(counts.dropped, times.iter().filter(|&&n| n == 0).count() as u64);
        prop_assert_eq!(counts.duplicated, times.iter().filter(|&&n| n == 2).count() as u64);
        prop_assert_eq!(counts.swapped, late);
        prop_assert_eq!((counts.truncated, counts.bytes_cut), (cut, bytes_cut));
        prop_assert_eq!((counts.lengthened, counts.bytes_added), (long, bytes_added));
        prop_assert_eq!((counts.bits_flipped, counts.frames_flipped), (bits, flipped));
        prop_assert_eq!((counts.bits_damaged, counts.frames_damaged), (bits, flipped));
    }

    #[test]
    fn any_frame_is_taken(seed: u64, bytes in prop::collection::vec(any::<u8>(), 0..100), as_probe: bool) {
        let faults = "--flip-ratio 0.5 --truncate 0.5 --truncate-min 14 --lengthen 0.5 --invert --stuck-bit 3:1";
        let mut plug = plug(faults, seed);
        let mut frame = bytes;
        if as_probe && frame.len() >= 14 {
            frame[12..14].copy_from_slice(&PROBE_ETHERTYPE.to_be_bytes());
        }
        let mut out = 0;
        plug.handle_frame(&mut frame, 0, &mut |_| { out += 1; true });
        prop_assert_eq!(out, 1);
    }
}

#[test]
fn equal_seeds_do_the_same_and_other_seeds_do_not() {
    let arguments = "--drop 0.1 --swap 0.1 --truncate 0.1 --flip-ratio 0.001";
    let first = run(&mut plug(arguments, 7), 300, 100);
    assert_eq!(first, run(&mut plug(arguments, 7), 300, 100));
    assert_ne!(first, run(&mut plug(arguments, 8), 300, 100));
}

#[test]
fn adding_bit_errors_drops_the_same_probes() {
    let numbers = |arguments| run(&mut plug(arguments, 7), 300, 100).iter().map(|f| number(f)).collect::<Vec<_>>();
    assert_eq!(numbers("--drop 0.2"), numbers("--drop 0.2 --flip-ratio 0.01 --spare-bytes 18"));
}

#[test]
fn a_swap_without_a_next_probe_goes_on_and_is_not_counted() {
    let mut plug = plug("--swap 1", 1);
    let mut out = Vec::new();
    let mut send = |frame: &[u8]| {
        out.push(number(frame));
        true
    };
    plug.handle_frame(&mut probe(0, 60), 0, &mut send);
    assert_eq!(plug.counts().pending, 1);
    assert_eq!(plug.next_due_ns(), Some(SWAP_WAIT_NS));
    plug.handle_time(SWAP_WAIT_NS - 1, &mut send);
    assert_eq!(plug.counts().frames_returned, 0);
    plug.handle_time(SWAP_WAIT_NS, &mut send);
    assert_eq!((plug.counts().swapped, plug.counts().frames_returned), (0, 1));
    for index in 1..=2 {
        plug.handle_frame(&mut probe(index, 60), SWAP_WAIT_NS, &mut send);
    }
    assert_eq!((plug.counts().swapped, plug.counts().frames_returned), (1, 3));
    assert_eq!(out, [0, 2, 1]);
}

#[test]
fn other_frames_are_returned_untouched_and_counted_apart() {
    let faults = "--drop 1 --flip-ratio 1 --invert";
    for (arguments, returned) in [(faults.to_owned(), 1), (format!("{faults} --drop-other"), 0)] {
        let mut plug = plug(&arguments, 1);
        let mut frame = vec![0x33; 86];
        frame[12..14].copy_from_slice(&[0x86, 0xDD]);
        let sent = frame.clone();
        let mut out = Vec::new();
        plug.handle_frame(&mut frame, 0, &mut |frame| {
            out.push(frame.to_vec());
            true
        });
        assert_eq!(out, vec![sent; returned]);
        assert_eq!(plug.counts(), FrameCounts { other_frames: 1, ..FrameCounts::default() });
    }
}

#[test]
fn stuck_and_inverted_bits_spare_the_header() {
    let mut stuck = plug("--stuck-bit 0:1", 1);
    let out = run(&mut stuck, 1, 60);
    // 46 bytes follow the header: four of number 0, and 42 times 0x5A. Bit 0 of each is 0.
    assert_eq!(out[0][..14], probe(0, 60)[..14]);
    assert_eq!((stuck.counts().bits_damaged, stuck.counts().frames_damaged), (46, 1));
    assert_eq!(stuck.counts().bits_flipped, 0);

    let mut inverted = plug("--invert --spare-bytes 20", 1);
    let out = run(&mut inverted, 2, 60);
    assert_eq!(out[1][..20], probe(1, 60)[..20]);
    assert!(out[1][20..].iter().all(|&byte| byte == 0xA5));
    assert_eq!(inverted.counts().bits_damaged, 2 * 40 * 8);
}

#[test]
fn damage_to_the_header_is_counted_apart() {
    let mut plug = plug("--flip-ratio 1", 1);
    run(&mut plug, 3, 60);
    let counts = plug.counts();
    assert_eq!((counts.bits_flipped, counts.bits_flipped_in_header, counts.ethertypes_damaged), (3 * 480, 3 * 112, 3));
}

#[test]
fn a_truncated_probe_keeps_its_least_length() {
    let mut short = plug("--truncate 1", 1);
    assert!(run(&mut short, 50, 60).iter().all(|frame| frame.len() == 60));
    assert_eq!(short.counts().truncated, 0);
    let mut long = plug("--truncate 1 --truncate-min 40", 1);
    assert!(run(&mut long, 50, 60).iter().all(|frame| (40..60).contains(&frame.len())));
    assert_eq!(long.counts().truncated, 50);
}

#[test]
fn a_refused_return_is_no_return() {
    let mut plug = plug("", 1);
    plug.handle_frame(&mut probe(0, 60), 0, &mut |_| false);
    assert_eq!((plug.counts().frames_returned, plug.counts().return_failed), (0, 1));
}

#[test]
fn faults_change_from_the_next_frame_on() {
    let mut plug = plug("", 1);
    assert_eq!(run(&mut plug, 10, 60).len(), 10);
    plug.set("drop", "1").unwrap();
    assert_eq!(run(&mut plug, 10, 60).len(), 0);
    plug.set("drop", "0").unwrap();
    plug.set("outage", "25:2").unwrap();
    assert_eq!(run(&mut plug, 10, 60).len(), 8);
    assert_eq!((plug.counts().dropped, plug.counts().dropped_in_outage), (12, 2));
}

#[test]
fn a_delayed_probe_waits_its_time() {
    let mut plug = plug("--delay-us 100", 1);
    let mut out = 0;
    plug.handle_frame(&mut probe(0, 60), 5_000, &mut |_| panic!("too early"));
    assert_eq!(plug.next_due_ns(), Some(105_000));
    plug.handle_time(104_999, &mut |_| panic!("too early"));
    plug.handle_time(105_000, &mut |_| {
        out += 1;
        true
    });
    assert_eq!(out, 1);
    assert_eq!(plug.next_due_ns(), None);
}
