//! System calls that the standard library does not offer: TAP devices, pseudo-terminals, signals, waiting.
//!
//! All unsafe code of the program is in this file; every function here is safe to call.

use std::ffi::CStr;
use std::fs::{File, OpenOptions};
use std::io;
use std::mem;
use std::net::UdpSocket;
use std::os::fd::{AsRawFd, FromRawFd, OwnedFd, RawFd};
use std::os::unix::fs::OpenOptionsExt;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::ptr;
use std::time::Duration;

/// Whether a TAP device is made or an existing one is used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Opening {
    /// The device must not exist yet; it vanishes with the last descriptor.
    Create,
    /// The device may exist already and be free, for instance made by `ip tuntap add`.
    Attach,
}

/// Opens the TAP device `name` for plain Ethernet frames, one per read and write; the descriptor never blocks.
///
/// # Errors
/// No `/dev/net/tun`, no rights, a name that is too long, a device in use, or (with [`Opening::Create`]) one that
/// exists.
pub fn open_tap(name: &str, opening: Opening) -> io::Result<File> {
    let mut request = interface_request(name)?;
    let file = OpenOptions::new().read(true).write(true).custom_flags(libc::O_NONBLOCK).open("/dev/net/tun")?;
    let exclusive = if opening == Opening::Create { libc::IFF_TUN_EXCL } else { 0 };
    // The kernel takes the low sixteen bits as they are; the cast to a signed short keeps them.
    request.ifr_ifru.ifru_flags = (libc::IFF_TAP | libc::IFF_NO_PI | exclusive) as libc::c_short;
    // SAFETY: TUNSETIFF reads and writes one `ifreq`, which `request` is and which outlives the call.
    check(unsafe { libc::ioctl(file.as_raw_fd(), libc::TUNSETIFF, &mut request) })?;
    Ok(file)
}

/// Tells the host that the TAP device has a link partner, or none.
///
/// # Errors
/// The kernel refuses, for instance because the device was deleted.
pub fn set_carrier(tap: &File, present: bool) -> io::Result<()> {
    let value = libc::c_int::from(present);
    // SAFETY: TUNSETCARRIER reads one `int` from the given address, which is `value`.
    check(unsafe { libc::ioctl(tap.as_raw_fd(), libc::TUNSETCARRIER, &value) })
}

/// Sets the largest payload of an interface, in bytes.
///
/// # Errors
/// No rights, no such interface, or a size the device does not take.
pub fn set_mtu(name: &str, mtu_bytes: u16) -> io::Result<()> {
    let mut request = interface_request(name)?;
    request.ifr_ifru.ifru_mtu = mtu_bytes.into();
    configure(libc::SIOCSIFMTU, &mut request)
}

/// Sets how many frames may wait between the host and the plug.
///
/// # Errors
/// No rights, no such interface, or more than the kernel can allocate.
pub fn set_queue(name: &str, frames: u16) -> io::Result<()> {
    let mut request = interface_request(name)?;
    // `ifr_qlen` is the same `int` in the union as `ifr_mtu`.
    request.ifr_ifru.ifru_mtu = frames.into();
    configure(libc::SIOCSIFTXQLEN, &mut request)
}

/// Sets an interface administratively up.
///
/// # Errors
/// No rights or no such interface.
pub fn set_up(name: &str) -> io::Result<()> {
    let mut request = interface_request(name)?;
    configure(libc::SIOCGIFFLAGS, &mut request)?;
    // SAFETY: SIOCGIFFLAGS has just filled this field of the union.
    let flags = unsafe { request.ifr_ifru.ifru_flags };
    request.ifr_ifru.ifru_flags = flags | libc::IFF_UP as libc::c_short;
    configure(libc::SIOCSIFFLAGS, &mut request)
}

/// A pseudo-terminal pair in raw mode.
#[derive(Debug)]
pub struct Terminal {
    /// The plug's side; it never blocks.
    pub master: File,
    /// The other side, kept open so that its settings last while no program has it open.
    _slave: File,
    /// Where a program opens the other side.
    pub path: PathBuf,
}

