//! The first single blocks, before anything is sent in full flow.

use turnback_core::{
    base::time::SECOND_NS,
    event::{Awaited, Event},
    judge::facts::FirstProbes,
    kind::serial::probe::BLOCK_BYTES,
    plan::line::{FIRST_BLOCKS, FIRST_BLOCKS_NS},
    signal::pattern::Pattern,
};

use super::{SerialRun, exchange::Exchange, measured::SerialMeasured};
use crate::{engine::options::CheckError, ports::PortError};

impl SerialRun<'_, '_> {
    /// Sends a few single blocks, of which the first hold every byte value. True when something comes back.
    pub(super) fn first_probes(&mut self, measured: &mut SerialMeasured) -> Result<bool, CheckError> {
        let before = measured.tally.counts;
        // One stream for all rounds: what comes late from the first is still known in the second.
        let mut exchange = self.exchange(measured, Pattern::Counter, self.kind.format)?;
        let done = self.send_blocks(measured, &mut exchange);
        self.take(measured, exchange, done)?;
        let any = measured.tally.counts.returned > before.returned;
        // Bytes that came back without a whole block among them say that a plug is there, and no number of blocks.
        if any && measured.first_probes.returned > 0 {
            self.tell_first_probes(measured);
        }
        Ok(any)
    }

    fn tell_first_probes(&mut self, measured: &SerialMeasured) {
        let FirstProbes { sent, returned } = measured.first_probes;
        (self.say)(Event::FirstProbesDone { sent, returned });
    }

    fn send_blocks(&mut self, measured: &mut SerialMeasured, exchange: &mut Exchange) -> Result<(), PortError> {
        let begun = self.kind.line.now();
        for round in 0..=ROUNDS {
            if round == ROUNDS {
                // Told now, and blamed only once a computer or adapter that stands still for seconds is excluded.
                self.tell_first_probes(measured);
                self.hear_at_last(exchange)?;
                if exchange.counts().returned == 0 {
                    break;
                }
            }
            if round > 0 {
                self.tell_waiting(u64::from(ROUNDS - round) * SECOND_NS + LAST_WAIT_NS + ITS_END_NS);
            }
            for _ in 0..FIRST_BLOCKS {
                let trip = exchange.alone(self.kind.line, BLOCK_BYTES as u64, &mut *self.say)?;
                measured.first_probes.sent += 1;
                measured.first_probes.returned += u64::from(trip.is_some());
                // One that is not whole may have cost seconds, and more of them tell no more: the data steps count
                // better. Nor does a slow line tell more by eight of them.
                if trip.is_none() || self.kind.line.now() >= begun + FIRST_BLOCKS_NS {
                    break;
                }
            }
            if self.must_stop(measured) || exchange.counts().returned > 0 {
                break;
            }
        }
        Ok(())
    }

    /// Waits for anything at all, and tells so every second.
    fn hear_at_last(&mut self, exchange: &mut Exchange) -> Result<(), PortError> {
        for left_ns in (SECOND_NS..=LAST_WAIT_NS).rev().step_by(SECOND_NS as usize) {
            self.tell_waiting(left_ns + ITS_END_NS);
            let until = self.kind.line.now() + SECOND_NS;
            exchange.hear_any(self.kind.line, until)?;
            if self.kind.line.now() < until {
                return Ok(());
            }
        }
        self.tell_waiting(ITS_END_NS);
        Ok(())
    }

    fn tell_waiting(&mut self, left_ns: u64) {
        (self.say)(Event::Waiting { what: Awaited::Answer, left_s: left_ns as f64 / SECOND_NS as f64 });
    }
}

/// Rounds on a line that gives nothing back. Each waits for a second.
const ROUNDS: u32 = 3;
/// After them. In all, a silent line is waited for as long as one that answered before.
const LAST_WAIT_NS: u64 = 5 * SECOND_NS;
/// The exchange waits once more before it ends.
const ITS_END_NS: u64 = SECOND_NS;
