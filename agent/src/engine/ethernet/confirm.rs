//! After a failure, the same from another place.

use std::time::Duration;

use turnback_core::{
    base::placement::Placement,
    event::Event,
    judge::{
        Outcome, RuleId,
        facts::{Basis, Facts, Reference},
        judge,
    },
    kind::ethernet::{counters::classify::classify, link::PortSetting, stream::tally::Counts},
    plan::{SIZE_MIN, Step},
    signal::pattern::Pattern,
};

use super::{CheckError, Run};

impl Run<'_> {
    /// After a failure, the same from another place where no hand is needed: inside the chip, and at the port on a rig that
    /// moves its plug by itself.
    pub(super) fn confirm(&mut self) -> Result<(), CheckError> {
        if self.gathered.stopped.is_none() && !self.cancel.is_cancelled() {
            self.tell_host_from_line()?;
        }
        if !self.options.confirm
            || self.return_port.is_some()
            || self.cancel.is_cancelled()
            || self.gathered.stopped.is_some()
        {
            return Ok(());
        }
        let mut places = Vec::new();
        let capabilities = self.port.capabilities();
        if capabilities.internal_loop && self.placement != Placement::Internal {
            places.push(Placement::Internal);
        }
        if capabilities.moves_plug && self.placement == Placement::FarEnd {
            places.push(Placement::AtPort);
        }
        for place in places {
            let verdict = judge(&self.evidence());
            let open = verdict.outcome == Outcome::Fault && verdict.location.len() > 1
                || verdict.rule() == Some(&RuleId::NothingReturned);
            if !open {
                break;
            }
            (self.say)(Event::Confirming { placement: place.to_string() });
            let reference = self.try_at(place)?;
            self.gathered.references.extend(reference);
        }
        Ok(())
    }

    /// Wrong bits, and the adapter was told to deliver frames whether or not they pass its check, but counted none that did
    /// not: was the damage done on the line and not counted, or behind the check, in this computer? What is damaged while
    /// such frames are held back has passed the check.
    fn tell_host_from_line(&mut self) -> Result<(), CheckError> {
        let counts = self.gathered.tally.counts;
        let counted = classify(&self.gathered.delta(&self.counters_after)).failed_fcs();
        if !self.bad_frames_delivered
            || !nobody_vouches(&counts, counted)
            || !self.set(PortSetting::DeliverBadFrames(false))?
        {
            return Ok(());
        }
        let kept = (std::mem::take(&mut self.gathered), self.link);
        self.gathered.counters_before = kept.0.counters_before.clone();
        self.bad_frames_delivered = false;
        let tried = self.try_here();
        let damaged = self.gathered.tally.counts.damaged;
        (self.gathered, self.link) = kept;
        self.bad_frames_delivered = true;
        self.gathered.tally.counts.damaged_after_check = damaged.min(counts.damaged);
        tried
    }

    /// A short run with the signal turned back at `place`, whose counts stay out of this run's.
    pub(super) fn try_at(&mut self, place: Placement) -> Result<Option<Reference>, CheckError> {
        if !self.turn_back_at(place)? {
            return Ok(None);
        }
        let kept = (std::mem::take(&mut self.gathered), self.link, self.fallback_mbps);
        self.gathered.counters_before = kept.0.counters_before.clone();
        self.gathered.slowdowns = kept.0.slowdowns;
        let tried = self.try_here();
        let there = self.evidence();
        self.gathered = kept.0;
        self.link = kept.1;
        self.fallback_mbps = kept.2;
        if place == Placement::Internal {
            self.set(PortSetting::InternalLoop(false))?;
        }
        self.port.place(self.placement);
        tried?;
        // What came back too late says nothing of this place: neither that it passes nor that it fails.
        if there.counts.returned == 0 && there.counts.late > 0 {
            return Ok(None);
        }
        let ratio = there.error_ratio();
        let trials = ratio.map_or(0, |r| r.trials);
        // Lost frames are among the failed ones already where frames are counted.
        let lost = if there.basis() == Basis::Bits { there.losses.wire() } else { 0 };
        let failures = ratio.map_or(0, |r| r.errors) + lost + there.counts.truncated + there.counts.lengthened;
        Ok(Some(Reference {
            placement: place,
            trials,
            failures: failures.min(trials),
            link_up: there.link.up,
            returned_any: there.counts.returned > 0,
        }))
    }

    pub(super) fn try_here(&mut self) -> Result<(), CheckError> {
        self.link = self.wait_for_link()?;
        if !self.link.up {
            return Ok(());
        }
        if self.runners.is_empty() {
            self.open_runners()?;
        }
        if self.handful()? {
            let size_bytes = self.options.profile.sizes_bytes.iter().copied().max().unwrap_or(SIZE_MIN);
            let step =
                Step { size_bytes, pattern: Pattern::Prbs31, time: CONFIRM_TIME, rate: self.options.profile.rate };
            self.flow_slowing(&step, CONFIRM_TIME, None)?;
        }
        Ok(())
    }
}

/// Whether frames came back damaged of which neither the frame check of each nor the adapter's counter says where.
fn nobody_vouches(counts: &Counts, failed_checks_counted: u64) -> bool {
    let told_each = counts.failed_check_delivered > 0 || counts.damaged_after_check > 0;
    counts.damaged > 0 && !told_each && failed_checks_counted == 0
}

const CONFIRM_TIME: Duration = Duration::from_secs(1);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn damage_is_looked_into_only_where_nobody_says_where_it_was_done() {
        let damaged = Counts { damaged: 3, ..Counts::default() };
        assert!(nobody_vouches(&damaged, 0));
        assert!(!nobody_vouches(&damaged, 3), "the adapter counted failed checks: the line");
        assert!(
            !nobody_vouches(&Counts { failed_check_delivered: 3, ..damaged }, 0),
            "each was seen to fail: the line"
        );
        assert!(
            !nobody_vouches(&Counts { damaged_after_check: 3, ..damaged }, 0),
            "each was seen to be right: the host"
        );
        assert!(!nobody_vouches(&Counts::default(), 0), "no damage");
    }
}
