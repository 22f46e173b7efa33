//! Draws a rig with a serial port, and says what is true of it.

use turnback_core::kind::serial::plug::{LineDriver, ModemLine};
use turnback_core::sim::{cable::Segment, value::FaultPlace};
use turnback_core::{
    base::{placement::Placement, rng::Rng},
    judge::Location,
    kind::{
        rig::AnyRig,
        serial::sim::{
            SerialRig,
            rig::{FormatText, Joins, SerialFault, SerialFaultKind, SerialHost},
        },
    },
};

use crate::draw::{Class, Trial, Truth, log_between, ratio, seconds};

/// Bit error ratio a good line stays below: that of the quick profile.
const LIMIT: f64 = 1e-5;

/// Draws a rig.
pub fn draw(rng: &mut Rng) -> Trial {
    let mut rig = SerialRig { name: "trial".into(), placement: Placement::FarEnd, ..SerialRig::default() };
    rig.uart.internal_loop = rng.chance(0.5);
    rig.uart.counts_errors = rng.chance(0.7);
    rig.uart.marks_errors = rng.chance(0.7);
    let format = ["115200,8N1", "9600,7E1", "57600,8E1", "38400,8N2"][rng.below(4) as usize];
    rig.format = FormatText(format.parse().expect("a format"));
    let count = [0, 1, 1, 2, 3, 4][rng.below(6) as usize];
    rig.segments = (1..=count).map(|n| Segment { label: format!("S-{n}"), length_m: 10 }).collect();
    rig.uart.fifo_bytes = [16, 16, 64, 128][rng.below(4) as usize];
    rig.uart.latency_us = [1000, 1000, 16_000][rng.below(3) as usize];
    let mut truth = inflict(rng, &mut rig);
    // Any of it may be met on a computer that is slow as well.
    if truth.class != Class::SlowHost && rng.chance(0.15) {
        rig.host = slow(rng);
        if truth.class == Class::Healthy {
            truth.class = Class::SlowHost;
        }
    }
    Trial { rig: AnyRig::Serial(Box::new(rig)), truth }
}

fn inflict(rng: &mut Rng, rig: &mut SerialRig) -> Truth {
    use Class::*;
    let (place, location, segment) = draw_place(rng, rig);
    let outside = place != FaultPlace::PortHost;
    let crossings = if segment.is_some() { 2.0 } else { 1.0 };
    let class = [
        Healthy,
        Healthy,
        Network,
        NoPlug,
        Errors,
        Errors,
        Errors,
        ErrorsBelow,
        Characters,
        Deaf,
        Inverted,
        ParityErrors,
        SlowHost,
        StuckLine,
        OpenOutput,
        Crossed,
        WrongPlug,
    ][rng.below(17) as usize];
    let mut truth = Truth { class, at: vec![(location, segment)], above_limit: true };
    let input = [ModemLine::Cts, ModemLine::Dsr, ModemLine::Dcd][rng.below(3) as usize];
    let errors = |times: f64| SerialFaultKind::BitErrors { ratio: ratio(times * LIMIT / crossings) };
    let kind = match class {
        Network => {
            rig.plug.console_bytes_per_second = 20;
            None
        }
        NoPlug => {
            rig.plug.fitted = false;
            truth.at = vec![(Location::Plug, None)];
            None
        }
        Errors => Some(errors(log_between(rng, 3.0, 300.0))),
        ErrorsBelow => {
            truth.above_limit = false;
            Some(errors(log_between(rng, 0.1, 3.0)))
        }
        Characters => {
            let share = ratio(log_between(rng, 30.0, 300.0) * LIMIT);
            Some(if rng.chance(0.5) {
                SerialFaultKind::Drop { ratio: share }
            } else {
                SerialFaultKind::Insert { ratio: share }
            })
        }
        Deaf => Some(SerialFaultKind::Dead),
        Inverted => {
            // Out and back through a segment it turns every bit over twice.
            truth.above_limit = crossings == 1.0;
            Some(SerialFaultKind::Inverted)
        }
        ParityErrors => {
            let shown = rig.uart.counts_errors || rig.uart.marks_errors;
            let has_parity = rig.format.0.parity != turnback_core::kind::serial::format::Parity::None;
            truth.above_limit = shown && has_parity;
            Some(SerialFaultKind::ParityErrors { ratio: ratio(log_between(rng, 30.0, 300.0) * LIMIT) })
        }
        SlowHost => {
            rig.host = slow(rng);
            truth.at.clear();
            None
        }
        StuckLine if outside => Some(SerialFaultKind::StuckLine { line: input, asserted: rng.chance(0.5) }),
        OpenOutput if outside => Some(SerialFaultKind::OpenOutput {
            output: if rng.chance(0.5) { LineDriver::Rts } else { LineDriver::Dtr },
        }),
        Crossed if outside => Some(SerialFaultKind::Crossed { first: ModemLine::Cts, second: ModemLine::Dsr }),
        WrongPlug => {
            rig.plug.wiring = Joins::DataOnly;
            truth.at = vec![(Location::Plug, None)];
            truth.above_limit = false;
            None
        }
        _ => {
            truth.class = Healthy;
            None
        }
    };
    if matches!(truth.class, Healthy | Network) {
        truth.at.clear();
    }
    if let Some(kind) = kind {
        rig.faults.push(SerialFault { place, kind, from_s: seconds(0.0), until_s: None });
    }
    truth
}

fn slow(rng: &mut Rng) -> SerialHost {
    SerialHost { stall_s: seconds(log_between(rng, 0.002, 0.05)), every_s: seconds(log_between(rng, 0.05, 0.5)) }
}

fn draw_place(rng: &mut Rng, rig: &SerialRig) -> (FaultPlace, Location, Option<String>) {
    if !rig.segments.is_empty() && rng.chance(0.55) {
        let label = rig.segments[rng.below(rig.segments.len() as u64) as usize].label.clone();
        return (FaultPlace::Segment(label.clone()), Location::Cable, Some(label));
    }
    match rng.below(3) {
        0 => (FaultPlace::Plug, Location::Plug, None),
        1 => (FaultPlace::PortLine, Location::Port, None),
        _ => (FaultPlace::PortHost, Location::Port, None),
    }
}
