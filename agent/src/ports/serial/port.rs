//! A serial line of this machine behind the [`Line`] seam.
//!
//! Nothing is opened before the line is known to be free: opening raises RTS and DTR. The line is opened at the first
//! call that needs it, and closed when its settings are restored.

use std::{
    cell::OnceCell,
    fs::File,
    io::{self, Read, Write},
    path::{Path, PathBuf},
    thread,
    time::{Duration, Instant},
};

use serialport::{ClearBuffer, SerialPort as _};
use turnback_core::{
    base::{placement::Placement, time::Nanos},
    kind::{
        Kind,
        ethernet::link::Capabilities,
        port::PortIdentity,
        serial::format::{LineCapabilities, LineErrors, LineFormat, LineSetting, ModemInputs, ModemOutputs},
    },
};

use super::{
    device::{Device, DeviceKind},
    facts::Facts,
    open::{OpenLine, READ_BYTES, capabilities, crate_error, host, line_error, without_asking},
    service::{Holder, Places},
    settings::{SerialSetting, is_unsupported, outputs},
    sys,
    termios::{self, Marking},
};
use crate::{
    guard::{journal::Outcome, lock::PortLock, state},
    ports::{
        changes::{Made, SettingError, told_shortly},
        error::PortError,
        port::{Disturbance, Line, Port, Received, ServiceReason, Way},
    },
};

#[cfg(test)]
mod tests;

/// A serial line under test. Holds the line's lock for as long as it lives.
pub struct SerialPort {
    device: Device,
    facts: Facts,
    began: Instant,
    can: OnceCell<LineCapabilities>,
    open: Option<OpenLine>,
    /// Where changes are noted, if not in the restore journal.
    notes: Option<PathBuf>,
    _lock: PortLock,
}

impl SerialPort {
    /// Finds the line by any of its names and takes its lock. Opens and changes nothing.
    ///
    /// # Errors
    /// No such line, or no chip behind its file; another run has it.
    pub fn find(name: &str) -> Result<Self, PortError> {
        let device = Device::find(name)?;
        let facts = Facts::read(Path::new("/sys"), device.number);
        if !facts.has_hardware() {
            let known = "the kernel has a file for it, but found no chip".to_owned();
            return Err(PortError::Unknown { name: name.to_owned(), known });
        }
        let lock = PortLock::named(name, &device.lock_key())?;
        Ok(Self { device, facts, began: Instant::now(), can: OnceCell::new(), open: None, notes: None, _lock: lock })
    }

    /// Waits until a run that has just been killed lets go of the line; see
    /// [`crate::ports::ethernet::port::EthernetPort::wait_for_the_dying`].
    pub fn wait_for_the_dying(name: &str) {
        let Ok(device) = Device::find(name) else { return };
        for _ in 0..DYING_POLLS {
            if PortLock::named(name, &device.lock_key()).is_ok() {
                return;
            }
            thread::sleep(DYING_POLL);
        }
    }

    fn open(&mut self) -> Result<&mut OpenLine, PortError> {
        if self.open.is_none() {
            let notes = match &self.notes {
                Some(notes) => notes.clone(),
                None => {
                    let state = state::directory();
                    let state = state.map_err(|error| host(&self.device.name, "find the state directory", error))?;
                    state::restore_directory(&state)
                }
            };
            self.open = Some(OpenLine::new(&self.device, &notes)?);
        }
        // Just opened where it was not.
        self.open.as_mut().ok_or_else(|| PortError::Gone(self.device.name.clone()))
    }

    fn reasons(&self, holders: Vec<Holder>) -> Vec<ServiceReason> {
        holders.iter().map(|holder| holder.reason(&self.device.path)).collect()
    }

    /// Makes a change on the open line, and says whether the line has it now.
    fn make(&mut self, wanted: impl FnOnce(&File) -> io::Result<SerialSetting>) -> Result<Made, PortError> {
        let name = self.device.name.clone();
        let line = self.open()?;
        let wanted = match wanted(&line.line) {
            Ok(wanted) => wanted,
            Err(error) if is_unsupported(&error) => return Ok(Made::Unsupported),
            Err(error) => return Err(line_error(&name, "read a setting", error)),
        };
        line.changes.make(&line.target, &line.line, &wanted).map_err(|error| match error {
            SettingError::Journal(error) => error.into(),
            SettingError::Device(error) => line_error(&name, "change a setting", error),
        })
    }

