//! What can go wrong with a packet socket, named by what the caller can do about it.

use std::io;

use thiserror::Error;

use crate::ports::error::PortError;

/// A packet socket could not do what was asked.
///
/// A full send queue is not here (see [`super::sender::Refusal`]), and neither is a frame that did not come back.
#[derive(Debug, Error)]
pub enum SocketError {
    /// The process may not open packet sockets, or not set what was asked for.
    #[error("cannot {action} on {interface}: not permitted without {capability}")]
    NotPermitted {
        /// Name of the interface.
        interface: String,
        /// What was tried, as a verb phrase.
        action: &'static str,
        /// The missing capability, as capabilities(7) names it.
        capability: &'static str,
    },
    /// The interface was removed, or moved to another network namespace. Nothing more will come from it.
    #[error("{interface} is gone: removed or moved away")]
    InterfaceGone {
        /// Name of the interface, or `#` and its index when it was never there.
        interface: String,
    },
    /// The interface is administratively down. It may come up again; frames received before may still be waiting.
    #[error("{interface} is down")]
    InterfaceDown {
        /// Name of the interface.
        interface: String,
    },
    /// A frame is longer than the interface's MTU allows.
    #[error("a frame of {length_bytes} bytes (without FCS) is longer than the MTU of {interface} allows")]
    FrameTooLong {
        /// Name of the interface.
        interface: String,
        /// Length of the frame, Ethernet header included, FCS not.
        length_bytes: usize,
    },
    /// The adapter does not do what was asked (time stamping, most often). The caller has another way.
    #[error("{interface} cannot {action}")]
    NotSupported {
        /// Name of the interface.
        interface: String,
        /// What was tried, as a verb phrase.
        action: &'static str,
    },
    /// The receive ring holds something that the kernel cannot have meant.
    #[error("receive ring of {interface} is damaged: {detail}")]
    RingDamaged {
        /// Name of the interface.
        interface: String,
        /// Which field is out of bounds.
        detail: &'static str,
    },
    /// The receive ring is too small to work with.
    #[error("a receive ring of {ring_bytes} bytes is too small, at least {least_bytes} are needed")]
    RingTooSmall {
        /// What was asked for.
        ring_bytes: usize,
        /// The smallest size allowed.
        least_bytes: usize,
    },
    /// The system refused for another reason.
    #[error("cannot {action} on {interface}")]
    System {
        /// Name of the interface.
        interface: String,
        /// What was tried, as a verb phrase.
        action: &'static str,
        /// The system's answer.
        #[source]
        source: io::Error,
    },
}

impl SocketError {
    /// What the user can do about it, where there is something.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::NotPermitted { capability, .. } => Some(format!(
                "run it as root, or grant the right once: sudo setcap {}+ep \"$(command -v turnback)\"",
                capability.to_lowercase()
            )),
            Self::InterfaceDown { interface } => Some(format!("bring it up: sudo ip link set {interface} up")),
            _ => None,
        }
    }
}

impl From<SocketError> for PortError {
    fn from(error: SocketError) -> Self {
        match error {
            SocketError::InterfaceGone { interface } => Self::Gone(interface),
            SocketError::InterfaceDown { interface } => Self::Down(interface),
            SocketError::NotPermitted { interface, action, capability } => {
                Self::NotPermitted { port: interface, action: action.to_owned(), capability: capability.to_owned() }
            }
            SocketError::System { interface, action, source } => {
                Self::Host { port: interface, action: action.to_owned(), cause: source.to_string() }
            }
            SocketError::FrameTooLong { .. }
            | SocketError::NotSupported { .. }
            | SocketError::RingDamaged { .. }
            | SocketError::RingTooSmall { .. } => Self::Device(error.to_string()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_right_is_named_with_the_command_that_grants_it() {
        let error = SocketError::NotPermitted { interface: "quay1".into(), action: "open", capability: "CAP_NET_RAW" };
        assert_eq!(error.to_string(), "cannot open on quay1: not permitted without CAP_NET_RAW");
        let hint = error.hint().expect("a way out");
        // Capability name and file-capability syntax: capabilities(7), cap_text_formats(7).
        assert!(hint.contains("setcap cap_net_raw+ep"), "{hint}");
    }

    #[test]
    fn the_cause_is_not_repeated_in_the_text() {
        let source = io::Error::from_raw_os_error(libc::EINVAL);
        let error = SocketError::System { interface: "quay1".into(), action: "bind", source };
        assert_eq!(error.to_string(), "cannot bind on quay1");
        assert!(std::error::Error::source(&error).is_some());
    }
}
