//! What sender and ring have in common: a packet socket and the interface it belongs to.

use std::io;

use socket2::{Domain, Protocol, Socket, Type};

use super::{error::SocketError, sys};

/// A packet socket that receives nothing until [`PacketSocket::bind`].
#[derive(Debug)]
pub(super) struct PacketSocket {
    socket: Socket,
    ifindex: u32,
    interface: String,
}

impl PacketSocket {
    /// Opens a socket with protocol 0, which the kernel hands no frame to.
    pub(super) fn open(ifindex: u32) -> Result<Self, SocketError> {
        let socket = Socket::new(Domain::PACKET, Type::RAW, Some(Protocol::from(0)))
            .map_err(|source| sort(name_without_rights(ifindex), "open a packet socket", source))?;
        let interface = sys::interface_name(&socket, ifindex)
            .map_err(|source| sort(format!("interface {ifindex}"), "look up the interface", source))?;
        Ok(Self { socket, ifindex, interface })
    }

    pub(super) fn socket(&self) -> &Socket {
        &self.socket
    }

    /// Name that the interface had when the socket was opened.
    pub(super) fn interface(&self) -> &str {
        &self.interface
    }

    /// Name that the interface has now: it may be renamed while we run.
    pub(super) fn current_name(&self) -> Result<String, SocketError> {
        sys::interface_name(&self.socket, self.ifindex)
            .map_err(|source| sort(self.interface.clone(), "look up the interface", source))
    }

    /// Binds to the interface; frames of `ethertype` arrive from here on, none at all for 0.
    pub(super) fn bind(&self, ethertype: u16) -> Result<(), SocketError> {
        sys::bind(&self.socket, ethertype, self.ifindex).map_err(|source| self.error("bind a packet socket", source))
    }

    /// Asks the kernel not to show us our own outgoing frames. Kernels before 4.20 cannot: the packet type still tells.
    pub(super) fn ignore_outgoing(&self) -> Result<(), SocketError> {
        match sys::set_packet_option(&self.socket, libc::PACKET_IGNORE_OUTGOING, 1) {
            Err(source) if source.raw_os_error() != Some(libc::ENOPROTOOPT) => {
                Err(self.error("ignore our own outgoing frames", source))
            }
            _ => Ok(()),
        }
    }

    /// Fails when the interface is gone or down; whether there is a carrier is [`PacketSocket::carrier`]'s question.
    pub(super) fn check_up(&self) -> Result<(), SocketError> {
        let name = self.current_name()?;
        let flags = self.flags(&name)?;
        if flags & libc::IFF_UP == 0 { Err(SocketError::InterfaceDown { interface: name }) } else { Ok(()) }
    }

    /// Whether the interface is ready to carry frames. An interface that is gone is not.
    pub(super) fn carrier(&self) -> bool {
        self.current_name().and_then(|name| self.flags(&name)).is_ok_and(|flags| flags & libc::IFF_RUNNING != 0)
    }

    fn flags(&self, name: &str) -> Result<i32, SocketError> {
        sys::interface_flags(&self.socket, name).map_err(|source| self.error("read the interface's flags", source))
    }

    /// Turns an error of the system into a named one.
    pub(super) fn error(&self, action: &'static str, source: io::Error) -> SocketError {
        let down = source.raw_os_error() == Some(libc::ENETDOWN);
        // The kernel says "network is down" for both, and so does a device that went down because it was removed.
        if down && let Err(error @ SocketError::InterfaceGone { .. }) = self.current_name() {
            return error;
        }
        sort(self.interface.clone(), action, source)
    }
}

/// The interface's name, by way of a socket that anybody may open; its number where there is none.
fn name_without_rights(ifindex: u32) -> String {
    Socket::new(Domain::UNIX, Type::DGRAM, None)
        .and_then(|socket| sys::interface_name(&socket, ifindex))
        .unwrap_or_else(|_| format!("interface {ifindex}"))
}

fn sort(interface: String, action: &'static str, source: io::Error) -> SocketError {
    match source.raw_os_error() {
        Some(libc::EPERM | libc::EACCES) => SocketError::NotPermitted { interface, action, capability: "CAP_NET_RAW" },
        Some(libc::ENXIO | libc::ENODEV) => SocketError::InterfaceGone { interface },
        Some(libc::ENETDOWN) => SocketError::InterfaceDown { interface },
        Some(libc::EOPNOTSUPP) => SocketError::NotSupported { interface, action },
        _ => SocketError::System { interface, action, source },
    }
}
