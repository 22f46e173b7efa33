//! Putting back settings of ports of every kind, for runs that were killed.

use serde_json::Value;

use super::{
    ethernet::settings::EthernetSettings,
    serial::settings::{SerialSettings, told_shortly},
};
use crate::guard::journal::{Apply, ApplyError, Change, Standing, Target};

/// Reads and writes settings of every kind of port this program changes; one that works on interfaces, one on devices.
#[derive(Debug)]
pub struct EverySetting {
    ethernet: EthernetSettings,
    serial: SerialSettings,
}

impl EverySetting {
    /// Locks each port while it works on it, and leaves those that another run has.
    pub fn for_recovery() -> Self {
        Self { ethernet: EthernetSettings::for_recovery(), serial: SerialSettings::for_recovery() }
    }

    fn of(&mut self, change: &Change) -> &mut dyn Apply {
        match change.target {
            Target::Interface { .. } => &mut self.ethernet,
            Target::Device { .. } => &mut self.serial,
        }
    }
}

impl Apply for EverySetting {
    fn standing(&mut self, change: &Change) -> Standing {
        self.of(change).standing(change)
    }

    fn read(&mut self, change: &Change) -> Result<Value, ApplyError> {
        self.of(change).read(change)
    }

    fn write(&mut self, change: &Change, value: &Value) -> Result<(), ApplyError> {
        self.of(change).write(change, value)
    }

    fn same(&self, change: &Change, a: &Value, b: &Value) -> bool {
        match change.target {
            Target::Interface { .. } => self.ethernet.same(change, a, b),
            Target::Device { .. } => self.serial.same(change, a, b),
        }
    }
}

/// A change that was left by a run that was killed, in words.
pub fn told_of_left(change: &Change) -> String {
    told_shortly(change).unwrap_or_else(|| change.to_string())
}
