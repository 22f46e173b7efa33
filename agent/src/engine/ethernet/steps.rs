//! Carries out the plan's steps: each once, or in turn for as long as a soak lasts.

use std::time::Duration;

use turnback_core::{
    document::run::DelayVariationReport,
    event::Event,
    plan::{Rate, SIZE_MIN, Step},
    signal::pattern::Pattern,
};

use super::{CheckError, EthernetRun, measured::EthernetMeasured};
use crate::ports::runner::StepAmount;

impl EthernetRun<'_, '_> {
    pub(super) fn steps(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let count = steps.len() as u32;
        self.kind.gives_up = true;
        for (number, step) in steps.iter().enumerate() {
            if self.must_stop(measured) {
                break;
            }
            self.step_started(step, Some(count));
            let left: Duration = steps[number + 1..].iter().map(|s| s.time).sum();
            self.latency(measured, step, Some(step.time + left))?;
            self.flow_slowing(measured, step, step.time, Some(left))?;
            self.step_done(measured);
        }
        self.kind.gives_up = false;
        Ok(())
    }

    pub(super) fn soak(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let total = self.options.profile.time;
        let mut left = total;
        let most = slice(total, steps.len());
        // In slices, sizes and patterns take turns, and lost probes are sorted by what happened in their own slice.
        for (number, step) in steps.iter().cycle().enumerate() {
            if left.is_zero() || self.must_stop(measured) {
                break;
            }
            let slice = left.min(most);
            left -= slice;
            if number < steps.len() {
                self.step_started(step, None);
                self.latency(measured, step, Some(left + slice))?;
            }
            self.flow_slowing(measured, step, slice, Some(left))?;
        }
        self.step_done(measured);
        Ok(())
    }

    /// Sends a few probes more where the last second lost some. A plug that was pulled a moment before the end has lost
    /// what a bad line loses in a second, and returns none of these.
    pub(super) fn ask_again(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        if !measured.ends_in_losses() || self.must_stop(measured) {
            return Ok(());
        }
        let step = Step { size_bytes: SIZE_MIN, pattern: Pattern::Prbs31, time: Duration::ZERO, rate: Rate::Full };
        self.run_step(measured, &step, StepAmount::Single(ASKED_AGAIN), None, None)?;
        Ok(())
    }

    /// Sends a few probes by themselves before a step. `left` is the time that the plan needs after them.
    pub(super) fn latency(
        &mut self,
        measured: &mut EthernetMeasured,
        step: &Step,
        left: Option<Duration>,
    ) -> Result<(), CheckError> {
        let probes = self.options.profile.latency_probes;
        self.kind.variations.clear();
        if probes > 0 {
            let results = self.run_step(measured, step, StepAmount::Single(probes), None, left)?;
            self.kind.variations =
                results.iter().map(|(r, _)| DelayVariationReport::new(&r.tally.single_trips)).collect();
        }
        Ok(())
    }

    pub(super) fn step_started(&mut self, step: &Step, of: Option<u32>) {
        self.kind.step_number += 1;
        (self.say)(Event::StepStarted {
            step: self.kind.step_number,
            of,
            size_bytes: step.size_bytes,
            pattern: step.pattern.to_string(),
        });
    }

    pub(super) fn step_done(&mut self, measured: &EthernetMeasured) {
        if let Some(last) = measured.steps.last() {
            (self.say)(Event::StepDone {
                step: self.kind.step_number,
                frames_sent: last.frames_sent,
                frames_lost: last.frames_lost,
                bit_errors: last.bit_errors,
            });
        }
    }
}

/// Length of a slice: every size and pattern comes a few times even in a short soak, so that a fault that only large
/// frames meet is met.
fn slice(total: Duration, steps: usize) -> Duration {
    let steps = steps.max(1) as u32;
    (total / (steps * SOAK_TURNS)).max(SLICE_MIN).min(total / steps).min(SLICE_MAX)
}

/// So often each size comes in a short soak. Our own choice.
const SOAK_TURNS: u32 = 3;
/// Enough that a line which lost four in ten before loses all of these by less than a chance of one in a million.
const ASKED_AGAIN: u32 = 16;
/// Slices shorter than this are mostly waiting. Our own choice.
const SLICE_MIN: Duration = Duration::from_secs(1);
/// Lost probes are sorted by what happened in their own slice.
const SLICE_MAX: Duration = Duration::from_secs(60);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_soak_has_time_for_all_sizes() {
        let slices = |total: u64, steps: usize| {
            let slice = slice(Duration::from_secs(total), steps);
            (Duration::from_secs(total).as_nanos() / slice.as_nanos()) as usize
        };
        for (total, steps) in [(1, 3), (3, 3), (10, 3), (60, 3), (60, 28), (3600, 3), (1, 1)] {
            assert!(slices(total, steps) >= steps, "{total} s of {steps} steps");
        }
        // A minute of three sizes: each three times.
        assert!(slices(60, 3) >= 9);
        assert_eq!(slice(Duration::from_secs(86_400), 1), SLICE_MAX);
        assert_eq!(slice(Duration::from_secs(60), 28), SLICE_MIN);
    }
}
