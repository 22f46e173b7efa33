//! The sending half of a stream: decides which probes may leave now, and gives their bytes.

use super::{Outgoing, StreamSpec};
use crate::base::time::{Nanos, SECOND_NS};
use crate::kind::ethernet::probe::HEADER_BYTES;
use crate::signal::pattern::Window;

/// Most probes handed to the port at once: enough that the system call is shared by many, few enough that a stamp read
/// once a batch is not far off.
pub const BATCH_MAX: usize = 64;

/// What the sender should do next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// Send this many probes.
    Send(usize),
    /// Nothing may go before this moment.
    WaitUntil(Nanos),
    /// As many probes are out as the receiver can hold: wait until it has caught up.
    Full,
    /// Everything has been sent.
    Done,
}

/// When a stream ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Amount {
    /// After this many probes.
    Probes(u64),
    /// At this moment on the port's clock.
    Until(Nanos),
}

/// The sending half of a stream. Order of calls: `poll`, then `batch` and `handle_sent` when it says [`Turn::Send`].
#[derive(Debug)]
pub struct Transmitter {
    spec: StreamSpec,
    window: Window,
    amount: Amount,
    /// Time between probes in nanoseconds times 2^16, 0 for as fast as the port takes them.
    gap_fixed: u64,
    due_fixed: u128,
    out_max: u64,
    next: u64,
}

impl Transmitter {
    /// A sender of `spec`'s probes from `start`, at `probes_per_second` (`None`: as fast as the port takes them), never
    /// with more than `out_max` probes that the receiver has not settled.
    pub fn new(spec: StreamSpec, amount: Amount, probes_per_second: Option<f64>, out_max: u64, start: Nanos) -> Self {
        let window = Window::new(&spec.pattern, 0);
        let gap_fixed = probes_per_second.map_or(0, |r| (SECOND_NS as f64 * 65536.0 / r.max(1e-3)) as u64);
        let next = spec.first_sequence;
        Self { spec, window, amount, gap_fixed, due_fixed: u128::from(start) << 16, out_max: out_max.max(1), next }
    }

    /// What to do at `now`, when the receiver has settled every probe below `settled`.
    pub fn poll(&mut self, now: Nanos, settled: u64) -> Turn {
        let mut room = BATCH_MAX as u64;
        match self.amount {
            Amount::Probes(n) => {
                let left = (self.spec.first_sequence + n).saturating_sub(self.next);
                if left == 0 {
                    return Turn::Done;
                }
                room = room.min(left);
            }
            Amount::Until(end) if now >= end => return Turn::Done,
            Amount::Until(_) => {}
        }
        let out = self.next.saturating_sub(settled.max(self.spec.first_sequence));
        if out >= self.out_max {
            return Turn::Full;
        }
        room = room.min(self.out_max - out);
        if self.gap_fixed > 0 {
            let now_fixed = u128::from(now) << 16;
            if now_fixed < self.due_fixed {
                return Turn::WaitUntil(((self.due_fixed + 0xFFFF) >> 16) as u64);
            }
            let due = ((now_fixed - self.due_fixed) / u128::from(self.gap_fixed)) as u64 + 1;
            // A sender that was held up does not make up for it in one burst: that would be another test.
            if due > 2 * BATCH_MAX as u64 {
                self.due_fixed = now_fixed;
                room = 1;
            } else {
                room = room.min(due);
            }
        }
        Turn::Send(room as usize)
    }