    /// Drops what waits to be sent, and lets what the chip has taken already leave as it is: sent half at one speed and
    /// half at another it would come back as errors of the line.
    fn settle(&mut self) -> Result<(), PortError> {
        let (name, paced) = (self.device.name.clone(), self.device.kind == DeviceKind::Serial);
        let line = self.open()?;
        line.tty.clear(ClearBuffer::Output).map_err(|error| crate_error(&name, "discard what waits", error))?;
        if !std::mem::take(&mut line.has_sent) || !paced {
            return Ok(());
        }
        let now = sys::settings(&line.line).map_err(|error| line_error(&name, "read the settings", error))?;
        let most = Duration::from_nanos(now.format().characters_ns(CHIP_QUEUE_CHARACTERS));
        let began = Instant::now();
        // A driver that cannot say leaves only the clock.
        while began.elapsed() < most && !sys::has_sent_all(&line.line).unwrap_or(false) {
            thread::sleep(SETTLE_POLL.min(most));
        }
        Ok(())
    }

    /// What the line is part of, and its device file if it was called by another name.
    fn place_in_machine(&self) -> Option<String> {
        let path = self.device.path.to_string_lossy();
        let file = (path != self.device.name).then(|| path.into_owned());
        let usb = self.facts.usb.as_ref().map(|usb| format!("usb {} {usb}", usb.socket));
        let parts: Vec<String> = [file, usb, self.facts.chip_name()].into_iter().flatten().collect();
        (!parts.is_empty()).then(|| parts.join(", "))
    }

    /// The speed that the chip makes of the one the driver took.
    fn real_speed(&self, taken: u32) -> u32 {
        match self.facts.clock_hz {
            Some(clock) if self.facts.divides_plainly() => termios::divided_speed(clock, taken).unwrap_or(taken),
            _ => taken,
        }
    }
}

impl Port for SerialPort {
    fn identity(&self) -> PortIdentity {
        PortIdentity {
            name: self.device.name.clone(),
            kind: Kind::Serial,
            simulated: false,
            address: None,
            permanent_address: None,
            driver: match self.device.kind {
                DeviceKind::Pseudo => Some("pseudo-terminal".to_owned()),
                DeviceKind::Serial => self.facts.driver.clone(),
            },
            firmware: None,
            bus: self.place_in_machine(),
        }
    }

    fn in_service(&mut self) -> Result<Vec<ServiceReason>, PortError> {
        if !self.device.path.exists() {
            return Err(PortError::Gone(self.device.name.clone()));
        }
        Ok(self.reasons(Places::default().holders(&self.device)))
    }

    fn restore(&mut self) -> Vec<String> {
        let Some(mut open) = self.open.take() else { return Vec::new() };
        // What still waits would leave at the old settings, and what still comes in would be sent out again where they
        // have an echo.
        for _ in 0..QUIET_POLLS {
            let _ = open.tty.clear(ClearBuffer::All);
            if !sys::wait_readable(&open.line, QUIET_POLL).is_ok_and(|ready| ready.readable && !ready.hung_up) {
                break;
            }
        }
        let recovered = open.changes.restore();
        let changed = recovered.iter().filter(|recovered| recovered.outcome != Outcome::Unchanged);
        changed.map(told_shortly::<SerialSetting>).collect()
    }

    fn disturbed(&mut self) -> Result<Option<Disturbance>, PortError> {
        let name = self.device.name.clone();
        let Some(OpenLine { line, made: Some(made), .. }) = &self.open else { return Ok(None) };
        let now = sys::settings(line).map_err(|error| line_error(&name, "read the settings", error))?;
        Ok((!now.same_as(made)).then_some(Disturbance::Reconfigured))
    }

    fn place(&mut self, placement: Placement) -> bool {
        placement == Placement::Internal && self.apply(LineSetting::InternalLoop(true)).unwrap_or(false)
    }

    fn plug_is_at(&self) -> Option<Placement> {
        None
    }

    fn now(&self) -> Nanos {
        u64::try_from(self.began.elapsed().as_nanos()).unwrap_or(u64::MAX)
    }

    fn pause(&mut self, time: Duration) {
        thread::sleep(time);
    }

    fn offers(&self) -> Capabilities {
        crate::ports::port::shared(&self.capabilities())
    }

    fn way(&mut self) -> Way<'_> {
        Way::Bytes(self)
    }
}

impl Line for SerialPort {
    /// Before the line is first opened, what is known without: nobody may open it to ask before it is known to be free.
    fn capabilities(&self) -> LineCapabilities {
        match (self.can.get(), &self.open) {
            (Some(can), _) => *can,
            (None, Some(open)) => *self.can.get_or_init(|| capabilities(&self.device, &self.facts, &open.line)),
            (None, None) => without_asking(&self.device, &self.facts),
        }
    }

