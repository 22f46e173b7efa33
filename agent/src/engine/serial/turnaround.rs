//! Measures how long bytes that travel alone take, by their number and with the driver's latency setting.

use turnback_core::{
    base::time::{Nanos, SECOND_NS},
    document::run::Turnaround,
    event::Event,
    kind::serial::format::LineSetting,
    signal::pattern::Pattern,
    stats::latency::LatencyHistogram,
};

use super::{SerialRun, exchange::Exchange, measured::SerialMeasured};
use crate::{engine::options::CheckError, ports::PortError};

impl SerialRun<'_, '_> {
    /// Measures the turnaround of several block sizes.
    pub(super) fn turnaround(&mut self, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        if self.options.profile.latency_probes == 0 {
            return Ok(());
        }
        (self.say)(Event::LineStepStarted { what: "round trips of 1 to 256 bytes".into() });
        self.turnaround_with(measured, false)?;
        if self.kind.line.capabilities().latency_setting && self.kind.line.apply(LineSetting::LowLatency(true))? {
            self.tell_changed("low latency".into());
            self.turnaround_with(measured, true)?;
            self.kind.line.apply(LineSetting::LowLatency(false))?;
        }
        Ok(())
    }

    fn turnaround_with(&mut self, measured: &mut SerialMeasured, low_latency: bool) -> Result<(), CheckError> {
        for block_bytes in BLOCKS {
            let line_ns =
                self.kind.line.capabilities().paced.then(|| self.kind.format.characters_ns(block_bytes.into()));
            // A slow line gets fewer trips: about a second for each size.
            let trips = line_ns.map_or(u64::MAX, |ns| 1_000_000_000 / ns.max(1)).clamp(3, TRIPS_MAX);
            let mut times = LatencyHistogram::new();
            let mut exchange = self.exchange(measured, Pattern::Prbs31, self.kind.format)?;
            let trips = trips.min(self.options.profile.latency_probes.into());
            let done = self.make_trips(measured, &mut exchange, (trips, block_bytes.into()), &mut times);
            let (all_back, _) = self.take(measured, exchange, done)?;
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
            // A larger block costs seconds more, of waiting or on a slow line.
            if !all_back || times.max_ns().is_some_and(|longest| longest > SLOW_NS) {
                break;
            }
        }
        Ok(())
    }

    /// Makes so many trips of so many bytes, fewer on a slow line. False when one did not come back.
    fn make_trips(
        &mut self,
        measured: &mut SerialMeasured,
        exchange: &mut Exchange,
        (trips, bytes): (u64, u64),
        times: &mut LatencyHistogram,
    ) -> Result<bool, PortError> {
        let begun: Nanos = self.kind.line.now();
        for number in 0..trips {
            if self.must_stop(measured) || (number > 0 && self.kind.line.now() >= begun + LONGEST_NS) {
                break;
            }
            match exchange.alone(self.kind.line, bytes, &mut *self.say)? {
                Some(trip) => times.record(trip),
                None => return Ok(false),
            }
        }
        Ok(true)
    }
}

const BLOCKS: [u32; 4] = [1, 16, 64, 256];
const TRIPS_MAX: u64 = 20;
/// No further trip of a size is begun after this time.
const LONGEST_NS: u64 = 2 * SECOND_NS;
/// A trip that takes longer leaves the larger blocks out.
const SLOW_NS: u64 = SECOND_NS;
