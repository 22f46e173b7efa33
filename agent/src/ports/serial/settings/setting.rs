//! The settings of a serial line that a run may change.

use std::{fs, fs::File, io, path::PathBuf};

use serde_json::Value;
use turnback_core::kind::serial::format::ModemOutputs;

use crate::{
    guard::journal::Target,
    ports::{
        changes::Setting,
        serial::{
            device::Device,
            sys::{self, LOOP, Rs485},
            termios::Termios,
        },
    },
};

/// One setting and its value.
#[derive(Clone, Debug, PartialEq)]
pub enum SerialSetting {
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

impl Setting for SerialSetting {
    type Device = File;
    type Error = io::Error;

    fn name(&self) -> String {
        let name = match self {
            Self::Format(_) => FORMAT,
            Self::ModemLines(_) => MODEM_LINES,
            Self::InternalLoop(_) => INTERNAL_LOOP,
            Self::HalfDuplex(_) => HALF_DUPLEX,
            Self::LowLatency(_) => LOW_LATENCY,
            Self::LatencyTimer { .. } => LATENCY_TIMER,
        };
        name.to_owned()
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

    fn from_journal(name: &str, value: &Value) -> Option<Self> {
        Some(match name {
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

    fn now(&self, line: &File) -> io::Result<Option<Self>> {
        match self.read(line) {
            Ok(now) => Ok(Some(now)),
            Err(error) if is_unsupported(&error) => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn apply(&self, line: &File) -> io::Result<bool> {
        match self.write(line) {
            Ok(()) => Ok(true),
            Err(error) if is_unsupported(&error) => Ok(false),
            Err(error) => Err(error),
        }
    }

    fn same_as(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Format(a), Self::Format(b)) => a.same_as(b),
            _ => self == other,
        }
    }

    /// Drivers raise and drop the modem lines whenever the line is opened or closed.
    fn is_moved_by_driver(&self) -> bool {
        matches!(self, Self::ModemLines(_))
    }

    fn in_words(&self, target: &Target) -> String {
        match self {
            Self::Format(format) => {
                let raw = if format.is_raw() { "" } else { ", not raw" };
                format!("settings of {target} ({}{raw})", format.format())
            }
            Self::ModemLines(_) => format!("modem lines of {target}"),
            Self::InternalLoop(_) => format!("loop inside the chip of {target}"),
            Self::HalfDuplex(_) => format!("half-duplex setting of {target}"),
            Self::LowLatency(_) => format!("low-latency setting of {target}"),
            Self::LatencyTimer { ms, .. } => format!("latency timer of {target} ({ms} ms)"),
        }
    }
}

impl SerialSetting {
    fn read(&self, line: &File) -> io::Result<Self> {
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

    fn write(&self, line: &File) -> io::Result<()> {
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
}

/// What a note calls the line.
pub(in crate::ports::serial) fn target(device: &Device) -> Target {
    Target::Device { path: device.path.to_string_lossy().into_owned(), identity: device.identity() }
}

/// Whether a pseudo-terminal is meant, which does not come back once it is gone.
pub(super) fn is_pseudo(identity: &str) -> bool {
    identity.starts_with("made ")
}

/// The kernel's ways to say that a driver has no such thing.
pub(in crate::ports::serial) fn is_unsupported(error: &io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::ENOTTY | libc::EINVAL | libc::EOPNOTSUPP | libc::ENOSYS))
}

/// The kernel's ways to say that the device, or the other end of a pseudo-terminal, is gone.
pub(in crate::ports::serial) fn is_gone(error: &io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::EIO | libc::ENXIO | libc::ENODEV))
}

/// The lines of `TIOCMGET` that a port drives.
pub(in crate::ports::serial) fn outputs(bits: u32) -> ModemOutputs {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn modem_lines_are_read_from_their_bits_as_they_were_set() {
        for set in [0, RTS | DTR | OUT1, RTS | OUT2, ALL_OUTPUTS] {
            assert_eq!(bits(outputs(set)), set);
        }
    }
}