/// Opens a pseudo-terminal pair that passes all 256 byte values unchanged.
///
/// # Errors
/// No free pair, or `/dev/pts` is not mounted.
pub fn open_terminal() -> io::Result<Terminal> {
    // SAFETY: takes flags only; the result is checked before use.
    let fd = unsafe { libc::posix_openpt(libc::O_RDWR | libc::O_NOCTTY | libc::O_NONBLOCK | libc::O_CLOEXEC) };
    check(fd)?;
    // SAFETY: `fd` is open, and nobody else owns it.
    let master = unsafe { File::from_raw_fd(fd) };
    // SAFETY: both take an open master descriptor and no memory.
    check(unsafe { libc::grantpt(fd) })?;
    // SAFETY: as above.
    check(unsafe { libc::unlockpt(fd) })?;
    let mut name = [0 as libc::c_char; 64];
    // SAFETY: `name` is writable for the length given.
    let code = unsafe { libc::ptsname_r(fd, name.as_mut_ptr(), name.len()) };
    if code != 0 {
        return Err(io::Error::from_raw_os_error(code));
    }
    // SAFETY: `ptsname_r` succeeded, so `name` holds a string that ends in a zero byte.
    let name = unsafe { CStr::from_ptr(name.as_ptr()) };
    let path = Path::new(&*name.to_string_lossy()).to_path_buf();
    let slave = OpenOptions::new().read(true).write(true).custom_flags(libc::O_NOCTTY).open(&path)?;
    set_raw(&slave)?;
    Ok(Terminal { master, _slave: slave, path })
}

fn set_raw(line: &File) -> io::Result<()> {
    // SAFETY: `termios` is plain integers, for which all zeros is a value.
    let mut settings: libc::termios = unsafe { mem::zeroed() };
    // SAFETY: the descriptor is open and `settings` is one `termios`.
    check(unsafe { libc::tcgetattr(line.as_raw_fd(), &mut settings) })?;
    // SAFETY: writes the fields of one `termios`.
    unsafe { libc::cfmakeraw(&mut settings) };
    // cfmakeraw leaves the input side of flow control alone, and that would eat two byte values.
    settings.c_iflag &= !(libc::IXON | libc::IXOFF | libc::IXANY);
    settings.c_cc[libc::VMIN] = 1;
    settings.c_cc[libc::VTIME] = 0;
    // SAFETY: reads one `termios`.
    check(unsafe { libc::tcsetattr(line.as_raw_fd(), libc::TCSANOW, &settings) })
}

/// Turns SIGINT and SIGTERM into something to wait for: the descriptor becomes readable when one arrives.
///
/// # Errors
/// The kernel refuses a descriptor.
pub fn termination() -> io::Result<OwnedFd> {
    // SAFETY: `sigset_t` is plain integers, for which all zeros is a value.
    let mut set: libc::sigset_t = unsafe { mem::zeroed() };
    // SAFETY: the three calls write or read one `sigset_t`; the old mask is not asked for.
    unsafe {
        libc::sigemptyset(&mut set);
        libc::sigaddset(&mut set, libc::SIGINT);
        libc::sigaddset(&mut set, libc::SIGTERM);
    }
    // SAFETY: reads one `sigset_t`; a null old mask is allowed.
    let code = unsafe { libc::pthread_sigmask(libc::SIG_BLOCK, &set, ptr::null_mut()) };
    if code != 0 {
        return Err(io::Error::from_raw_os_error(code));
    }
    // SAFETY: reads one `sigset_t`; -1 asks for a new descriptor.
    let fd = unsafe { libc::signalfd(-1, &set, libc::SFD_CLOEXEC | libc::SFD_NONBLOCK) };
    check(fd)?;
    // SAFETY: `fd` is open, and nobody else owns it.
    Ok(unsafe { OwnedFd::from_raw_fd(fd) })
}

/// One descriptor to wait for, and what the wait found.
#[derive(Clone, Copy, Debug)]
#[repr(transparent)]
pub struct Watch(libc::pollfd);

