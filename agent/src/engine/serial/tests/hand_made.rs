//! A serial line whose far end is written for one test.

use std::{cell::Cell, collections::VecDeque, rc::Rc, time::Duration};

use turnback_core::{
    base::{
        placement::Placement,
        time::{Nanos, SECOND_NS},
    },
    kind::{
        port::PortIdentity,
        serial::format::{LineCapabilities, LineErrors, LineFormat, LineSetting, ModemInputs, ModemOutputs},
    },
};

use crate::{
    engine::cancel::Cancel,
    ports::{Disturbance, Line, Port, PortError, Received, ServiceReason, Way},
};

/// What is out, and when it was handed over.
pub(super) type Out = VecDeque<(Nanos, u8)>;
/// What comes in at this moment; the far end may also let time pass.
pub(super) type FarEnd = Box<dyn FnMut(&mut Nanos, &mut Out) -> Vec<u8>>;

/// As a pseudo-terminal: bytes do not take their time, and nothing else is offered.
pub(super) struct HandMade {
    pub(super) now: Nanos,
    pub(super) out: Out,
    pub(super) far_end: FarEnd,
    /// From when on another program has set the line otherwise, or has it open, or the port is gone.
    pub(super) reconfigured_from: Nanos,
    pub(super) held_from: Nanos,
    pub(super) gone_from: Nanos,
    /// Who is asked to end at this moment.
    pub(super) cancel: Option<(Nanos, Cancel)>,
    /// Bytes take their time, as on a chip.
    pub(super) paced: bool,
    pub(super) clock: Rc<Cell<Nanos>>,
}

impl HandMade {
    /// The time, also for whoever only listens to the run.
    pub(super) fn clock(&self) -> Rc<Cell<Nanos>> {
        Rc::clone(&self.clock)
    }

    pub(super) fn new(far_end: impl FnMut(&mut Nanos, &mut Out) -> Vec<u8> + 'static) -> Self {
        Self {
            now: 0,
            out: Out::new(),
            far_end: Box::new(far_end),
            reconfigured_from: Nanos::MAX,
            held_from: Nanos::MAX,
            gone_from: Nanos::MAX,
            cancel: None,
            paced: false,
            clock: Rc::default(),
        }
    }

    /// Gives back what was sent, in whole, once every `pace`: as under a computer that has no time for it.
    pub(super) fn slow(pace: Duration) -> Self {
        Self::new(move |now, out| {
            if !out.is_empty() {
                // The program is kept from its processor until long after it wanted to look again.
                *now += pace.as_nanos() as u64;
            }
            out.drain(..).map(|(_, byte)| byte).collect()
        })
    }

    /// Gives back so many bytes a second until `dead_from`.
    pub(super) fn at_rate(bytes_a_second: u64, dead_from: Nanos) -> Self {
        let mut next_at = 0;
        Self::new(move |now, out| {
            let mut came = Vec::new();
            while *now < dead_from
                && let Some((sent_at, byte)) = out.front()
                && (*sent_at).max(next_at) <= *now
            {
                next_at = next_at.max(*sent_at) + SECOND_NS / bytes_a_second;
                came.push(*byte);
                out.pop_front();
            }
            came
        })
    }

    fn pass(&mut self, to: Nanos) {
        self.now = self.now.max(to);
        self.clock.set(self.now);
        if let Some((at, cancel)) = &self.cancel
            && self.now >= *at
        {
            cancel.cancel();
        }
    }
}

impl Port for HandMade {
    fn identity(&self) -> PortIdentity {
        PortIdentity::default()
    }

    fn in_service(&mut self) -> Result<Vec<ServiceReason>, PortError> {
        let held = ServiceReason { text: "another program has it open".into(), may_be_overridden: true };
        Ok(if self.now >= self.held_from { vec![held] } else { Vec::new() })
    }

    fn disturbed(&mut self) -> Result<Option<Disturbance>, PortError> {
        Ok((self.now >= self.reconfigured_from).then_some(Disturbance::Reconfigured))
    }

    fn restore(&mut self) -> Vec<String> {
        Vec::new()
    }

    fn place(&mut self, _: Placement) -> bool {
        false
    }

    fn plug_is_at(&self) -> Option<Placement> {
        None
    }

    fn now(&self) -> Nanos {
        self.now
    }

    fn pause(&mut self, time: Duration) {
        self.pass(self.now + time.as_nanos() as u64);
    }

    fn way(&mut self) -> Way<'_> {
        Way::Bytes(self)
    }
}

impl Line for HandMade {
    fn capabilities(&self) -> LineCapabilities {
        LineCapabilities { paced: self.paced, buffer_bytes: 16_384, ..LineCapabilities::default() }
    }

    fn configure(&mut self, format: LineFormat) -> Result<Option<LineFormat>, PortError> {
        Ok(Some(format))
    }

    fn apply(&mut self, _: LineSetting) -> Result<bool, PortError> {
        Ok(false)
    }

    fn drive(&mut self, _: ModemOutputs) -> Result<(), PortError> {
        Ok(())
    }

    fn modem_inputs(&mut self) -> Result<Option<ModemInputs>, PortError> {
        Ok(None)
    }

    fn line_errors(&mut self) -> Result<Option<LineErrors>, PortError> {
        Ok(None)
    }

    fn send_break(&mut self, _: Duration) -> Result<(), PortError> {
        Ok(())
    }

    fn send(&mut self, bytes: &[u8]) -> Result<usize, PortError> {
        self.out.extend(bytes.iter().map(|byte| (self.now, *byte)));
        Ok(bytes.len())
    }

    fn receive(&mut self, until: Nanos, each: &mut dyn FnMut(Received<'_>)) -> Result<(), PortError> {
        loop {
            if self.now >= self.gone_from {
                return Err(PortError::Gone("quay7".into()));
            }
            let came = (self.far_end)(&mut self.now, &mut self.out);
            self.pass(self.now);
            if !came.is_empty() {
                each(Received::Bytes(&came));
                return Ok(());
            }
            if self.now >= until {
                return Ok(());
            }
            self.pass(until.min(self.now + STEP_NS));
        }
    }

    fn unsent(&mut self) -> Result<usize, PortError> {
        Ok(0)
    }

    fn discard(&mut self) -> Result<(), PortError> {
        self.out.clear();
        Ok(())
    }
}

/// Time between two looks at the far end.
const STEP_NS: u64 = 1_000_000;
