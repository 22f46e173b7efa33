//! How long a run takes, told before it sends.

use std::time::Duration;

use turnback_core::{
    event::Event,
    kind::{Kind, ethernet::probe::FCS_BYTES},
    plan::ProfileKind,
};

use super::{EthernetRun, measured::EthernetMeasured};

impl EthernetRun<'_, '_> {
    /// Tells how long the run is going to take. A proof on a port without a line rate ends when it ends.
    pub(super) fn say_estimate(&mut self, measured: &EthernetMeasured) {
        let profile = &self.options.profile;
        let (seconds, allowed_s) = match profile.kind {
            ProfileKind::Steps | ProfileKind::Soak => (profile.sends_for(), None),
            ProfileKind::Proof => (self.proof_takes(measured), Some(profile.time.as_secs_f64())),
            // One trial for each size, where nothing is lost.
            ProfileKind::RateSearch => (Some(profile.steps().iter().map(|step| step.time).sum()), None),
        };
        if let Some(seconds) = seconds {
            (self.say)(Event::Estimated { seconds: seconds.as_secs_f64(), allowed_s });
        }
    }

    /// Time in which a line without errors proves the target, at the rate asked for.
    fn proof_takes(&self, measured: &EthernetMeasured) -> Option<Duration> {
        let profile = &self.options.profile;
        let line_bps = measured.link.speed_mbps.map(|mbps| u64::from(mbps) * 1_000_000);
        let line_bps = line_bps.filter(|_| self.kind.port.capabilities().has_line_rate);
        let bits = profile.limit(Kind::Ethernet, None).units_needed(0, 0, 1.0)?;
        let steps = profile.steps();
        let bits_per_second = |size_bytes: u32| {
            let frames = profile.rate.frames_per_second(size_bytes, line_bps)?;
            Some(frames * 8.0 * f64::from(size_bytes - FCS_BYTES as u32))
        };
        // The steps take turns, each for the same time.
        let rates: Option<Vec<f64>> = steps.iter().map(|step| bits_per_second(step.size_bytes)).collect();
        let rates = rates.filter(|rates| !rates.is_empty())?;
        let mean = rates.iter().sum::<f64>() / rates.len() as f64;
        Duration::try_from_secs_f64(bits as f64 / mean).ok()
    }
}
