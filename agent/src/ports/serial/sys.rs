//! The unsafe half of a serial line: the kernel's calls for terminals that have no safe wrapper.
//!
//! Reading and writing bytes go through a [`File`], break and queues through the `serialport` crate; what is here is
//! what neither has. Structures and numbers are those of `linux/serial.h`, `asm-generic/termbits.h` and
//! `asm-generic/ioctls.h`; ioctl_tty(2) describes the calls.

use std::{
    ffi::CString,
    fs::{File, OpenOptions},
    io, mem,
    os::{
        fd::{AsRawFd, FromRawFd, IntoRawFd},
        unix::{ffi::OsStrExt, fs::OpenOptionsExt},
    },
    path::Path,
    time::Duration,
};

use serialport::TTYPort;

use super::termios::{CHARACTERS, Termios};

/// Opens a terminal without waiting for a carrier, without making it this process's own, and without changing it.
pub(super) fn open(path: &Path) -> io::Result<File> {
    OpenOptions::new().read(true).write(true).custom_flags(libc::O_NOCTTY | libc::O_NONBLOCK).open(path)
}

/// Whether this process may read and write the file.
pub(super) fn may_open(path: &Path) -> bool {
    let Ok(path) = CString::new(path.as_os_str().as_bytes()) else { return false };
    // SAFETY: `path` ends in a zero byte and outlives the call. AT_EACCESS asks for the rights in force.
    unsafe { libc::faccessat(libc::AT_FDCWD, path.as_ptr(), libc::R_OK | libc::W_OK, libc::AT_EACCESS) == 0 }
}

/// A second handle of the same open line for the `serialport` crate, which makes the line exclusive.
pub(super) fn crate_handle(line: &File) -> io::Result<TTYPort> {
    let copy = line.try_clone()?.into_raw_fd();
    // SAFETY: `copy` was just given up by its owner, so the new one owns it alone.
    Ok(unsafe { TTYPort::from_raw_fd(copy) })
}

/// The settings of a line, with its speeds in plain numbers.
pub(super) fn settings(line: &File) -> io::Result<Termios> {
    // SAFETY: `termios2` is plain integers, for which all zeros is a value.
    let mut raw: libc::termios2 = unsafe { mem::zeroed() };
    // SAFETY: TCGETS2 writes one `termios2`, which `raw` is.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TCGETS2, &mut raw) })?;
    Ok(Termios {
        input: raw.c_iflag,
        output: raw.c_oflag,
        control: raw.c_cflag,
        local: raw.c_lflag,
        discipline: raw.c_line,
        characters: raw.c_cc,
        input_speed: raw.c_ispeed,
        output_speed: raw.c_ospeed,
    })
}

/// Sets them at once. Bytes on their way out are not waited for; the caller discards or drains them.
pub(super) fn set_settings(line: &File, settings: &Termios) -> io::Result<()> {
    let raw = libc::termios2 {
        c_iflag: settings.input,
        c_oflag: settings.output,
        c_cflag: settings.control,
        c_lflag: settings.local,
        c_line: settings.discipline,
        c_cc: settings.characters,
        c_ispeed: settings.input_speed,
        c_ospeed: settings.output_speed,
    };
    // SAFETY: TCSETS2 reads one `termios2`.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TCSETS2, &raw) }).map(drop)
}

const _: () = assert!(mem::size_of::<[libc::cc_t; CHARACTERS]>() == CHARACTERS);

/// State of the modem lines, as `TIOCM_` bits.
pub(super) fn modem_lines(line: &File) -> io::Result<u32> {
    let mut bits: libc::c_int = 0;
    // SAFETY: TIOCMGET writes one int.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TIOCMGET, &mut bits) })?;
    Ok(bits as u32)
}

/// Whether the loop inside the chip is on, by these bits (`TIOCM_LOOP`).
pub(super) fn has_loop(bits: u32) -> bool {
    bits & LOOP != 0
}

/// `TIOCM_LOOP`, asm-generic/termios.h.
pub(super) const LOOP: u32 = 0x8000;

/// Raises the lines of `up` and lowers those of `down`; leaves all others alone.
pub(super) fn move_modem_lines(line: &File, up: u32, down: u32) -> io::Result<()> {
    for (call, bits) in [(libc::TIOCMBIC, down), (libc::TIOCMBIS, up)] {
        if bits != 0 {
            let bits = bits as libc::c_int;
            // SAFETY: both calls read one int.
            check(unsafe { libc::ioctl(line.as_raw_fd(), call, &bits) })?;
        }
    }
    Ok(())
}

