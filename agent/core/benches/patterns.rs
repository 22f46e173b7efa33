//! Are patterns made and echoes compared near memory speed, so that the tester is not what it measures?
//!
//! Prints GB/s on one core beside `memcpy` or `memcmp` of the same buffers, and the ratio to it. Asked: a clean compare
//! at 0.8 of `memcmp` or better. Buffers are a window's 256 KiB, which stays in a second-level cache, and the payloads
//! of 1518-byte frames. Every figure is the median of repeats that take turns with the one it is set against.
//!
//! - `fill` writes 256 KiB of stream from a new phase each time, as a window that slides does.
//! - `slice` takes payloads from a window, sliding it, and copies them out: what a sender does.
//! - `compare` takes payloads (or 256 KiB) against the window; `damaged` is the same with one wrong bit in 1500 bytes.
//!
//! - `line` takes a serial stream in pieces of 1 KiB, made anew block by block to compare with; `slipping` is the same
//!   with one byte in 5000 missing. A line of 4 Mb/s needs 0.0004 GB/s.
//!
//! Run: `cargo bench -p turnback-core --bench patterns`. With `-- --quick` it only shows that it runs.

use std::hint::black_box;
use std::time::Instant;

use turnback_core::kind::serial::probe::BlockStream;
use turnback_core::kind::serial::stream::LineCollector;
use turnback_core::signal::compare::{DamageTally, compare};
use turnback_core::signal::pattern::{Pattern, WINDOW_BYTES, Window};

fn main() {
    let effort = if std::env::args().any(|arg| arg == "--quick") { QUICK } else { FULL };
    println!("{:<14}{:>22}{:>32}", "generation", "fill 256 KiB", "slice 1458 B");
    println!("{:<14}{:>10}{:>12}{:>10}{:>10}{:>12}", "", "GB/s", "of memcpy", "", "GB/s", "of memcpy");
    let patterns = Pattern::named().chain("hex:DEADBEEF01".parse());
    for pattern in patterns {
        let (fill, copy) = generate(&pattern, effort);
        let (slice, small_copy) = cut(&pattern, effort);
        println!("{:<14}{fill:>10.1}{:>12.2}{:>10}{slice:>10.1}{:>12.2}", pattern, fill / copy, "", slice / small_copy);
    }
    println!();
    println!("{:<26}{:>10}{:>10}{:>12}", "compare", "GB/s", "memcmp", "ratio");
    for (len, name) in [(WINDOW_BYTES, "256 KiB"), (PAYLOAD_BYTES, "1458 B")] {
        for damaged in [false, true] {
            let (ours, memcmp) = check(len, damaged, effort);
            let state = if damaged { "damaged" } else { "clean" };
            println!("{name:<12}{state:<14}{ours:>10.1}{memcmp:>10.1}{:>12.2}", ours / memcmp);
        }
    }
    for slipping in [false, true] {
        let (ours, memcmp) = check_line(slipping, effort);
        let state = if slipping { "slipping" } else { "clean" };
        println!("{:<12}{state:<14}{ours:>10.3}{memcmp:>10.1}{:>12.4}", "line", ours / memcmp);
    }
}

/// A serial stream taken in, against `memcmp` of the same pieces.
fn check_line(slipping: bool, effort: Effort) -> (f64, f64) {
    let stream = BlockStream { tag: 7, first_block: 0, pattern: Pattern::Prbs31, mask: 0xFF };
    let mut sent = vec![0; WINDOW_BYTES];
    stream.fill(0, &mut sent);
    let missing = |(at, _): &(usize, &u8)| !slipping || at % 5000 != 2500;
    let got: Vec<u8> = sent.iter().enumerate().filter(missing).map(|(_, byte)| *byte).collect();
    let (mut lost, copy) = (0, sent.clone());
    let rates = in_turns(
        effort,
        WINDOW_BYTES,
        || {
            let mut collector = LineCollector::new(stream.clone(), 8, 0);
            for piece in got.chunks(1024) {
                collector.handle_sent(1024, 0);
                collector.handle_bytes(black_box(piece), 0);
            }
            lost = collector.finish(0).counts.lost;
        },
        || {
            for (ours, theirs) in sent.chunks(1024).zip(copy.chunks(1024)) {
                assert!(black_box(black_box(ours) == black_box(theirs)));
            }
        },
    );
    assert_eq!(lost > 0, slipping);
    rates
}

