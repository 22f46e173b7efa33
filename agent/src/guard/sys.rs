//! The unsafe half of the guards: who runs us, and who holds the other end of a local socket.

use std::{
    io, mem,
    os::fd::{AsFd, AsRawFd},
};

/// True when the process acts as root.
pub fn is_root() -> bool {
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

#[cfg(test)]
mod tests {
    use std::{fs::File, thread};

    use super::*;

    /// In a thread that acts as nobody; the kernel keeps the users of threads apart (setresuid(2), "C library/kernel
    /// differences").
    #[test]
    fn who_acts_as_nobody_is_not_root() {
        const NOBODY: u32 = 65534;
        let acting = || {
            // SAFETY: the raw call takes three numbers, changes this thread alone, and the thread ends after it.
            let changed = unsafe { libc::syscall(libc::SYS_setresuid, -1, NOBODY, -1) } == 0;
            (changed, effective_user(), is_root())
        };
        let before = (effective_user(), is_root());
        let (changed, user, acts_as_root) = thread::spawn(acting).join().unwrap();
        assert!(!acts_as_root && (!changed || user == NOBODY), "{user}");
        assert_eq!((effective_user(), is_root()), before);
    }

    #[test]
    fn what_is_no_socket_has_nobody_at_its_other_end() {
        assert!(peer(File::open("/dev/null").unwrap()).is_err());
    }
}
