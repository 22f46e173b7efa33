//! A few probes as hexadecimal digits, a frame a line behind the numbers it was made from, for comparison with other
//! implementations of the format (`docs/probe-format.md`).
//!
//! `cargo run -p turnback-core --example probe_frames`; a line holds lane, tag, sequence, send time, pattern id,
//! pattern name, phase, frame.

use turnback_core::{
    kind::ethernet::{
        probe::probe_source,
        stream::{
            StreamSpec,
            transmit::{Amount, Transmitter, Turn},
        },
    },
    signal::pattern::Pattern,
};

fn main() {
    let own = [0x02, 0x51, 0x75, 0x61, 0x79, 0x07];
    let cases = [
        (0, 0x1122_3344_5566_7788, 60, Pattern::Prbs31, 0),
        (1, 0x0123_4567_89AB_CDEF, 508, Pattern::Qrss, 1_000_000),
        (7, u64::MAX, 1514, Pattern::Counter, u64::MAX - 8),
        (255, 0, 9014, Pattern::Prbs15, 1 << 40),
    ];
    for (lane, tag, frame_bytes, pattern, first_sequence) in cases {
        let spec =
            StreamSpec { lane, tag, source: probe_source(own), destination: own, pattern, frame_bytes, first_sequence };
        print(spec);
    }
}

fn print(spec: StreamSpec) {
    let mut tx = Transmitter::new(spec.clone(), Amount::Probes(PROBES), None, u64::MAX, 0);
    while let Turn::Send(count) = tx.poll(tx.next_sequence(), tx.next_sequence()) {
        // Any moment will do; one that differs from probe to probe shows more.
        let (first, now) = (tx.next_sequence(), tx.next_sequence().wrapping_mul(1_000_003));
        let sent = tx.batch(count, now, |batch| {
            for (probe, sequence) in batch.iter().zip(first..) {
                let (id, name, phase) = (spec.pattern.id(), &spec.pattern, spec.phase_bytes(sequence));
                let frame: String = probe.header.iter().chain(probe.payload).map(|b| format!("{b:02x}")).collect();
                println!("{} {} {sequence} {now} {id} {name} {phase} {frame}", spec.lane, spec.tag);
            }
            batch.len()
        });
        tx.handle_sent(sent);
    }
}

/// Enough that phases differ.
const PROBES: u64 = 5;
