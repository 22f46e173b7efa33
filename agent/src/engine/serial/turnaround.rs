//! Measures how long bytes that travel alone take, by their number and with the driver's latency setting.

use turnback_core::{
    document::run::Turnaround, event::Event, kind::serial::format::LineSetting, signal::pattern::Pattern,
    stats::latency::LatencyHistogram,
};

use super::{SerialRun, measured::SerialMeasured};
use crate::engine::options::CheckError;

impl SerialRun<'_, '_> {
    /// Measures the turnaround of several block sizes.
    pub(super) fn turnaround(&mut self, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        if self.options.profile.latency_probes == 0 {
            return Ok(());
        }
        (self.say)(Event::LineStepStarted { what: "turnaround".into() });
        self.turnaround_with(measured, false)?;
        if self.kind.line.capabilities().latency_setting && self.kind.line.apply(LineSetting::LowLatency(true))? {
            self.tell_changed("low latency".into());
            self.turnaround_with(measured, true)?;
            self.kind.line.apply(LineSetting::LowLatency(false))?;
        }
        Ok(())
    }

    fn turnaround_with(&mut self, measured: &mut SerialMeasured, low_latency: bool) -> Result<(), CheckError> {
        let mut misses = 0;
        for block_bytes in BLOCKS {
            let line_ns =
                self.kind.line.capabilities().paced.then(|| self.kind.format.characters_ns(block_bytes.into()));
            // A slow line gets fewer trips: about a second for each size.
            let trips = line_ns.map_or(u64::MAX, |ns| 1_000_000_000 / ns.max(1)).clamp(3, TRIPS_MAX);
            let mut times = LatencyHistogram::new();
            let mut exchange = self.exchange(measured, Pattern::Prbs31, self.kind.format)?;
            for _ in 0..trips.min(self.options.profile.latency_probes.into()) {
                if self.must_stop(measured) || misses >= MISSES_MAX {
                    break;
                }
                match exchange.alone(self.kind.line, block_bytes.into())? {
                    Some(trip) => times.record(trip),
                    None => misses += 1,
                }
            }
            self.take(measured, exchange)?;
            if block_bytes == 1 && !low_latency {
                measured.single_byte_trips.merge(&times);
            }
            measured.turnaround.push(Turnaround {
                block_bytes,
                low_latency,
                count: times.count(),
                line_ns,
                min_ns: times.min_ns(),
                p50_ns: times.p50_ns(),
                max_ns: times.max_ns(),
            });
        }
        Ok(())
    }
}

const BLOCKS: [u32; 4] = [1, 16, 64, 256];
const TRIPS_MAX: u64 = 20;
/// Failed trips over all sizes, after which no more are made: each costs seconds of waiting.
const MISSES_MAX: u32 = 2;
