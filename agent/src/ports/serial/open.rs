//! A serial line while it is open, and how the kernel's refusals become errors of the port.

use std::{fs::File, io, path::Path};

use serialport::{ClearBuffer, SerialPort as _, TTYPort};
use turnback_core::kind::serial::format::LineCapabilities;

use super::{
    device::{Device, DeviceKind},
    facts::Facts,
    marks::Marks,
    service,
    settings::{SerialRestorer, is_gone, target},
    sys,
    termios::{Marking, Termios},
};
use crate::{
    guard::journal::{Journal, Target},
    ports::{changes::Changes, error::PortError},
};

/// The line while it is open. Fields are dropped in this order: settings first, then the line.
pub(super) struct OpenLine {
    pub(super) changes: Changes<SerialRestorer>,
    /// What a note calls the line.
    pub(super) target: Target,
    /// For break and queues; keeps other programs out while it lives.
    pub(super) tty: TTYPort,
    pub(super) line: File,
    pub(super) marks: Marks,
    pub(super) marking: Marking,
    /// The settings as this run made them.
    pub(super) made: Option<Termios>,
    /// Bytes were handed over since the format was last set.
    pub(super) has_sent: bool,
    pub(super) buffer: Box<[u8; READ_BYTES]>,
}

impl OpenLine {
    pub(super) fn new(device: &Device, notes: &Path) -> Result<Self, PortError> {
        let name = &device.name;
        let line = sys::open(&device.path).map_err(|error| open_error(device, error))?;
        let journal = Journal::open(notes)?;
        let own = line.try_clone().map_err(|error| line_error(name, "open", error))?;
        let changes = Changes::new(journal, SerialRestorer::of_own_run(own));
        let holders = service::of_open_line(&line).map_err(|error| line_error(name, "ask", error))?;
        if let Some(holder) = holders.first() {
            return Err(host(name, "open", holder.reason(&device.path).text));
        }
        let mut tty = sys::crate_handle(&line).map_err(|error| line_error(name, "open", error))?;
        if device.kind == DeviceKind::Pseudo {
            // A pseudo-terminal stays while its other end lives, and with it the mark that keeps others out: after a
            // kill nobody but root could open it again.
            let _ = tty.set_exclusive(false);
        }
        // A pseudo-terminal tells of no errors.
        let marking = if device.kind == DeviceKind::Serial { Marking::On } else { Marking::Off };
        Ok(Self {
            changes,
            target: target(device),
            tty,
            line,
            marks: Marks::default(),
            marking,
            made: None,
            has_sent: false,
            buffer: Box::new([0; READ_BYTES]),
        })
    }
}

impl Drop for OpenLine {
    fn drop(&mut self) {
        // A line that is closed with bytes that flow control holds back keeps its closer waiting for half a minute.
        let _ = self.tty.clear(ClearBuffer::All);
    }
}

/// What is known of a line that nobody has opened yet.
pub(super) fn without_asking(device: &Device, facts: &Facts) -> LineCapabilities {
    let real = device.kind == DeviceKind::Serial;
    LineCapabilities {
        marks_errors: real,
        sends_break: real,
        internal_loop: real && facts.is_8250(),
        paced: real,
        buffer_bytes: BUFFER_BYTES,
        ..LineCapabilities::default()
    }
}

/// What an open line can do and show.
pub(super) fn capabilities(device: &Device, facts: &Facts, line: &File) -> LineCapabilities {
    let real = device.kind == DeviceKind::Serial;
    let counts_errors = sys::interrupt_counts(line).is_ok();
    LineCapabilities {
        modem_lines: real && sys::modem_lines(line).is_ok(),
        counts_errors,
        counts_all_overruns: counts_errors && facts.is_8250(),
        // A driver without RS-485 lets its settings be read all the same; it refuses to have them set, also to what
        // they are.
        half_duplex: real && sys::rs485(line).and_then(|now| sys::set_rs485(line, &now)).is_ok(),
        latency_setting: real && (facts.latency_timer.is_some() || sys::low_latency(line).is_ok()),
        ..without_asking(device, facts)
    }
}

pub(super) fn open_error(device: &Device, error: io::Error) -> PortError {
    match error.raw_os_error() {
        Some(libc::EACCES | libc::EPERM) => {
            PortError::NoAccess { port: device.name.clone(), action: "open the line".to_owned() }
        }
        Some(libc::EBUSY) => host(&device.name, "open", "a program asked the kernel to keep others out"),
        _ => line_error(&device.name, "open", error),
    }
}

pub(super) fn line_error(name: &str, action: &str, error: io::Error) -> PortError {
    if is_gone(&error) {
        return PortError::Gone(name.to_owned());
    }
    if error.kind() == io::ErrorKind::PermissionDenied {
        return PortError::NoAccess { port: name.to_owned(), action: action.to_owned() };
    }
    host(name, action, error)
}

/// The crate keeps the kernel's number of an error only in its words.
pub(super) fn crate_error(name: &str, action: &str, error: serialport::Error) -> PortError {
    let last = io::Error::last_os_error();
    if is_gone(&last) { PortError::Gone(name.to_owned()) } else { host(name, action, error) }
}

pub(super) fn host(name: &str, action: &str, cause: impl ToString) -> PortError {
    PortError::Host { port: name.to_owned(), action: action.to_owned(), cause: cause.to_string() }
}

/// As much as the kernel hands over at once: its buffer for a reader (`N_TTY_BUF_SIZE`, drivers/tty/n_tty.c).
pub(super) const READ_BYTES: usize = 4096;

/// What may be on its way: a quarter of what the kernel keeps for a line before it drops bytes
/// (`TTYB_DEFAULT_MEM_LIMIT`, drivers/tty/tty_buffer.c: 64 KiB before Linux 5.11, more since), because a marked byte
/// takes three places.
pub(super) const BUFFER_BYTES: usize = 16_384;