impl Watch {
    /// Watches for input; with `writable` also for room to write.
    pub fn new(fd: RawFd, readable: bool, writable: bool) -> Self {
        let events = if readable { libc::POLLIN } else { 0 } | if writable { libc::POLLOUT } else { 0 };
        Self(libc::pollfd { fd, events, revents: 0 })
    }

    /// Watches nothing and never fires.
    pub fn nothing() -> Self {
        Self(libc::pollfd { fd: -1, events: 0, revents: 0 })
    }

    /// Whether there is input, an error or an end to read.
    pub fn readable(&self) -> bool {
        self.0.revents & (libc::POLLIN | libc::POLLERR | libc::POLLHUP) != 0
    }
}

/// Waits until a watched descriptor is ready, or for `timeout`; `None` waits as long as it takes.
///
/// # Errors
/// The kernel refuses the set; an interrupting signal is not an error.
pub fn wait(watches: &mut [Watch], timeout: Option<Duration>) -> io::Result<()> {
    let limit = timeout.map(|timeout| libc::timespec {
        tv_sec: timeout.as_secs().try_into().unwrap_or(libc::time_t::MAX),
        tv_nsec: timeout.subsec_nanos().into(),
    });
    let limit = limit.as_ref().map_or(ptr::null(), ptr::from_ref);
    // SAFETY: `Watch` is `repr(transparent)` over `pollfd`, the length is the slice's own, and
    // `limit` is null or points to a `timespec` that lives until the end of this function.
    let code = unsafe { libc::ppoll(watches.as_mut_ptr().cast(), watches.len() as libc::nfds_t, limit, ptr::null()) };
    match check(code) {
        Err(error) if error.kind() == io::ErrorKind::Interrupted => Ok(()),
        other => other,
    }
}

/// Kills the process that listens at the other end of `stream`.
///
/// # Errors
/// The kernel does not name the process, or this process may not kill it.
pub fn kill_peer(stream: &UnixStream) -> io::Result<()> {
    let mut peer = libc::ucred { pid: 0, uid: 0, gid: 0 };
    let mut length = mem::size_of_val(&peer) as libc::socklen_t;
    // SAFETY: SO_PEERCRED writes one `ucred`, which `peer` is and whose size `length` holds.
    check(unsafe {
        libc::getsockopt(stream.as_raw_fd(), libc::SOL_SOCKET, libc::SO_PEERCRED, (&raw mut peer).cast(), &mut length)
    })?;
    // A process in another process namespace has number 0 here, and kill(2) takes 0 for the caller's own group.
    if peer.pid <= 0 {
        return Err(io::ErrorKind::NotFound.into());
    }
    // SAFETY: takes integers only.
    check(unsafe { libc::kill(peer.pid, libc::SIGKILL) })
}

/// Asks the kernel to wake this thread to the microsecond instead of grouping wake-ups in steps of 50 us.
pub fn wake_sharply() {
    // SAFETY: takes integers only. A refusal leaves the usual slack, which only makes delays coarser.
    unsafe { libc::prctl(libc::PR_SET_TIMERSLACK, 1_u64) };
}

fn interface_request(name: &str) -> io::Result<libc::ifreq> {
    // SAFETY: `ifreq` is integers, characters and a union of such; all zeros is a value.
    let mut request: libc::ifreq = unsafe { mem::zeroed() };
    if name.is_empty() || name.len() >= request.ifr_name.len() {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "an interface name has 1 to 15 bytes"));
    }
    for (to, from) in request.ifr_name.iter_mut().zip(name.bytes()) {
        *to = from as libc::c_char;
    }
    Ok(request)
}

fn configure(request: libc::Ioctl, argument: &mut libc::ifreq) -> io::Result<()> {
    // Any socket of the namespace will do to speak about its interfaces; this one is never used to send.
    let socket = UdpSocket::bind(("127.0.0.1", 0)).or_else(|_| UdpSocket::bind(("0.0.0.0", 0)))?;
    // SAFETY: all requests used here read or write one `ifreq`, which `argument` is.
    check(unsafe { libc::ioctl(socket.as_raw_fd(), request as _, argument) })
}

fn check(code: libc::c_int) -> io::Result<()> {
    if code < 0 { Err(io::Error::last_os_error()) } else { Ok(()) }
}