/// `struct serial_icounter_struct`.
#[repr(C)]
#[derive(Clone, Copy, Default)]
pub(super) struct InterruptCounts {
    pub(super) cts: libc::c_int,
    pub(super) dsr: libc::c_int,
    pub(super) rng: libc::c_int,
    pub(super) dcd: libc::c_int,
    pub(super) rx: libc::c_int,
    pub(super) tx: libc::c_int,
    pub(super) frame: libc::c_int,
    pub(super) overrun: libc::c_int,
    pub(super) parity: libc::c_int,
    pub(super) brk: libc::c_int,
    pub(super) buf_overrun: libc::c_int,
    reserved: [libc::c_int; 9],
}

// 80 bytes, frame at 24, overrun 28, parity 32, brk 36, buf_overrun 40: computed from the order in linux/serial.h.
const _: () = assert!(
    mem::size_of::<InterruptCounts>() == 80
        && mem::offset_of!(InterruptCounts, frame) == 24
        && mem::offset_of!(InterruptCounts, buf_overrun) == 40
);

/// What the driver counted since it was loaded.
pub(super) fn interrupt_counts(line: &File) -> io::Result<InterruptCounts> {
    let mut counts = InterruptCounts::default();
    // SAFETY: TIOCGICOUNT writes one `serial_icounter_struct`, whose layout is asserted above.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TIOCGICOUNT, &mut counts) })?;
    Ok(counts)
}

/// `struct serial_rs485`.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Rs485 {
    pub(super) flags: u32,
    pub(super) delay_before_send_ms: u32,
    pub(super) delay_after_send_ms: u32,
    pub(super) rest: [u32; 5],
}

const _: () = assert!(mem::size_of::<Rs485>() == 32);

impl Rs485 {
    /// Both directions on one pair by turns, the receiver on meanwhile; the rest as it is. A driver for the pair needs
    /// RTS at one level while sending and at the other afterwards; where neither was chosen, asserted while sending.
    #[must_use]
    pub(super) fn half_duplex(&self, on: bool) -> Self {
        let levels = if self.flags & RTS_LEVELS == 0 { RTS_ON_SEND } else { 0 };
        let flags = if on { self.flags | ENABLED | RX_DURING_TX | levels } else { self.flags & !ENABLED };
        Self { flags, ..*self }
    }

    /// Whether it is set so.
    pub(super) fn is_half_duplex(&self) -> bool {
        self.flags & (ENABLED | RX_DURING_TX) == ENABLED | RX_DURING_TX
    }
}

const ENABLED: u32 = 1 << 0;
const RTS_ON_SEND: u32 = 1 << 1;
/// `SER_RS485_RTS_ON_SEND` and `SER_RS485_RTS_AFTER_SEND`.
const RTS_LEVELS: u32 = RTS_ON_SEND | 1 << 2;
const RX_DURING_TX: u32 = 1 << 4;

/// The half-duplex settings of a line.
pub(super) fn rs485(line: &File) -> io::Result<Rs485> {
    let mut settings = Rs485::default();
    // SAFETY: TIOCGRS485 writes one `serial_rs485`.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TIOCGRS485, &mut settings) })?;
    Ok(settings)
}

/// Sets them; the driver may take less than was asked.
pub(super) fn set_rs485(line: &File, settings: &Rs485) -> io::Result<()> {
    let mut settings = *settings;
    // SAFETY: TIOCSRS485 reads one `serial_rs485` and writes back what was taken.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TIOCSRS485, &mut settings) }).map(drop)
}

/// `struct serial_struct`.
#[repr(C)]
struct SerialStruct {
    kind: libc::c_int,
    line: libc::c_int,
    port: libc::c_uint,
    irq: libc::c_int,
    flags: libc::c_int,
    xmit_fifo_size: libc::c_int,
    custom_divisor: libc::c_int,
    baud_base: libc::c_int,
    close_delay: libc::c_ushort,
    io_type: libc::c_char,
    reserved_char: [libc::c_char; 1],
    hub6: libc::c_int,
    closing_wait: libc::c_ushort,
    closing_wait2: libc::c_ushort,
    iomem_base: *mut libc::c_uchar,
    iomem_reg_shift: libc::c_ushort,
    port_high: libc::c_uint,
    iomap_base: libc::c_ulong,
}

#[cfg(target_pointer_width = "64")]
const _: () = assert!(mem::size_of::<SerialStruct>() == 72 && mem::offset_of!(SerialStruct, flags) == 16);

fn serial_struct(line: &File) -> io::Result<SerialStruct> {
    // SAFETY: plain integers and a pointer that nobody follows; all zeros is a value.
    let mut facts: SerialStruct = unsafe { mem::zeroed() };
    // SAFETY: TIOCGSERIAL writes one `serial_struct`.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TIOCGSERIAL, &mut facts) })?;
    Ok(facts)
}

/// Whether the driver is told to hand received bytes on at once.
pub(super) fn low_latency(line: &File) -> io::Result<bool> {
    Ok(serial_struct(line)?.flags & LOW_LATENCY != 0)
}

