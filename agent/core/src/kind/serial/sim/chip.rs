//! The receiving half of the chip and the host behind it: a small store that overflows when nobody fetches from it, the
//! driver's buffer, and the counts of what went wrong.

use std::collections::VecDeque;

use super::rig::SerialRig;
use crate::base::rng::Rng;
use crate::base::time::Nanos;
use crate::kind::serial::format::LineErrors;

/// What comes in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Item {
    /// A character.
    Byte {
        /// Its data bits.
        value: u8,
        /// No stop bit where one was due.
        framing: bool,
        /// A wrong parity bit.
        parity: bool,
    },
    /// The line was held.
    Break,
}

/// Receiver, store and driver, with the stalls of a busy host.
#[derive(Debug)]
pub(super) struct Chip {
    fifo_bytes: usize,
    buffer_bytes: usize,
    marks_errors: bool,
    /// In the chip, waiting for the host.
    fifo: VecDeque<Item>,
    /// In the driver, with the moment from which the program may have it.
    ready: VecDeque<(Nanos, Item)>,
    /// While the host does something else: until when.
    stalled_until: Nanos,
    next_stall: Nanos,
    stall_ns: u64,
    every_ns: f64,
    stalls: Rng,
    pub(super) latency_ns: u64,
    pub(super) errors: LineErrors,
}

impl Chip {
    pub(super) fn new(rig: &SerialRig, rng: Rng) -> Self {
        let mut chip = Self {
            fifo_bytes: rig.uart.fifo_bytes as usize,
            buffer_bytes: rig.uart.buffer_bytes as usize,
            marks_errors: rig.uart.marks_errors,
            fifo: VecDeque::new(),
            ready: VecDeque::new(),
            stalled_until: 0,
            next_stall: Nanos::MAX,
            stall_ns: rig.host.stall_s.ns(),
            every_ns: rig.host.every_s.ns() as f64,
            stalls: rng,
            latency_ns: u64::from(rig.uart.latency_us) * 1000,
            errors: LineErrors::default(),
        };
        chip.plan_stall(0);
        chip
    }

    fn plan_stall(&mut self, from: Nanos) {
        if self.stall_ns > 0 {
            self.next_stall = from + self.stalls.exponential(self.every_ns) as u64;
        }
    }

    /// A character has come in.
    pub(super) fn arrive(&mut self, at: Nanos, item: Item) {
        self.pass_time(at);
        match item {
            Item::Break => self.errors.breaks += 1,
            Item::Byte { framing, parity, .. } => {
                self.errors.framing += u64::from(framing);
                self.errors.parity += u64::from(parity && !framing);
            }
        }
        if self.fifo.len() >= self.fifo_bytes {
            self.errors.overrun += 1;
            return;
        }
        self.fifo.push_back(item);
        if at >= self.stalled_until {
            self.fetch(at);
        }
    }

    /// Stalls begin and end, up to `now`.
    pub(super) fn pass_time(&mut self, now: Nanos) {
        loop {
            if self.stalled_until > 0 && self.stalled_until <= now {
                let end = std::mem::take(&mut self.stalled_until);
                self.fetch(end);
                self.plan_stall(end);
            } else if self.next_stall <= now {
                self.stalled_until = self.next_stall + self.stall_ns;
                self.next_stall = Nanos::MAX;
            } else {
                return;
            }
        }
    }

    fn fetch(&mut self, at: Nanos) {
        for item in self.fifo.drain(..) {
            if self.ready.len() >= self.buffer_bytes {
                self.errors.buffer_overrun += 1;
                continue;
            }
            let item = match item {
                Item::Byte { value, .. } if !self.marks_errors => Item::Byte { value, framing: false, parity: false },
                other => other,
            };
            self.ready.push_back((at + self.latency_ns, item));
        }
    }

    /// The next character that the program may have at `now`.
    pub(super) fn take(&mut self, now: Nanos) -> Option<Item> {
        self.ready.front().filter(|(at, _)| *at <= now)?;
        self.ready.pop_front().map(|(_, item)| item)
    }

    /// When the program may have the next one; none if nothing is in.
    pub(super) fn next_ready_at(&self) -> Option<Nanos> {
        match self.ready.front() {
            Some((at, _)) => Some(*at),
            None if self.fifo.is_empty() => None,
            None => Some(self.stalled_until + self.latency_ns),
        }
    }

    pub(super) fn clear(&mut self) {
        self.fifo.clear();
        self.ready.clear();
    }
}
