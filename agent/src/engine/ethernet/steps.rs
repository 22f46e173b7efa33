//! The plan's steps, each once, or in turns for as long as a soak lasts.

use std::time::Duration;

use turnback_core::{document::run::DelayVariationReport, event::Event, plan::Step};

use super::{CheckError, Run};
use crate::ports::runner::StepAmount;

impl Run<'_> {
    pub(super) fn steps(&mut self) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let count = steps.len() as u32;
        for (number, step) in steps.iter().enumerate() {
            if self.must_stop() {
                break;
            }
            self.step_started(step, Some(count));
            let left: Duration = steps[number + 1..].iter().map(|s| s.time).sum();
            self.latency(step)?;
            self.flow_slowing(step, step.time, Some(left))?;
            self.step_done();
        }
        Ok(())
    }

    pub(super) fn soak(&mut self) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let total = self.options.profile.time;
        let mut left = total;
        // Slices bound what one slice's lost probes can hide, and let sizes and patterns take turns.
        for (number, step) in steps.iter().cycle().enumerate() {
            if left.is_zero() || self.must_stop() {
                break;
            }
            let slice = left.min(SOAK_SLICE);
            left -= slice;
            if number < steps.len() {
                self.step_started(step, None);
                self.latency(step)?;
            }
            self.flow_slowing(step, slice, Some(left))?;
        }
        self.step_done();
        Ok(())
    }

    pub(super) fn latency(&mut self, step: &Step) -> Result<(), CheckError> {
        let probes = self.options.profile.latency_probes;
        self.variations.clear();
        if probes > 0 {
            let results = self.run_once(step, StepAmount::Single(probes), None, false)?;
            self.variations = results.iter().map(|(r, _)| DelayVariationReport::new(&r.tally.single_trips)).collect();
        }
        Ok(())
    }

    pub(super) fn step_started(&mut self, step: &Step, of: Option<u32>) {
        self.step_number += 1;
        (self.say)(Event::StepStarted {
            step: self.step_number,
            of,
            size_bytes: step.size_bytes,
            pattern: step.pattern.to_string(),
        });
    }

    pub(super) fn step_done(&mut self) {
        if let Some(last) = self.gathered.steps.last() {
            (self.say)(Event::StepDone {
                step: self.step_number,
                frames_sent: last.frames_sent,
                frames_lost: last.frames_lost,
                bit_errors: last.bit_errors,
            });
        }
    }
}

const SOAK_SLICE: Duration = Duration::from_secs(60);
