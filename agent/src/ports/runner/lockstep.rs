//! Carries out steps on a simulated world: sender, line and receiver take turns on one thread, in virtual time.

use std::{
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use turnback_core::{
    base::time::{ClockSource, Nanos, SECOND_NS},
    judge::facts::Stopped,
    kind::ethernet::{
        probe::{Address, probe_source},
        sim::{Accept, Delivery, Span, World},
        stream::{
            StreamSpec,
            collect::{Collector, Echo, Flow, FrameCheck, Seen},
            transmit::{Amount, Transmitter, Turn},
        },
    },
    signal::outstanding::Outstanding,
};

use super::{Glimpse, READ_ON_MAX, StepAmount, StepOrder, StepResult, StepRunner, Strangers, count_sent, probe_of};
use crate::ports::error::PortError;

/// A world that a port and its runner share.
pub type SharedWorld = Arc<Mutex<World>>;

/// Locks a world. A panic elsewhere ends the whole run, so a poisoned lock says nothing new.
pub fn lock(world: &SharedWorld) -> MutexGuard<'_, World> {
    world.lock().unwrap_or_else(PoisonError::into_inner)
}

/// See the module text.
pub struct LockstepRunner {
    world: SharedWorld,
    address: Address,
    next_sequence: u64,
    /// Probes that were given up and may still come in.
    outstanding: Outstanding,
}

impl LockstepRunner {
    /// A runner on this world.
    pub fn new(world: SharedWorld) -> Self {
        let mut opened = lock(&world);
        opened.discard_received();
        let address = opened.address();
        drop(opened);
        Self { world, address, next_sequence: 0, outstanding: Outstanding::default() }
    }
}

impl StepRunner for LockstepRunner {
    fn direction(&self) -> String {
        "out-and-back".into()
    }

    fn listen(&mut self, time: Duration) -> Result<Strangers, PortError> {
        let mut world = lock(&self.world);
        let end = world.now() + time.as_nanos() as u64;
        let own = [self.address, probe_source(self.address)];
        let mut strangers = Strangers::default();
        while world.now() < end {
            let next = world.next_delivery_at().unwrap_or(end).clamp(world.now() + 1, end);
            world.advance_to(next);
            world.receive(&mut |d| strangers.note_before(d.bytes, &own));
        }
        Ok(strangers)
    }

    fn late(&mut self, tag: u64, most: u64, time: Duration) -> Result<u64, PortError> {
        let mut world = lock(&self.world);
        let end = world.now() + READ_ON_MAX.as_nanos() as u64;
        let mut until = world.now() + time.as_nanos() as u64;
        let mut late = 0;
        while late < most && world.now() < until.min(end) {
            let next = world.next_delivery_at().unwrap_or(until).clamp(world.now() + 1, until);
            world.advance_to(next);
            let before = late;
            world.receive(&mut |d| {
                late += u64::from(probe_of(d.bytes, tag).is_some_and(|sequence| self.outstanding.take(sequence)));
            });
            if late > before {
                until = world.now() + time.as_nanos() as u64;
            }
        }
        Ok(late)
    }

    fn run(
        &mut self,
        order: StepOrder,
        watch: &mut dyn FnMut(Glimpse) -> Option<Stopped>,
    ) -> Result<StepResult, PortError> {
        let spec = StreamSpec {
            source: probe_source(self.address),
            destination: self.address,
            first_sequence: self.next_sequence,
            ..order.spec.clone()
        };
        let world = Arc::clone(&self.world);
        let mut world = lock(&world);
        let start = world.now();
        let drops_before = world.ring_drops();
        let (amount, flow) = match order.amount {
            StepAmount::Single(n) => (Amount::Probes(n.into()), Flow::Single),
            StepAmount::Flow(time) => (Amount::Until(start + time.as_nanos() as u64), Flow::Full),
        };
        let mut step = Step {
            tx: Transmitter::new(spec.clone(), amount, order.probes_per_second, u64::MAX, start),
            rx: Collector::new(spec.clone(), flow, order.origin, std::mem::take(&mut self.outstanding)),
            address: self.address,
            frame_bytes: spec.frame_bytes,
            result: StepResult { clocks: (ClockSource::Virtual, ClockSource::Virtual), ..StepResult::default() },
            sent_by_second: Vec::new(),
            refused: 0,
            origin: order.origin,
            next_watch: start,
            link_up: true,
            flow,
            patience_ns: order.settle.as_nanos() as u64,
            looked_at: 0,
            next_single: start,
        };
        step.send_all(&mut world, watch);
        step.result.seconds = (world.now() - start) as f64 / SECOND_NS as f64;
        step.settle(&mut world, spec.first_sequence, order.settle);
        self.next_sequence = step.tx.next_sequence();
        let sent = self.next_sequence - spec.first_sequence;
        let mut result = step.result;
        self.outstanding = step.rx.give_up(sent);
        result.tally = step.rx.finish(sent, step.refused, &step.sent_by_second);
        result.ring_drops = world.ring_drops() - drops_before;
        Ok(result)
    }
}

