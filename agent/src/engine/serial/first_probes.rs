//! The first single blocks, before anything is sent in full flow.

use turnback_core::{
    event::Event, judge::facts::FirstProbes, kind::serial::probe::BLOCK_BYTES, signal::pattern::Pattern,
};

use super::{SerialRun, measured::SerialMeasured};
use crate::engine::options::CheckError;

impl SerialRun<'_, '_> {
    /// Sends a few single blocks, of which the first hold every byte value. True when something comes back.
    pub(super) fn first_probes(&mut self, measured: &mut SerialMeasured) -> Result<bool, CheckError> {
        let before = measured.tally.counts;
        // One stream for all rounds: what comes late from the first is still known in the second.
        let mut exchange = self.exchange(measured, Pattern::Counter, self.kind.format)?;
        for _ in 0..ROUNDS {
            let (mut returned, mut missed) = (0, 0);
            for _ in 0..BLOCKS {
                let trip = exchange.alone(self.kind.line, BLOCK_BYTES as u64)?;
                returned += u64::from(trip.is_some());
                missed += u64::from(trip.is_none());
                measured.first_probes.sent += 1;
                // A second one that is not whole costs seconds and tells no more: the data steps count better.
                if missed > returned.min(1) {
                    break;
                }
            }
            measured.first_probes.returned += returned;
            if self.must_stop(measured) || exchange.counts().returned > 0 {
                break;
            }
        }
        self.take(measured, exchange)?;
        let FirstProbes { sent, returned } = measured.first_probes;
        (self.say)(Event::HandfulDone { sent, returned });
        Ok(measured.tally.counts.returned > before.returned)
    }
}

/// Blocks of one round.
pub(super) const BLOCKS: u32 = 8;
/// Each ends with the first block that does not come back. In all, a silent line is waited for as long as one that
/// answered before.
const ROUNDS: u32 = 4;
