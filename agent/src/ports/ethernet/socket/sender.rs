//! Frames out of one interface, in batches, or one by one with a time stamp.

use std::{
    io,
    time::{Duration, Instant},
};

use super::{Clock, Outgoing, SocketError, Stamp, now_ns, packet::PacketSocket, sys};

/// Sends frames out of one interface.
///
/// Frames are gathered by the kernel from header and payload (`sendmmsg`). A transmit ring is not faster here: on a virtual
/// cable both are bound by the kernel's way of a frame and stayed within the noise of each other, and a ring would need the
/// payload copied by the program.
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
    /// The link has no carrier. The kernel makes that known up to a second late; until then the queue counts as full.
    NoCarrier,
}

/// What became of a stamped frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stamped {
    /// It was taken, and left at this moment.
    Sent(Stamp),
    /// It was not taken.
    Refused(Refusal),
}

#[derive(Debug)]
struct Stamping {
    /// `SOF_TIMESTAMPING_TX_*` to ask for; 0 when only the program's clock is left.
    flags: u32,
    /// Number that the kernel will give the next stamped send.
    next_key: u32,
    /// Stamps that did not come, in a row.
    missed: u32,
}

impl FrameSender {
    /// Opens a sender that receives nothing.
    ///
    /// # Errors
    /// [`SocketError::NotPermitted`] without CAP_NET_RAW, [`SocketError::InterfaceGone`] when there is no such interface.
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
                // The kernel's stamp comes only when the adapter does not give its own (no OPT_TX_SWHW).
                Clock::Adapter => libc::SOF_TIMESTAMPING_TX_SOFTWARE | libc::SOF_TIMESTAMPING_TX_HARDWARE,
            },
        };
        packet.bind(0)?;
        Ok(Self { packet, queue, stamping: Stamping { flags, next_key: 0, missed: 0 } })
    }

    /// Which way frames go.
    pub fn queue(&self) -> Queue {
        self.queue
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
    /// system says. How many frames of the batch went before is then not told.
    pub fn send(&mut self, batch: &[Outgoing<'_>]) -> Result<Sent, SocketError> {
        let mut accepted = 0;
        // The kernel reports what stopped it only when it took no frame at all, so go on until all are taken or it does.
        while let Some(rest) = batch.get(accepted..).filter(|rest| !rest.is_empty()) {
            match sys::send_batch(self.packet.socket(), rest) {
                Ok(taken) => accepted += taken,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => {
                    let refusal = self.refusal(error, &rest[0])?;
                    return Ok(Sent { accepted, refusal: Some(refusal) });
                }
            }
        }
        Ok(Sent { accepted, refusal: None })
    }

    /// Sends one frame and says when it left, by the best clock there is.
    ///
    /// Waits at most `patience` for a stamp of kernel or adapter. When none comes the program's clock, read just before
    /// the send, takes its place; after three such misses in a row it does so for good.
    ///
    /// # Errors
    /// As [`FrameSender::send`].
    pub fn send_stamped(&mut self, frame: &Outgoing<'_>, patience: Duration) -> Result<Stamped, SocketError> {
        let started = Instant::now();
        let by_program = Stamp { at_ns: now_ns(), clock: Clock::Program };
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
            return Ok(Stamped::Sent(by_program));
        }
        self.stamping.next_key = key.wrapping_add(1);
        let stamp = self.await_stamp(key, started + patience)?;
        self.stamping.missed = if stamp.is_some() { 0 } else { self.stamping.missed + 1 };
        if self.stamping.missed >= MISSES_ALLOWED {
            self.stamping.flags = 0;
        }
        Ok(Stamped::Sent(stamp.unwrap_or(by_program)))
    }

    fn await_stamp(&self, key: u32, until: Instant) -> Result<Option<Stamp>, SocketError> {
        loop {
            let (stamp, taken) = sys::transmit_stamp(self.packet.socket())
                .map_err(|source| self.packet.error("read a transmit stamp", source))?;
            match stamp {
                Some(stamp) if stamp.key == key => {
                    let clock = if stamp.hardware { Clock::Adapter } else { Clock::Kernel };
                    return Ok(Some(Stamp { at_ns: stamp.at_ns, clock }));
                }
                // A stamp of an earlier frame, come too late.
                _ if taken => continue,
                _ => {}
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(None);
            }
            sys::wait(self.packet.socket(), 0, left)
                .map_err(|source| self.packet.error("wait for a transmit stamp", source))?;
        }
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

/// Missing stamps in a row after which a driver is taken to give none. Chosen by us: one may be lost, three are a habit.
const MISSES_ALLOWED: u32 = 3;