    fn configure(&mut self, format: LineFormat) -> Result<Option<LineFormat>, PortError> {
        let name = self.device.name.clone();
        self.settle()?;
        let marking = self.open()?.marking;
        if self.make(|line| Ok(SerialSetting::Format(sys::settings(line)?.raw(format, marking))))? == Made::Unsupported
        {
            return Ok(None);
        }
        let line = self.open()?;
        let now = sys::settings(&line.line).map_err(|error| line_error(&name, "read the settings", error))?;
        line.made = Some(now);
        line.marks.start_anew();
        line.tty.clear(ClearBuffer::All).map_err(|error| crate_error(&name, "discard what waits", error))?;
        let taken = LineFormat { bits_per_second: self.real_speed(now.output_speed), ..now.format() };
        let is_as_asked = LineFormat { bits_per_second: format.bits_per_second, ..taken } == format;
        let is_near = !self.capabilities().paced || termios::is_near(taken.bits_per_second, format.bits_per_second);
        Ok((is_as_asked && is_near && now.is_raw()).then_some(taken))
    }

    fn apply(&mut self, setting: LineSetting) -> Result<bool, PortError> {
        self.open()?;
        let can = self.capabilities();
        let made = match setting {
            LineSetting::InternalLoop(_) if !can.internal_loop => Made::Unsupported,
            LineSetting::InternalLoop(on) => self.make(|_| Ok(SerialSetting::InternalLoop(on)))?,
            LineSetting::HalfDuplex(_) if !can.half_duplex => Made::Unsupported,
            LineSetting::HalfDuplex(on) => {
                let made = self.make(|line| Ok(SerialSetting::HalfDuplex(sys::rs485(line)?.half_duplex(on))))?;
                let name = self.device.name.clone();
                let now = sys::rs485(&self.open()?.line)
                    .map_err(|error| line_error(&name, "read the RS-485 setting", error))?;
                if now.is_half_duplex() == on { made } else { Made::Unsupported }
            }
            LineSetting::LowLatency(on) => self.set_low_latency(on)?,
        };
        Ok(made != Made::Unsupported)
    }

    fn drive(&mut self, wanted: ModemOutputs) -> Result<(), PortError> {
        let mut is_internal = false;
        let made = self.make(|line| {
            let now = sys::modem_lines(line)?;
            is_internal = sys::has_loop(now);
            // The spare outputs of many cards switch the chip's interrupt: only the chip's own loop keeps them from the
            // pins.
            let spare = if is_internal { wanted } else { outputs(now) };
            Ok(SerialSetting::ModemLines(ModemOutputs { out1: spare.out1, out2: spare.out2, ..wanted }))
        })?;
        match made {
            Made::Unsupported => Err(host(&self.device.name, "drive the modem lines", "the driver has none")),
            Made::AlreadySo => Ok(()),
            Made::Changed | Made::Restored(_) => {
                if !is_internal {
                    thread::sleep(if self.facts.usb.is_some() { USB_LINES_FOLLOW } else { LINES_FOLLOW });
                }
                Ok(())
            }
        }
    }

    fn modem_inputs(&mut self) -> Result<Option<ModemInputs>, PortError> {
        let name = self.device.name.clone();
        self.open()?;
        if !self.capabilities().modem_lines {
            return Ok(None);
        }
        let bits =
            sys::modem_lines(&self.open()?.line).map_err(|error| line_error(&name, "read the modem lines", error))?;
        Ok(Some(inputs(bits)))
    }

    fn line_errors(&mut self) -> Result<Option<LineErrors>, PortError> {
        let name = self.device.name.clone();
        self.open()?;
        if !self.capabilities().counts_errors {
            return Ok(None);
        }
        let counts =
            sys::interrupt_counts(&self.open()?.line).map_err(|error| line_error(&name, "read the counts", error))?;
        let count = |value: libc::c_int| u64::from(value.cast_unsigned());
        Ok(Some(LineErrors {
            framing: count(counts.frame),
            parity: count(counts.parity),
            overrun: count(counts.overrun),
            breaks: count(counts.brk),
            buffer_overrun: count(counts.buf_overrun),
        }))
    }

    fn send_break(&mut self, time: Duration) -> Result<(), PortError> {
        let name = self.device.name.clone();
        let line = self.open()?;
        line.tty.set_break().map_err(|error| crate_error(&name, "send a break", error))?;
        thread::sleep(time);
        line.tty.clear_break().map_err(|error| crate_error(&name, "end a break", error))
    }

    fn send(&mut self, bytes: &[u8]) -> Result<usize, PortError> {
        let name = self.device.name.clone();
        let line = self.open()?;
        line.has_sent = true;
        match line.line.write(bytes) {
            Ok(taken) => Ok(taken),
            Err(error) if is_quiet(&error) => Ok(0),
            Err(error) => Err(line_error(&name, "send", error)),
        }
    }

