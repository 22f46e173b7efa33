//! The sending and the receiving half of an interface, as a runner drives them.

use std::{thread, time::Duration};

use turnback_core::{
    base::time::{ClockSource, Nanos},
    kind::ethernet::stream::Outgoing,
};

use super::socket::{Clock, FrameRing, FrameSender, RawFrame, SocketError, Stamped};
use crate::ports::clock::now_ns;
use crate::ports::{
    departure::Departure,
    error::PortError,
    runner::threads::{Incoming, Receiver, Sender},
};

impl Sender for FrameSender {
    fn send(&mut self, batch: &[Outgoing<'_>]) -> Result<usize, PortError> {
        match FrameSender::send(self, batch) {
            Ok(sent) => Ok(sent.accepted),
            // Down is a state of the link, which the watcher sees; it may come up again. So does a frame that fitted
            // when the plan was made: somebody lowered the MTU since, which the watcher hears.
            Err(SocketError::InterfaceDown { .. } | SocketError::FrameTooLong { .. }) => Ok(0),
            Err(error) => Err(error.into()),
        }
    }

    fn send_stamped(&mut self, probe: &Outgoing<'_>) -> Result<Option<Departure>, PortError> {
        match FrameSender::send_stamped(self, probe, STAMP_PATIENCE) {
            Ok(Stamped::Sent(departure)) => Ok(Some(departure)),
            Ok(Stamped::Refused(_)) | Err(SocketError::InterfaceDown { .. } | SocketError::FrameTooLong { .. }) => {
                Ok(None)
            }
            Err(error) => Err(error.into()),
        }
    }

    fn stamps_by_adapter(&self) -> bool {
        self.asks_adapter()
    }
}

/// One ring for echoes and for whatever else arrives: a second socket for foreign frames costs every echo a twentieth
/// of its time, an echo whose EtherType was damaged is found in its right order, and all frames carry the kernel's
/// stamps.
impl Receiver for FrameRing {
    fn receive(&mut self, timeout: Duration, each: &mut dyn FnMut(Incoming<'_>)) -> Result<bool, PortError> {
        let received = FrameRing::receive(self, timeout, &mut |frame: RawFrame<'_>| {
            let tagged = frame.vlan.is_some();
            each(Incoming { bytes: frame.bytes, at: frame.at_ns, clock: clock(frame.clock), tagged });
        });
        match received {
            Ok(received) => Ok(received.empty),
            // Down is a state of the link, which the watcher sees; it may come up again.
            Err(SocketError::InterfaceDown { .. }) => {
                thread::sleep(timeout);
                Ok(true)
            }
            Err(error) => Err(error.into()),
        }
    }

    fn stamp_by_adapter(&mut self, on: bool) -> Result<(), PortError> {
        Ok(self.stamp_by(if on { Clock::Adapter } else { Clock::Kernel })?)
    }

    fn drops(&mut self) -> Result<u64, PortError> {
        Ok(FrameRing::drops(self)?.frames)
    }

    fn waiting(&mut self) -> Result<u64, PortError> {
        Ok(FrameRing::waiting(self)?)
    }

    fn capacity_frames(&self, frame_bytes: usize) -> usize {
        FrameRing::capacity_frames(self, frame_bytes)
    }

    fn now(&self) -> Nanos {
        now_ns()
    }
}

fn clock(clock: Clock) -> ClockSource {
    match clock {
        Clock::Adapter => ClockSource::Adapter,
        Clock::Kernel => ClockSource::Kernel,
        Clock::Program => ClockSource::Program,
    }
}

/// How long kernel and adapter may take to give back a departure stamp. An adapter is asked for its own some time after
/// the frame left; a clock that gives none costs this three times.
const STAMP_PATIENCE: Duration = Duration::from_millis(10);
