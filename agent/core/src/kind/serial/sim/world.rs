//! A serial rig at work.

use std::collections::VecDeque;

use super::chip::{Chip, Item};
use super::fault::{Character, Fault};
use super::inverted::InvertedLine;
use super::rig::{Joins, SerialFault, SerialFaultKind, SerialRig};
use crate::base::placement::Placement;
use crate::base::rng::Rng;
use crate::base::time::{Nanos, SECOND_NS};
use crate::kind::serial::format::{
    FlowControl, LineCapabilities, LineErrors, LineFormat, LineSetting, ModemInputs, ModemOutputs,
};
use crate::kind::serial::plug::{LineDriver, LinePlug, ModemLine};
use crate::sim::cable;
use crate::sim::setup::Setup;
use crate::sim::value::FaultPlace;

/// A [`SerialRig`] in virtual time: bytes out, bytes in, modem lines and counts.
#[derive(Debug)]
pub struct SerialWorld {
    rig: SerialRig,
    now: Nanos,
    setup: Setup,
    format: LineFormat,
    outputs: ModemOutputs,
    internal: bool,
    half_duplex: bool,
    low_latency: bool,
    queue: VecDeque<u8>,
    /// When the transmitter has sent what it began.
    free_at: Nanos,
    /// On its way, in order of arrival.
    flying: VecDeque<(Nanos, Item)>,
    inverted: InvertedLine,
    console_at: Option<Nanos>,
    chance: Rng,
    faults: Vec<Fault>,
    chip: Chip,
}

impl SerialWorld {
    /// A rig at the start of its time. `seed` decides all chance.
    pub fn new(rig: &SerialRig, seed: u64) -> Self {
        let root = Rng::new(seed);
        let mut chance = root.branch(1);
        let faults = rig.faults.iter().map(|fault| Fault::new(fault, &mut chance)).collect();
        let console = rig.plug.console_bytes_per_second;
        Self {
            now: 0,
            setup: Setup { placement: rig.placement, ..Setup::default() },
            format: rig.format.0,
            outputs: ModemOutputs { rts: true, dtr: true, ..ModemOutputs::default() },
            internal: rig.placement == Placement::Internal,
            half_duplex: false,
            low_latency: false,
            queue: VecDeque::new(),
            free_at: 0,
            flying: VecDeque::new(),
            inverted: InvertedLine::default(),
            console_at: (console > 0).then(|| SECOND_NS / u64::from(console)),
            chip: Chip::new(rig, root.branch(2)),
            chance,
            faults,
            rig: rig.clone(),
        }
    }

    /// The rig.
    pub fn rig(&self) -> &SerialRig {
        &self.rig
    }

    /// Now.
    pub fn now(&self) -> Nanos {
        self.now
    }

    /// What the port can do.
    pub fn capabilities(&self) -> LineCapabilities {
        let uart = &self.rig.uart;
        LineCapabilities {
            modem_lines: uart.modem_lines,
            counts_errors: uart.counts_errors,
            counts_all_overruns: uart.counts_errors,
            marks_errors: uart.marks_errors,
            sends_break: true,
            internal_loop: uart.internal_loop,
            half_duplex: uart.half_duplex,
            latency_setting: uart.latency_us > 0,
            paced: true,
            moves_plug: true,
            buffer_bytes: uart.buffer_bytes as usize,
        }
    }

    /// Where the plug is.
    pub fn placement(&self) -> Placement {
        self.setup.placement
    }

    /// Moves the plug.
    pub fn place(&mut self, placement: Placement) {
        self.setup.placement = placement;
    }

    /// Does what a person does at the rig. False, and nothing done, for a place that the rig does not have.
    pub fn arrange(&mut self, setup: &Setup) -> bool {
        let allowed = cable::allows(&self.rig.segments, setup);
        if allowed {
            self.setup = setup.clone();
        }
        allowed
    }

    /// Sets the format: the nearest speed that the clock gives. `None`: nothing near enough.
    pub fn configure(&mut self, format: LineFormat) -> Option<LineFormat> {
        let full = u64::from(self.rig.uart.clock_hz) / 16;
        let asked = u64::from(format.bits_per_second);
        let divisor = ((full + asked / 2) / asked).max(1);
        let taken = full / divisor;
        // A receiver takes 2 % for good (an AVR chip maker's table for 8 data bits), so a driver that is farther off
        // refuses.
        if taken.abs_diff(asked) * 50 > asked || divisor > 0xFFFF {
            return None;
        }
        self.discard();
        self.format = LineFormat { bits_per_second: taken as u32, ..format };
        Some(self.format)
    }

