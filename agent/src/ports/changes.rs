//! The only way a run changes a setting of a port: read, noted in the restore journal, changed, and restored.
//!
//! A kind of port brings its settings ([`Setting`]) and a [`Restorer`] that finds the port again; [`Changes`] does the
//! rest. All changes are undone in reverse when [`Changes::restore`] is called, when they are dropped (also by a
//! panic), or at the next start by [`crate::guard::journal::recover`].
//!
//! A run may change one setting many times (a sweep of speeds). So each setting of a port has one note, with the value
//! from before the first change. Before each further change the note takes in the value that is about to be set beside
//! the one in place. After a kill between the two, either is known to be ours.

use serde_json::Value;
use thiserror::Error;

use crate::{
    error_chain::with_causes,
    guard::journal::{self, Apply, ApplyError, Change, Journal, JournalError, Outcome, Recovered, Standing, Target},
};

/// One setting of a kind of port, with its value.
pub trait Setting: Clone + PartialEq + Sized {
    /// What the setting is read from and written to.
    type Device;
    /// Why it could not be read or written.
    type Error: std::error::Error + 'static;

    /// Its name in the journal, as in `interface.mtu`.
    fn name(&self) -> String;
    /// The value as the journal keeps it; never an array.
    fn value(&self) -> Value;
    /// A setting from the journal; `None` when the name or the value is none of this kind's.
    fn from_journal(name: &str, value: &Value) -> Option<Self>;
    /// This setting as the device has it now; `None` when the device has no such setting or does not tell.
    ///
    /// # Errors
    /// When the device does not answer.
    fn now(&self, device: &Self::Device) -> Result<Option<Self>, Self::Error>;
    /// Sets the value. False: the device does not offer that.
    ///
    /// # Errors
    /// When the device refuses.
    fn apply(&self, device: &Self::Device) -> Result<bool, Self::Error>;
    /// Whether two readings stand for the same setting.
    fn same_as(&self, other: &Self) -> bool {
        self == other
    }
    /// Whether this reading is the setting that is wanted; at least as strict as [`Setting::same_as`].
    fn is_already(&self, wanted: &Self) -> bool {
        self.same_as(wanted)
    }
    /// Whether the device can be asked for this setting at all.
    ///
    /// # Errors
    /// When the device does not answer.
    fn is_offered(&self, _device: &Self::Device) -> Result<bool, Self::Error> {
        Ok(true)
    }
    /// Whether the driver itself changes this setting when the port is opened or closed. Then no value tells that it
    /// was ours.
    fn is_moved_by_driver(&self) -> bool {
        false
    }
    /// This setting of a port in few words, with its value.
    fn in_words(&self, target: &Target) -> String;
}

/// Finds the port of a note again, so that its settings can be restored.
pub trait Restorer {
    /// The settings that it knows.
    type Setting: Setting;

    /// How the port of this note stands, and opens it where it is free.
    fn find(&mut self, target: &Target) -> Standing;
    /// The port that was found last.
    ///
    /// # Errors
    /// When it could not be opened.
    fn device(&self) -> Result<&<Self::Setting as Setting>::Device, ApplyError>;
}

impl<R: Restorer> Apply for R {
    fn standing(&mut self, change: &Change) -> Standing {
        match R::Setting::from_journal(&change.kind, &change.old) {
            Some(_) => self.find(&change.target),
            None => Standing::Unknown,
        }
    }

    fn read(&mut self, change: &Change) -> Result<Value, ApplyError> {
        let now = setting::<R::Setting>(change, &change.old)?.now(self.device()?).map_err(|e| failed(&e))?;
        now.map(|now| now.value()).ok_or_else(|| ApplyError(format!("{} cannot be read any more", change.kind)))
    }

