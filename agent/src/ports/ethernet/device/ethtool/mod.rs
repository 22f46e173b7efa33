//! What a driver tells about an interface and lets us change, through the kernel's ethtool calls.
//!
//! Each file adds one area to [`Interface`]: [`link`] (speed, duplex, negotiation), [`feature`], [`driver`] (identity,
//! statistics, the port's light), [`timestamp`], [`module`] (plug-in transceivers), [`basic`] (flags, MTU, addresses),
//! `eeprom` (the adapter's memory), [`channels`] (queues), [`self_test`] and `modes` (names of link modes). Changing
//! something here writes no journal; that is the work of [`crate::ports::ethernet::settings`].
//!
//! An interface is looked up in the network namespace of the thread that opens it, and nothing here reads `/sys`.

use std::io;

use socket2::{Domain, Socket, Type};
use thiserror::Error;

pub mod basic;
pub mod channels;
pub mod driver;
mod eeprom;
pub mod feature;
pub mod link;
mod modes;
pub mod module;
pub mod self_test;
mod sys;
pub mod timestamp;

#[cfg(test)]
mod tests;

/// One interface, named, ready to be asked.
#[derive(Debug)]
pub struct Interface {
    name: String,
    control: sys::Control,
}

/// Whether a driver offers what was asked of it.
#[must_use]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Support {
    /// It was done.
    Done,
    /// The driver does not offer it; nothing changed.
    Unsupported,
}

/// Why an interface could not be asked or changed. That a driver does not offer something is no error.
#[derive(Debug, Error)]
pub enum EthtoolError {
    /// There is no such interface in this network namespace, or it has just gone.
    #[error("there is no interface named {name:?} in this network namespace")]
    NoInterface {
        /// The name asked for.
        name: String,
    },
    /// The kernel wants a right we lack.
    #[error("cannot {action} of {name}: the capability CAP_NET_ADMIN is missing")]
    NotPermitted {
        /// What was wanted, as in "change the speed".
        action: &'static str,
        /// The interface.
        name: String,
    },
    /// The driver knows the request and refuses these values.
    #[error("the driver of {name} refuses to {action} to {value}")]
    Refused {
        /// What was wanted.
        action: &'static str,
        /// The interface.
        name: String,
        /// The value that was refused.
        value: String,
    },
    /// Anything else.
    #[error("cannot {action} of {name}")]
    Failed {
        /// What was wanted.
        action: &'static str,
        /// The interface.
        name: String,
        /// The kernel's answer.
        #[source]
        source: io::Error,
    },
}

impl EthtoolError {
    /// The way out, where there is one.
    pub fn hint(&self) -> Option<&'static str> {
        matches!(self, Self::NotPermitted { .. }).then_some(
            "run as root, or grant the program the right: setcap cap_net_raw,cap_net_admin+ep followed by its path",
        )
    }
}

impl Interface {
    /// Looks an interface up by name.
    ///
    /// # Errors
    ///
    /// [`EthtoolError::NoInterface`] when the calling thread's network namespace has none of that name.
    pub fn open(name: &str) -> Result<Self, EthtoolError> {
        let failed = |source| EthtoolError::Failed { action: "open a control socket", name: name.to_owned(), source };
        let socket = Socket::new(Domain::IPV4, Type::DGRAM, None)
            .or_else(|_| Socket::new(Domain::UNIX, Type::DGRAM, None))
            .map_err(failed)?;
        let no_interface = |_| EthtoolError::NoInterface { name: name.to_owned() };
        let control = sys::Control::new(socket.into(), name).map_err(no_interface)?;
        let interface = Self { name: name.to_owned(), control };
        interface.index()?;
        Ok(interface)
    }

    /// The name it was opened by.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Asks; `None` when the driver does not offer it.
    fn ask<T>(&self, action: &'static str, answer: io::Result<T>) -> Result<Option<T>, EthtoolError> {
        match answer {
            Ok(value) => Ok(Some(value)),
            Err(error) if is_unsupported(&error) => Ok(None),
            Err(error) => Err(self.error(action, error)),
        }
    }

    /// Changes; a value the driver refuses is told apart from a request it does not know.
    fn tell<T>(
        &self,
        action: &'static str,
        value: &dyn std::fmt::Display,
        answer: io::Result<T>,
    ) -> Result<Option<T>, EthtoolError> {
        match answer {
            Err(error) if error.raw_os_error() == Some(libc::EINVAL) => {
                Err(EthtoolError::Refused { action, name: self.name.clone(), value: value.to_string() })
            }
            other => self.ask(action, other),
        }
    }

    fn error(&self, action: &'static str, error: io::Error) -> EthtoolError {
        let name = self.name.clone();
        match error.raw_os_error() {
            Some(libc::ENODEV | libc::ENXIO) => EthtoolError::NoInterface { name },
            Some(libc::EPERM | libc::EACCES) => EthtoolError::NotPermitted { action, name },
            _ => EthtoolError::Failed { action, name, source: error },
        }
    }
}

impl<T> From<Option<T>> for Support {
    fn from(done: Option<T>) -> Self {
        if done.is_some() { Self::Done } else { Self::Unsupported }
    }
}

fn is_unsupported(error: &io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::EOPNOTSUPP | libc::ENOTTY | libc::ENOSYS))
}

/// The word at an offset; zero beyond the end.
fn word(bytes: &[u8], offset: usize) -> u32 {
    bytes.get(offset..).and_then(|rest| rest.first_chunk()).map_or(0, |chunk| u32::from_ne_bytes(*chunk))
}

/// The octet at an offset; zero beyond the end.
fn octet(bytes: &[u8], offset: usize) -> u8 {
    bytes.get(offset).copied().unwrap_or(0)
}

/// The text in a fixed field up to its first zero; bytes that are no text are replaced.
fn text(field: &[u8]) -> String {
    let end = field.iter().position(|&byte| byte == 0).unwrap_or(field.len());
    String::from_utf8_lossy(&field[..end]).trim().to_owned()
}