    /// Changes another setting; false: not offered.
    pub fn apply(&mut self, setting: LineSetting) -> bool {
        match setting {
            LineSetting::InternalLoop(on) if self.rig.uart.internal_loop => self.internal = on,
            LineSetting::HalfDuplex(on) if self.rig.uart.half_duplex => self.half_duplex = on,
            LineSetting::LowLatency(on) if self.rig.uart.latency_us > 0 => {
                self.low_latency = on;
                self.chip.latency_ns = if on { LOW_LATENCY_NS } else { u64::from(self.rig.uart.latency_us) * 1000 };
            }
            _ => return false,
        }
        true
    }

    /// Drives the modem lines.
    pub fn drive(&mut self, outputs: ModemOutputs) {
        self.outputs = outputs;
    }

    /// Reads the modem lines.
    pub fn inputs(&self) -> Option<ModemInputs> {
        if !self.rig.uart.modem_lines {
            return None;
        }
        let mut driven = self.outputs;
        let mut read = if self.internal {
            // IBM 5150 Technical Reference 2-144.
            ModemInputs { cts: driven.rts, dsr: driven.dtr, ri: driven.out1, dcd: driven.out2 }
        } else {
            for fault in self.present_faults() {
                match fault.kind {
                    SerialFaultKind::OpenOutput { output: LineDriver::Rts } => driven.rts = false,
                    SerialFaultKind::OpenOutput { output: LineDriver::Dtr } => driven.dtr = false,
                    _ => {}
                }
            }
            match self.wiring() {
                _ if !self.plug_returns() => ModemInputs::default(),
                Joins::DataOnly => ModemInputs::default(),
                Joins::Full => ModemInputs { cts: driven.rts, dsr: driven.dtr, dcd: driven.dtr, ri: false },
                Joins::FullRi => ModemInputs { cts: driven.rts, dsr: driven.dtr, dcd: driven.dtr, ri: driven.rts },
            }
        };
        for fault in self.present_faults() {
            match fault.kind {
                SerialFaultKind::StuckLine { line, asserted } => *input(&mut read, line) = asserted,
                SerialFaultKind::Crossed { first, second } => {
                    let (a, b) = (*input(&mut read, first), *input(&mut read, second));
                    *input(&mut read, first) = b;
                    *input(&mut read, second) = a;
                }
                _ => {}
            }
        }
        Some(read)
    }

    /// Line errors so far.
    pub fn errors(&self) -> Option<LineErrors> {
        self.rig.uart.counts_errors.then_some(self.chip.errors)
    }

    /// Holds the line for so long; time passes.
    pub fn send_break(&mut self, ns: u64) {
        let end = self.free_at.max(self.now) + ns;
        self.advance_to(end);
        self.free_at = self.free_at.max(end);
        let dead = self.present_faults().any(|fault| matches!(fault.kind, SerialFaultKind::Dead));
        if self.turns_back() && !dead {
            if self.is_inverted() {
                self.inverted.send_break(end - ns, ns, &self.format);
            } else {
                self.flying.push_back((end, Item::Break));
            }
        }
        self.advance_to(end);
    }

    /// Hands bytes over; says how many there was room for.
    pub fn send(&mut self, bytes: &[u8]) -> usize {
        let room = (self.rig.uart.buffer_bytes as usize).saturating_sub(self.unsent());
        let taken = bytes.len().min(room);
        self.queue.extend(&bytes[..taken]);
        taken
    }

    /// Bytes that have not left.
    pub fn unsent(&self) -> usize {
        self.queue.len() + usize::from(self.free_at > self.now)
    }

    /// Drops what waits on either side.
    pub fn discard(&mut self) {
        self.queue.clear();
        self.flying.clear();
        self.inverted.clear();
        self.chip.clear();
        self.free_at = self.free_at.min(self.now);
    }

    /// The next character that the program may have now.
    pub fn take(&mut self) -> Option<Item> {
        self.chip.take(self.now)
    }

    /// The earliest moment, not before now, at which something more may be there; none if nothing is under way.
    pub fn next_at(&self) -> Option<Nanos> {
        let sending = (!self.queue.is_empty() && self.may_send())
            .then(|| self.free_at.max(self.now) + self.format.characters_ns(1));
        let flying = self.flying.front().map(|(at, _)| *at);
        [self.chip.next_ready_at(), flying, self.inverted.next_at(&self.format), sending, self.console_at]
            .into_iter()
            .flatten()
            .min()
            .map(|at| at.max(self.now))
    }