    fn write(&mut self, change: &Change, value: &Value) -> Result<(), ApplyError> {
        if setting::<R::Setting>(change, value)?.apply(self.device()?).map_err(|e| failed(&e))? {
            Ok(())
        } else {
            Err(ApplyError(format!("{} cannot be changed any more", change.kind)))
        }
    }

    /// A note may hold several values that were ours, or none in particular.
    fn same(&self, change: &Change, a: &Value, b: &Value) -> bool {
        match b {
            Value::Null => true,
            Value::Array(several) => several.iter().any(|b| self.same(change, a, b)),
            _ => {
                let read = |value| R::Setting::from_journal(&change.kind, value);
                read(a).zip(read(b)).map_or(a == b, |(a, b)| a.same_as(&b))
            }
        }
    }
}

fn setting<S: Setting>(change: &Change, value: &Value) -> Result<S, ApplyError> {
    S::from_journal(&change.kind, value).ok_or_else(|| ApplyError(format!("{} cannot be {value}", change.kind)))
}

fn failed(error: &(dyn std::error::Error + 'static)) -> ApplyError {
    ApplyError(with_causes(error))
}

/// What came of a wish to change a setting.
#[must_use]
#[derive(Clone, Debug, PartialEq)]
pub enum Made {
    /// It is as asked, or as near as the driver takes it, and will be restored.
    Changed,
    /// It was so already; nothing was changed.
    AlreadySo,
    /// Earlier changes had made it otherwise. It is as it was before the first of them, and nothing is left to restore.
    Restored(Box<Recovered>),
    /// The driver does not offer it; nothing was changed.
    Unsupported,
}

/// Why a setting could not be changed.
#[derive(Debug, Error)]
pub enum SettingError<E: std::error::Error + 'static> {
    /// It could not be noted, so it was not changed.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The device refused.
    #[error(transparent)]
    Device(E),
}

/// The changes of a run, in the order in which the settings were first changed.
#[derive(Debug)]
pub struct Changes<R: Restorer> {
    journal: Journal,
    restorer: R,
    made: Vec<Change>,
}

impl<R: Restorer> Changes<R> {
    /// No changes yet. `restorer` finds the ports of this run, whose locks the run holds itself.
    pub fn new(journal: Journal, restorer: R) -> Self {
        Self { journal, restorer, made: Vec::new() }
    }

    /// Changes a setting of `device`, after noting it. Nothing is noted for what is so already or cannot be changed.
    ///
    /// # Errors
    /// When the change cannot be noted (then it is not made) or the device refuses it.
    pub fn make(
        &mut self,
        target: &Target,
        device: &<R::Setting as Setting>::Device,
        wanted: &R::Setting,
    ) -> Result<Made, SettingError<<R::Setting as Setting>::Error>> {
        // What cannot be read cannot be restored, so it is not changed either.
        let Some(old) = wanted.now(device).map_err(SettingError::Device)? else { return Ok(Made::Unsupported) };
        if old.is_already(wanted) {
            return Ok(Made::AlreadySo);
        }
        if !wanted.is_offered(device).map_err(SettingError::Device)? {
            return Ok(Made::Unsupported);
        }
        let at = self.note(target, &old, wanted)?;
        let answer = wanted.apply(device);
        let now = wanted.now(device).ok().flatten();
        let is_done = matches!(answer, Ok(true));
        let before = <R::Setting as Setting>::from_journal(&self.made[at].kind, &self.made[at].old);
        let is_as_before = before.as_ref().is_some_and(|before| match (&now, is_done) {
            (Some(now), true) => before.is_already(wanted) && now.is_already(before),
            (Some(now), false) => now.same_as(before),
            (None, _) => false,
        });
        if is_as_before {
            let change = self.made.remove(at);
            // If this note fails, the next start finds the old value in place.
            let _ = self.journal.done(&change);
            if is_done {
                return Ok(Made::Restored(Box::new(Recovered { change, outcome: Outcome::Restored })));
            }
        } else if let Some(now) = now.filter(|now| !now.same_as(wanted))
            && !wanted.is_moved_by_driver()
        {
            // The driver made something else of it, or changed half of it before it failed: that is ours to undo.
            self.journal.became(&mut self.made[at], Value::from(vec![wanted.value(), now.value()]))?;
        }
        match answer {
            Ok(true) => Ok(Made::Changed),
            Ok(false) => Ok(Made::Unsupported),
            Err(error) => Err(SettingError::Device(error)),
        }
    }

