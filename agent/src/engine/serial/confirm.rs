//! After a failure, the same from another place where no hand is needed: inside the chip, and at the port on a rig that moves
//! its plug by itself.

use turnback_core::{
    base::{placement::Placement, time::SECOND_NS},
    event::Event,
    judge::{Outcome, facts::Reference, judge},
    kind::serial::{format::LineSetting, plug::LinePlug, rules::modem},
    signal::pattern::Pattern,
};

use super::{LineRun, RESTING, exchange::Amount};
use crate::engine::ethernet::CheckError;

impl LineRun<'_> {
    /// Tries nearer places as long as more than one thing may be at fault.
    pub(super) fn confirm(&mut self) -> Result<(), CheckError> {
        if !self.options.confirm || self.must_stop() {
            return Ok(());
        }
        let capabilities = self.line.capabilities();
        let mut places = Vec::new();
        if capabilities.internal_loop && self.placement != Placement::Internal {
            places.push(Placement::Internal);
        }
        if capabilities.moves_plug && self.placement == Placement::FarEnd {
            places.push(Placement::AtPort);
        }
        for place in places {
            let verdict = judge(&self.evidence());
            if verdict.outcome != Outcome::Fault || verdict.location.len() < 2 {
                break;
            }
            (self.say)(Event::Confirming { placement: place.to_string() });
            let reference = self.try_at(place)?;
            self.gathered.references.extend(reference);
        }
        Ok(())
    }

    /// A short run with the signal turned back at `place`, whose counts stay out of this run's.
    fn try_at(&mut self, place: Placement) -> Result<Option<Reference>, CheckError> {
        let there = match place {
            Placement::Internal => self.line.apply(LineSetting::InternalLoop(true))?,
            _ => self.line.place(place),
        };
        if !there {
            return Ok(None);
        }
        let gathered = std::mem::take(&mut self.gathered);
        let (placement, plug) = (self.placement, self.plug);
        self.placement = place;
        if place == Placement::Internal {
            self.plug = LinePlug::Internal;
        }
        let tried = self.try_here();
        let there = self.evidence();
        self.gathered = gathered;
        (self.placement, self.plug) = (placement, plug);
        if place == Placement::Internal {
            self.line.apply(LineSetting::InternalLoop(false))?;
        }
        self.line.place(placement);
        tried?;
        let lines = if there.common.placement == Placement::Internal || self.plug.has_modem_lines() {
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
        Ok(Some(Reference {
            placement: place,
            trials,
            failures: failures.min(trials),
            link_up: true,
            returned_any: there.counts.returned > 0,
        }))
    }

    fn try_here(&mut self) -> Result<(), CheckError> {
        self.line.configure(self.format)?;
        if self.line.capabilities().modem_lines {
            self.line.drive(RESTING)?;
        }
        self.line.discard()?;
        if !self.handful()? {
            return Ok(());
        }
        self.modem_lines()?;
        let mut exchange = self.exchange(Pattern::Prbs31, self.format)?;
        // As many bits as the run itself, up to some seconds, so that a rate that is there shows here too.
        let until = self.line.now() + CONFIRM_NS;
        let cancel = self.cancel;
        exchange.run(self.line, Amount { bytes: CONFIRM_BYTES, until }, false, &mut |_, _| {
            cancel.is_cancelled().then_some(turnback_core::judge::facts::Stopped::ByUser)
        })?;
        self.take(exchange)?;
        Ok(())
    }
}

const CONFIRM_NS: u64 = 4 * SECOND_NS;
const CONFIRM_BYTES: u64 = 1 << 20;
