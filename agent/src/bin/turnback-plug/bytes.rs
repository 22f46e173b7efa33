//! The byte plug: what happens to each byte of a serial line, as a pure function of faults, seed and earlier bytes.

use serde::Serialize;

use crate::bits::BitErrors;
use crate::delay::DelayLine;
use crate::fault::{Adjustable, ByteFaults, FaultError};
use turnback_core::base::rng::Rng;

/// What the plug has done so far.
///
/// `bytes_seen + bytes_inserted = bytes_returned + bytes_dropped + pending` at any time.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct ByteCounts {
    /// Bytes the host sent.
    pub bytes_seen: u64,
    /// Bytes handed back.
    pub bytes_returned: u64,
    /// Bytes that vanished, including those in an outage.
    pub bytes_dropped: u64,
    /// Bytes that vanished in an outage.
    pub bytes_dropped_in_outage: u64,
    /// Losses begun, outages not included. One loss takes several bytes in a row.
    pub drop_runs: u64,
    /// Random bytes inserted.
    pub bytes_inserted: u64,
    /// Bytes of the host that have at least one flipped bit.
    pub bytes_damaged: u64,
    /// Bits flipped.
    pub bits_flipped: u64,
    /// Bytes that still wait for the end of their delay, or for room.
    pub pending: u64,
}

/// A loopback plug for bytes.
pub struct BytePlug {
    faults: ByteFaults,
    counts: ByteCounts,
    lots: Rng,
    bits: BitErrors,
    /// Bytes that the present loss still takes.
    losing: u32,
    line: DelayLine<Vec<u8>>,
    /// Bytes of the first waiting piece that have left already.
    left_of_first: usize,
}

impl BytePlug {
    /// A plug with the given faults. Equal seeds and equal bytes give equal faults.
    ///
    /// # Errors
    /// Faults that do not fit together.
    pub fn new(faults: ByteFaults, seed: u64) -> Result<Self, FaultError> {
        faults.validate()?;
        let mut bits = BitErrors::new(Rng::new(seed).branch(1));
        bits.change(faults.flip_ratio, faults.burst);
        let (counts, lots) = (ByteCounts::default(), Rng::new(seed).branch(0));
        Ok(Self { faults, counts, lots, bits, losing: 0, line: DelayLine::new(), left_of_first: 0 })
    }

    /// The faults in force.
    pub fn faults(&self) -> &ByteFaults {
        &self.faults
    }

    /// What the plug has done so far.
    pub fn counts(&self) -> ByteCounts {
        self.counts.clone()
    }

    /// Changes one fault from the next byte on.
    ///
    /// # Errors
    /// An unknown name, or a value that is not allowed. Nothing changes then.
    pub fn set(&mut self, name: &str, value: &str) -> Result<(), FaultError> {
        self.faults.set(name, value)?;
        self.bits.change(self.faults.flip_ratio, self.faults.burst);
        Ok(())
    }

    /// Takes bytes from the host.
    pub fn handle_bytes(&mut self, bytes: &[u8], now_ns: u64) {
        let mut kept = Vec::with_capacity(bytes.len());
        for &byte in bytes {
            let index = self.counts.bytes_seen;
            self.counts.bytes_seen += 1;
            if self.faults.outage.is_some_and(|outage| outage.covers(index)) {
                self.counts.bytes_dropped_in_outage += 1;
                self.counts.bytes_dropped += 1;
            } else if self.losing > 0 {
                self.losing -= 1;
                self.counts.bytes_dropped += 1;
            } else {
                self.handle_byte(byte, &mut kept);
            }
        }
        self.counts.pending += kept.len() as u64;
        if !kept.is_empty() {
            self.line.push(now_ns + u64::from(self.faults.delay_us) * 1000, kept);
        }
    }

    /// Bytes that may leave now, though perhaps not all of them. Empty if there are none.
    pub fn due(&mut self, now_ns: u64) -> &[u8] {
        let start = self.left_of_first;
        self.line.due(now_ns).map_or(&[], |piece| &piece[start..])
    }

    /// Notes that the first `count` bytes of those last returned by [`Self::due`] have left.
    pub fn handle_returned(&mut self, count: usize) {
        self.counts.bytes_returned += count as u64;
        self.counts.pending -= count as u64;
        self.left_of_first += count;
        if self.line.iter().next().is_some_and(|piece| piece.len() == self.left_of_first) {
            self.line.pop();
            self.left_of_first = 0;
        }
    }

    /// When the next bytes may leave, in nanoseconds. `None` if nothing waits.
    pub fn next_due_ns(&self) -> Option<u64> {
        self.line.next_due_ns()
    }

    /// Handles one byte, at which a loss or an insertion may begin.
    fn handle_byte(&mut self, byte: u8, kept: &mut Vec<u8>) {
        if self.faults.drop > 0.0 || self.faults.insert > 0.0 {
            let lot = self.lots.fraction();
            if lot < self.faults.drop {
                self.counts.drop_runs += 1;
                self.counts.bytes_dropped += 1;
                self.losing = self.faults.drop_run - 1;
                return;
            }
            if lot - self.faults.drop < self.faults.insert {
                kept.push(self.lots.draw() as u8);
                self.counts.bytes_inserted += 1;
            }
        }
        let mut damaged = [byte];
        let mut flips = 0;
        self.bits.damage(&mut damaged, |_| flips += 1);
        self.counts.bits_flipped += flips;
        self.counts.bytes_damaged += u64::from(flips > 0);
        kept.extend(damaged);
    }
}

