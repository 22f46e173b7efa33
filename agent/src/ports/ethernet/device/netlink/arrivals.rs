//! Hears when an interface comes to this network namespace or leaves it.

use std::io::{ErrorKind, Read};

use socket2::Socket;

use super::{DELLINK, NEWLINK, NetlinkError, message, open, sys};

/// Subscribed to the kernel's notices about interfaces of this network namespace.
#[derive(Debug)]
pub struct Arrivals {
    socket: Socket,
}

impl Arrivals {
    /// Listens from now on.
    ///
    /// # Errors
    /// When the kernel does not let us subscribe.
    pub fn open() -> Result<Self, NetlinkError> {
        let failed = |source| NetlinkError::Socket { what: "notices", source };
        let socket = open(libc::NETLINK_ROUTE).map_err(failed)?;
        sys::join(&socket, &[LINK_GROUP]).map_err(failed)?;
        socket.set_read_timeout(None).map_err(failed)?;
        Ok(Self { socket })
    }

    /// Waits until an interface comes or goes. One that only changes is no reason.
    ///
    /// # Errors
    /// When the socket fails.
    pub fn wait(&mut self) -> Result<(), NetlinkError> {
        let mut buffer = vec![0; super::BUFFER_BYTES];
        loop {
            match self.socket.read(&mut buffer) {
                Ok(length) if comes_or_goes(&buffer[..length]) => return Ok(()),
                Ok(_) => {}
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                // The kernel had more notices than room: one that was missed may be what is waited for.
                Err(error) if error.raw_os_error() == Some(libc::ENOBUFS) => return Ok(()),
                Err(source) => return Err(NetlinkError::Socket { what: "notices", source }),
            }
        }
    }
}

/// Whether a buffer of notices tells of an interface that is new or gone.
///
/// `struct ifinfomsg` (linux/rtnetlink.h): family at 0, which is not zero where a bridge speaks of its own; mask of
/// changes at 12, all ones where the whole interface is new (`register_netdevice` in net/core/dev.c, from memory).
fn comes_or_goes(buffer: &[u8]) -> bool {
    message::messages(buffer).filter(|notice| notice.body.first() == Some(&0)).any(|notice| match notice.kind {
        DELLINK => true,
        NEWLINK => message::u32_at(notice.body, 12) == Some(u32::MAX),
        _ => false,
    })
}

/// `RTNLGRP_LINK`, linux/rtnetlink.h.
const LINK_GROUP: u32 = 1;

#[cfg(test)]
mod tests {
    use super::*;

    fn notice(kind: u16, family: u8, change: u32) -> Vec<u8> {
        let mut body = vec![family, 0, 1, 0];
        body.extend(7_u32.to_ne_bytes());
        body.extend(1_u32.to_ne_bytes());
        body.extend(change.to_ne_bytes());
        message::request(kind, 0, 0, &body)
    }

    /// AF_BRIDGE is 7 (linux/socket.h).
    #[test]
    fn new_and_gone_interfaces_are_told_from_changed_ones() {
        for (kind, family, change, told) in [
            (DELLINK, 0, u32::MAX, true),
            (DELLINK, 0, 0, true),
            (DELLINK, 7, 0, false),
            (NEWLINK, 0, u32::MAX, true),
            (NEWLINK, 0, 1, false),
            (NEWLINK, 0, 0, false),
            (NEWLINK, 7, u32::MAX, false),
        ] {
            assert_eq!(comes_or_goes(&notice(kind, family, change)), told, "{kind} {family} {change}");
        }
        assert!(comes_or_goes(&[notice(NEWLINK, 0, 0), notice(DELLINK, 0, 0)].concat()));
        assert!(!comes_or_goes(&[]) && !comes_or_goes(&notice(NEWLINK, 0, u32::MAX)[..24]));
    }
}
