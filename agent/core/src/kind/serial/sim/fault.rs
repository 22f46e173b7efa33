//! A fault of a serial rig at work: what it does to one character.

use super::rig::{SerialFault, SerialFaultKind};
use crate::base::rng::Rng;
use crate::kind::serial::format::{LineFormat, Parity};
use crate::sim::chance::{Hits, Window};

/// A character on its way.
#[derive(Debug, Default)]
pub(super) struct Character {
    pub value: u8,
    /// No stop bit where one is due.
    pub framing: bool,
    /// A wrong parity bit.
    pub parity: bool,
    pub lost: bool,
    /// The levels of the line are exchanged.
    pub inverted: bool,
    /// Characters that appear beside it.
    pub extra: u32,
}

/// One fault of a rig. All faults draw from the world's one source of chance.
#[derive(Debug)]
pub(super) struct Fault {
    pub spec: SerialFault,
    pub window: Window,
    /// Hits of chance among bits or characters, by kind.
    hits: Hits,
}

impl Fault {
    pub fn new(spec: &SerialFault, chance: &mut Rng) -> Self {
        Self {
            window: Window::new(spec.from_s, spec.until_s, None),
            hits: Hits::new(ratio(&spec.kind), chance),
            spec: spec.clone(),
        }
    }

    /// Lets a character pass the fault once.
    pub fn pass(&mut self, character: &mut Character, format: &LineFormat, chance: &mut Rng) {
        let has_parity = format.parity != Parity::None;
        let ratio = ratio(&self.spec.kind);
        match self.spec.kind {
            SerialFaultKind::Dead => character.lost = true,
            SerialFaultKind::Inverted => character.inverted ^= true,
            SerialFaultKind::Drop { .. } => character.lost |= self.hits.is_hit(ratio, chance),
            SerialFaultKind::Insert { .. } => character.extra += u32::from(self.hits.is_hit(ratio, chance)),
            SerialFaultKind::ParityErrors { .. } => {
                character.parity |= self.hits.is_hit(ratio, chance) && has_parity;
            }
            SerialFaultKind::BitErrors { .. } => {
                // Start bit, data bits, parity bit, stop bit, in the order in which they pass.
                let data_bits = u64::from(format.data_bits);
                let bits = 2 + data_bits + u64::from(has_parity);
                self.hits.among(bits, ratio, chance, |bit| match bit {
                    0 => character.lost = true,
                    bit if bit <= data_bits => {
                        character.value ^= 1 << (bit - 1);
                        character.parity ^= has_parity;
                    }
                    bit if bit + 1 == bits => character.framing = true,
                    _ => character.parity ^= true,
                });
            }
            SerialFaultKind::StuckLine { .. }
            | SerialFaultKind::OpenOutput { .. }
            | SerialFaultKind::Crossed { .. } => {}
        }
    }
}

/// Probability of a hit per trial.
fn ratio(kind: &SerialFaultKind) -> f64 {
    match kind {
        SerialFaultKind::BitErrors { ratio }
        | SerialFaultKind::ParityErrors { ratio }
        | SerialFaultKind::Drop { ratio }
        | SerialFaultKind::Insert { ratio } => ratio.value(),
        _ => 0.0,
    }
}
