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
        probe::{BLOCK_BYTES, BlockStream},
    },
    plan::ProfileKind,
    signal::pattern::Pattern,
};

use self::{
    exchange::{Ends, Exchange, Exchanged},
    measured::SerialMeasured,
};
use super::{
    options::{CheckError, CheckOptions},
    run::{Measured, PortKind, Run, tag},
};
use crate::ports::{Line, Port, PortError};

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
        run.ask_again(measured)?;
        if run.sweeps() && measured.silence.is_none() {
            run.sweep(measured)?;
        }
        Ok(())
    }

    /// Whoever opened the line meanwhile takes bytes from it: asked before anything is blamed.
    fn conclude(run: &mut Run<'_, Self>, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        let asked = !run.in_service.is_empty() || measured.stopped.is_some();
        if !asked && judge(&run.facts(measured)).outcome != Outcome::Pass && run.find_service()? {
            measured.stop(Stopped::TakenIntoService);
        }
        Ok(())
    }

    fn switch_internal_loop(run: &mut Run<'_, Self>, on: bool) -> Result<bool, CheckError> {
        let is_done = run.kind.line.apply(LineSetting::InternalLoop(on))?;
        if is_done {
            run.tell_changed(format!("loop inside the chip {}", if on { "on" } else { "off" }));
        }
        Ok(is_done)
    }

    fn trial(
        run: &mut Run<'_, Self>,
        measured: &mut SerialMeasured,
        _failed: &SerialMeasured,
    ) -> Result<(), CheckError> {
        run.trial(measured)
    }

    fn reference(run: &Run<'_, Self>, measured: &SerialMeasured) -> Option<Reference> {
        run.reference(measured)
    }

    fn judge(run: &Run<'_, Self>, measured: &SerialMeasured) -> Verdict {
        judge(&run.facts(measured))
    }

    fn report(run: &Run<'_, Self>, measured: SerialMeasured, verdict: Verdict) -> Report {
        run.report(measured, verdict)
    }
}

impl SerialRun<'_, '_> {
    /// Sends one more block where the line seems to have gone dead. The last bytes of a good line may just be lost.
    fn ask_again(&mut self, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        if measured.silence.is_none() || self.must_stop(measured) {
            return Ok(());
        }
        let mut exchange = self.exchange(measured, Pattern::Counter, self.kind.format)?;
        exchange.expect_silence();
        let done = exchange.alone(self.kind.line, BLOCK_BYTES as u64, &mut *self.say);
        self.take(measured, exchange, done)?;
        Ok(())
    }

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
        let ends = Ends {
            cancel: self.cancel.clone(),
            by: self.ends_by.unwrap_or(Nanos::MAX),
            if_held: !self.options.although_in_service,
        };
        let Serial { line, tag, next_block, window, format: usual, .. } = &mut self.kind;
        let stream = BlockStream { tag: *tag, first_block: *next_block, pattern, mask: format.data_mask() };
        let mut exchange = Exchange::begin(*line, stream, format, *window, self.origin, ends)?;
        // At another format it may never have.
        if format == *usual && measured.tally.counts.returned > 0 {
            exchange.expect_answers();
        }
        Ok(exchange)
    }

    /// Ends an exchange and adds what it measured to the counts that are judged, also where the port failed in the
    /// middle. Gives what it came to, and the characters a second.
    fn take<T>(
        &mut self,
        measured: &mut SerialMeasured,
        mut exchange: Exchange,
        done: Result<T, PortError>,
    ) -> Result<(T, Option<f64>), CheckError> {
        let finished = done.and_then(|done| Ok((done, exchange.finish(self.kind.line, &mut *self.say)?)));
        match finished {
            Ok((done, exchanged)) => {
                let speed = exchanged.characters_per_second;
                self.add(measured, exchanged);
                Ok((done, speed))
            }
            Err(error) => {
                self.add(measured, exchange.cut_off());
                Err(error.into())
            }
        }
    }

    fn add(&mut self, measured: &mut SerialMeasured, exchanged: Exchanged) {
        self.note_end(measured, &exchanged);
        measured.tally.merge(&exchanged.tally);
        measured.note_silence(&exchanged);
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
    }

    /// What every exchange tells, whether its counts are judged or not: the block numbers it used, and what ended it.
    fn note_end(&mut self, measured: &mut SerialMeasured, exchanged: &Exchanged) {
        self.kind.next_block = self.kind.next_block.wrapping_add(exchanged.blocks);
        self.in_service.extend_from_slice(&exchanged.in_service);
        if let Some(stopped) = exchanged.stopped {
            measured.stop(stopped);
        }
        self.must_stop(measured);
    }
}

/// Fewest bytes out at once: what a chip without a store holds.
const WINDOW_MIN: u64 = 1;
