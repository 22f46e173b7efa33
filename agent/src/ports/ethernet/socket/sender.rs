//! Frames out of one interface, in batches, or one by one with a time stamp.

use std::{
    io,
    time::{Duration, Instant},
};

use turnback_core::kind::ethernet::stream::Outgoing;

use super::{error::SocketError, packet::PacketSocket, stamp::Clock, sys};
use crate::ports::clock::{ClockPair, now_ns};
use crate::ports::departure::Departure;

/// Sends frames out of one interface.
///
/// Frames are gathered by the kernel from header and payload (`sendmmsg`). A transmit ring is not faster here: on a
/// virtual cable both are bound by the kernel's way of a frame and stayed within the noise of each other, and a ring
/// would need the payload copied by the program.
#[derive(Debug)]
pub struct FrameSender {
    packet: PacketSocket,
    queue: Queue,
    stamping: Stamping,
}

/// How to open a [`FrameSender`].
#[derive(Clone, Copy, Debug)]
pub struct SenderOptions {
    /// Which way frames should go; [`FrameSender::queue`] says which they do.
    pub queue: Queue,
    /// Memory for frames under way to the adapter, in bytes; the kernel may allow less.
    pub send_buffer_bytes: usize,
    /// Best clock to ask for in [`FrameSender::send_stamped`].
    pub clock: Clock,
}

impl Default for SenderOptions {
    fn default() -> Self {
        Self { queue: Queue::Bypass, send_buffer_bytes: 4 << 20, clock: Clock::Kernel }
    }
}

/// The way of a frame from socket to driver.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Queue {
    /// Straight to the driver: a frame is refused when the adapter's queue is full, and no packet socket sees a copy.
    Bypass,
    /// Through the queue discipline. Without a carrier it swallows frames without saying so; the interface's
    /// `carrier_changes` and `tx_dropped` tell.
    Discipline,
}

/// What became of a batch: the first `accepted` frames were handed to the driver or its queue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sent {
    /// How many frames of the batch were taken, from its start.
    pub accepted: usize,
    /// Why the next one was not; `None` when all were taken.
    pub refusal: Option<Refusal>,
}

/// Why a frame was not taken. It never left, which says nothing about port, plug or cable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// The adapter's queue or the socket's memory is full: go slower.
    QueueFull,
    /// The link has no carrier, or the interface went down. The kernel makes that known up to a second late; until then
    /// the queue counts as full.
    NoCarrier,
}

/// What became of a stamped frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stamped {
    /// It was taken, and left then.
    Sent(Departure),
    /// It was not taken.
    Refused(Refusal),
}

#[derive(Debug)]
struct Stamping {
    /// `SOF_TIMESTAMPING_TX_*` to ask for; 0 when only the program's clock is left.
    flags: u32,
    /// Number that the kernel will give the next stamped send.
    next_key: u32,
    /// Stamps of the kernel and of the adapter that did not come, in a row.
    missed: [u32; 2],
}

impl FrameSender {
    /// Opens a sender that receives nothing.
    ///
    /// # Errors
    /// [`SocketError::NotPermitted`] without CAP_NET_RAW, [`SocketError::InterfaceGone`] when there is no such
    /// interface.
    pub fn open(ifindex: u32, options: SenderOptions) -> Result<Self, SocketError> {
        let packet = PacketSocket::open(ifindex)?;
        let bypassed = options.queue == Queue::Bypass
            && sys::set_packet_option(packet.socket(), libc::PACKET_QDISC_BYPASS, 1).is_ok();
        let queue = if bypassed { Queue::Bypass } else { Queue::Discipline };
        packet
            .socket()
            .set_send_buffer_size(options.send_buffer_bytes)
            .map_err(|source| packet.error("set the send buffer", source))?;
        let flags = match sys::report_transmit_stamps(packet.socket()) {
            Err(_) => 0,
            Ok(()) => match options.clock {
                Clock::Program => 0,
                Clock::Kernel => libc::SOF_TIMESTAMPING_TX_SOFTWARE,
                Clock::Adapter => libc::SOF_TIMESTAMPING_TX_SOFTWARE | libc::SOF_TIMESTAMPING_TX_HARDWARE,
            },
        };
        packet.bind(0)?;
        Ok(Self { packet, queue, stamping: Stamping { flags, next_key: 0, missed: [0; 2] } })
    }

    /// Which way frames go.
    pub fn queue(&self) -> Queue {
        self.queue
    }

    /// Whether the adapter is still asked for its stamps: it is until it did not give three in a row.
    pub fn asks_adapter(&self) -> bool {
        self.stamping.flags & libc::SOF_TIMESTAMPING_TX_HARDWARE != 0
    }

    /// The interface's own address.
    ///
    /// # Errors
    /// [`SocketError::InterfaceGone`] and whatever the system says.
    pub fn address(&self) -> Result<[u8; 6], SocketError> {
        sys::interface_address(self.packet.socket(), &self.packet.current_name()?)
            .map_err(|source| self.packet.error("read the interface's address", source))
    }

