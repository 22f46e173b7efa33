//! Finds a serial line again to restore its settings.

use std::{fs::File, io, path::Path};

use super::setting::{SerialSetting, is_gone, is_pseudo};
use crate::{
    guard::{
        journal::{ApplyError, Standing, Target},
        lock::{LockError, PortLock},
    },
    ports::{
        changes::Restorer,
        serial::{device::Device, sys},
    },
};

/// Reads and writes settings of serial lines.
#[derive(Debug)]
pub struct SerialRestorer {
    is_own_run: bool,
    line: Option<File>,
    /// Why the line could not be opened.
    refused: Option<String>,
    lock: Option<(String, PortLock)>,
}

impl SerialRestorer {
    /// For a recovery: opens and locks each line while it works on it, and leaves those that another run has.
    pub fn for_recovery() -> Self {
        Self { is_own_run: false, line: None, refused: None, lock: None }
    }

    /// For the run that made the changes, holds the lock and has the line open.
    pub(in crate::ports::serial) fn of_own_run(line: File) -> Self {
        Self { is_own_run: true, line: Some(line), refused: None, lock: None }
    }

    fn look(&mut self, path: &str, identity: &str) -> Standing {
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
}

impl Restorer for SerialRestorer {
    type Setting = SerialSetting;

    fn find(&mut self, target: &Target) -> Standing {
        match target {
            Target::Device { path, identity } => self.look(path, identity),
            Target::Interface { .. } => Standing::Unknown,
        }
    }

    fn device(&self) -> Result<&File, ApplyError> {
        let refused = || self.refused.clone().unwrap_or_else(|| "the line cannot be asked".to_owned());
        self.line.as_ref().ok_or_else(|| ApplyError(refused()))
    }
}
