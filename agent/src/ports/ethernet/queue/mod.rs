//! What is seen on each queue that the driver claims, with a plug.
//!
//! Flows of frames are sent one after the other, each from the processor that is its own. Kernel, driver and adapter
//! choose the queues: out by the flow or by the processor, in by the flow. The kernel says which each frame took. A
//! flow that does not come back is sent again and again, in turns with one that does. No setting is changed.

mod sys;

use std::{
    collections::BTreeMap,
    path::Path,
    time::{Duration, Instant},
};

use turnback_core::{
    bench::queues::{JUDGED_LEAST, PortQueues, QueueFacts, Way},
    kind::ethernet::probe::Address,
};

use super::{
    device::{
        ethtool::{Interface, channels::Channels},
        interrupts::Interrupts,
    },
    sample::{Family, Flow, Inside, Sample, ends},
    socket::{On, SpreadSockets},
};
use crate::ports::PortError;
use sys::OnProcessor;

/// Tests the queues of a port, which the result does not number: so many flows for each queue.
pub(super) fn test(
    device: &Interface,
    address: Address,
    flows: u32,
    is_ended: &mut dyn FnMut() -> bool,
) -> Result<Option<PortQueues>, PortError> {
    test_with(device, address, flows, PATIENCE, is_ended)
}

/// The same; `patience` is how long a frame may take, out and back.
fn test_with(
    device: &Interface,
    address: Address,
    count: u32,
    patience: Duration,
    is_ended: &mut dyn FnMut() -> bool,
) -> Result<Option<PortQueues>, PortError> {
    let failed = |error: &dyn std::fmt::Display| PortError::Device(error.to_string());
    let claimed = device.channels().map_err(|error| failed(&error))?.unwrap_or(ONE_EACH);
    let index = device.index().map_err(|error| failed(&error))?;
    let interrupts = Interrupts::of(Path::new("/sys"), device.name());
    let of_queue = interrupts.by_queue(claimed);
    let before = interrupts.counts();
    let mut bench = Bench {
        sockets: SpreadSockets::open(index, claimed.receive, claimed.transmit)?,
        ends: ends(address),
        number: 0,
        processor: OnProcessor::of_this_thread().map_err(|error| failed(&error))?,
        sent: BTreeMap::new(),
        came: BTreeMap::new(),
        is_untold: false,
    };
    let count = count.saturating_mul(claimed.receive.max(claimed.transmit)).min(FLOWS_MAX);
    let mut trip = |flow: u32| bench.trip(flow, patience);
    let Some(mut facts) = flows(count, &mut trip, is_ended)? else { return Ok(None) };
    if facts.flows_lost > 0 {
        // A queue without interrupts may be emptied now and then all the same.
        bench.gather(LATE)?;
    }
    let after = interrupts.counts();
    let raised = |way, number| {
        let irq = of_queue.get(&(way, number))?;
        after.get(irq)?.checked_sub(*before.get(irq)?)
    };
    let receive = (0..claimed.receive).map(|number| {
        let frames = bench.came.get(&number).copied().unwrap_or(0);
        let frames = Some(frames).filter(|_| !bench.is_untold);
        QueueFacts { frames, interrupts: raised(Way::Receive, number), ..QueueFacts::new(Way::Receive, number) }
    });
    let transmit = (0..claimed.transmit).map(|number| {
        let (frames, returned) = bench.sent.get(&number).copied().unwrap_or((0, 0));
        let (frames, returned) = (Some(frames), Some(returned));
        let interrupts = raised(Way::Transmit, number);
        QueueFacts { frames, returned, interrupts, ..QueueFacts::new(Way::Transmit, number) }
    });
    facts.queues = receive.chain(transmit).collect();
    Ok(Some(facts))
}

struct Bench {
    sockets: SpreadSockets,
    ends: (Address, Address),
    number: u32,
    processor: OnProcessor,
    /// Frames of each transmit queue, and how many of them came back.
    sent: BTreeMap<u32, (u64, u64)>,
    /// Frames of each receive queue.
    came: BTreeMap<u32, u64>,
    /// Which queue a frame came in on is not told.
    is_untold: bool,
}

/// What became of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Trip {
    Returned,
    Lost,
    /// The host kept it.
    NotSent,
}

