//! The unsafe half of the guards: who runs us, and who holds the other end of a local socket.

use std::{
    io, mem,
    os::fd::{AsFd, AsRawFd},
};

/// True when the process acts as root.
pub(super) fn is_root() -> bool {
    effective_user() == 0
}

/// The user the process acts as.
pub(super) fn effective_user() -> u32 {
    // SAFETY: geteuid takes nothing, changes nothing and cannot fail (geteuid(2)).
    unsafe { libc::geteuid() }
}

/// Process and user that listen on the other end of a connected local socket, as the kernel noted them.
pub(super) fn peer(socket: impl AsFd) -> io::Result<libc::ucred> {
    let mut credentials = libc::ucred { pid: 0, uid: 0, gid: 0 };
    let mut length = mem::size_of::<libc::ucred>() as libc::socklen_t;
    // SAFETY: SO_PEERCRED writes at most `length` octets, the size of the ucred that the pointer leads to; both
    // outlive the call.
    let result = unsafe {
        libc::getsockopt(
            socket.as_fd().as_raw_fd(),
            libc::SOL_SOCKET,
            libc::SO_PEERCRED,
            std::ptr::from_mut(&mut credentials).cast(),
            &mut length,
        )
    };
    if result < 0 { Err(io::Error::last_os_error()) } else { Ok(credentials) }
}
