//! Sends in full flow, slower each time until this computer keeps up.

use std::time::Duration;

use turnback_core::{event::Event, plan::Step};

use super::{
    CheckError, EthernetRun,
    measured::{EthernetMeasured, Pace},
    step::frames_per_second,
};
use crate::ports::runner::StepAmount;

impl EthernetRun<'_, '_> {
    /// Sends in full flow. When this computer loses probes, sends again at half the rate, until it loses none.
    pub(super) fn flow_slowing(
        &mut self,
        measured: &mut EthernetMeasured,
        step: &Step,
        time: Duration,
        left: Option<Duration>,
    ) -> Result<(), CheckError> {
        // What stopped the single probes before this step stops it too.
        if self.must_stop(measured) {
            return Ok(());
        }
        let asked = step.rate.frames_per_second(step.size_bytes, self.line_bps(measured));
        // A soak comes back to each size: it need not lose the same frames each time to learn the same.
        let known = measured.paces.get(&step.size_bytes).and_then(Pace::from);
        let mut rate = known.map(|known| asked.map_or(known, |asked| asked.min(known))).or(asked);
        for _ in 0..=SLOWDOWNS_MAX {
            let results = self.run_step(measured, step, StepAmount::Flow(time), rate, left)?;
            // This computer is not to blame for probes that a dropped link did not take.
            let in_host: u64 =
                results.iter().map(|(r, l)| l.in_host + if r.link_flaps == 0 { l.never_left } else { 0 }).sum();
            // Where the line fell silent or the link is gone, a slower step would only keep somebody waiting who pulled
            // the plug.
            let pulled = measured.silent_from_s().is_some() || measured.down_since.is_some();
            if in_host == 0 || pulled || self.must_stop(measured) {
                return Ok(());
            }
            let reached = frames_per_second(&results);
            let slower = rate.unwrap_or(reached).min(reached) / 2.0;
            measured.slowdowns += 1;
            for report in measured.steps.iter_mut().rev().take(results.len()) {
                report.repeated_slower = true;
            }
            (self.say)(Event::Slowed { frames_per_second: slower });
            let pace = measured.paces.entry(step.size_bytes).or_default();
            (pace.slowed, pace.rate) = (pace.slowed + 1, slower);
            rate = Some(slower);
        }
        Ok(())
    }
}

const SLOWDOWNS_MAX: u32 = 5;
