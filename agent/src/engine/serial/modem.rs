//! The wires beside the data: every state of the outputs against every input, flow control, and a break.

use std::time::Duration;

use turnback_core::{
    event::Event,
    kind::serial::{
        facts::{FlowCheck, ModemReading},
        format::{Flow, LineErrors, LineFormat, ModemOutputs},
        plug::{LineDriver, LinePlug, ModemLine},
        rules::modem,
    },
    signal::pattern::Pattern,
};

use super::{LineRun, RESTING, exchange::Amount};
use crate::{engine::ethernet::CheckError, ports::serial::line::Received};

impl LineRun<'_> {
    /// Drives the outputs through all their states, some times over, and reads the inputs.
    pub(super) fn modem_lines(&mut self) -> Result<(), CheckError> {
        if !self.line.capabilities().modem_lines || self.cancel.is_cancelled() {
            return Ok(());
        }
        (self.say)(Event::LineStepStarted { what: "modem lines".into() });
        self.tell_changed("RTS and DTR through all their states".into());
        // The spare outputs reach nothing but the chip's own loop.
        let states = if self.plug == LinePlug::Internal { 16_u8 } else { 4 };
        for _ in 0..ROUNDS {
            for state in 0..states {
                let bit = |n: u8| state >> n & 1 == 1;
                let outputs = ModemOutputs { rts: bit(0), dtr: bit(1), out1: bit(2), out2: bit(3) };
                self.line.drive(outputs)?;
                self.line.pause(SETTLE);
                if let Some(inputs) = self.line.modem_inputs()? {
                    self.gathered.modem.push(ModemReading { outputs, inputs });
                }
            }
        }
        self.line.drive(RESTING)?;
        self.line.pause(SETTLE);
        self.line.discard()?;
        Ok(())
    }

    /// Whether a clear to send that is off holds the sender, and one that is on lets it go: where the plug ties it to request to
    /// send, and that was seen to work.
    pub(super) fn flow_control(&mut self) -> Result<(), CheckError> {
        let tied = self.plug.driver_of(ModemLine::Cts) == Some(LineDriver::Rts) && self.plug != LinePlug::Internal;
        let works = !self.gathered.modem.is_empty() && modem::state(&self.evidence(), ModemLine::Cts).ok == Some(true);
        if !tied || !works {
            return Ok(());
        }
        let format = LineFormat { flow: Flow::RtsCts, ..self.format };
        let usual = self.format;
        if self.line.configure(format)?.is_none() {
            self.line.configure(usual)?;
            return Ok(());
        }
        (self.say)(Event::LineStepStarted { what: "flow control".into() });
        self.tell_changed(format!("{format}, RTS off and on"));
        self.line.drive(ModemOutputs { rts: false, ..RESTING })?;
        self.line.pause(SETTLE);
        let sent = (format.characters_per_second() / 2.0).clamp(64.0, 512.0) as u64;
        let before = self.line.line_errors()?;
        let mut exchange = self.exchange(Pattern::Prbs31, format)?;
        let hold = format.characters_ns(sent + 16) + HOLD.as_nanos() as u64;
        let until = self.line.now() + hold;
        exchange.run(self.line, Amount { bytes: sent, until }, false, &mut |_, _| None)?;
        exchange.hear(self.line, until)?;
        let came_while_off = exchange.counts().returned + self.lost_here_since(before)?;
        self.line.drive(RESTING)?;
        exchange.run(
            self.line,
            Amount { bytes: sent.saturating_sub(exchange.counts().sent), until: u64::MAX },
            false,
            &mut |_, _| None,
        )?;
        let exchanged = exchange.finish(self.line)?;
        self.next_block = self.next_block.wrapping_add(exchanged.blocks);
        let counts = exchanged.tally.counts;
        let came_in_all = counts.returned + self.lost_here_since(before)?.min(counts.lost);
        self.gathered.flow = Some(FlowCheck { sent: counts.sent, came_while_off, came_in_all });
        self.line.configure(usual)?;
        self.line.drive(RESTING)?;
        Ok(())
    }

    /// Bytes that this computer did not take in, by the port's own counts.
    fn lost_here_since(&mut self, before: Option<LineErrors>) -> Result<u64, CheckError> {
        let now = self.line.line_errors()?;
        Ok(now.zip(before).map_or(0, |(now, before)| now.since(&before).lost_in_host()))
    }

    /// Whether a break comes round, where one can be sent and would be seen.
    pub(super) fn break_goes_round(&mut self) -> Result<(), CheckError> {
        let can = self.line.capabilities();
        if !can.sends_break || !(can.counts_errors || can.marks_errors) {
            return Ok(());
        }
        let before = self.line.line_errors()?;
        self.line.send_break(Duration::from_nanos(self.format.characters_ns(20)).max(BREAK))?;
        let until = self.line.now() + HOLD.as_nanos() as u64;
        let mut seen = false;
        while self.line.now() < until {
            self.line.receive(until, &mut |received| seen |= received == Received::Break)?;
        }
        if let (Some(now), Some(before)) = (self.line.line_errors()?, before) {
            seen |= now.since(&before).breaks > 0;
        }
        self.gathered.break_returned = Some(seen);
        self.line.discard()?;
        Ok(())
    }
}

const ROUNDS: u32 = 3;
/// Time for line drivers, adapters and the wires to follow: a USB adapter tells of its lines every 16 ms or so (from memory).
const SETTLE: Duration = Duration::from_millis(40);
const HOLD: Duration = Duration::from_millis(200);
const BREAK: Duration = Duration::from_millis(100);
