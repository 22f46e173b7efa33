//! A simulated serial rig behind the [`Line`] seam, in virtual time.

use std::time::Duration;

use turnback_core::{
    base::{placement::Placement, time::Nanos},
    kind::{
        Kind,
        ethernet::link::Capabilities,
        port::PortIdentity,
        serial::{
            format::{LineCapabilities, LineErrors, LineFormat, LineSetting, ModemInputs, ModemOutputs},
            plug::LinePlug,
            sim::{Item, SerialRig, SerialWorld},
        },
    },
    sim::setup::Setup,
};

use super::ethernet::HAND_TIME;
use crate::ports::{
    error::PortError,
    port::{Line, Port, Received, ServiceReason, Way},
};

/// A simulated serial line.
pub struct SimulatedLine {
    name: String,
    world: SerialWorld,
    changed: Vec<String>,
    format: LineFormat,
}

impl SimulatedLine {
    /// The port of this rig. `seed` takes the place of the rig's own.
    pub fn new(name: String, rig: &SerialRig, seed: u64) -> Self {
        Self { name, world: SerialWorld::new(rig, seed), changed: Vec::new(), format: rig.format.0 }
    }

    fn note(&mut self, what: &str) {
        if !self.changed.iter().any(|known| known == what) {
            self.changed.push(what.to_owned());
        }
    }
}

impl Port for SimulatedLine {
    fn identity(&self) -> PortIdentity {
        PortIdentity { simulated: true, ..PortIdentity::named(&self.name, Kind::Serial) }
    }

    fn in_service(&mut self) -> Result<Vec<ServiceReason>, PortError> {
        Ok(Vec::new())
    }

    fn restore(&mut self) -> Vec<String> {
        let usual = self.format;
        if !self.changed.is_empty() {
            self.world.configure(usual);
        }
        for setting in
            [LineSetting::InternalLoop(false), LineSetting::HalfDuplex(false), LineSetting::LowLatency(false)]
        {
            self.world.apply(setting);
        }
        self.changed.drain(..).rev().collect()
    }

    fn place(&mut self, placement: Placement) -> bool {
        self.world.place(placement);
        true
    }

    fn arrange(&mut self, setup: &Setup) -> bool {
        // A hand needs its time; whatever goes on at the rig goes on meanwhile.
        self.pause(HAND_TIME);
        self.world.arrange(setup)
    }

    fn segments(&self) -> Vec<String> {
        self.world.rig().segments.iter().map(|segment| segment.label.clone()).collect()
    }

    fn plug_is_at(&self) -> Option<Placement> {
        Some(self.world.placement())
    }

    fn now(&self) -> Nanos {
        self.world.now()
    }

    fn pause(&mut self, time: Duration) {
        self.world.advance_to(self.world.now() + time.as_nanos() as u64);
    }

    fn offers(&self) -> Capabilities {
        crate::ports::port::shared(&self.world.capabilities())
    }

    fn way(&mut self) -> Way<'_> {
        Way::Bytes(self)
    }
}

impl Line for SimulatedLine {
    fn capabilities(&self) -> LineCapabilities {
        self.world.capabilities()
    }

    fn configure(&mut self, format: LineFormat) -> Result<Option<LineFormat>, PortError> {
        let taken = self.world.configure(format);
        if taken.is_some() {
            self.note(&format!("settings of {} ({}, not raw)", self.name, self.format));
        }
        Ok(taken)
    }

    fn apply(&mut self, setting: LineSetting) -> Result<bool, PortError> {
        let done = self.world.apply(setting);
        match setting {
            LineSetting::InternalLoop(true) if done => self.note("loop inside the chip from on to off"),
            LineSetting::HalfDuplex(true) if done => self.note("half duplex from on to off"),
            LineSetting::LowLatency(true) if done => self.note("low latency from on to off"),
            _ => {}
        }
        Ok(done)
    }

    fn drive(&mut self, outputs: ModemOutputs) -> Result<(), PortError> {
        self.world.drive(outputs);
        self.note(&format!("modem lines of {}", self.name));
        Ok(())
    }

    fn modem_inputs(&mut self) -> Result<Option<ModemInputs>, PortError> {
        Ok(self.world.inputs())
    }

    fn line_errors(&mut self) -> Result<Option<LineErrors>, PortError> {
        Ok(self.world.errors())
    }

    fn send_break(&mut self, time: Duration) -> Result<(), PortError> {
        self.world.send_break(time.as_nanos() as u64);
        Ok(())
    }

    fn send(&mut self, bytes: &[u8]) -> Result<usize, PortError> {
        Ok(self.world.send(bytes))
    }

    fn receive(&mut self, until: Nanos, each: &mut dyn FnMut(Received<'_>)) -> Result<(), PortError> {
        let mut bytes: Vec<u8> = Vec::new();
        let mut give = |item: Item, bytes: &mut Vec<u8>| match item {
            Item::Byte { value, framing: false, parity: false } => bytes.push(value),
            other => {
                if !bytes.is_empty() {
                    each(Received::Bytes(bytes));
                    bytes.clear();
                }
                match other {
                    Item::Byte { value, .. } => each(Received::Marked(value)),
                    Item::Break => each(Received::Break),
                }
            }
        };
        let mut end = until.max(self.world.now());
        loop {
            let mut any = false;
            while let Some(item) = self.world.take() {
                any = true;
                give(item, &mut bytes);
            }
            // A real driver hands over what has gathered, too; one byte at a time would only be slow.
            if any && end == until {
                end = until.min(self.world.now() + GATHER_NS);
            }
            let next = self.world.next_at();
            if self.world.now() >= end || (next.is_none() && !bytes.is_empty()) {
                break;
            }
            let next = next.unwrap_or(end);
            self.world.advance_to(next.clamp(self.world.now() + 1, end));
        }
        if !bytes.is_empty() {
            each(Received::Bytes(&bytes));
        }
        Ok(())
    }

    fn unsent(&mut self) -> Result<usize, PortError> {
        Ok(self.world.unsent())
    }

    fn discard(&mut self) -> Result<(), PortError> {
        self.world.discard();
        Ok(())
    }

    fn plug(&self) -> Option<LinePlug> {
        self.world.rig().plug.said_to_be.parse().ok()
    }

    fn usual_format(&self) -> Option<LineFormat> {
        Some(self.format)
    }
}

/// Bytes that arrive within this time of the first are handed over with it.
const GATHER_NS: u64 = 1_000_000;
