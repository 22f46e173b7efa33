//! Frames, each with the queue that it takes: one socket for each queue, among which the kernel shares them out
//! (`PACKET_FANOUT_QM`, packet(7)). Frames that leave are seen as well, at the moment at which the driver gets them.

use std::{
    io,
    time::{Duration, Instant},
};

use super::{error::SocketError, packet::PacketSocket, ring::EVERY_ETHERTYPE, sys};

/// Sends and receives on one interface, which is promiscuous meanwhile.
#[derive(Debug)]
pub struct SpreadSockets {
    out: PacketSocket,
    queues: Vec<PacketSocket>,
    receive: u32,
    transmit: u32,
    buffer: Vec<u8>,
}

/// A frame, and the queue that it took.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    /// The frame without FCS.
    pub bytes: Vec<u8>,
    /// Where it was.
    pub on: On,
}

/// A queue, by its number from 0; none where it is not told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum On {
    /// It left on this one.
    Transmit(Option<u32>),
    /// It came in on this one.
    Receive(Option<u32>),
}

impl SpreadSockets {
    /// Opens them for an interface with so many receive and transmit queues. Frames arrive from the moment this
    /// returns.
    ///
    /// # Errors
    /// As for the other sockets.
    pub fn open(ifindex: u32, receive: u32, transmit: u32) -> Result<Self, SocketError> {
        let out = PacketSocket::open(ifindex)?;
        out.check_up()?;
        out.bind(0)?;
        // The kernel notes a receive queue as one more than its number, and 0 where the driver names none.
        let count = receive.saturating_add(1).max(transmit).min(SOCKETS_MAX);
        let (mut queues, mut group) = (Vec::new(), 0);
        for _ in 0..count {
            let packet = PacketSocket::open(ifindex)?;
            sys::add_promiscuous_membership(packet.socket(), ifindex)
                .map_err(|source| packet.error("make the interface promiscuous", source))?;
            packet.bind(EVERY_ETHERTYPE)?;
            // A member's place in the group is its turn of joining.
            group = sys::join_by_queue(packet.socket(), group)
                .map_err(|source| packet.error("sort frames by queue", source))?;
            queues.push(packet);
        }
        let mut sockets = Self { out, queues, receive, transmit, buffer: vec![0; BUFFER_BYTES] };
        // What came in before a socket joined was not sorted.
        while sockets.next(Duration::ZERO)?.is_some() {}
        Ok(sockets)
    }

    /// Hands a frame over. False: there was no room or no carrier, and it did not leave.
    ///
    /// # Errors
    /// The interface is gone or down, or the kernel refuses the frame.
    pub fn send(&mut self, frame: &[u8]) -> Result<bool, SocketError> {
        match self.out.socket().send(frame) {
            Ok(_) => Ok(true),
            Err(error) if matches!(error.raw_os_error(), Some(libc::ENOBUFS | libc::EAGAIN)) => Ok(false),
            Err(error) => Err(self.out.error("send a frame", error)),
        }
    }

    /// The next frame, whichever way it goes; none within `patience`.
    ///
    /// # Errors
    /// The interface is gone, or whatever the system says.
    pub fn next(&mut self, patience: Duration) -> Result<Option<Seen>, SocketError> {
        let until = Instant::now() + patience;
        loop {
            let left = until.saturating_duration_since(Instant::now());
            let ready = sys::wait_any(self.queues.iter().map(PacketSocket::socket), left);
            for place in ready.map_err(|source| self.out.error("wait for a frame", source))? {
                let packet = &self.queues[place];
                match sys::receive_with_type(packet.socket(), &mut self.buffer) {
                    Ok((length, kind)) => {
                        let counts = (self.receive, self.transmit);
                        let on = on(place as u32, kind == libc::PACKET_OUTGOING, counts);
                        return Ok(Some(Seen { bytes: self.buffer[..length].to_vec(), on }));
                    }
                    Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                    Err(error) => return Err(packet.error("receive a frame", error)),
                }
            }
            if left.is_zero() {
                return Ok(None);
            }
        }
    }
}

/// The queue of a frame that the socket in this place of the group got, with so many receive and transmit queues.
fn on(place: u32, leaves: bool, (receive, transmit): (u32, u32)) -> On {
    // With more queues than sockets, one socket would stand for several.
    let is_told = |count: u32| count < SOCKETS_MAX;
    match leaves {
        true if transmit == 1 => On::Transmit(Some(0)),
        true => On::Transmit(Some(place).filter(|_| is_told(transmit))),
        false if receive == 1 => On::Receive(Some(0)),
        false => On::Receive(place.checked_sub(1).filter(|_| is_told(receive))),
    }
}

/// The kernel allowed 256 before Linux 5.12 (from memory), and each is an open file.
const SOCKETS_MAX: u32 = 256;
/// The longest frame that Linux carries, with room to spare.
const BUFFER_BYTES: usize = 70_000;

#[cfg(test)]
mod tests {
    use super::*;

    /// linux/skbuff.h, `skb_record_rx_queue`: what is noted of a frame that came in is its queue's number and one more.
    #[test]
    fn a_place_is_the_queue_of_what_leaves_and_one_more_than_that_of_what_comes_in() {
        for (place, leaves, counts, told) in [
            (0, true, (4, 4), On::Transmit(Some(0))),
            (3, true, (4, 4), On::Transmit(Some(3))),
            (0, false, (4, 4), On::Receive(None)),
            (1, false, (4, 4), On::Receive(Some(0))),
            (4, false, (4, 4), On::Receive(Some(3))),
            // With one queue there is no other.
            (0, false, (1, 1), On::Receive(Some(0))),
            (1, false, (1, 1), On::Receive(Some(0))),
            (1, true, (1, 1), On::Transmit(Some(0))),
            (7, true, (4, 256), On::Transmit(None)),
            (7, false, (256, 4), On::Receive(None)),
        ] {
            assert_eq!(on(place, leaves, counts), told, "{place} {leaves} {counts:?}");
        }
    }
}