    /// Sends a batch of any length; never waits.
    ///
    /// Stops at the first frame that is refused. Frames of a batch leave in order.
    ///
    /// # Errors
    /// [`SocketError::InterfaceDown`], [`SocketError::InterfaceGone`], [`SocketError::FrameTooLong`], or what else the
    /// system says, if it stopped the first frame of the batch.
    pub fn send(&mut self, batch: &[Outgoing<'_>]) -> Result<Sent, SocketError> {
        let mut accepted = 0;
        // The kernel reports what stopped it only when it took no frame at all, so go on until all are taken or it
        // does.
        while let Some(rest) = batch.get(accepted..).filter(|rest| !rest.is_empty()) {
            match sys::send_batch(self.packet.socket(), rest) {
                Ok(taken) => accepted += taken,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => {
                    return match self.refusal(error, &rest[0]) {
                        // These have left. Whatever stopped the rest is met again by the next call.
                        Err(_) if accepted > 0 => Ok(Sent { accepted, refusal: Some(Refusal::NoCarrier) }),
                        refusal => Ok(Sent { accepted, refusal: Some(refusal?) }),
                    };
                }
            }
        }
        Ok(Sent { accepted, refusal: None })
    }

    /// Sends one frame and says when it left, by every clock that saw it.
    ///
    /// Waits at most `patience` for the stamps of kernel and adapter; the program's clock is read just before the send.
    /// A clock that misses three in a row is not asked again.
    ///
    /// # Errors
    /// As [`FrameSender::send`].
    pub fn send_stamped(&mut self, frame: &Outgoing<'_>, patience: Duration) -> Result<Stamped, SocketError> {
        let started = Instant::now();
        let mut departure = Departure::by_program(now_ns());
        let sent = loop {
            match sys::send_stamped(self.packet.socket(), frame, self.stamping.flags) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                sent => break sent,
            }
        };
        let key = self.stamping.next_key;
        if let Err(error) = sent {
            // The kernel numbers a frame once it has memory for it, so one refused by the driver used up a number.
            if error.raw_os_error() == Some(libc::ENOBUFS) && self.stamping.flags != 0 {
                self.stamping.next_key = key.wrapping_add(1);
            }
            return self.refusal(error, frame).map(Stamped::Refused);
        }
        if self.stamping.flags == 0 {
            return Ok(Stamped::Sent(departure));
        }
        self.stamping.next_key = key.wrapping_add(1);
        self.await_stamps(key, started + patience, &mut departure)?;
        self.stamping.note(&departure);
        Ok(Stamped::Sent(departure))
    }

    /// Waits for every stamp that was asked for.
    fn await_stamps(&self, key: u32, until: Instant, departure: &mut Departure) -> Result<(), SocketError> {
        while !self.stamping.is_complete(departure) {
            let (stamp, taken) = sys::transmit_stamp(self.packet.socket())
                .map_err(|source| self.packet.error("read a transmit stamp", source))?;
            match stamp {
                Some(stamp) if stamp.key == key => {
                    if stamp.hardware {
                        departure.adapter = Some(stamp.at_ns);
                    } else {
                        departure.kernel = Some(ClockPair::read().on_run_clock(stamp.at_ns));
                    }
                    continue;
                }
                // A stamp of an earlier frame, come too late.
                _ if taken => continue,
                _ => {}
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            sys::wait(self.packet.socket(), 0, left)
                .map_err(|source| self.packet.error("wait for a transmit stamp", source))?;
        }
        Ok(())
    }

    fn refusal(&self, error: io::Error, frame: &Outgoing<'_>) -> Result<Refusal, SocketError> {
        match error.raw_os_error() {
            Some(libc::ENOBUFS | libc::EAGAIN) => {
                Ok(if self.packet.carrier() { Refusal::QueueFull } else { Refusal::NoCarrier })
            }
            Some(libc::EMSGSIZE) => Err(SocketError::FrameTooLong {
                interface: self.packet.interface().to_owned(),
                length_bytes: frame.length_bytes(),
            }),
            _ => Err(self.packet.error("send", error)),
        }
    }
}

impl Stamping {
    /// What was asked for of each clock, and whether it came.
    fn asked_and_came(&self, departure: &Departure) -> [(u32, bool); 2] {
        [
            (self.flags & libc::SOF_TIMESTAMPING_TX_SOFTWARE, departure.kernel.is_some()),
            (self.flags & libc::SOF_TIMESTAMPING_TX_HARDWARE, departure.adapter.is_some()),
        ]
    }

    fn is_complete(&self, departure: &Departure) -> bool {
        self.asked_and_came(departure).iter().all(|(asked, came)| *asked == 0 || *came)
    }

    /// Gives up on a clock that keeps missing.
    fn note(&mut self, departure: &Departure) {
        for ((asked, came), missed) in self.asked_and_came(departure).into_iter().zip(&mut self.missed) {
            *missed = if came { 0 } else { *missed + 1 };
            if *missed >= MISSES_ALLOWED {
                self.flags &= !asked;
            }
        }
    }
}

/// Missing stamps in a row after which a driver is taken to give none. Chosen by us: one may be lost, three are a
/// habit.
const MISSES_ALLOWED: u32 = 3;

#[cfg(test)]
mod tests {
    use super::*;

    const BOTH: u32 = libc::SOF_TIMESTAMPING_TX_SOFTWARE | libc::SOF_TIMESTAMPING_TX_HARDWARE;

    #[test]
    fn a_clock_that_misses_three_in_a_row_is_not_asked_again() {
        let mut stamping = Stamping { flags: BOTH, next_key: 0, missed: [0; 2] };
        let by_kernel = Departure { kernel: Some(5), ..Departure::by_program(4) };
        let by_both = Departure { adapter: Some(77), ..by_kernel };
        for departure in [by_kernel, by_kernel, by_both, by_kernel, by_kernel] {
            stamping.note(&departure);
            assert_eq!(stamping.flags, BOTH);
        }
        assert!(!stamping.is_complete(&by_kernel) && stamping.is_complete(&by_both));
        stamping.note(&by_kernel);
        assert_eq!(stamping.flags, libc::SOF_TIMESTAMPING_TX_SOFTWARE);
        assert!(stamping.is_complete(&by_kernel), "what is not asked for is not waited for");
    }
}
