//! Sends until the target bit error ratio is proved or refuted.

use std::time::Duration;

use turnback_core::{
    base::time::SECOND_NS,
    judge::{facts::Facts, judge, ratio::Basis},
    kind::ethernet::facts::EthernetFacts,
};

use super::{CheckError, EthernetRun, measured::EthernetMeasured};
use crate::engine::proof::is_decided;

impl EthernetRun<'_, '_> {
    /// Runs until the target is proved or refuted; how looking often is paid for is told in
    /// [`looks`](turnback_core::stats::looks).
    pub(super) fn proof(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let end = self.kind.port.now() + self.options.profile.time.as_nanos() as u64;
        let mut slice = PROOF_FIRST_SLICE;
        for (number, step) in steps.iter().cycle().enumerate() {
            let now = self.kind.port.now();
            if now >= end || self.must_stop(measured) {
                break;
            }
            if number < steps.len() {
                self.step_started(step, None);
                self.latency(measured, step, None)?;
            }
            let counts_before = measured.tally.counts;
            self.flow_slowing(measured, step, slice.min(Duration::from_nanos(end - now)), None)?;
            let evidence = self.facts(measured);
            if is_decided(judge(&evidence).outcome) {
                break;
            }
            let bits_needed = bits_needed(&evidence);
            // Looks again when the proof could first succeed if nothing more fails, and after a minute at the latest.
            let elapsed = (self.kind.port.now() - now).max(1) as f64 / SECOND_NS as f64;
            let bits = measured.tally.counts.bits_compared - counts_before.bits_compared;
            let wanted = bits_needed.map_or(f64::MAX, |needed| needed * elapsed / bits.max(1) as f64);
            slice = Duration::from_secs_f64((wanted * 1.02).clamp(0.2, PROOF_SLICE_MAX.as_secs_f64()));
        }
        self.step_done(measured);
        Ok(())
    }
}

/// Bits that would prove the limit if nothing more failed.
fn bits_needed(evidence: &EthernetFacts) -> Option<f64> {
    let ratio = evidence.error_ratio()?;
    let bits = match ratio.basis {
        Basis::Bits => 1.0,
        Basis::Frames => evidence.frame_bits,
    };
    Some(evidence.common.limit.units_needed(ratio.errors, ratio.trials, bits)? as f64 * bits)
}

const PROOF_FIRST_SLICE: Duration = Duration::from_secs(1);
const PROOF_SLICE_MAX: Duration = Duration::from_secs(60);