    /// Notes that `old` is about to become `wanted`; returns the place of the note.
    fn note(&mut self, target: &Target, old: &R::Setting, wanted: &R::Setting) -> Result<usize, JournalError> {
        let name = wanted.name();
        let any = wanted.is_moved_by_driver();
        match self.made.iter().position(|change| change.kind == name && change.target == *target) {
            Some(at) if any => Ok(at),
            Some(at) => {
                self.journal.became(&mut self.made[at], Value::from(vec![old.value(), wanted.value()]))?;
                Ok(at)
            }
            None => {
                let new = if any { Value::Null } else { wanted.value() };
                self.made.push(self.journal.begin(target.clone(), &name, old.value(), new)?);
                Ok(self.made.len() - 1)
            }
        }
    }

    /// Restores every changed setting, newest first, and says what became of each. What fails stays in the journal.
    ///
    /// Must run in the network namespace in which the changes were made.
    pub fn restore(&mut self) -> Vec<Recovered> {
        let mut recovered = Vec::new();
        while let Some(change) = self.made.pop() {
            let outcome = journal::restore(&mut self.restorer, &change);
            if outcome.is_final() {
                // If this note fails, the next start finds the old value in place.
                let _ = self.journal.done(&change);
            }
            recovered.push(Recovered { change, outcome });
        }
        recovered
    }

    /// For tests: ends as a killed run does, with its notes in the journal.
    #[cfg(test)]
    pub(in crate::ports) fn abandon(mut self) {
        self.made.clear();
    }
}

impl<R: Restorer> Drop for Changes<R> {
    fn drop(&mut self) {
        for recovered in self.restore() {
            if !matches!(recovered.outcome, Outcome::Restored | Outcome::Unchanged) {
                tracing::warn!("{}", told::<R::Setting>(&recovered));
            }
        }
    }
}

/// A change and what became of it, in words.
pub fn told<S: Setting>(recovered: &Recovered) -> String {
    let Some(what) = in_words::<S>(&recovered.change) else { return recovered.to_string() };
    match &recovered.outcome {
        Outcome::Restored => format!("{what}: restored"),
        Outcome::Unchanged => format!("{what}: already as before"),
        // The values in the journal mean nothing to a reader.
        Outcome::ChangedSince { .. } => format!("{what}: left alone, somebody changed it since"),
        Outcome::Restarted => format!("{what}: nothing to do, the machine was restarted since"),
        Outcome::Gone => format!("{what}: nothing to do, it is gone"),
        Outcome::Absent => format!("{what}: kept for later, it is not there"),
        Outcome::Replaced => format!("{what}: left alone, another port has its place"),
        Outcome::Elsewhere | Outcome::Unknown => recovered.to_string(),
        Outcome::Busy(why) | Outcome::Failed(why) => format!("{what}: kept for later, {why}"),
    }
}

/// A change of this run in few words; one that could not be undone in all of them.
pub fn told_shortly<S: Setting>(recovered: &Recovered) -> String {
    let change = &recovered.change;
    match recovered.outcome {
        Outcome::Restored => in_words::<S>(change).unwrap_or_else(|| change.to_string()),
        _ => told::<S>(recovered),
    }
}

/// The setting from before a change in few words: what it is, its value, and whose; none of a kind that is not known.
pub fn in_words<S: Setting>(change: &Change) -> Option<String> {
    Some(S::from_journal(&change.kind, &change.old)?.in_words(&change.target))
}
