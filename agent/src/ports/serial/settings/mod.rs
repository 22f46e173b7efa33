//! Settings of a serial line: read, changed with a note in the restore journal, and put back.
//!
//! `Changes` is the only way a run changes anything. A run changes the format many times (a sweep of speeds), so each kind
//! of setting has one note with the value that was there at first; before each change the note takes in the value that is
//! about to be set. A run that is killed between the two is therefore known by its value, whichever it is. The modem
//! lines are moved by the driver itself whenever the line is opened or closed, so their note names no value as ours.

use std::{fs, fs::File, io, path::PathBuf};

use serde_json::Value;
use thiserror::Error;
use turnback_core::kind::serial::format::ModemOutputs;

use super::{
    device::Device,
    sys::{self, LOOP, Rs485},
    termios::Termios,
};
use crate::guard::journal::{self, Change, Journal, JournalError, Outcome, Recovered, Target};

mod apply;
#[cfg(test)]
mod tests;

pub use apply::SerialSettings;

/// One setting and its value.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Setting {
    /// Everything in `termios2`.
    Format(Termios),
    /// Lines that the port drives.
    ModemLines(ModemOutputs),
    /// The loop inside the chip.
    InternalLoop(bool),
    /// RS-485.
    HalfDuplex(Rs485),
    /// The driver's flag for low latency.
    LowLatency(bool),
    /// A USB adapter's wait before it hands on what it received, and the file that holds it.
    LatencyTimer {
        /// Milliseconds.
        ms: u32,
        /// The file.
        file: PathBuf,
    },
}

/// Why a setting could not be changed.
#[derive(Debug, Error)]
pub(super) enum SettingError {
    /// It could not be noted, so it was not changed.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The line refused.
    #[error(transparent)]
    Line(#[from] io::Error),
}

impl Setting {
    fn kind(&self) -> &'static str {
        match self {
            Self::Format(_) => FORMAT,
            Self::ModemLines(_) => MODEM_LINES,
            Self::InternalLoop(_) => INTERNAL_LOOP,
            Self::HalfDuplex(_) => HALF_DUPLEX,
            Self::LowLatency(_) => LOW_LATENCY,
            Self::LatencyTimer { .. } => LATENCY_TIMER,
        }
    }

    fn value(&self) -> Value {
        match self {
            Self::Format(settings) => serde_json::to_value(settings).unwrap_or_default(),
            Self::ModemLines(lines) => serde_json::to_value(lines).unwrap_or_default(),
            Self::InternalLoop(on) | Self::LowLatency(on) => Value::from(*on),
            Self::HalfDuplex(settings) => serde_json::to_value(settings).unwrap_or_default(),
            Self::LatencyTimer { ms, file } => serde_json::json!({"ms": ms, "file": file}),
        }
    }

    fn from_journal(kind: &str, value: &Value) -> Option<Self> {
        Some(match kind {
            FORMAT => Self::Format(serde_json::from_value(value.clone()).ok()?),
            MODEM_LINES => Self::ModemLines(serde_json::from_value(value.clone()).ok()?),
            INTERNAL_LOOP => Self::InternalLoop(value.as_bool()?),
            HALF_DUPLEX => Self::HalfDuplex(serde_json::from_value(value.clone()).ok()?),
            LOW_LATENCY => Self::LowLatency(value.as_bool()?),
            LATENCY_TIMER => Self::LatencyTimer {
                ms: u32::try_from(value.get("ms")?.as_u64()?).ok()?,
                file: value.get("file")?.as_str()?.into(),
            },
            _ => return None,
        })
    }

    /// This setting as the line has it now.
    pub(super) fn now(&self, line: &File) -> io::Result<Self> {
        Ok(match self {
            Self::Format(_) => Self::Format(sys::settings(line)?),
            Self::ModemLines(_) => Self::ModemLines(outputs(sys::modem_lines(line)?)),
            Self::InternalLoop(_) => Self::InternalLoop(sys::modem_lines(line)? & LOOP != 0),
            Self::HalfDuplex(_) => Self::HalfDuplex(sys::rs485(line)?),
            Self::LowLatency(_) => Self::LowLatency(sys::low_latency(line)?),
            Self::LatencyTimer { file, .. } => {
                let text = fs::read_to_string(file)?;
                let ms = text.trim().parse().map_err(|_| io::Error::from(io::ErrorKind::InvalidData))?;
                Self::LatencyTimer { ms, file: file.clone() }
            }
        })
    }