    fn receive(&mut self, until: Nanos, each: &mut dyn FnMut(Received<'_>)) -> Result<(), PortError> {
        let name = self.device.name.clone();
        loop {
            let now = self.now();
            let OpenLine { line, marks, marking, buffer, .. } = self.open()?;
            let mut came = false;
            // A line that is never empty must not keep the run from looking at anything else.
            for _ in 0..READS_MAX {
                match line.read(&mut buffer[..]) {
                    // What a line that hung up reads as, though not only that.
                    Ok(0) => {
                        let ready = sys::wait_readable(line, Duration::ZERO);
                        if !came && ready.map_err(|error| line_error(&name, "wait", error))?.hung_up {
                            return Err(PortError::Gone(name));
                        }
                        break;
                    }
                    Ok(count) => {
                        came = true;
                        let bytes = &buffer[..count];
                        match marking {
                            Marking::On => marks.feed(bytes, each),
                            Marking::Off => each(Received::Bytes(bytes)),
                        }
                        if count < READ_BYTES {
                            break;
                        }
                    }
                    Err(error) if is_quiet(&error) => break,
                    Err(error) => return Err(line_error(&name, "receive", error)),
                }
            }
            if came || now >= until {
                return Ok(());
            }
            let ready = sys::wait_readable(line, Duration::from_nanos(until - now))
                .map_err(|error| line_error(&name, "wait", error))?;
            if ready.hung_up && !ready.readable {
                return Err(PortError::Gone(name));
            }
        }
    }

    fn unsent(&mut self) -> Result<usize, PortError> {
        let name = self.device.name.clone();
        let waiting = self.open()?.tty.bytes_to_write();
        waiting.map(|bytes| bytes as usize).map_err(|error| crate_error(&name, "ask what waits", error))
    }

    fn discard(&mut self) -> Result<(), PortError> {
        let name = self.device.name.clone();
        let line = self.open()?;
        line.marks.start_anew();
        line.tty.clear(ClearBuffer::All).map_err(|error| crate_error(&name, "discard what waits", error))
    }
}

impl SerialPort {
    /// The driver's flag and, where there is one, the adapter's timer: many adapters look at the timer only, and
    /// writing that needs root.
    fn set_low_latency(&mut self, on: bool) -> Result<Made, PortError> {
        let flag = self.make(|_| Ok(SerialSetting::LowLatency(on)))?;
        let Some(file) = self.facts.latency_timer.clone() else { return Ok(flag) };
        let ms = if on { LOW_LATENCY_MS } else { HIGH_LATENCY_MS };
        match self.make(|_| Ok(SerialSetting::LatencyTimer { ms, file })) {
            Ok(Made::Unsupported) => Ok(flag),
            Ok(made) => Ok(made),
            Err(PortError::NoAccess { .. }) => Ok(flag),
            Err(error) => Err(error),
        }
    }
}

/// The lines of `TIOCMGET` that a port reads (asm-generic/termios.h).
fn inputs(bits: u32) -> ModemInputs {
    ModemInputs { cts: bits & 0x020 != 0, dcd: bits & 0x040 != 0, ri: bits & 0x080 != 0, dsr: bits & 0x100 != 0 }
}

fn is_quiet(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted)
}

/// How long inputs may take to follow outputs through a plug: a line driver a few microseconds. Adapters tell of a
/// change when they are next asked, every few milliseconds (common practice, no source); here with much to spare.
const LINES_FOLLOW: Duration = Duration::from_millis(2);
const USB_LINES_FOLLOW: Duration = Duration::from_millis(50);

/// More than the queue of any common chip or adapter holds (128 in the largest of the 8250 family,
/// linux/serial_core.h).
const CHIP_QUEUE_CHARACTERS: u64 = 256;
const SETTLE_POLL: Duration = Duration::from_millis(1);

/// Least and usual wait of adapters that have such a timer, milliseconds (common practice, no source).
const LOW_LATENCY_MS: u32 = 1;
const HIGH_LATENCY_MS: u32 = 16;

/// Reads in a row: as much as the kernel keeps for a line, or more.
const READS_MAX: u32 = 32;

/// A line counts as quiet once nothing has come in for so long; half a second at most is waited for that.
const QUIET_POLL: Duration = Duration::from_millis(20);
const QUIET_POLLS: u32 = 25;

/// How long a killed process is waited for, all in all half a second.
const DYING_POLLS: u32 = 50;
const DYING_POLL: Duration = Duration::from_millis(10);
