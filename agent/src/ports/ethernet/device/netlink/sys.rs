//! The calls of netlink that need unsafe code.

use std::{io, mem, mem::size_of, os::fd::AsRawFd};

use socket2::Socket;

/// Subscribes to groups of notices (`enum rtnetlink_groups`, linux/rtnetlink.h), in the network namespace of the
/// socket.
pub(super) fn join(socket: &Socket, groups: &[u32]) -> io::Result<()> {
    // SAFETY: sockaddr_nl is made of integers, for which zero is a value; port 0 has the kernel choose one. Without one
    // of its own a socket counts as the kernel's, and is not sent the kernel's notices.
    let mut address: libc::sockaddr_nl = unsafe { mem::zeroed() };
    address.nl_family = libc::AF_NETLINK as _;
    // SAFETY: pointer and length describe `address`, a valid sockaddr_nl that outlives the call.
    check(unsafe {
        libc::bind(socket.as_raw_fd(), (&raw const address).cast(), size_of::<libc::sockaddr_nl>() as libc::socklen_t)
    })?;
    for group in groups {
        // SAFETY: pointer and length describe `group`, which outlives the call; the kernel only reads it.
        check(unsafe {
            libc::setsockopt(
                socket.as_raw_fd(),
                libc::SOL_NETLINK,
                libc::NETLINK_ADD_MEMBERSHIP,
                std::ptr::from_ref(group).cast(),
                size_of::<u32>() as libc::socklen_t,
            )
        })?;
    }
    Ok(())
}

fn check(result: libc::c_int) -> io::Result<()> {
    if result < 0 { Err(io::Error::last_os_error()) } else { Ok(()) }
}
