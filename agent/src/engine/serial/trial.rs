//! Short measurements from another place.

use turnback_core::{
    base::{placement::Placement, time::SECOND_NS},
    event::{Awaited, Event},
    judge::facts::{Reference, Trouble},
    kind::serial::rules::modem,
    signal::pattern::Pattern,
};

use super::{SerialRun, exchange::Amount, measured::SerialMeasured, prepare::RESTING};
use crate::engine::options::CheckError;

impl SerialRun<'_, '_> {
    /// What a trial says of its place; nothing if it was cut off.
    pub(super) fn reference(&self, measured: &SerialMeasured) -> Option<Reference> {
        if self.stopped(measured).is_some() {
            return None;
        }
        let there = self.facts(measured);
        let lines = if there.common.placement == Placement::Internal || self.kind.plug.has_modem_lines() {
            modem::wrong_readings(&there)
        } else {
            0
        };
        let failures = there.counts.bit_errors
            + there.put_on_line().lost
            + there.counts.inserted
            + there.characters_in_error().saturating_sub(there.counts.damaged_marked)
            + lines;
        let trials = there.counts.bits_compared;
        Some(Reference {
            placement: there.common.placement,
            trials,
            failures: failures.min(trials),
            link_up: true,
            returned_any: there.counts.returned > 0,
            trouble: Trouble { tried: trials, failed: failures.min(trials), ..Trouble::default() },
        })
    }

    /// Sends the first blocks, reads the modem lines, and sends one pattern for some seconds.
    pub(super) fn trial(&mut self, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        self.kind.line.configure(self.kind.format)?;
        if self.kind.line.capabilities().modem_lines {
            self.kind.line.drive(RESTING)?;
        }
        self.kind.line.discard()?;
        if !self.first_probes(measured)? {
            return Ok(());
        }
        self.modem_lines(measured)?;
        let mut exchange = self.exchange(measured, Pattern::Prbs31, self.kind.format)?;
        // As many bits as the run itself, up to some seconds, so that a rate that is there shows here too.
        let until = self.kind.line.now() + TRIAL_NS;
        let amount = Amount::of(TRIAL_BYTES, until);
        let say = &mut *self.say;
        let done = exchange.run(self.kind.line, amount, false, &mut |now, _| {
            let left_s = until.saturating_sub(now) as f64 / SECOND_NS as f64;
            say(Event::Waiting { what: Awaited::Trial, left_s });
        });
        self.take(measured, exchange, done)?;
        Ok(())
    }
}

const TRIAL_NS: u64 = 4 * SECOND_NS;
const TRIAL_BYTES: u64 = 1 << 20;
