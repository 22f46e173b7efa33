//! Sends until the target bit error ratio is proved or refuted.

use std::time::Duration;

use turnback_core::{
    judge::{facts::Facts, judge, ratio::Basis},
    kind::ethernet::facts::EthernetFacts,
};

use super::{CheckError, EthernetRun, measured::EthernetMeasured};
use crate::engine::proof::{is_decided, proved_so_far};

impl EthernetRun<'_, '_> {
    /// Runs until the target is proved or refuted; how looking often is paid for is told in
    /// [`looks`](turnback_core::stats::looks).
    pub(super) fn proof(&mut self, measured: &mut EthernetMeasured) -> Result<(), CheckError> {
        let steps = self.options.profile.steps();
        let end = self.kind.port.now() + self.options.profile.time.as_nanos() as u64;
        let mut slice = FIRST_SLICE;
        for (number, step) in steps.iter().cycle().enumerate() {
            let now = self.kind.port.now();
            if now >= end || self.must_stop(measured) {
                break;
            }
            if number < steps.len() {
                self.step_started(step, None);
                self.latency(measured, step, None)?;
            }
            let bits_before = measured.tally.counts.bits_compared;
            self.flow_slowing(measured, step, slice.min(Duration::from_nanos(end - now)), None)?;
            let evidence = self.facts(measured);
            if is_decided(judge(&evidence).outcome) {
                break;
            }
            let bits = measured.tally.counts.bits_compared - bits_before;
            slice = until_next_look(missing_bits(&evidence), bits, Duration::from_nanos(self.kind.port.now() - now));
        }
        self.step_done(measured);
        Ok(())
    }
}

/// Bits that would prove the limit if nothing more failed.
fn missing_bits(evidence: &EthernetFacts) -> Option<f64> {
    let ratio = evidence.error_ratio()?;
    let bits = match ratio.basis {
        Basis::Bits => 1.0,
        Basis::Frames => evidence.frame_bits,
    };
    proved_so_far(&evidence.common.limit, ratio.errors, ratio.trials, bits).1
}

/// How long it takes until the proof could first succeed, if nothing more fails and bits pass as fast as these `bits`
/// did that `took` so long. A minute at the most, also where no number of bits proves it.
fn until_next_look(missing_bits: Option<f64>, bits: u64, took: Duration) -> Duration {
    let wanted = missing_bits.map_or(f64::MAX, |missing| missing * took.as_secs_f64() / bits.max(1) as f64);
    Duration::from_secs_f64((wanted * MORE).clamp(SLICE_MIN.as_secs_f64(), SLICE_MAX.as_secs_f64()))
}

/// A look a little too early would cost another slice.
const MORE: f64 = 1.02;
const FIRST_SLICE: Duration = Duration::from_secs(1);
const SLICE_MIN: Duration = Duration::from_millis(200);
const SLICE_MAX: Duration = Duration::from_secs(60);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_next_look_comes_when_the_proof_could_first_succeed() {
        for (missing, bits, took_ms, expected_s) in [
            // A hundred million bits took a second, and ten times as many are missing.
            (Some(1e9), 100_000_000, 1000, 10.2),
            (Some(1e9), 100_000_000, 2000, 20.4),
            // Nothing came back in that second.
            (Some(10.0), 0, 1000, 10.2),
            (Some(1.0), 100_000_000, 1000, 0.2),
            (Some(1e15), 100_000_000, 1000, 60.0),
            (None, 100_000_000, 1000, 60.0),
            (None, 0, 0, 60.0),
        ] {
            let found = until_next_look(missing, bits, Duration::from_millis(took_ms)).as_secs_f64();
            assert!((found - expected_s).abs() < 1e-6, "{missing:?} {bits} {took_ms}: {found}");
        }
    }
}
