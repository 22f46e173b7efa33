//! A step in full flow, slower and slower until this computer keeps up.

use std::time::Duration;

use turnback_core::{event::Event, plan::Step};

use super::{CheckError, Run};
use crate::ports::runner::StepAmount;

impl Run<'_> {
    /// A step in full flow; when this computer loses probes it is run again, slower, until it does not.
    pub(super) fn flow_slowing(
        &mut self,
        step: &Step,
        time: Duration,
        left: Option<Duration>,
    ) -> Result<(), CheckError> {
        // What stopped the single probes before it stops this step too.
        if self.must_stop() {
            return Ok(());
        }
        let mut rate = step.rate.frames_per_second(step.size_bytes, self.line_bps());
        for _ in 0..=SLOWDOWNS_MAX {
            let results = self.run_with_left(step, StepAmount::Flow(time), rate, true, left)?;
            // What a link that dropped did not take is not this computer's doing.
            let in_host: u64 =
                results.iter().map(|(r, l)| l.in_host + if r.link_flaps == 0 { l.never_left } else { 0 }).sum();
            if in_host == 0 || self.must_stop() {
                return Ok(());
            }
            let reached =
                results.iter().map(|(r, _)| r.tally.counts.sent as f64 / r.seconds.max(1e-9)).fold(f64::MAX, f64::min);
            let slower = rate.unwrap_or(reached).min(reached) / 2.0;
            self.gathered.slowdowns += 1;
            for report in self.gathered.steps.iter_mut().rev().take(results.len()) {
                report.repeated_slower = true;
            }
            (self.say)(Event::Slowed { frames_per_second: slower });
            rate = Some(slower);
        }
        Ok(())
    }
}

const SLOWDOWNS_MAX: u32 = 5;