    fn apply(&self, line: &File) -> io::Result<()> {
        match self {
            Self::Format(settings) => sys::set_settings(line, settings),
            Self::ModemLines(lines) => sys::move_modem_lines(line, bits(*lines), ALL_OUTPUTS & !bits(*lines)),
            Self::InternalLoop(true) => sys::move_modem_lines(line, LOOP, 0),
            Self::InternalLoop(false) => sys::move_modem_lines(line, 0, LOOP),
            Self::HalfDuplex(settings) => sys::set_rs485(line, settings),
            Self::LowLatency(on) => sys::set_low_latency(line, *on),
            Self::LatencyTimer { ms, file } => fs::write(file, format!("{ms}\n")),
        }
    }

    fn same_as(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Format(a), Self::Format(b)) => a.same_as(b),
            _ => self == other,
        }
    }
}

/// What came of a wish to change.
#[must_use]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Made {
    /// It is as asked, or as near as the driver takes it, and will be put back.
    Changed,
    /// It was so already; nothing was changed.
    AlreadySo,
    /// The driver does not offer it; nothing was changed.
    Unsupported,
}

/// The changes of a run, in the order they were made.
#[derive(Debug)]
pub(super) struct Changes {
    journal: Journal,
    target: Target,
    line: File,
    made: Vec<Change>,
}

impl Changes {
    /// No changes yet.
    ///
    /// # Errors
    /// No second handle on the line can be had.
    pub(super) fn new(journal: Journal, device: &Device, line: &File) -> io::Result<Self> {
        Ok(Self { journal, target: target(device), line: line.try_clone()?, made: Vec::new() })
    }

    /// Changes a setting, after noting it.
    ///
    /// # Errors
    /// When the change cannot be noted (then it is not made) or the line refuses it.
    pub(super) fn make(&mut self, wanted: &Setting) -> Result<Made, SettingError> {
        let old = match wanted.now(&self.line) {
            Ok(old) => old,
            Err(error) if is_unsupported(&error) => return Ok(Made::Unsupported),
            Err(error) => return Err(error.into()),
        };
        if old.same_as(wanted) {
            return Ok(Made::AlreadySo);
        }
        let kind = wanted.kind();
        let new = match wanted {
            Setting::ModemLines(_) => Value::Null,
            _ => Value::from(vec![old.value(), wanted.value()]),
        };
        match self.made.iter_mut().find(|change| change.kind == kind) {
            None => self.made.push(self.journal.begin(self.target.clone(), kind, old.value(), new)?),
            Some(_) if new.is_null() => {}
            Some(change) => self.journal.became(change, new)?,
        }
        let answer = wanted.apply(&self.line);
        if let Ok(now) = wanted.now(&self.line) {
            self.note_what_came_of_it(wanted, &now)?;
        }
        match answer {
            Ok(()) => Ok(Made::Changed),
            Err(error) if is_unsupported(&error) => Ok(Made::Unsupported),
            Err(error) => Err(error.into()),
        }
    }

    /// Drops the note if the value from before the run is in place again, as after a refusal; takes in what the driver made of
    /// the value that was wanted.
    fn note_what_came_of_it(&mut self, wanted: &Setting, now: &Setting) -> Result<(), JournalError> {
        let Some(at) = self.made.iter().position(|change| change.kind == wanted.kind()) else { return Ok(()) };
        let change = &mut self.made[at];
        if Setting::from_journal(&change.kind, &change.old).is_some_and(|before| before.same_as(now)) {
            // If this note fails, the next start finds the old value in place.
            let _ = self.journal.done(&self.made.remove(at));
        } else if !now.same_as(wanted) && !change.new.is_null() {
            self.journal.became(change, Value::from(vec![wanted.value(), now.value()]))?;
        }
        Ok(())
    }

    /// Undoes everything, the last change first, and says what became of each. What fails stays in the journal.
    pub(super) fn put_back(&mut self) -> Vec<Recovered> {
        let mut recovered = Vec::new();
        while let Some(change) = self.made.pop() {
            let outcome = match self.line.try_clone() {
                Ok(line) => journal::put_back(&mut SerialSettings::of_own_run(line), &change),
                Err(error) => Outcome::Failed(error.to_string()),
            };
            if outcome.is_final() {
                // If this note fails, the next start finds the old value in place.
                let _ = self.journal.done(&change);
            }
            recovered.push(Recovered { change, outcome });
        }
        recovered
    }
}