    /// Lets time pass.
    pub fn advance_to(&mut self, to: Nanos) {
        while !self.queue.is_empty() && self.may_send() {
            let start = self.free_at.max(self.now);
            if start >= to {
                break;
            }
            if let Some(byte) = self.queue.pop_front() {
                self.free_at = start + self.format.characters_ns(1);
                self.transmit(byte & self.format.data_mask());
            }
        }
        while let Some(at) = self.console_at.filter(|at| *at <= to) {
            let letters = b"signal office> ";
            let letter = letters[(at / 1000) as usize % letters.len()];
            if !self.internal && self.console_talks() {
                self.flying.push_back((at, Item::Byte { value: letter, framing: false, parity: false }));
            }
            self.console_at = Some(at + SECOND_NS / u64::from(self.rig.plug.console_bytes_per_second.max(1)));
        }
        self.flying.extend(self.inverted.advance(to, &self.format));
        self.flying.make_contiguous().sort_by_key(|(at, _)| *at);
        while self.flying.front().is_some_and(|(at, _)| *at <= to) {
            if let Some((at, item)) = self.flying.pop_front() {
                self.chip.arrive(at, item);
            }
        }
        self.chip.pass_time(to);
        self.now = self.now.max(to);
    }

    fn may_send(&self) -> bool {
        self.format.flow != FlowControl::RtsCts || self.inputs().is_some_and(|inputs| inputs.cts)
    }

    /// The other plug is always fitted, and joins what the first is said to join.
    fn wiring(&self) -> Joins {
        match self.rig.plug.said_to_be.parse() {
            Ok(LinePlug::De9Ri | LinePlug::Db25Ri) if self.setup.other_plug => Joins::FullRi,
            Ok(LinePlug::De9 | LinePlug::Db25) if self.setup.other_plug => Joins::Full,
            _ if self.setup.other_plug => Joins::DataOnly,
            _ => self.rig.plug.wiring,
        }
    }

    fn plug_returns(&self) -> bool {
        self.setup.other_plug || (self.rig.plug.fitted && !self.console_talks())
    }

    fn console_talks(&self) -> bool {
        self.rig.plug.console_bytes_per_second > 0 && !self.setup.other_plug
    }

    /// What goes out comes back in.
    fn turns_back(&self) -> bool {
        self.internal || self.plug_returns() || self.half_duplex
    }

    /// Faults on the way that the signal takes now.
    fn present_faults(&self) -> impl Iterator<Item = &SerialFault> {
        self.faults.iter().filter(|fault| self.meets(fault)).map(|fault| &fault.spec)
    }

    fn is_inverted(&self) -> bool {
        // Through a segment the signal goes twice.
        let once = |f: &&SerialFault| !matches!(f.place, FaultPlace::Segment(_)) && f.kind == SerialFaultKind::Inverted;
        self.present_faults().filter(once).count() % 2 == 1
    }

    fn meets(&self, fault: &Fault) -> bool {
        let here = match &fault.spec.place {
            FaultPlace::PortHost => !self.setup.known_good_port,
            FaultPlace::PortLine => !self.internal && !self.setup.known_good_port,
            FaultPlace::Plug => !self.internal && !self.setup.other_plug,
            FaultPlace::OtherPlug => !self.internal && self.setup.other_plug,
            FaultPlace::Segment(label) => {
                let in_use = cable::in_use(&self.rig.segments, &self.setup);
                !self.internal && in_use.iter().any(|segment| segment.label == *label)
            }
            FaultPlace::Host => false,
        };
        here && fault.window.contains(self.now)
    }

    /// One character goes out, meets what is wrong, and comes back.
    fn transmit(&mut self, byte: u8) {
        if !self.turns_back() {
            return;
        }
        let mut character = Character { value: byte, ..Character::default() };
        for number in 0..self.faults.len() {
            if self.meets(&self.faults[number]) {
                let fault = &mut self.faults[number];
                let passes = 1 + u32::from(matches!(fault.spec.place, FaultPlace::Segment(_)));
                for _ in 0..passes {
                    fault.pass(&mut character, &self.format, &mut self.chance);
                }
            }
        }
        let at = self.free_at;
        for _ in 0..character.extra {
            let value = self.chance.draw() as u8 & self.format.data_mask();
            self.flying.push_back((at, Item::Byte { value, framing: false, parity: false }));
        }
        match character {
            Character { lost: true, .. } => {}
            Character { inverted: true, .. } => {
                self.inverted.send(at - self.format.characters_ns(1), &character, &self.format);
            }
            Character { value, framing, parity, .. } => {
                self.flying.push_back((at, Item::Byte { value: value & self.format.data_mask(), framing, parity }));
            }
        }
    }
}

fn input(inputs: &mut ModemInputs, line: ModemLine) -> &mut bool {
    match line {
        ModemLine::Cts => &mut inputs.cts,
        ModemLine::Dsr => &mut inputs.dsr,
        ModemLine::Dcd => &mut inputs.dcd,
        ModemLine::Ri => &mut inputs.ri,
    }
}

/// What is left of the driver's latency in its low setting.
const LOW_LATENCY_NS: u64 = 100_000;