/// Tells it so, or not.
pub(super) fn set_low_latency(line: &File, on: bool) -> io::Result<()> {
    let mut facts = serial_struct(line)?;
    facts.flags = if on { facts.flags | LOW_LATENCY } else { facts.flags & !LOW_LATENCY };
    // SAFETY: TIOCSSERIAL reads one `serial_struct`: the one the driver gave, with one flag changed.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TIOCSSERIAL, &facts) }).map(drop)
}

/// `ASYNC_LOW_LATENCY`, linux/tty_flags.h.
const LOW_LATENCY: libc::c_int = 1 << 13;

/// Whether the chip has sent its last bit, what its own queue held included; fails where the driver cannot say.
pub(super) fn has_sent_all(line: &File) -> io::Result<bool> {
    let mut answer: libc::c_uint = 0;
    // SAFETY: TIOCSERGETLSR writes one unsigned int.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TIOCSERGETLSR, &mut answer) })?;
    Ok(answer & TRANSMITTER_EMPTY != 0)
}

/// `TIOCSER_TEMT`, asm-generic/ioctls.h.
const TRANSMITTER_EMPTY: libc::c_uint = 1;

/// Whether somebody asked the kernel to keep others out (`TIOCEXCL`), which root passes all the same.
pub(super) fn is_exclusive(line: &File) -> io::Result<bool> {
    let mut answer: libc::c_int = 0;
    // SAFETY: TIOCGEXCL writes one int.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TIOCGEXCL, &mut answer) })?;
    Ok(answer != 0)
}

/// Which part of the kernel takes what the line receives; 0 hands it to programs.
pub(super) fn discipline(line: &File) -> io::Result<i32> {
    let mut answer: libc::c_int = 0;
    // SAFETY: TIOCGETD writes one int.
    check(unsafe { libc::ioctl(line.as_raw_fd(), libc::TIOCGETD, &mut answer) })?;
    Ok(answer)
}

/// What a wait ended with.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Ready {
    pub(super) readable: bool,
    /// The device went away, or the other end of a pseudo-terminal did.
    pub(super) hung_up: bool,
}

/// Waits until bytes can be read, the line is gone, or the time is over.
pub(super) fn wait_readable(line: &File, time: Duration) -> io::Result<Ready> {
    let mut watched = libc::pollfd { fd: line.as_raw_fd(), events: libc::POLLIN, revents: 0 };
    let limit = libc::timespec {
        tv_sec: time.as_secs().min(i32::MAX as u64) as libc::time_t,
        tv_nsec: time.subsec_nanos() as libc::c_long,
    };
    // SAFETY: one `pollfd` and one `timespec`, both outliving the call; no signal mask is given.
    let result = unsafe { libc::ppoll(&mut watched, 1, &limit, std::ptr::null()) };
    match check(result) {
        Ok(_) => Ok(Ready {
            readable: watched.revents & libc::POLLIN != 0,
            hung_up: watched.revents & (libc::POLLHUP | libc::POLLERR | libc::POLLNVAL) != 0,
        }),
        Err(error) if error.kind() == io::ErrorKind::Interrupted => Ok(Ready::default()),
        Err(error) => Err(error),
    }
}

fn check(result: libc::c_int) -> io::Result<libc::c_int> {
    if result < 0 { Err(io::Error::last_os_error()) } else { Ok(result) }
}

/// A pseudo-terminal for a test: its other end, which no child process inherits, and the path of the line.
#[cfg(test)]
pub(super) fn pseudo_terminal() -> (File, std::path::PathBuf) {
    let other_end = open(Path::new("/dev/ptmx")).expect("a pseudo-terminal");
    let (locked, mut number): (libc::c_int, libc::c_uint) = (0, 0);
    // SAFETY: TIOCSPTLCK reads one int.
    check(unsafe { libc::ioctl(other_end.as_raw_fd(), libc::TIOCSPTLCK, &locked) }).expect("its lock is taken off");
    // SAFETY: TIOCGPTN writes one unsigned int.
    check(unsafe { libc::ioctl(other_end.as_raw_fd(), libc::TIOCGPTN, &mut number) }).expect("its number");
    (other_end, format!("/dev/pts/{number}").into())
}

/// What the C library makes of settings when asked for raw mode: input, output, control and local modes.
#[cfg(test)]
pub(super) fn raw_by_the_c_library(settings: &Termios) -> [u32; 4] {
    // SAFETY: `termios` is plain integers, for which all zeros is a value.
    let mut raw: libc::termios = unsafe { mem::zeroed() };
    (raw.c_iflag, raw.c_oflag, raw.c_cflag, raw.c_lflag) =
        (settings.input, settings.output, settings.control, settings.local);
    // SAFETY: cfmakeraw writes fields of one `termios`.
    unsafe { libc::cfmakeraw(&mut raw) };
    [raw.c_iflag, raw.c_oflag, raw.c_cflag, raw.c_lflag]
}
