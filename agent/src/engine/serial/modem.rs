//! Tests the wires beside the data: every state of the outputs against every input, flow control, and a break.

use std::time::Duration;

use turnback_core::{
    event::Event,
    kind::serial::{
        facts::{FlowCheck, ModemReading},
        format::{FlowControl, LineErrors, LineFormat, ModemOutputs},
        plug::{LineDriver, LinePlug, ModemLine},
        rules::modem,
    },
    signal::pattern::Pattern,
};

use super::{SerialRun, exchange::Amount, measured::SerialMeasured, prepare::RESTING};
use crate::{engine::options::CheckError, ports::Received};

impl SerialRun<'_, '_> {
    /// Drives the outputs through all their states, several times, and reads the inputs.
    pub(super) fn modem_lines(&mut self, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        if !self.kind.line.capabilities().modem_lines || self.cancel.is_cancelled() {
            return Ok(());
        }
        (self.say)(Event::LineStepStarted { what: "modem lines".into() });
        self.tell_changed("RTS and DTR through all their states".into());
        // The spare outputs reach only the loop inside the chip.
        let states = if measured.plug == LinePlug::Internal { 16_u8 } else { 4 };
        for _ in 0..ROUNDS {
            if self.must_stop(measured) {
                break;
            }
            // Only a whole round tells what follows what.
            let mut round = Vec::new();
            for state in 0..states {
                if self.cancel.is_cancelled() {
                    break;
                }
                let bit = |n: u8| state >> n & 1 == 1;
                let outputs = ModemOutputs { rts: bit(0), dtr: bit(1), out1: bit(2), out2: bit(3) };
                self.kind.line.drive(outputs)?;
                self.kind.line.pause(SETTLE);
                if let Some(inputs) = self.kind.line.modem_inputs()? {
                    round.push(ModemReading { outputs, inputs });
                }
            }
            if round.len() == usize::from(states) {
                measured.modem.append(&mut round);
            }
        }
        self.kind.line.drive(RESTING)?;
        self.kind.line.pause(SETTLE);
        self.kind.line.discard()?;
        Ok(())
    }

    /// Tests whether CTS off holds the sender and CTS on lets it go. Only where the plug ties CTS to RTS and CTS was
    /// seen to follow.
    pub(super) fn flow_control(&mut self, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        let tied =
            measured.plug.driver_of(ModemLine::Cts) == Some(LineDriver::Rts) && measured.plug != LinePlug::Internal;
        let works = !measured.modem.is_empty() && modem::state(&self.facts(measured), ModemLine::Cts).ok == Some(true);
        if !tied || !works || self.must_stop(measured) {
            return Ok(());
        }
        let format = LineFormat { flow: FlowControl::RtsCts, ..self.kind.format };
        let usual = self.kind.format;
        if self.kind.line.configure(format)?.is_none() {
            self.kind.line.configure(usual)?;
            return Ok(());
        }
        (self.say)(Event::LineStepStarted { what: "flow control".into() });
        self.tell_changed(format!("{format}, RTS off and on"));
        self.kind.line.drive(ModemOutputs { rts: false, ..RESTING })?;
        self.kind.line.pause(SETTLE);
        let sent = (format.characters_per_second() / 2.0).clamp(64.0, 512.0) as u64;
        let before = self.kind.line.line_errors()?;
        let mut exchange = self.exchange(measured, Pattern::Prbs31, format)?;
        let hold = format.characters_ns(sent + 16) + HOLD.as_nanos() as u64;
        let until = self.kind.line.now() + hold;
        exchange.run(self.kind.line, Amount::of(sent, until), false, &mut |_, _| {})?;
        exchange.hear(self.kind.line, until)?;
        let came_while_off = exchange.counts().returned + self.lost_here_since(before)?;
        self.kind.line.drive(RESTING)?;
        let rest = Amount::of(sent.saturating_sub(exchange.counts().sent), self.kind.line.now() + hold);
        exchange.run(self.kind.line, rest, false, &mut |_, _| {})?;
        let exchanged = exchange.finish(self.kind.line, &mut *self.say)?;
        self.note_end(measured, &exchanged);
        if self.must_stop(measured) {
            return Ok(());
        }
        let counts = exchanged.tally.counts;
        let came_in_all = counts.returned + self.lost_here_since(before)?.min(counts.lost);
        measured.flow = Some(FlowCheck { sent: counts.sent, came_while_off, came_in_all });
        self.kind.line.configure(usual)?;
        self.kind.line.drive(RESTING)?;
        Ok(())
    }

    /// Bytes that this computer lost since `before`, by the port's own counts.
    fn lost_here_since(&mut self, before: Option<LineErrors>) -> Result<u64, CheckError> {
        let now = self.kind.line.line_errors()?;
        Ok(now.zip(before).map_or(0, |(now, before)| now.since(&before).lost_in_host()))
    }

    /// Tests whether a break comes back, where the port can send one and would show it.
    pub(super) fn break_goes_round(&mut self, measured: &mut SerialMeasured) -> Result<(), CheckError> {
        let can = self.kind.line.capabilities();
        if !can.sends_break || !(can.counts_errors || can.marks_errors) || self.must_stop(measured) {
            return Ok(());
        }
        let before = self.kind.line.line_errors()?;
        self.kind.line.send_break(Duration::from_nanos(self.kind.format.characters_ns(20)).max(BREAK))?;
        let until = self.kind.line.now() + HOLD.as_nanos() as u64;
        let mut seen = false;
        while self.kind.line.now() < until {
            self.kind.line.receive(until, &mut |received| seen |= received == Received::Break)?;
        }
        if let (Some(now), Some(before)) = (self.kind.line.line_errors()?, before) {
            seen |= now.since(&before).breaks > 0;
        }
        measured.break_returned = Some(seen);
        self.kind.line.discard()?;
        Ok(())
    }
}

const ROUNDS: u32 = 3;
/// Time for line drivers, adapters and the wires to follow: a USB adapter tells of its lines every 16 ms or so (from
/// memory).
const SETTLE: Duration = Duration::from_millis(40);
const HOLD: Duration = Duration::from_millis(200);
const BREAK: Duration = Duration::from_millis(100);