    /// Calls `send` with the next up to `count` probes, stamped `now`; returns what it returns.
    pub fn batch<R>(&mut self, count: usize, now: Nanos, send: impl FnOnce(&[Outgoing<'_>]) -> R) -> R {
        let payload_bytes = self.spec.payload_bytes();
        self.window.slide_to(Window::index_of(self.spec.phase_bytes(self.next)));
        let empty: &[u8] = &[];
        let mut probes = [Outgoing { header: [0; HEADER_BYTES], payload: empty }; BATCH_MAX];
        let mut filled = 0;
        for (probe, sequence) in probes.iter_mut().take(count.min(BATCH_MAX)).zip(self.next..) {
            // A batch ends where the window does; the next one begins with the window moved on.
            let header = self.spec.header(sequence, now);
            let Some(payload) = self.window.slice(header.shape.phase_bytes(), payload_bytes) else { break };
            probe.header = header.emit();
            probe.payload = payload;
            filled += 1;
        }
        send(&probes[..filled])
    }

    /// The port took the first `accepted` probes of the last batch. What it refused is sent again, under the same
    /// sequence.
    pub fn handle_sent(&mut self, accepted: usize) {
        self.next += accepted as u64;
        self.due_fixed += u128::from(self.gap_fixed) * accepted as u128;
    }

    /// Skips `count` probes that a simulated port carries without a look at each.
    pub fn skip(&mut self, count: u64) {
        self.next += count;
        self.due_fixed += u128::from(self.gap_fixed) * u128::from(count);
    }

    /// Time between probes asked for, nanoseconds; 0 for as fast as the port takes them.
    pub fn gap_ns(&self) -> u64 {
        self.gap_fixed >> 16
    }

    /// Sequence of the next probe.
    pub fn next_sequence(&self) -> u64 {
        self.next
    }

    /// The stream's specification.
    pub fn spec(&self) -> &StreamSpec {
        &self.spec
    }

    /// When the stream ends.
    pub fn amount(&self) -> Amount {
        self.amount
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::pattern::Pattern;

    fn spec(frame_bytes: usize) -> StreamSpec {
        StreamSpec {
            lane: 0,
            tag: 1,
            source: [2, 0, 0, 0, 0, 2],
            destination: [2, 0, 0, 0, 0, 1],
            pattern: Pattern::Prbs31,
            frame_bytes,
            first_sequence: 10,
        }
    }

    #[test]
    fn a_count_ends_the_stream() {
        let mut tx = Transmitter::new(spec(60), Amount::Probes(70), None, 1000, 0);
        assert_eq!(tx.poll(0, 10), Turn::Send(64));
        tx.handle_sent(64);
        assert_eq!(tx.poll(0, 10), Turn::Send(6));
        tx.handle_sent(6);
        assert_eq!(tx.poll(0, 10), Turn::Done);
    }

    #[test]
    fn no_more_than_the_receiver_can_hold_is_out() {
        let mut tx = Transmitter::new(spec(60), Amount::Until(100), None, 8, 0);
        assert_eq!(tx.poll(0, 10), Turn::Send(8));
        tx.handle_sent(8);
        assert_eq!(tx.poll(0, 10), Turn::Full);
        assert_eq!(tx.poll(0, 15), Turn::Send(5));
        assert_eq!(tx.poll(100, 15), Turn::Done);
    }

    #[test]
    fn pacing_keeps_the_mean_rate_and_does_not_make_up_a_pause_in_a_burst() {
        let mut tx = Transmitter::new(spec(60), Amount::Until(u64::MAX), Some(1000.0), 1 << 30, 0);
        assert_eq!(tx.poll(0, 10), Turn::Send(1));
        tx.handle_sent(1);
        assert_eq!(tx.poll(1, 10), Turn::WaitUntil(1_000_000));
        assert_eq!(tx.poll(3_000_000, 10), Turn::Send(3));
        tx.handle_sent(3);
        assert_eq!(tx.poll(SECOND_NS, 10), Turn::Send(1));
    }

    #[test]
    fn refused_probes_go_again_under_the_same_sequence() {
        let mut tx = Transmitter::new(spec(1514), Amount::Probes(5), None, 100, 0);
        let first = tx.batch(3, 1, |b| b.iter().map(|o| o.header[31]).collect::<Vec<_>>());
        tx.handle_sent(1);
        let second = tx.batch(1, 1, |b| b[0].header[31]);
        assert_eq!((first, second), (vec![10, 11, 12], 11));
    }

    #[test]
    fn payloads_follow_each_other_through_a_window_and_then_the_next() {
        let spec = spec(1514);
        let slots = (crate::signal::pattern::WINDOW_BYTES / 1458) as u64;
        let passes = crate::kind::ethernet::stream::WINDOW_PASSES;
        assert_eq!(spec.phase_bytes(10), 0);
        assert_eq!(spec.phase_bytes(11), 1458);
        assert_eq!(spec.phase_bytes(10 + slots), 0);
        assert_eq!(spec.phase_bytes(10 + slots * passes), crate::signal::pattern::WINDOW_BYTES as u64);
        let mut tx = Transmitter::new(spec, Amount::Probes(slots + 1), None, 5000, 0);
        let mut stream = Vec::new();
        while let Turn::Send(count) = tx.poll(0, 10) {
            let sent = tx.batch(count, 0, |b| {
                b.iter().for_each(|o| stream.extend_from_slice(o.payload));
                b.len()
            });
            tx.handle_sent(sent);
        }
        let mut whole = vec![0; 1458 * slots as usize];
        Pattern::Prbs31.fill(0, &mut whole);
        assert!(stream[..whole.len()] == whole && stream[whole.len()..] == whole[..1458]);
    }
}
