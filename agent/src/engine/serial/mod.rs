//! Checks a serial port: what only such a port knows of a run.

mod data;
mod exchange;
mod first_probes;
mod measured;
mod modem;
pub mod options;
mod plan;
mod prepare;
mod result;
mod sweep;
#[cfg(test)]
mod tests;
mod trial;
mod turnaround;

use turnback_core::{
    base::{placement::Placement, time::Nanos},
    document::run::Report,
    event::Event,
    judge::{
        Outcome, Verdict,
        facts::{Reference, Stopped},
        judge,
    },
    kind::serial::{
        format::{LineFormat, LineSetting},
        plug::LinePlug,
        probe::BlockStream,
    },
    plan::ProfileKind,
    signal::pattern::Pattern,
};

use self::{exchange::Exchange, measured::SerialMeasured};
use super::{
    options::{CheckError, CheckOptions},
    run::{Measured, PortKind, Run, tag},
};
use crate::ports::{Line, Port};

/// A run on a serial port.
type SerialRun<'r, 'p> = Run<'r, Serial<'p>>;

/// What only a run on a serial port has.
pub(super) struct Serial<'a> {
    line: &'a mut dyn Line,
    /// The plug that is fitted.
    plug: LinePlug,
    /// Format of the data steps; as the port took it once it is set.
    format: LineFormat,
    tag: u32,
    next_block: u32,
    /// Bytes out at once.
    window: u64,
}

impl<'a> Serial<'a> {
    /// Format and plug are those asked for, else what the port knows of.
    pub(super) fn new(line: &'a mut dyn Line, options: &CheckOptions) -> Self {
        Self {
            plug: options.line.plug.or(line.plug()).unwrap_or_default(),
            format: options.line.format.or(line.usual_format()).unwrap_or_default(),
            tag: tag(options.seed) as u32,
            next_block: 0,
            window: (line.capabilities().buffer_bytes as u64 * 3 / 4).max(WINDOW_MIN),
            line,
        }
    }
}

impl PortKind for Serial<'_> {
    type Measured = SerialMeasured;
    const NO_INTERNAL_LOOP: &'static str = "loop inside the chip (its driver offers none); use a plug";

    fn port(&self) -> &dyn Port {
        &*self.line
    }

    fn ports(&mut self) -> Vec<&mut dyn Port> {
        vec![&mut *self.line]
    }

    fn measure_at(&self, placement: Placement) -> SerialMeasured {
        let plug = if placement == Placement::Internal { LinePlug::Internal } else { self.plug };
        SerialMeasured { placement, plug, ..SerialMeasured::default() }
    }

    fn set_up(run: &mut Run<'_, Self>, measured: &mut SerialMeasured) -> Result<bool, CheckError> {
        run.prepare(measured)?;
        run.ends_by = Some(run.ceiling());
        Ok(true)
    }

    fn listen(run: &mut Run<'_, Self>, measured: &mut SerialMeasured) -> Result<bool, CheckError> {
        run.listen(measured)
    }

    fn first_probes(run: &mut Run<'_, Self>, measured: &mut SerialMeasured) -> Result<bool, CheckError> {
        if let Some(seconds) = run.estimated_seconds() {
            (run.say)(Event::LineEstimated { seconds });
        }
        let returned = run.first_probes(measured)?;
        run.modem_lines(measured)?;
        Ok(returned && !run.must_stop(measured))
    }

    fn steps(run: &mut Run<'_, Self>, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        run.flow_control(measured)?;
        run.break_goes_round(measured)?;
        if run.options.profile.kind != ProfileKind::RateSearch {
            run.turnaround(measured)?;
        }
        run.data(measured)?;
        if run.sweeps() {
            run.sweep(measured)?;
        }
        Ok(())
    }

    /// Whoever opened the line meanwhile takes bytes from it: asked before anything is blamed.
    fn conclude(run: &mut Run<'_, Self>, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        if measured.stopped.is_none() && judge(&run.facts(measured)).outcome != Outcome::Pass && run.find_service()? {
            measured.stop(Stopped::TakenIntoService);
        }
        Ok(())
    }

    fn switch_internal_loop(run: &mut Run<'_, Self>, on: bool) -> Result<bool, CheckError> {
        Ok(run.kind.line.apply(LineSetting::InternalLoop(on))?)
    }

    fn trial(run: &mut Run<'_, Self>, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        run.trial(measured)
    }

    fn reference(run: &Run<'_, Self>, measured: &SerialMeasured) -> Option<Reference> {
        Some(run.reference(measured))
    }

    fn judge(run: &Run<'_, Self>, measured: &SerialMeasured) -> Verdict {
        judge(&run.facts(measured))
    }

    fn report(run: &Run<'_, Self>, measured: SerialMeasured, verdict: Verdict) -> Report {
        run.report(measured, verdict)
    }
}

impl SerialRun<'_, '_> {
    fn tell_changed(&mut self, setting: String) {
        (self.say)(Event::LineSettingChanged { port: self.kind.line.identity().name, setting });
    }

    /// An exchange of this pattern, with block numbers that no exchange before it had.
    fn exchange(
        &mut self,
        measured: &SerialMeasured,
        pattern: Pattern,
        format: LineFormat,
    ) -> Result<Exchange, CheckError> {
        let ends_by = self.ends_by.unwrap_or(Nanos::MAX);
        let Serial { line, tag, next_block, window, format: usual, .. } = &mut self.kind;
        let stream = BlockStream { tag: *tag, first_block: *next_block, pattern, mask: format.data_mask() };
        let mut exchange = Exchange::begin(*line, stream, format, *window, self.origin, ends_by)?;
        // At another format it may never have.
        if format == *usual && measured.tally.counts.returned > 0 {
            exchange.expect_answers();
        }
        Ok(exchange)
    }

    /// Ends an exchange and adds what it measured to the counts that are judged; gives the characters a second.
    fn take(&mut self, measured: &mut SerialMeasured, exchange: Exchange) -> Result<Option<f64>, CheckError> {
        let exchanged = exchange.finish(self.kind.line)?;
        self.kind.next_block = self.kind.next_block.wrapping_add(exchanged.blocks);
        measured.tally.merge(&exchanged.tally);
        let slowest = self.kind.window <= WINDOW_MIN;
        if slowest || measured.slowdowns > 0 {
            measured.since_slowed.merge(&exchanged.tally.counts);
        }
        if let Some(errors) = exchanged.errors {
            if slowest {
                measured.lost_at_slowest += errors.lost_in_host();
            }
            measured.errors.get_or_insert_default().merge(&errors);
        }
        // What was still out when the time was over counts as lost here, and must not be judged.
        self.must_stop(measured);
        Ok(exchanged.characters_per_second)
    }
}

/// Fewest bytes out at once: half of what the smallest chip with a store holds (16 bytes, 16550).
const WINDOW_MIN: u64 = 8;
