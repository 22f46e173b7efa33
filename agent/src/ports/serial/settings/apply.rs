//! Putting the settings of serial lines back on behalf of the journal.

use std::{fs::File, io, path::Path};

use serde_json::Value;

use super::{Setting, is_gone, is_pseudo};
use crate::{
    guard::{
        journal::{Apply, ApplyError, Change, Standing, Target},
        lock::{LockError, PortLock},
    },
    ports::serial::{device::Device, sys},
};

/// Reads and writes settings of serial lines.
#[derive(Debug)]
pub struct SerialSettings {
    is_own_run: bool,
    line: Option<File>,
    /// Why the line could not be opened.
    refused: Option<String>,
    lock: Option<(String, PortLock)>,
}

impl SerialSettings {
    /// For a recovery: opens and locks each line while it works on it, and leaves those that another run has.
    pub fn for_recovery() -> Self {
        Self { is_own_run: false, line: None, refused: None, lock: None }
    }

    /// For the run that made the changes, holds the lock and has the line open.
    pub(super) fn of_own_run(line: File) -> Self {
        Self { is_own_run: true, line: Some(line), refused: None, lock: None }
    }

    fn find(&mut self, path: &str, identity: &str) -> Standing {
        let absent = if is_pseudo(identity) { Standing::Gone } else { Standing::Absent };
        if self.is_own_run {
            return match self.line.as_ref().map(sys::settings) {
                Some(Err(error)) if is_gone(&error) => absent,
                _ => Standing::Same,
            };
        }
        // Kept from the change before, if this one is of the same line: every opening and closing moves RTS and DTR.
        if self.lock.as_ref().is_some_and(|(locked, _)| locked == path) && self.line.is_some() {
            return Standing::Same;
        }
        (self.line, self.lock, self.refused) = (None, None, None);
        if !Path::new(path).exists() {
            return absent;
        }
        let Ok(device) = Device::find(path) else { return Standing::Replaced };
        if device.identity() != identity {
            return Standing::Replaced;
        }
        match PortLock::named(path, &device.lock_key()) {
            Ok(lock) => self.lock = Some((path.to_owned(), lock)),
            Err(error @ LockError::Held { .. }) => return Standing::Busy(error.to_string()),
            Err(error) => return Standing::Busy(format!("no lock can be had: {error}")),
        }
        match sys::open(&device.path) {
            Ok(line) => self.line = Some(line),
            Err(error) if is_gone(&error) => return absent,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return absent,
            Err(error) => self.refused = Some(format!("cannot open it: {error}")),
        }
        Standing::Same
    }

    fn line(&self) -> Result<&File, ApplyError> {
        let refused = || self.refused.clone().unwrap_or_else(|| "the line cannot be asked".to_owned());
        self.line.as_ref().ok_or_else(|| ApplyError(refused()))
    }
}

impl Apply for SerialSettings {
    fn standing(&mut self, change: &Change) -> Standing {
        match &change.target {
            Target::Device { path, identity } if Setting::from_journal(&change.kind, &change.old).is_some() => {
                self.find(path, identity)
            }
            _ => Standing::Unknown,
        }
    }

    fn read(&mut self, change: &Change) -> Result<Value, ApplyError> {
        let setting = setting(change, &change.old)?;
        setting.now(self.line()?).map(|now| now.value()).map_err(|error| ApplyError(error.to_string()))
    }

    fn write(&mut self, change: &Change, value: &Value) -> Result<(), ApplyError> {
        setting(change, value)?.apply(self.line()?).map_err(|error| ApplyError(error.to_string()))
    }

    /// A note may hold several values that were ours, or none in particular; see the text of [`super`].
    fn same(&self, change: &Change, a: &Value, b: &Value) -> bool {
        match b {
            Value::Null => true,
            Value::Array(several) => several.iter().any(|b| self.same(change, a, b)),
            _ => {
                let read = |value| Setting::from_journal(&change.kind, value);
                read(a).zip(read(b)).map_or(a == b, |(a, b)| a.same_as(&b))
            }
        }
    }
}

fn setting(change: &Change, value: &Value) -> Result<Setting, ApplyError> {
    Setting::from_journal(&change.kind, value).ok_or_else(|| ApplyError(format!("{} cannot be {value}", change.kind)))
}
