//! The receiving half of a world: adapter, ring and host.

use std::cmp::Reverse;

use super::{Flight, Ready, World};
use crate::base::time::Nanos;
use crate::kind::ethernet::probe::FRAME_BYTES_MIN;
use crate::kind::ethernet::sim::frame::Delivery;
use crate::kind::ethernet::sim::rig::HostLoss;

impl World {
    pub(super) fn arrive_until(&mut self, to: Nanos) {
        if let Some(held) = self.held.take_if(|held| held.at <= to) {
            self.flying.push(Reverse(held));
        }
        loop {
            let own = self.flying.peek().map_or(Nanos::MAX, |Reverse(flight)| flight.at);
            let foreign = self.foreign_at.unwrap_or(Nanos::MAX);
            if own.min(foreign) > to {
                return;
            }
            if foreign < own {
                self.foreign_arrives(foreign);
            } else if let Some(Reverse(flight)) = self.flying.pop() {
                self.arrive(flight);
            }
        }
    }

    /// A broadcast of some other machine.
    fn foreign_arrives(&mut self, at: Nanos) {
        self.foreign_at = Some(self.next_foreign(at));
        let link_up = self.link_at(at.max(self.now)).up;
        if !link_up {
            return;
        }
        if self.ready.len() >= self.rig.port.receive_ring_frames as usize {
            self.ring_drops += 1;
            self.link.rx_packets += 1;
            return;
        }
        let mut bytes = self.spare.pop().unwrap_or_default();
        bytes.clear();
        bytes.extend_from_slice(&[0xFF; 6]);
        bytes.extend_from_slice(&[0x02, 0x51, 0x0a, 0x79, 0x01, 1 + self.foreign_rng.below(9) as u8]);
        bytes.extend_from_slice(&[0x08, 0x00]);
        let length = FRAME_BYTES_MIN + self.foreign_rng.below(600) as usize;
        while bytes.len() < length {
            bytes.push(self.foreign_rng.draw() as u8);
        }
        self.arrive(Flight { at, serial: 0, wrong: false, host_lost: false, bytes });
    }

    /// A frame's end reaches the adapter: check, count, hand over or lose.
    fn arrive(&mut self, flight: Flight) {
        let Flight { at, wrong, host_lost, bytes, .. } = flight;
        let checks = self.rig.port.checks_frames;
        if wrong && checks {
            self.link.rx_errors += 1;
            if bytes.len() < FRAME_BYTES_MIN {
                self.link.rx_length_errors += 1;
            } else {
                self.link.rx_crc_errors += 1;
            }
            if !self.settings.bad_frames {
                self.spare.push(bytes);
                return;
            }
        }
        let interval = self.host_interval_ns();
        let waiting = self.host_free_at.saturating_sub(at).checked_div(interval).unwrap_or(0);
        if host_lost || waiting >= u64::from(self.rig.port.receive_ring_frames) {
            match self.rig.host.loses_in {
                HostLoss::Ring => {
                    self.ring_drops += 1;
                    self.count_received(&bytes);
                }
                HostLoss::Adapter => self.link.rx_missed_errors += 1,
            }
            self.spare.push(bytes);
            return;
        }
        self.count_received(&bytes);
        let ready_at = self.host_free_at.max(at) + interval;
        if interval > 0 {
            self.host_free_at = ready_at;
        }
        let fcs_right = (checks && self.settings.bad_frames).then_some(!wrong);
        self.ready.push_back(Ready { ready_at, at, fcs_right, bytes });
    }

    fn count_received(&mut self, bytes: &[u8]) {
        self.link.rx_packets += 1;
        self.link.rx_bytes += bytes.len() as u64;
    }

    /// Hands over every frame that the host has by now, in order.
    pub fn receive(&mut self, each: &mut dyn FnMut(Delivery<'_>)) {
        self.receive_until(self.now, each);
    }

    /// Hands over every frame on its way, though it has not arrived yet: what is carried next comes after all of them.
    pub fn receive_all(&mut self, each: &mut dyn FnMut(Delivery<'_>)) {
        self.arrive_until(self.last_arrival);
        self.receive_until(Nanos::MAX, each);
    }

    /// Forgets what waits between kernel and program, as a program that opens the port anew finds nothing there.
    pub fn discard_received(&mut self) {
        self.spare.extend(self.ready.drain(..).map(|ready| ready.bytes));
        self.host_free_at = self.now;
    }

    fn receive_until(&mut self, until: Nanos, each: &mut dyn FnMut(Delivery<'_>)) {
        while self.ready.front().is_some_and(|ready| ready.ready_at <= until) {
            let Some(ready) = self.ready.pop_front() else { break };
            each(Delivery { bytes: &ready.bytes, at: ready.at, fcs_right: ready.fcs_right });
            self.spare.push(ready.bytes);
        }
    }
}
