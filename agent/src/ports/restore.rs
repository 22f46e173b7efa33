//! Restores settings of ports of every kind that a killed run left changed.

use serde_json::Value;

use super::{
    changes,
    ethernet::settings::{EthernetRestorer, EthernetSetting},
    serial::settings::{SerialRestorer, SerialSetting},
};
use crate::guard::{
    journal::{self, Apply, ApplyError, Change, Recovered, Standing, Target},
    state,
};

/// Reads and writes settings of every kind of port that this program changes.
#[derive(Debug)]
pub struct EverySetting {
    ethernet: EthernetRestorer,
    serial: SerialRestorer,
}

impl EverySetting {
    /// Locks each port while it works on it, and leaves those that another run has.
    pub fn for_recovery() -> Self {
        Self { ethernet: EthernetRestorer::for_recovery(), serial: SerialRestorer::for_recovery() }
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

/// Restores the settings that killed runs of this user left changed. Returns a description of each, with what became of
/// it.
pub fn restore_left() -> Vec<String> {
    let Ok(directory) = state::directory() else { return Vec::new() };
    match journal::recover(&state::restore_directory(&directory), &mut EverySetting::for_recovery()) {
        Ok(recovery) => {
            for damaged in &recovery.damaged {
                tracing::warn!(
                    "restore journal {} line {} is damaged and was skipped",
                    damaged.path.display(),
                    damaged.line
                );
            }
            recovery.changes.iter().map(told).collect()
        }
        Err(error) => {
            tracing::warn!("cannot look for settings left by an earlier run: {error}");
            Vec::new()
        }
    }
}

/// Changes that killed runs of this user left, and that [`restore_left`] has not restored. Nothing is touched for the
/// answer.
pub fn left() -> Vec<Change> {
    let Ok(directory) = state::directory() else { return Vec::new() };
    journal::left(&state::restore_directory(&directory)).unwrap_or_else(|error| {
        tracing::warn!("cannot look for settings left by an earlier run: {error}");
        Vec::new()
    })
}

fn told(recovered: &Recovered) -> String {
    match recovered.change.target {
        Target::Interface { .. } => changes::told::<EthernetSetting>(recovered),
        Target::Device { .. } => changes::told::<SerialSetting>(recovered),
    }
}

/// A change that a killed run left, in words.
pub fn told_of_left(change: &Change) -> String {
    let short = match change.target {
        Target::Interface { .. } => changes::in_words::<EthernetSetting>(change),
        Target::Device { .. } => changes::in_words::<SerialSetting>(change),
    };
    short.unwrap_or_else(|| change.to_string())
}
