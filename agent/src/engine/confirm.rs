//! Confirms a failure: trials with the signal turned back nearer to the port, where no hand is needed.

use turnback_core::{
    base::placement::Placement,
    event::Event,
    judge::{
        Outcome, RuleId,
        facts::{Reference, Stopped},
    },
};

use super::{
    options::CheckError,
    run::{PortKind, Run},
};

impl<K: PortKind> Run<'_, K> {
    /// Tries nearer places for as long as more than one thing may be at fault.
    pub(super) fn confirm(&mut self, measured: &mut K::Measured) -> Result<(), CheckError> {
        // A plan that was given up because nothing came back is what a trial may explain.
        let over = self.stopped(measured).is_some_and(|why| why != Stopped::WentSilent) || self.time_is_over();
        if !self.options.confirm || self.placement == Placement::ReturnPort || over {
            return Ok(());
        }
        for place in self.nearer_places() {
            if self.cancel.is_cancelled() {
                break;
            }
            let verdict = K::judge(self, measured);
            let open = verdict.outcome == Outcome::Fault && verdict.location.len() > 1
                || matches!(verdict.rule(), Some(RuleId::LoopOpen | RuleId::NothingReturned | RuleId::WentSilent));
            if !open {
                break;
            }
            (self.say)(Event::Confirming { placement: place });
            let reference = self.try_at(place, measured)?;
            self.references.extend(reference);
        }
        Ok(())
    }

    /// Inside the chip, and at the port on a rig that moves its plug by itself.
    fn nearer_places(&self) -> Vec<Placement> {
        let capabilities = self.kind.port().offers();
        let inside = capabilities.internal_loop && self.placement != Placement::Internal;
        let at_port = capabilities.moves_plug && self.placement == Placement::FarEnd;
        [(inside, Placement::Internal), (at_port, Placement::AtPort)]
            .into_iter()
            .filter_map(|(offered, place)| offered.then_some(place))
            .collect()
    }

    /// Makes a trial with the signal turned back at `place`, and turns it back where it was.
    fn try_at(&mut self, place: Placement, failed: &K::Measured) -> Result<Option<Reference>, CheckError> {
        if !self.turn_back_at(place)? {
            return Ok(None);
        }
        let mut there = self.kind.measure_at(place);
        let tried = K::trial(self, &mut there, failed);
        // A trial that was cut off says nothing of its place.
        let cut_off = self.stopped(&there).is_some();
        let reference = if cut_off { None } else { K::reference(self, &there) };
        if place == Placement::Internal {
            K::switch_internal_loop(self, false)?;
        }
        self.move_plug(self.placement);
        tried?;
        Ok(reference)
    }
}