impl Drop for Changes {
    fn drop(&mut self) {
        for recovered in self.put_back() {
            if !matches!(recovered.outcome, Outcome::PutBack | Outcome::Unchanged) {
                tracing::warn!("{}", told(&recovered));
            }
        }
    }
}

/// A change and what became of it, in words; one of another kind of port as it tells itself.
pub fn told(recovered: &Recovered) -> String {
    let Some(what) = told_shortly(&recovered.change) else { return recovered.to_string() };
    match &recovered.outcome {
        Outcome::PutBack => format!("{what}: put back"),
        Outcome::Unchanged => format!("{what}: already as before"),
        // The values that stand in the journal are for no reader.
        Outcome::ChangedSince { .. } => format!("{what}: left alone, somebody changed it since"),
        Outcome::Restarted => format!("{what}: nothing to do, the machine was restarted since"),
        Outcome::Gone => format!("{what}: nothing to do, it is gone"),
        Outcome::Absent => format!("{what}: kept for later, it is not there"),
        Outcome::Replaced => format!("{what}: left alone, another port has its place"),
        Outcome::Elsewhere | Outcome::Unknown => recovered.to_string(),
        Outcome::Busy(why) | Outcome::Failed(why) => format!("{what}: kept for later, {why}"),
    }
}

/// A change of a serial line in few words: what was changed, and to what it belongs; `None` for any other.
pub(in crate::ports) fn told_shortly(change: &Change) -> Option<String> {
    let Change { kind, target, old, .. } = change;
    Some(match Setting::from_journal(kind, old)? {
        Setting::Format(old) => {
            format!("settings of {target} ({}{})", old.format(), if old.is_raw() { "" } else { ", not raw" })
        }
        Setting::ModemLines(_) => format!("modem lines of {target}"),
        Setting::InternalLoop(_) => format!("loop inside the chip of {target}"),
        Setting::HalfDuplex(_) => format!("half-duplex setting of {target}"),
        Setting::LowLatency(_) => format!("low-latency setting of {target}"),
        Setting::LatencyTimer { ms, .. } => format!("latency timer of {target} ({ms} ms)"),
    })
}

fn target(device: &Device) -> Target {
    Target::Device { path: device.path.to_string_lossy().into_owned(), identity: device.identity() }
}

/// Whether a pseudo-terminal is meant, which does not come back once it is gone.
fn is_pseudo(identity: &str) -> bool {
    identity.starts_with("made ")
}

/// The kernel's ways to say that a driver has no such thing.
pub(super) fn is_unsupported(error: &io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::ENOTTY | libc::EINVAL | libc::EOPNOTSUPP | libc::ENOSYS))
}

/// The kernel's ways to say that the device, or the other end of a pseudo-terminal, is gone.
pub(super) fn is_gone(error: &io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::EIO | libc::ENXIO | libc::ENODEV))
}

/// The lines of `TIOCMGET` that a port drives.
pub(super) fn outputs(bits: u32) -> ModemOutputs {
    ModemOutputs { rts: bits & RTS != 0, dtr: bits & DTR != 0, out1: bits & OUT1 != 0, out2: bits & OUT2 != 0 }
}

fn bits(lines: ModemOutputs) -> u32 {
    let bit = |on: bool, bit: u32| if on { bit } else { 0 };
    bit(lines.rts, RTS) | bit(lines.dtr, DTR) | bit(lines.out1, OUT1) | bit(lines.out2, OUT2)
}

// asm-generic/termios.h.
const DTR: u32 = 0x002;
const RTS: u32 = 0x004;
const OUT1: u32 = 0x2000;
const OUT2: u32 = 0x4000;
const ALL_OUTPUTS: u32 = DTR | RTS | OUT1 | OUT2;

const FORMAT: &str = "serial.format";
const MODEM_LINES: &str = "serial.modem-lines";
const INTERNAL_LOOP: &str = "serial.internal-loop";
const HALF_DUPLEX: &str = "serial.half-duplex";
const LOW_LATENCY: &str = "serial.low-latency";
const LATENCY_TIMER: &str = "serial.latency-timer";