struct Step {
    tx: Transmitter,
    rx: Collector,
    address: Address,
    frame_bytes: usize,
    result: StepResult,
    sent_by_second: Vec<u64>,
    refused: u64,
    origin: Nanos,
    next_watch: Nanos,
    link_up: bool,
    flow: Flow,
    /// How long an echo is waited for at the end.
    patience_ns: u64,
    /// Probes sent by themselves since the last look of the watcher.
    looked_at: u64,
    /// When the next probe may be sent by itself.
    next_single: Nanos,
}

impl Step {
    fn send_all(&mut self, world: &mut World, watch: &mut dyn FnMut(Glimpse) -> Option<Stopped>) {
        loop {
            self.note_link(world);
            if world.now() >= self.next_watch || self.looked_at >= LOOKED_AT_MAX {
                self.next_watch = world.now() + WATCH_EVERY_NS;
                self.looked_at = 0;
                if let Some(stopped) = watch(self.glimpse(world.now())) {
                    self.result.stopped = Some(stopped);
                    return;
                }
            }
            match self.tx.poll(world.now(), 0) {
                Turn::Done => return,
                Turn::Full => unreachable!("a simulated step has no limit on probes out"),
                Turn::WaitUntil(then) => self.advance(world, then),
                Turn::Send(_) if self.flow == Flow::Full && self.carry(world) => {}
                Turn::Send(room) => {
                    let sequence = self.tx.next_sequence();
                    let now = world.now();
                    let keeps_up = self.flow == Flow::Full && world.host_keeps_up(self.frame_bytes, self.tx.gap_ps());
                    let many = match self.flow {
                        Flow::Single => 1,
                        Flow::Full if keeps_up => room.min(FEW),
                        Flow::Full => room,
                    };
                    let mut accept = Accept::Taken;
                    let accepted = self.tx.batch(many, now, |batch| {
                        batch
                            .iter()
                            .take_while(|probe| {
                                accept = world.send(&probe.header, probe.payload);
                                accept == Accept::Taken
                            })
                            .count()
                    });
                    self.tx.handle_sent(accepted);
                    self.rx.handle_sent(self.tx.next_sequence(), world.now());
                    count_sent(&mut self.sent_by_second, now, self.origin, accepted as u64);
                    self.refused += u64::from(accept != Accept::Taken);
                    self.looked_at += accepted as u64;
                    match (self.flow, accept) {
                        (Flow::Single, Accept::Taken) => self.wait_for(world, sequence),
                        (_, Accept::Taken) => self.hold_back(world, accepted as u64, keeps_up),
                        (_, Accept::Full) => {
                            let free = world.next_free_at().max(now + 1);
                            self.advance(world, free);
                        }
                        (_, Accept::LinkDown) => self.advance(world, now + LINK_POLL_NS),
                    }
                }
            }
        }
    }

    /// Carries over at once all the probes that would certainly fare alike: come back untouched, or vanish. False if
    /// the next must be sent by itself.
    fn carry(&mut self, world: &mut World) -> bool {
        let now = world.now();
        let until_watch = self.next_watch.max(now + WATCH_EVERY_NS) - now;
        let end = match self.tx.amount() {
            Amount::Until(end) => end.saturating_sub(now),
            Amount::Probes(_) => return false,
        };
        let Some(span) = world.span(self.frame_bytes, self.tx.gap_ps(), u64::MAX) else { return false };
        let count = span.count.min(span.pace.before(now.saturating_add(until_watch.min(end))));
        // Which of the echoes come too late shows only one by one.
        if count < SPAN_MIN || span.latency_ns.is_some_and(|latency_ns| latency_ns > self.patience_ns) {
            return false;
        }
        let span = Span { count, ..span };
        let sequence = self.tx.next_sequence();
        if span.latency_ns.is_some() {
            self.receive_with(None, |each| world.receive_all(each));
        }
        world.carry(&span, self.frame_bytes);
        self.tx.skip(count);
        self.rx.handle_sent(self.tx.next_sequence(), world.now());
        if let Some(latency_ns) = span.latency_ns {
            self.rx.handle_clean_span(sequence, count, span.pace, latency_ns);
        }
        for (at, here) in span.pace.by_second(count, self.origin) {
            count_sent(&mut self.sent_by_second, at, self.origin, here);
        }
        true
    }

