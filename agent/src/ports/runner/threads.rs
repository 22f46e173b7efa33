//! The software runner: a sender half and a receiver half on two plain threads that share a few counters and nothing
//! else.
//!
//! The sender never has more probes out than the receiver's ring can hold, so a receiver that the host keeps from its
//! processor loses nothing. What never comes back would block that window for ever: when the ring has been empty for
//! `GIVE_UP_AFTER` everything sent until then stops counting against it (the ledger still takes it if it comes).

use std::{
    sync::atomic::{AtomicBool, AtomicU64, Ordering},
    thread,
    time::{Duration, Instant},
};

use turnback_core::{
    base::time::{ClockSource, Nanos},
    judge::facts::Stopped,
    kind::ethernet::{
        probe::Address,
        stream::{
            Outgoing, StreamSpec,
            collect::{Collector, Echo, Flow, Seen},
            transmit::{Amount, Transmitter, Turn},
        },
    },
    signal::outstanding::Outstanding,
};

use super::{Glimpse, READ_ON_MAX, StepAmount, StepOrder, StepResult, StepRunner, Strangers, count_sent, probe_of};
use crate::ports::clock::now_ns;
use crate::ports::{departure::Departure, error::PortError};

mod looks;
mod trips;

use looks::{WATCH_EVERY, Watch, glimpse};
use trips::{Trip, of_one_clock};

