//! Short measurements beside the run's own: from another place, and with damaged frames held back.

use std::time::Duration;

use turnback_core::{
    judge::{
        RuleId,
        facts::{Facts, Reference, Trouble},
        judge,
        ratio::{Basis, ERRORS_MIN},
    },
    kind::ethernet::{counters::classify::classify, link::PortSetting, stream::tally::FrameCounts},
};

use super::{CheckError, EthernetRun, measured::EthernetMeasured};
use crate::engine::run::tag;

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
        self.trial(&mut held_back, TRIAL_TIME_MIN)?;
        measured.tally.counts.damaged_after_check = held_back.tally.counts.damaged.min(counts.damaged);
        Ok(())
    }

    /// What a trial says of its place. Where echoes came too late, or were lost in this computer, it says nothing:
    /// neither that the place passes nor that it fails.
    pub(super) fn reference(&self, measured: &EthernetMeasured) -> Option<Reference> {
        let there = self.facts(measured);
        let silent = there.counts.returned == 0 && there.losses.inside() > 0;
        // Where some came late, what never came may be later still; what came back wrong is wrong all the same.
        let wrong = there.counts.damaged + there.lengths_changed() + there.losses.failed_check;
        let late = there.counts.late > 0 && wrong < ERRORS_MIN;
        if silent || late || judge(&there).rule() == Some(&RuleId::HostLimited) {
            return None;
        }
        let ratio = there.error_ratio();
        let trials = ratio.map_or(0, |r| r.trials);
        // Where frames are counted the lost ones are among the failed already; those damaged behind the check are not.
        let more = match there.basis() {
            Basis::Bits => there.losses.wire(),
            Basis::Frames => there.damaged_after_check(),
        };
        let failures = ratio.map_or(0, |r| r.errors) + more + there.lengths_changed() + there.link_flaps;
        let trouble = there.trouble();
        Some(Reference {
            placement: measured.placement,
            trials,
            failures: failures.min(trials),
            link_up: there.link.up,
            returned_any: there.counts.returned > 0,
            trouble: Trouble { failed: trouble.failed + there.link_flaps, ..trouble },
        })
    }

    /// How long a trial must last to be held against a failure: as long as the run sent, or as it takes to tell that
    /// trouble which came and went is not there.
    pub(super) fn trial_time(&self, failed: &EthernetMeasured) -> Duration {
        let sent_s: f64 = failed.steps.iter().map(|step| step.seconds).sum();
        let longest = Duration::from_secs_f64(sent_s).max(TRIAL_TIME_MAX);
        let trouble = self.facts(failed).trouble();
        if failed.tally.counts.returned == 0 {
            TRIAL_TIME_MIN
        } else if trouble.pauses {
            // With `k` beginnings in `n` seconds here, none in `t` there: `(n / (n + t))^k` is chance.
            let chance = 1.0 - self.options.profile.confidence;
            let needed = sent_s * (chance.powf(-1.0 / trouble.begun.max(1) as f64) - 1.0) * 1.1 + 1.0;
            Duration::from_secs_f64(needed.min(longest.as_secs_f64()))
        } else {
            Duration::from_secs_f64(sent_s).clamp(TRIAL_TIME_MIN, TRIAL_TIME_MAX)
        }
    }

    /// Sends the first probes, then every size and pattern of the plan at its rate, for `time` in all.
    pub(super) fn trial(&mut self, measured: &mut EthernetMeasured, time: Duration) -> Result<(), CheckError> {
        measured.link = self.wait_for_link(Duration::ZERO)?;
        if !measured.link.up {
            return Ok(());
        }
        // What the run's own probes still bring, from another place or damaged, must not be taken for the trial's.
        self.kind.runners.clear();
        self.kind.tag = tag(self.kind.tag);
        self.open_runners(measured)?;
        if self.first_probes(measured)? {
            let steps = self.options.profile.steps();
            let each = time / steps.len().max(1) as u32;
            for (n, step) in steps.iter().enumerate() {
                self.flow_slowing(measured, step, each, Some(each * (steps.len() - 1 - n) as u32))?;
            }
        }
        self.hear_late(measured)
    }
}

/// Whether frames came back damaged of which neither the frame check of each nor the adapter's counter says where.
fn nobody_vouches(counts: &FrameCounts, failed_checks_counted: u64) -> bool {
    let told_each = counts.failed_check_delivered > 0 || counts.damaged_after_check > 0;
    counts.damaged > 0 && !told_each && failed_checks_counted == 0
}

const TRIAL_TIME_MIN: Duration = Duration::from_secs(1);
/// A steady failure shows in this time, and a person waits for it.
const TRIAL_TIME_MAX: Duration = Duration::from_secs(10);

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