/// Sends the flows, and those again that are lost. None: no flow comes back.
fn flows(
    count: u32,
    trip: &mut dyn FnMut(u32) -> Result<Trip, PortError>,
    is_ended: &mut dyn FnMut() -> bool,
) -> Result<Option<PortQueues>, PortError> {
    let (mut facts, mut lost, mut good) = (PortQueues::default(), Vec::new(), None);
    for flow in 0..count {
        if is_ended() || lost.len() >= LOST_ENOUGH || (good.is_none() && lost.len() >= NONE_RETURNS) {
            break;
        }
        match trip(flow)? {
            Trip::Returned => good = Some(flow),
            Trip::Lost => lost.push(flow),
            Trip::NotSent => continue,
        }
        facts.flows += 1;
    }
    let Some(good) = good else { return Ok(None) };
    for flow in lost.into_iter().take(REPEATED_MOST) {
        let mut stays_lost = true;
        for _ in 1..JUDGED_LEAST {
            if is_ended() {
                return Ok(Some(facts));
            }
            stays_lost &= trip(flow)? == Trip::Lost;
            facts.unsteady |= trip(good)? != Trip::Returned;
            if !stays_lost || facts.unsteady {
                break;
            }
        }
        facts.flows_lost += u64::from(stays_lost && !facts.unsteady);
    }
    Ok(Some(facts))
}

impl Bench {
    /// Sends a frame of a flow from the processor of that flow, and waits until it comes back.
    fn trip(&mut self, flow: u32, patience: Duration) -> Result<Trip, PortError> {
        self.processor.go(flow as usize);
        self.gather(Duration::ZERO)?;
        self.number += 1;
        let kind = (Family::V4, Inside::Tcp);
        let frame = Sample::of_flow(Flow::number(flow), self.number, kind, self.ends, PAYLOAD_BYTES).whole();
        if !self.sockets.send(&frame)? {
            return Ok(Trip::NotSent);
        }
        let (mut left, mut returned) = (None, false);
        let until = Instant::now() + patience;
        while left.is_none() || !returned {
            let Some(seen) = self.sockets.next(until.saturating_duration_since(Instant::now()))? else { break };
            match seen.on {
                On::Transmit(queue) if seen.bytes == frame => left = Some(queue),
                On::Receive(queue) => {
                    returned |= seen.bytes == frame;
                    self.count(&seen.bytes, queue);
                }
                On::Transmit(_) => {}
            }
        }
        tracing::debug!("flow {flow}: left on {left:?}, returned {returned}");
        // A frame that came back has left, whatever else is seen of it.
        if left.is_none() && !returned {
            return Ok(Trip::NotSent);
        }
        if let Some(Some(queue)) = left {
            let counts = self.sent.entry(queue).or_default();
            *counts = (counts.0 + 1, counts.1 + u64::from(returned));
        }
        Ok(if returned { Trip::Returned } else { Trip::Lost })
    }

    /// Counts what still comes in: frames that were given up.
    fn gather(&mut self, patience: Duration) -> Result<(), PortError> {
        let until = Instant::now() + patience.max(DRAINED_BY);
        let mut left = patience;
        while let Some(seen) = self.sockets.next(left)? {
            if let On::Receive(queue) = seen.on {
                self.count(&seen.bytes, queue);
            }
            if Instant::now() >= until {
                break;
            }
            left = left.min(until.saturating_duration_since(Instant::now()));
        }
        Ok(())
    }

    fn count(&mut self, frame: &[u8], queue: Option<u32>) {
        // Others may send as well.
        if frame.get(6..12) != Some(&self.ends.0[..]) {
            return;
        }
        match queue {
            Some(queue) => *self.came.entry(queue).or_default() += 1,
            None => self.is_untold = true,
        }
    }
}

/// Where the driver does not say.
const ONE_EACH: Channels = Channels { receive: 1, transmit: 1 };
/// Most flows of a port, so that hundreds of queues take no hours.
const FLOWS_MAX: u32 = 4096;
/// A frame of 100 bytes: no adapter pads it.
const PAYLOAD_BYTES: usize = 46;
/// How long a frame may take, out and back.
const PATIENCE: Duration = Duration::from_millis(200);
/// Drivers look after a queue that is stuck within two seconds (common practice, no source).
const LATE: Duration = Duration::from_millis(2500);
/// Others may go on sending.
const DRAINED_BY: Duration = Duration::from_millis(200);
/// More lost flows than these tell no more.
const LOST_ENOUGH: usize = 16;
/// So many in the beginning, and none that came back: no flow does.
const NONE_RETURNS: usize = 8;
/// So many of them are sent again.
const REPEATED_MOST: usize = 8;

#[cfg(test)]
mod tests;
