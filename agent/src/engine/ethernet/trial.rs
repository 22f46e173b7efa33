//! Short measurements beside the run's own: from another place, and with damaged frames held back.

use std::time::Duration;

use turnback_core::{
    judge::{
        facts::{Facts, Reference},
        ratio::Basis,
    },
    kind::ethernet::{counters::classify::classify, link::PortSetting, stream::tally::FrameCounts},
    plan::{SIZE_MIN, Step},
    signal::pattern::Pattern,
};

use super::{CheckError, EthernetRun, measured::EthernetMeasured};

impl EthernetRun<'_, '_> {
    /// Tells damage done on the line from damage done in this computer.
    ///
    /// Bits were wrong, and the adapter was told to deliver frames whether or not they pass its check, but counted none
    /// that did not. So the damage was done on the line and not counted, or behind the check. What is damaged while
    /// such frames are held back has passed the check.
    pub(super) fn tell_host_from_line(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let counts = measured.tally.counts;
        let counted = classify(&measured.delta()).failed_fcs();
        if self.stopped(measured).is_some()
            || !measured.bad_frames_delivered
            || !nobody_vouches(&counts, counted)
            || !self.set(PortSetting::DeliverBadFrames(false))?
        {
            return Ok(());
        }
        let mut held_back = EthernetMeasured { placement: measured.placement, ..EthernetMeasured::default() };
        self.trial(&mut held_back)?;
        measured.tally.counts.damaged_after_check = held_back.tally.counts.damaged.min(counts.damaged);
        Ok(())
    }

    /// What a trial says of its place. What came back too late says nothing: neither that it passes nor that it fails.
    pub(super) fn reference(&self, measured: &EthernetMeasured) -> Option<Reference> {
        let there = self.facts(measured);
        if there.counts.returned == 0 && there.counts.late > 0 {
            return None;
        }
        let ratio = there.error_ratio();
        let trials = ratio.map_or(0, |r| r.trials);
        // Where frames are counted the lost ones are among the failed already; those damaged behind the check are not.
        let more = match there.basis() {
            Basis::Bits => there.losses.wire(),
            Basis::Frames => there.damaged_after_check(),
        };
        let failures = ratio.map_or(0, |r| r.errors) + more + there.counts.truncated + there.counts.lengthened;
        Some(Reference {
            placement: measured.placement,
            trials,
            failures: failures.min(trials),
            link_up: there.link.up,
            returned_any: there.counts.returned > 0,
        })
    }

    /// Sends the first probes, then the longest frames of the plan for a second.
    pub(super) fn trial(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        measured.link = self.wait_for_link()?;
        if !measured.link.up {
            return Ok(());
        }
        if self.kind.runners.is_empty() {
            self.open_runners(measured)?;
        }
        if self.first_probes(measured)? {
            let size_bytes = self.options.profile.sizes_bytes.iter().copied().max().unwrap_or(SIZE_MIN);
            let step = Step { size_bytes, pattern: Pattern::Prbs31, time: TRIAL_TIME, rate: self.options.profile.rate };
            self.flow_slowing(measured, &step, TRIAL_TIME, Some(Duration::ZERO))?;
        }
        Ok(())
    }
}

/// Whether frames came back damaged of which neither the frame check of each nor the adapter's counter says where.
fn nobody_vouches(counts: &FrameCounts, failed_checks_counted: u64) -> bool {
    let told_each = counts.failed_check_delivered > 0 || counts.damaged_after_check > 0;
    counts.damaged > 0 && !told_each && failed_checks_counted == 0
}

const TRIAL_TIME: Duration = Duration::from_secs(1);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn damage_is_looked_into_only_where_nobody_says_where_it_was_done() {
        let damaged = FrameCounts { damaged: 3, ..FrameCounts::default() };
        assert!(nobody_vouches(&damaged, 0));
        assert!(!nobody_vouches(&damaged, 3), "the adapter counted failed checks: the line");
        assert!(
            !nobody_vouches(&FrameCounts { failed_check_delivered: 3, ..damaged }, 0),
            "each was seen to fail: the line"
        );
        assert!(
            !nobody_vouches(&FrameCounts { damaged_after_check: 3, ..damaged }, 0),
            "each was seen to be right: the host"
        );
        assert!(!nobody_vouches(&FrameCounts::default(), 0), "no damage");
    }
}
