//! Searches the highest rate without loss.

use turnback_core::document::run::ZeroLossRate;

use super::{CheckError, EthernetRun, measured::EthernetMeasured, step::frames_per_second};
use crate::ports::runner::StepAmount;

impl EthernetRun<'_, '_> {
    /// RFC 2544 26.1: lower the rate when frames are lost, raise it otherwise; any search that ends with the highest
    /// rate without loss. Here a bisection between the highest rate without and the lowest with loss, to one part in a
    /// hundred.
    pub(super) fn rate_search(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let count = steps.len() as u32;
        for step in &steps {
            if self.must_stop(measured) {
                break;
            }
            self.step_started(step, Some(count));
            let mut found = ZeroLossRate {
                size_bytes: step.size_bytes,
                frames_per_second: None,
                lossy_frames_per_second: None,
                limited_by_host: false,
                trials: 0,
            };
            let mut rate = step.rate.frames_per_second(step.size_bytes, self.line_bps(measured));
            while found.trials < SEARCH_TRIALS_MAX && !self.must_stop(measured) {
                let results = self.run_step(measured, step, StepAmount::Flow(step.time), rate, None)?;
                found.trials += 1;
                let lost: u64 = results.iter().map(|(r, _)| r.tally.counts.lost).sum();
                let in_host: u64 = results.iter().map(|(_, l)| l.in_host + l.never_left).sum();
                let reached = frames_per_second(&results);
                if lost == 0 {
                    found.frames_per_second = Some(found.frames_per_second.unwrap_or(0.0).max(reached));
                } else {
                    found.lossy_frames_per_second =
                        Some(found.lossy_frames_per_second.unwrap_or(f64::MAX).min(reached));
                    found.limited_by_host = in_host > 0;
                }
                rate = match (found.frames_per_second, found.lossy_frames_per_second) {
                    // No loss at the highest rate there is.
                    (_, None) => break,
                    (Some(good), Some(bad)) if bad - good <= bad * SEARCH_RESOLUTION => break,
                    (good, Some(bad)) => Some((good.unwrap_or(0.0) + bad) / 2.0),
                };
            }
            measured.zero_loss_rates.push(found);
            self.step_done(measured);
        }
        Ok(())
    }
}

/// A bisection to one part in a hundred needs seven halvings; the rest is for a first rate far too high.
const SEARCH_TRIALS_MAX: u32 = 16;
const SEARCH_RESOLUTION: f64 = 0.01;