#[cfg(test)]
mod tests {
    use clap::Parser;
    use proptest::prelude::*;

    use super::*;

    #[derive(Parser)]
    #[command(no_binary_name = true)]
    struct Options {
        #[command(flatten)]
        faults: ByteFaults,
    }

    fn plug(arguments: &str, seed: u64) -> BytePlug {
        BytePlug::new(Options::parse_from(arguments.split_whitespace()).faults, seed).unwrap()
    }

    /// Sends `sent` in pieces and takes back at most `room` bytes at a time.
    fn run(plug: &mut BytePlug, sent: &[u8], piece: usize, room: usize) -> Vec<u8> {
        let mut out = Vec::new();
        let mut now_ns = 0;
        for bytes in sent.chunks(piece) {
            plug.handle_bytes(bytes, now_ns);
            now_ns += 1000;
            take(plug, now_ns, room, &mut out);
        }
        while let Some(due_ns) = plug.next_due_ns() {
            take(plug, due_ns, room, &mut out);
        }
        out
    }

    fn take(plug: &mut BytePlug, now_ns: u64, room: usize, out: &mut Vec<u8>) {
        let due = plug.due(now_ns);
        let count = due.len().min(room);
        out.extend(&due[..count]);
        plug.handle_returned(count);
    }

    proptest! {
        #[test]
        fn without_faults_every_byte_comes_back_in_order(
            sent in prop::collection::vec(any::<u8>(), 0..2000), piece in 1_usize..300, room in 1_usize..300,
            delay_us in 0_u32..5,
        ) {
            let mut plug = plug(&format!("--delay-us {delay_us}"), 1);
            prop_assert_eq!(run(&mut plug, &sent, piece, room), sent.clone());
            let n = sent.len() as u64;
            prop_assert_eq!(plug.counts(), ByteCounts { bytes_seen: n, bytes_returned: n, ..ByteCounts::default() });
        }

        #[test]
        fn the_counts_balance_and_pieces_make_no_difference(
            seed: u64, drop in 0.0..0.5_f64, drop_run in 1_u32..10, insert in 0.0..0.5_f64, flip_ratio in 0.0..0.1_f64,
            piece in 1_usize..300, length in 0_usize..2000,
        ) {
            let arguments = format!("--drop {drop} --drop-run {drop_run} --insert {insert} --flip-ratio {flip_ratio}");
            let sent = vec![0x5A; length];
            let mut whole = plug(&arguments, seed);
            let out = run(&mut whole, &sent, 4000, 4000);
            let counts = whole.counts();
            prop_assert_eq!(counts.bytes_returned, out.len() as u64);
            prop_assert_eq!(counts.pending, 0);
            prop_assert_eq!(counts.bytes_seen + counts.bytes_inserted, counts.bytes_returned + counts.bytes_dropped);
            prop_assert!(counts.bytes_dropped <= counts.drop_runs * u64::from(drop_run));
            let mut pieces = plug(&arguments, seed);
            prop_assert_eq!(run(&mut pieces, &sent, piece, 4000), out);
            prop_assert_eq!(pieces.counts(), counts);
        }

        #[test]
        fn flips_are_counted_per_bit_and_per_byte(seed: u64, flip_ratio in 0.0..=1.0_f64, length in 0_usize..500) {
            let mut plug = plug(&format!("--flip-ratio {flip_ratio}"), seed);
            let out = run(&mut plug, &vec![0; length], 64, 64);
            let bits: u32 = out.iter().map(|byte| byte.count_ones()).sum();
            prop_assert_eq!(plug.counts().bits_flipped, u64::from(bits));
            prop_assert_eq!(plug.counts().bytes_damaged, out.iter().filter(|&&byte| byte != 0).count() as u64);
        }
    }

    #[test]
    fn an_outage_takes_exactly_its_bytes() {
        let mut plug = plug("--outage 3:4", 1);
        let out = run(&mut plug, &[0, 1, 2, 3, 4, 5, 6, 7, 8], 2, 100);
        assert_eq!(out, [0, 1, 2, 7, 8]);
        assert_eq!((plug.counts().bytes_dropped, plug.counts().drop_runs), (4, 0));
    }

    #[test]
    fn a_run_of_losses_has_its_length() {
        let mut plug = plug("--drop 1 --drop-run 5", 1);
        plug.handle_bytes(&[1], 0);
        plug.set("drop", "0").unwrap();
        plug.handle_bytes(&[2, 3, 4, 5, 6, 7], 0);
        assert_eq!(plug.due(0), [6, 7]);
        assert_eq!((plug.counts().drop_runs, plug.counts().bytes_dropped), (1, 5));
    }

    #[test]
    fn pieces_of_one_byte_are_returned_too() {
        let mut plug = plug("--insert 1", 4);
        let out = run(&mut plug, &[9, 9, 9], 1, 1);
        assert_eq!(out.len(), 6);
        assert_eq!(out.iter().skip(1).step_by(2).copied().collect::<Vec<_>>(), [9, 9, 9]);
    }
}
