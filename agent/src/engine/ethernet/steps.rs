//! Carries out the plan's steps: each once, or in turn for as long as a soak lasts.

use std::time::Duration;

use turnback_core::{document::run::DelayVariationReport, event::Event, plan::Step};

use super::{CheckError, EthernetRun, measured::EthernetMeasured};
use crate::ports::runner::StepAmount;

impl EthernetRun<'_, '_> {
    pub(super) fn steps(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let count = steps.len() as u32;
        for (number, step) in steps.iter().enumerate() {
            if self.must_stop(measured) {
                break;
            }
            self.step_started(step, Some(count));
            let left: Duration = steps[number + 1..].iter().map(|s| s.time).sum();
            self.latency(measured, step)?;
            self.flow_slowing(measured, step, step.time, Some(left))?;
            self.step_done(measured);
        }
        Ok(())
    }

    pub(super) fn soak(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let total = self.options.profile.time;
        let mut left = total;
        // In slices, sizes and patterns take turns, and lost probes are sorted by what happened in their own slice.
        for (number, step) in steps.iter().cycle().enumerate() {
            if left.is_zero() || self.must_stop(measured) {
                break;
            }
            let slice = left.min(SOAK_SLICE);
            left -= slice;
            if number < steps.len() {
                self.step_started(step, None);
                self.latency(measured, step)?;
            }
            self.flow_slowing(measured, step, slice, Some(left))?;
        }
        self.step_done(measured);
        Ok(())
    }

    pub(super) fn latency(&mut self, measured: &mut EthernetMeasured, step: &Step) -> Result<(), CheckError> {
        let probes = self.options.profile.latency_probes;
        self.kind.variations.clear();
        if probes > 0 {
            let results = self.run_step(measured, step, StepAmount::Single(probes), None, None)?;
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

const SOAK_SLICE: Duration = Duration::from_secs(60);