/// The sending half of a port.
pub trait Sender: Send {
    /// Hands a batch to the port; says how many it took from the start.
    ///
    /// # Errors
    /// When the port vanished or cannot send at all; a full queue or a missing carrier is not an error.
    fn send(&mut self, batch: &[Outgoing<'_>]) -> Result<usize, PortError>;
    /// Sends one probe and says when it left, `None` when it was refused.
    ///
    /// # Errors
    /// As for [`Sender::send`].
    fn send_stamped(&mut self, probe: &Outgoing<'_>) -> Result<Option<Departure>, PortError>;
    /// Whether single probes are stamped by the adapter's own clock, as far as is known.
    fn stamps_by_adapter(&self) -> bool {
        false
    }
}

/// One frame as a receiving half hands it on.
#[derive(Clone, Copy, Debug)]
pub struct Incoming<'a> {
    /// The frame, without FCS.
    pub bytes: &'a [u8],
    /// When it arrived.
    pub at: Nanos,
    /// By which clock.
    pub clock: ClockSource,
    /// It carried a VLAN tag, which is not among the bytes.
    pub tagged: bool,
}

/// The receiving half of a port.
pub trait Receiver: Send {
    /// Hands on what has arrived, waiting at most `timeout` for something; true when nothing more is waiting. All that
    /// one call hands on has arrived before the first of it is handed on.
    ///
    /// # Errors
    /// When the port vanished.
    fn receive(&mut self, timeout: Duration, each: &mut dyn FnMut(Incoming<'_>)) -> Result<bool, PortError>;
    /// Frames dropped for want of room since the start.
    ///
    /// # Errors
    /// Whatever the system says.
    fn drops(&mut self) -> Result<u64, PortError>;
    /// Stamps what arrives from now on with the adapter's own clock, where it can, or with the kernel's again.
    ///
    /// # Errors
    /// Whatever the system says.
    fn stamp_by_adapter(&mut self, _on: bool) -> Result<(), PortError> {
        Ok(())
    }
    /// Frames that have come in and cannot be handed on yet: a reason to wait on before a probe is called lost.
    ///
    /// # Errors
    /// Whatever the system says.
    fn waiting(&mut self) -> Result<u64, PortError> {
        Ok(0)
    }
    /// How many frames of this length surely fit while nobody reads.
    fn capacity_frames(&self, frame_bytes: usize) -> usize;
    /// Now, on the clock of the arrivals.
    fn now(&self) -> Nanos;
}

/// See the module text.
pub struct ThreadRunner<S, R> {
    sender: S,
    receiver: R,
    direction: String,
    source: Address,
    destination: Address,
    own_addresses: Vec<Address>,
    next_sequence: u64,
    /// Probes that were given up and may still come in.
    outstanding: Outstanding,
}

impl<S: Sender, R: Receiver> ThreadRunner<S, R> {
    /// A runner from `source` to `destination`. Frames from `own_addresses` are this host's own, not another station's.
    pub fn new(
        sender: S,
        receiver: R,
        direction: String,
        (source, destination): (Address, Address),
        own_addresses: Vec<Address>,
    ) -> Self {
        Self {
            sender,
            receiver,
            direction,
            source,
            destination,
            own_addresses,
            next_sequence: 0,
            outstanding: Outstanding::default(),
        }
    }

    fn single(
        &mut self,
        order: &StepOrder,
        spec: StreamSpec,
        probes: u32,
        watch: &mut Watch<'_>,
    ) -> Result<StepResult, PortError> {
        let mut result = StepResult::default();
        let first = spec.first_sequence;
        let outstanding = std::mem::take(&mut self.outstanding);
        let mut collector = Collector::new(spec.clone(), Flow::Single, order.origin, outstanding);
        let mut tagged = 0;
        let mut tx = Transmitter::new(spec, Amount::Probes(probes.into()), None, u64::MAX, self.receiver.now());
        let mut sent_by_second = Vec::new();
        let (mut refused, mut missed) = (0, 0u32);
        let drops_before = self.receiver.drops()?;
        let mut trips = Vec::new();
        let mut by_adapter = None;
        let started = Instant::now();
        while tx.poll(self.receiver.now(), 0) != Turn::Done {
            let sequence = tx.next_sequence();
            let now = self.receiver.now();
            // A sender that gets no stamps of the adapter leaves off asking; arrivals must be of the same clock.
            if by_adapter != Some(self.sender.stamps_by_adapter()) {
                by_adapter = Some(self.sender.stamps_by_adapter());
                self.receiver.stamp_by_adapter(self.sender.stamps_by_adapter())?;
            }
            let sender = &mut self.sender;
            collector.handle_sent(sequence + 1, now);
            let departure = tx.batch(1, now, |batch| sender.send_stamped(&batch[0]))?;
            let Some(departure) = departure else {
                refused += 1;
                thread::sleep(REFUSED_PAUSE);
                if refused > REFUSALS_MAX {
                    break;
                }
                continue;
            };
            tx.handle_sent(1);
            count_sent(&mut sent_by_second, now, order.origin, 1);
            // After a few that did not come back the rest are not waited for as long: the answer is known by then.
            let patience = if missed < 3 { SINGLE_PATIENCE } else { SINGLE_PATIENCE / 8 };
            let deadline = Instant::now() + patience;
            let mut arrival = None;
            loop {
                // Asked before looking: who was kept from the processor for so long has not looked yet.
                let overdue = Instant::now() >= deadline;
                let own = &self.own_addresses;
                self.receiver.receive(Duration::from_millis(5), &mut |frame| {
                    let seen = collector.handle_echo(Echo { bytes: frame.bytes, at: frame.at, check: None });
                    match seen {
                        Seen::Probe { sequence: s, .. } if s == sequence => arrival = Some((frame.at, frame.clock)),
                        Seen::Foreign => result.strangers.note(frame.bytes, own),
                        _ => {}
                    }
                    tagged += u64::from(frame.tagged && matches!(seen, Seen::Probe { .. }));
                })?;
                if overdue || arrival.is_some() {
                    break;
                }
            }
            match arrival {
                Some((at, clock)) => {
                    // A clock that was set back between the two stamps would give a negative trip: leave it out.
                    if let Some((left, left_by)) = departure.against(clock)
                        && let Some(trip) = at.checked_sub(left)
                    {
                        trips.push(Trip { sequence, trip, clocks: (left_by, clock) });
                    }
                }
                None => missed += 1,
            }
            if let Some(stopped) = watch.look(glimpse(
                &collector,
                tx.next_sequence() - first,
                result.strangers.foreign,
                self.receiver.now(),
            )) {
                result.stopped = Some(stopped);
                break;
            }
        }
        let sent = tx.next_sequence() - first;
        self.next_sequence = tx.next_sequence();
        // What is only late is not lost.
        let deadline = Instant::now() + order.settle;
        let mut overdue = missed == 0;
        while !overdue && collector.returned() < sent {
            overdue =
                Instant::now() >= deadline && self.receiver.waiting()? == 0 || Instant::now() >= deadline + READ_ON_MAX;
            self.receiver.receive(RECEIVE_TIMEOUT, &mut |frame| {
                collector.handle_echo(Echo { bytes: frame.bytes, at: frame.at, check: None });
            })?;
            let glimpse = glimpse(&collector, sent, result.strangers.foreign, self.receiver.now());
            let settles_for = Some(deadline.saturating_duration_since(Instant::now()));
            let stopped = watch.look(Glimpse { settles_for, ..glimpse });
            result.stopped = result.stopped.or(stopped);
        }
        result.ring_drops = self.receiver.drops()?.saturating_sub(drops_before);
        result.seconds = started.elapsed().as_secs_f64();
        for trip in of_one_clock(trips, &mut result.clocks) {
            collector.handle_single_latency(trip.sequence, trip.trip);
        }
        self.outstanding = collector.give_up(sent);
        result.tally = collector.finish(sent, refused, &sent_by_second);
        result.tally.counts.tagged += tagged;
        Ok(result)
    }

    fn flow(
        &mut self,
        order: &StepOrder,
        spec: StreamSpec,
        time: Duration,
        watch: &mut Watch<'_>,
    ) -> Result<StepResult, PortError> {
        let drops_before = self.receiver.drops()?;
        // In full flow a probe carries the program's time, which no adapter's count can be held against.
        self.receiver.stamp_by_adapter(false)?;
        let start = self.receiver.now();
        let out_max = (self.receiver.capacity_frames(spec.frame_bytes) / 2).clamp(64, OUT_MAX) as u64;
        let shared = Shared::new(spec.first_sequence, start);
        // The time runs from the sender's own first turn: a computer so busy that the thread begins late takes nothing
        // off it.
        let paced = order.probes_per_second;
        let transmitter = {
            let spec = spec.clone();
            move |now: Nanos| Transmitter::new(spec, Amount::Until(now + time.as_nanos() as u64), paced, out_max, now)
        };
        let collector = Collector::new(spec, Flow::Full, order.origin, std::mem::take(&mut self.outstanding));
        let (sender, receiver) = (&mut self.sender, &mut self.receiver);
        let own = &self.own_addresses;
        let (sent_half, received_half, stopped) = thread::scope(|scope| {
            let sending = scope.spawn(|| send_half(sender, transmitter, order.origin, &shared));
            let receiving = scope.spawn(|| receive_half(receiver, collector, own, order.settle, &shared));
            let mut stopped = None;
            while !receiving.is_finished() {
                thread::park_timeout(WATCH_EVERY);
                // Also once it is to stop: what is out is still waited for, and that is told.
                stopped = stopped.or(watch.look(shared.glimpse()));
                shared.stop.fetch_or(stopped.is_some(), Ordering::AcqRel);
            }
            (join(sending), join(receiving), stopped)
        });
        let sent_half = sent_half?;
        let ReceivedHalf { mut collector, strangers, tagged, clock } = received_half?;
        self.next_sequence = sent_half.next_sequence;
        let sent = sent_half.next_sequence - shared.first;
        self.outstanding = collector.give_up(sent);
        let mut tally = collector.finish(sent, sent_half.refused, &sent_half.by_second);
        tally.counts.tagged += tagged;
        Ok(StepResult {
            tally,
            seconds: sent_half.seconds,
            ring_drops: self.receiver.drops()?.saturating_sub(drops_before),
            strangers,
            stopped: stopped.or(sent_half.stopped),
            link_flaps: 0,
            clocks: (ClockSource::Program, clock),
        })
    }
}

impl<S: Sender, R: Receiver> StepRunner for ThreadRunner<S, R> {
    fn direction(&self) -> String {
        self.direction.clone()
    }

    fn listen(&mut self, time: Duration) -> Result<Strangers, PortError> {
        let mut strangers = Strangers::default();
        let deadline = Instant::now() + time;
        let own = &self.own_addresses;
        while Instant::now() < deadline {
            self.receiver.receive(Duration::from_millis(10), &mut |frame| strangers.note_before(frame.bytes, own))?;
        }
        Ok(strangers)
    }

    fn late(&mut self, tag: u64, most: u64, time: Duration) -> Result<u64, PortError> {
        let started = Instant::now();
        let (mut late, mut last) = (0, started);
        while late < most && last.elapsed() < time && started.elapsed() < READ_ON_MAX {
            let (before, outstanding) = (late, &mut self.outstanding);
            self.receiver.receive(RECEIVE_TIMEOUT, &mut |frame| {
                late += u64::from(probe_of(frame.bytes, tag).is_some_and(|sequence| outstanding.take(sequence)));
            })?;
            if late > before {
                last = Instant::now();
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
            source: self.source,
            destination: self.destination,
            first_sequence: self.next_sequence,
            ..order.spec.clone()
        };
        let mut watch = Watch::new(watch);
        match order.amount {
            StepAmount::Single(probes) => self.single(&order, spec, probes, &mut watch),
            StepAmount::Flow(time) => self.flow(&order, spec, time, &mut watch),
        }
    }
}

/// What the two halves share.
struct Shared {
    first: u64,
    /// One past the last probe offered to the port: no echo can be of a later one.
    offered: AtomicU64,
    /// One past the last probe the port took.
    next: AtomicU64,
    /// Every probe below this is back or no longer waited for.
    settled: AtomicU64,
    returned: AtomicU64,
    overtaken: AtomicU64,
    bits_compared: AtomicU64,
    bit_errors: AtomicU64,
    foreign: AtomicU64,
    now: AtomicU64,
    /// How long what is missing is still waited for, ns; [`SENDING`] while it is sent.
    settles_ns: AtomicU64,
    sending_done: AtomicBool,
    stop: AtomicBool,
}

impl Shared {
    fn new(first: u64, now: Nanos) -> Self {
        Self {
            first,
            offered: AtomicU64::new(first),
            next: AtomicU64::new(first),
            settled: AtomicU64::new(first),
            returned: AtomicU64::new(0),
            overtaken: AtomicU64::new(0),
            bits_compared: AtomicU64::new(0),
            bit_errors: AtomicU64::new(0),
            foreign: AtomicU64::new(0),
            now: AtomicU64::new(now),
            settles_ns: AtomicU64::new(SENDING),
            sending_done: AtomicBool::new(false),
            stop: AtomicBool::new(false),
        }
    }

    fn glimpse(&self) -> Glimpse {
        Glimpse {
            now: self.now.load(Ordering::Relaxed),
            sent: self.next.load(Ordering::Relaxed) - self.first,
            returned: self.returned.load(Ordering::Relaxed),
            overtaken: self.overtaken.load(Ordering::Relaxed),
            bits_compared: self.bits_compared.load(Ordering::Relaxed),
            bit_errors: self.bit_errors.load(Ordering::Relaxed),
            foreign: self.foreign.load(Ordering::Relaxed),
            link_up: None,
            settles_for: match self.settles_ns.load(Ordering::Relaxed) {
                SENDING => None,
                ns => Some(Duration::from_nanos(ns)),
            },
        }
    }
}

struct SentHalf {
    next_sequence: u64,
    refused: u64,
    by_second: Vec<u64>,
    seconds: f64,
    stopped: Option<Stopped>,
}

fn send_half<S: Sender>(
    sender: &mut S,
    transmitter: impl FnOnce(Nanos) -> Transmitter,
    origin: Nanos,
    shared: &Shared,
) -> Result<SentHalf, PortError> {
    let mut half = SentHalf { next_sequence: 0, refused: 0, by_second: Vec::new(), seconds: 0.0, stopped: None };
    let started = Instant::now();
    let mut now = now_ns();
    let mut tx = transmitter(now);
    let mut refused_in_a_row = 0u32;
    let result = loop {
        if shared.stop.load(Ordering::Acquire) {
            break Ok(());
        }
        match tx.poll(now, shared.settled.load(Ordering::Acquire)) {
            Turn::Done => break Ok(()),
            Turn::Full => thread::sleep(FULL_PAUSE),
            // No longer at once than the wish to end is looked at.
            Turn::WaitUntil(then) => wait(then.saturating_sub(now).min(WATCH_EVERY.as_nanos() as u64)),
            Turn::Send(count) => {
                let first = tx.next_sequence();
                let (offered, accepted) = tx.batch(count, now, |batch| {
                    shared.offered.store(first + batch.len() as u64, Ordering::Release);
                    (batch.len(), sender.send(batch))
                });
                let accepted = match accepted {
                    Ok(accepted) => accepted,
                    Err(error) => break Err(error),
                };
                tx.handle_sent(accepted);
                shared.next.store(tx.next_sequence(), Ordering::Release);
                count_sent(&mut half.by_second, now, origin, accepted as u64);
                if accepted < offered {
                    half.refused += 1;
                    refused_in_a_row = if accepted == 0 { refused_in_a_row + 1 } else { 0 };
                    // A full queue empties within microseconds; a port without carrier does not.
                    thread::sleep(if refused_in_a_row < 100 { REFUSED_PAUSE } else { WATCH_EVERY });
                } else {
                    refused_in_a_row = 0;
                }
            }
        }
        now = now_ns();
    };
    half.seconds = started.elapsed().as_secs_f64();
    half.next_sequence = tx.next_sequence();
    shared.sending_done.store(true, Ordering::Release);
    match result {
        Err(PortError::Gone(_)) => {
            half.stopped = Some(Stopped::PortGone);
            Ok(half)
        }
        Err(error) => Err(error),
        Ok(()) => Ok(half),
    }
}

struct ReceivedHalf {
    collector: Collector,
    strangers: Strangers,
    tagged: u64,
    clock: ClockSource,
}

fn receive_half<R: Receiver>(
    receiver: &mut R,
    mut collector: Collector,
    own: &[Address],
    settle: Duration,
    shared: &Shared,
) -> Result<ReceivedHalf, PortError> {
    let (mut strangers, mut tagged, mut clock) = (Strangers::default(), 0, ClockSource::Kernel);
    let mut last_frame = Instant::now();
    let mut sending_ended: Option<Instant> = None;
    loop {
        let sent_before = shared.next.load(Ordering::Acquire);
        let done_before = shared.sending_done.load(Ordering::Acquire);
        let mut frames = 0u32;
        // The time before looking: whoever is kept from the processor after it has not seen what came in since.
        let now = Instant::now();
        let received = receiver.receive(RECEIVE_TIMEOUT, &mut |frame| {
            if frames == 0 {
                let offered = shared.offered.load(Ordering::Acquire);
                collector.handle_sent(offered, now_ns());
            }
            frames += 1;
            // What waited in the ring may still have the stamp of an adapter's own clock: no time to tell here.
            let comparable = frame.clock != ClockSource::Adapter;
            if comparable {
                clock = frame.clock;
            }
            let at = if comparable { frame.at } else { NO_TIME };
            let seen = collector.handle_echo(Echo { bytes: frame.bytes, at, check: None });
            if seen == Seen::Foreign {
                strangers.note(frame.bytes, own);
            }
            tagged += u64::from(frame.tagged && matches!(seen, Seen::Probe { .. }));
        });
        let empty = match received {
            Ok(empty) => empty,
            // The sender half meets the same error and says it; what was counted is kept.
            Err(PortError::Gone(_)) => {
                shared.stop.store(true, Ordering::Release);
                true
            }
            Err(error) => {
                shared.stop.store(true, Ordering::Release);
                return Err(error);
            }
        };
        if frames > 0 {
            last_frame = now;
        }
        let idle = empty && now - last_frame > GIVE_UP_AFTER;
        let settled = if idle { sent_before } else { collector.next_expected() };
        shared.settled.fetch_max(settled, Ordering::AcqRel);
        shared.now.store(receiver.now(), Ordering::Relaxed);
        let counts = &collector.tally().counts;
        shared.returned.store(counts.returned, Ordering::Relaxed);
        shared.overtaken.store(collector.overtaken(), Ordering::Relaxed);
        shared.bits_compared.store(counts.bits_compared, Ordering::Relaxed);
        shared.bit_errors.store(counts.bit_errors, Ordering::Relaxed);
        shared.foreign.store(strangers.foreign, Ordering::Relaxed);
        if done_before {
            let ended = *sending_ended.get_or_insert_with(Instant::now);
            let all_back = collector.returned() >= shared.next.load(Ordering::Acquire) - shared.first;
            // What waits in the ring is read to its end, however late: it came back. A flood of others ends the step.
            // Echoes may trickle in from a host that is behind with its work.
            let waited = now.saturating_duration_since(ended.max(last_frame));
            let read_on = now.saturating_duration_since(ended);
            shared.settles_ns.store(settle.saturating_sub(waited).as_nanos() as u64, Ordering::Relaxed);
            let over = empty && (all_back || waited > settle && receiver.waiting()? == 0);
            if over || read_on > settle + READ_ON_MAX {
                return Ok(ReceivedHalf { collector, strangers, tagged, clock });
            }
        }
    }
}

/// No time that is waited for what is missing: it is still sent.
const SENDING: u64 = u64::MAX;

/// Before every departure: no round trip is booked from it.
const NO_TIME: Nanos = 0;

/// Sleeps, or gives way for waits too short to sleep.
fn wait(ns: u64) {
    if ns > SLEEP_FLOOR_NS { thread::sleep(Duration::from_nanos(ns - SLEEP_FLOOR_NS / 2)) } else { thread::yield_now() }
}

fn join<T>(handle: thread::ScopedJoinHandle<'_, T>) -> T {
    handle.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
}

/// After this long without an echo, probes still out no longer count against the sender's window.
const GIVE_UP_AFTER: Duration = Duration::from_millis(50);
/// How long a probe that travels alone is waited for. Ten times the round trip of the longest line a plug can sit on.
const SINGLE_PATIENCE: Duration = Duration::from_millis(200);
/// Most probes out at once: fewer than a virtual device's own queue holds, enough to keep any line busy.
const OUT_MAX: usize = 8192;
const RECEIVE_TIMEOUT: Duration = Duration::from_millis(5);
const FULL_PAUSE: Duration = Duration::from_micros(50);
const REFUSED_PAUSE: Duration = Duration::from_micros(20);
/// Refusals in a row of a single probe after which the port is taken not to send.
const REFUSALS_MAX: u64 = 2000;
/// Linux wakes a sleeper some 50 to 60 microseconds late (default timer slack).
const SLEEP_FLOOR_NS: u64 = 120_000;

#[cfg(test)]
mod tests;