/// Fills of one buffer at successive phases, against copies of the same length.
fn generate(pattern: &Pattern, effort: Effort) -> (f64, f64) {
    let mut out = vec![0_u8; WINDOW_BYTES];
    let mut other = vec![0_u8; WINDOW_BYTES];
    pattern.fill(0, &mut other);
    let source = other.clone();
    let mut phase = 0;
    in_turns(
        effort,
        WINDOW_BYTES,
        || {
            pattern.fill(phase, black_box(&mut out));
            phase += WINDOW_BYTES as u64;
        },
        || black_box(&mut other).copy_from_slice(black_box(&source)),
    )
}

/// Payloads one after another out of a sliding window, against copies out of a table of the same size.
fn cut(pattern: &Pattern, effort: Effort) -> (f64, f64) {
    let mut window = Window::new(pattern, 0);
    let table = window.table().to_vec();
    let (mut out, mut other) = (vec![0_u8; PAYLOAD_BYTES], vec![0_u8; PAYLOAD_BYTES]);
    let (mut phase, mut at) = (0, 0);
    in_turns(
        effort,
        PAYLOAD_BYTES,
        || {
            if window.slice(phase, PAYLOAD_BYTES).is_none() {
                window.slide_to(Window::index_of(phase));
            }
            if let Some(payload) = window.slice(phase, PAYLOAD_BYTES) {
                black_box(&mut out).copy_from_slice(payload);
            }
            phase += PAYLOAD_BYTES as u64;
        },
        || {
            black_box(&mut other).copy_from_slice(black_box(&table[at..at + PAYLOAD_BYTES]));
            at = (at + PAYLOAD_BYTES) % WINDOW_BYTES;
        },
    )
}

/// Compares of successive stretches of `len` bytes with a copy, tallied, against `memcmp` of the undamaged ones.
fn check(len: usize, damaged: bool, effort: Effort) -> (f64, f64) {
    let window = Window::new(&Pattern::Prbs31, 0);
    let expected = window.table();
    let clean = expected.to_vec();
    let mut got = clean.clone();
    if damaged {
        for at in (700..got.len()).step_by(1500) {
            got[at] ^= 0x10;
        }
    }
    let mut tally = DamageTally::default();
    let (mut at, mut other) = (0, 0);
    let last = WINDOW_BYTES - len + 1;
    let rates = in_turns(
        effort,
        len,
        || {
            match compare(black_box(&expected[at..at + len]), black_box(&got[at..at + len]), 56) {
                Some(damage) => tally.add_damage(&damage),
                None => tally.add_clean(8 * len as u64),
            }
            at = (at + len) % last;
        },
        || {
            let equal = black_box(&expected[other..other + len]) == black_box(&clean[other..other + len]);
            assert!(black_box(equal));
            other = (other + len) % last;
        },
    );
    assert_eq!(tally.bit_errors > 0, damaged);
    rates
}

/// Median rates in GB/s of two things that handle `bytes` each, repeated in turns so that both see the same machine.
fn in_turns(effort: Effort, bytes: usize, mut ours: impl FnMut(), mut theirs: impl FnMut()) -> (f64, f64) {
    let calls = (effort.bytes_per_repeat / bytes).max(1);
    let (mut our_rates, mut their_rates) = (Vec::new(), Vec::new());
    for _ in 0..effort.repeats {
        our_rates.push(rate(calls, bytes, &mut ours));
        their_rates.push(rate(calls, bytes, &mut theirs));
    }
    (median(our_rates), median(their_rates))
}

fn rate(calls: usize, bytes: usize, work: &mut impl FnMut()) -> f64 {
    let start = Instant::now();
    for _ in 0..calls {
        work();
    }
    (calls * bytes) as f64 / start.elapsed().as_nanos().max(1) as f64
}

fn median(mut rates: Vec<f64>) -> f64 {
    rates.sort_by(f64::total_cmp);
    rates[rates.len() / 2]
}

/// How long to measure.
#[derive(Clone, Copy)]
struct Effort {
    repeats: usize,
    bytes_per_repeat: usize,
}

const FULL: Effort = Effort { repeats: 41, bytes_per_repeat: 16 << 20 };
const QUICK: Effort = Effort { repeats: 3, bytes_per_repeat: 1 << 20 };

/// Payload of a 1518-byte frame: without header, check sequence and the probe's own words.
const PAYLOAD_BYTES: usize = 1458;