    /// After probes sent by themselves: waits until the line is free where a stretch of probes may follow, and so that
    /// a second of the rig's time stays a matter of a moment, however fast its line and however odd its faults.
    fn hold_back(&mut self, world: &mut World, sent: u64, keeps_up: bool) {
        let now = world.now();
        self.next_single = self.next_single.max(now.saturating_sub(SINGLES_AHEAD_NS)) + sent * SINGLE_GAP_NS;
        let free = if keeps_up { world.line_free_at() } else { now };
        let end = match self.tx.amount() {
            Amount::Until(end) => end.max(now),
            Amount::Probes(_) => Nanos::MAX,
        };
        self.advance(world, free.max(self.next_single).min(end));
        while world.in_flight() >= IN_FLIGHT_MAX
            && world.now() < end
            && let Some(next) = world.next_delivery_at()
        {
            self.advance(world, next.clamp(world.now() + 1, end));
        }
    }

    fn wait_for(&mut self, world: &mut World, sequence: u64) {
        let sent_at = world.now();
        let deadline = sent_at + SINGLE_PATIENCE_NS;
        let mut arrived = None;
        while arrived.is_none() && world.now() < deadline {
            let next = world.next_delivery_at().unwrap_or(deadline).clamp(world.now() + 1, deadline);
            world.advance_to(next);
            arrived = self.receive(world, Some(sequence));
        }
        if let Some(at) = arrived {
            self.rx.handle_single_latency(sequence, at.saturating_sub(sent_at));
        }
    }

    fn receive(&mut self, world: &mut World, wanted: Option<u64>) -> Option<Nanos> {
        self.receive_with(wanted, |each| world.receive(each))
    }

    /// Takes in what `receive` hands over; when the echo of the probe `wanted` arrived, if it was among them.
    fn receive_with(
        &mut self,
        wanted: Option<u64>,
        receive: impl FnOnce(&mut dyn FnMut(Delivery<'_>)),
    ) -> Option<Nanos> {
        let mut arrived = None;
        let (rx, result, address) = (&mut self.rx, &mut self.result, self.address);
        receive(&mut |d| {
            let check = d.fcs_right.map(|right| if right { FrameCheck::Right } else { FrameCheck::Wrong });
            match rx.handle_echo(Echo { bytes: d.bytes, at: d.at, check }) {
                Seen::Probe { sequence, .. } if Some(sequence) == wanted => arrived = Some(d.at),
                Seen::Foreign => result.strangers.note(d.bytes, &[address, probe_source(address)]),
                _ => {}
            }
        });
        arrived
    }

    fn advance(&mut self, world: &mut World, to: Nanos) {
        world.advance_to(to);
        self.receive(world, None);
    }

    /// Waits for what is missing: `settle` after the last echo, since they may trickle in from a host that is behind.
    fn settle(&mut self, world: &mut World, first: u64, settle: Duration) {
        let settle = settle.as_nanos() as u64;
        let end = world.now() + settle + READ_ON_MAX.as_nanos() as u64;
        let mut until = world.now() + settle;
        let sent = self.tx.next_sequence() - first;
        while self.rx.returned() < sent && world.now() < until.min(end) {
            let Some(next) = world.next_delivery_at() else {
                self.advance(world, until);
                break;
            };
            let next = next.clamp(world.now() + 1, until);
            let before = self.rx.returned();
            self.advance(world, next);
            self.note_link(world);
            if self.rx.returned() > before {
                until = world.now() + settle;
            }
        }
    }

    fn note_link(&mut self, world: &World) {
        let up = world.link().up;
        self.result.link_flaps += u64::from(up && !self.link_up);
        self.link_up = up;
    }

    fn glimpse(&self, now: Nanos) -> Glimpse {
        let counts = &self.rx.tally().counts;
        Glimpse {
            now,
            sent: self.tx.next_sequence() - self.tx.spec().first_sequence,
            returned: counts.returned,
            overtaken: self.rx.overtaken(),
            bits_compared: counts.bits_compared,
            bit_errors: counts.bit_errors,
            foreign: self.result.strangers.foreign,
            link_up: Some(self.link_up),
            settles_for: None,
        }
    }
}

const SINGLE_PATIENCE_NS: u64 = 200_000_000;
const WATCH_EVERY_NS: u64 = SECOND_NS;
/// So many probes sent by themselves take about a tenth of a second of real time: the watcher looks.
const LOOKED_AT_MAX: u64 = 50_000;
/// Probes sent by themselves leave no faster than this in the mean, as on a computer that takes so long for each.
const SINGLE_GAP_NS: u64 = 10_000;
/// They may be ahead of that mean for a moment.
const SINGLES_AHEAD_NS: u64 = 100_000_000;
/// Frames that are held at most while they are under way.
const IN_FLIGHT_MAX: usize = 65_536;
/// Probes sent by themselves around a fault: enough for one to overtake another.
const FEW: usize = 8;
const LINK_POLL_NS: u64 = 1_000_000;
/// Fewer probes than this are sent by themselves: a span costs as much as a few.
const SPAN_MIN: u64 = 4;

#[cfg(test)]
mod tests;
