//! The ports this machine has, behind one seam: what can be tested, and how frames or bytes get out of a port and back.
//!
//! [`Port`] is what all have in common, [`FramePort`] and [`Line`] what the engine drives, [`runner`] what carries out a step
//! of frames. [`ethernet`] reaches real interfaces, [`serial`] serial lines, [`simulated`] a rig in virtual time;
//! [`inventory`] lists what the machine has.

pub mod ethernet;
pub mod inventory;
pub mod recovery;
pub mod runner;
pub mod serial;
pub mod simulated;

use std::time::Duration;

use thiserror::Error;
use turnback_core::{
    base::{
        placement::Placement,
        time::{ClockSource, Nanos},
    },
    document::run::PortIdentity,
    kind::ethernet::{
        cable_test::CableTest,
        counters::Counters,
        link::{Capabilities, LinkState, PortSetting},
        probe::Address,
        transceiver::Module,
    },
    sim::setup::Setup,
};

use crate::{
    guard::{journal::JournalError, lock::LockError},
    ports::{ethernet::socket::SocketError, runner::StepRunner, serial::line::Line},
};

/// A port under test, whatever it carries.
pub trait Port {
    /// Who it is.
    fn identity(&self) -> PortIdentity;
    /// Reasons why it is in service; empty when it is free.
    ///
    /// # Errors
    /// When the host cannot be asked.
    fn in_service(&mut self) -> Result<Vec<ServiceReason>, PortError>;
    /// What somebody on this host did to the port since the last call, beside this run itself; `None` for nothing. Cheap:
    /// asked many times a second.
    ///
    /// # Errors
    /// When the host cannot be asked.
    fn disturbed(&mut self) -> Result<Option<Disturbance>, PortError> {
        Ok(None)
    }
    /// Puts back every changed setting, the last one first; says what it did.
    fn put_back(&mut self) -> Vec<String>;
    /// Moves the plug, where no hand is needed for that. The loop inside the chip is a setting.
    fn place(&mut self, placement: Placement) -> bool;
    /// Does what a hand would do, where no hand is needed: on a simulated rig. The plug is seated again.
    fn arrange(&mut self, _bench: &Setup) -> bool {
        false
    }
    /// Segments of the cable in order from the port, where the port knows them.
    fn segments(&self) -> Vec<String> {
        Vec::new()
    }
    /// Where the plug is, where the port knows.
    fn plug_is_at(&self) -> Option<Placement>;
    /// Now, on the port's clock.
    fn now(&self) -> Nanos;
    /// Lets time pass.
    fn pause(&mut self, time: Duration);
    /// What it can do, in the words that every kind of port shares. Of a serial port these are the loop inside the chip and
    /// whether its plug moves; the rest it says in its own words.
    fn offers(&self) -> Capabilities {
        Capabilities::default()
    }
    /// Whether its transceiver may be able to measure the pairs of a cable; only [`Port::cable_test`] finds out. Nothing is sent for
    /// the answer.
    fn offers_cable_test(&mut self) -> bool {
        false
    }
    /// Measures the pairs of the cable at a port that is free, the plug taken off; `None` where that is not offered.
    ///
    /// # Errors
    /// A port in service, missing rights, or an adapter that does not answer.
    fn cable_test(&mut self) -> Result<Option<CableTest>, PortError> {
        Ok(None)
    }
    /// The port by what it carries.
    fn way(&mut self) -> Way<'_>;
}

/// A port by what it carries: which of the two ways of a check it goes.
pub enum Way<'a> {
    /// Frames.
    Frames(&'a mut dyn FramePort),
    /// Bytes.
    Bytes(&'a mut dyn Line),
}

/// A port that carries frames.
pub trait FramePort: Port {
    /// Its own address.
    fn address(&self) -> Address;
    /// What it can do and show.
    fn capabilities(&self) -> Capabilities;
    /// Its link now.
    ///
    /// # Errors
    /// When the host cannot be asked; [`PortError::Gone`] when the port has vanished.
    fn link(&mut self) -> Result<LinkState, PortError>;
    /// Every counter the host has for it.
    ///
    /// # Errors
    /// As for [`FramePort::link`].
    fn counters(&mut self) -> Result<Counters, PortError>;
    /// What its plug-in transceiver measures of itself; `None` where there is none, or it does not tell.
    fn module(&mut self) -> Option<Module> {
        None
    }
    /// Changes a setting, noted beforehand so that it is put back whatever happens.
    ///
    /// # Errors
    /// When the note cannot be written or the host refuses.
    fn apply(&mut self, setting: PortSetting) -> Result<Applied, PortError>;
    /// Opens the way for probes: out of this port and into `receiver`, or back into this one.
    ///
    /// # Errors
    /// Missing rights, a port that vanished, or a pair of ports of different kinds.
    fn open(&mut self, receiver: Option<Interface>) -> Result<Box<dyn StepRunner>, PortError>;
    /// The interface behind the port, where there is one.
    fn interface(&self) -> Option<Interface>;
}

/// What somebody on this host did to a port under test. What failed meanwhile says nothing of port, plug or cable.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Disturbance {
    /// It was switched off, or got another MTU or address.
    Reconfigured,
    /// It was taken into service: the reasons that were not there before.
    TakenIntoService(Vec<String>),
}

/// What came of a wish to change a setting.
#[must_use]
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Applied {
    /// It was changed, and will be put back.
    Changed,
    /// It was so already; nothing was changed.
    AlreadySo,
    /// It had been changed by this run, and is as it was before: what was put back, in words.
    PutBack(String),
    /// The port does not offer it; nothing was changed.
    NotOffered,
}

/// A network interface of this machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Interface {
    /// Name.
    pub name: String,
    /// Index in its network namespace.
    pub index: u32,
    /// Hardware address.
    pub address: Address,
}

/// One reason why a port is in service.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct ServiceReason {
    /// What holds it, and how to free it.
    pub text: String,
    /// The person may say that it does not matter.
    pub may_be_overridden: bool,
}

/// A port could not be opened, read or changed.
#[derive(Debug, Error)]
pub enum PortError {
    /// No such port.
    #[error("there is no port `{name}`: {known}")]
    Unknown {
        /// As given.
        name: String,
        /// What there is.
        known: String,
    },
    /// A file that should describe a simulated port does not.
    #[error("{file} is not a rig: {cause}")]
    NotARig {
        /// The file, as given.
        file: String,
        /// The line and what is allowed there.
        cause: String,
    },
    /// It is no port that can have a plug.
    #[error("{text}")]
    NoPort {
        /// What it is.
        text: String,
    },
    /// It vanished.
    #[error("{0} is gone")]
    Gone(String),
    /// Not allowed.
    #[error("cannot {action} on {port}: not permitted without {capability}")]
    NotPermitted {
        /// The port.
        port: String,
        /// What was tried.
        action: String,
        /// The missing right.
        capability: String,
    },
    /// The device file is closed to this user.
    #[error("cannot {action} on {port}: this user may not read and write the device file")]
    NoAccess {
        /// The port.
        port: String,
        /// What was tried.
        action: String,
    },
    /// Another run has it.
    #[error(transparent)]
    Lock(#[from] LockError),
    /// The note for putting a setting back could not be written.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The packet sockets failed.
    #[error(transparent)]
    Socket(SocketError),
    /// Anything else the host says.
    #[error("cannot {action} on {port}: {cause}")]
    Host {
        /// The port.
        port: String,
        /// What was tried.
        action: String,
        /// The host's word.
        cause: String,
    },
}

impl From<SocketError> for PortError {
    fn from(error: SocketError) -> Self {
        match error {
            SocketError::InterfaceGone { interface } => Self::Gone(interface),
            other => Self::Socket(other),
        }
    }
}

impl PortError {
    /// What the person can do about it.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::NotPermitted { .. } | Self::Socket(SocketError::NotPermitted { .. }) => Some(GRANT.into()),
            Self::Socket(error) => error.hint(),
            Self::NoAccess { .. } => {
                Some("join the group that owns the file (`ls -lL` shows it), or run as root".into())
            }
            Self::NoPort { .. } => Some("`turnback ports` lists what can be tested".into()),
            Self::Unknown { .. } => {
                Some("`turnback ports` lists the ports of this machine, `turnback rigs` the simulated ones".into())
            }
            Self::Lock(LockError::Held { .. }) => Some("wait for that run to end, or end it".into()),
            _ => None,
        }
    }
}

/// Both rights at once, since granting one takes the other away.
const GRANT: &str =
    "run it as root, or grant the rights once: sudo setcap cap_net_raw,cap_net_admin+ep \"$(command -v turnback)\"";

/// When a probe left, by every clock that saw it go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Departure {
    /// By the program's clock, read just before the probe was handed over.
    pub program: Nanos,
    /// By the kernel, just before it went to the adapter.
    pub kernel: Option<Nanos>,
    /// By the adapter, which counts on its own.
    pub adapter: Option<Nanos>,
}

impl Departure {
    /// Seen by the program alone.
    pub fn by_program(at: Nanos) -> Self {
        Self { program: at, kernel: None, adapter: None }
    }

    /// The best stamp that an arrival by the clock `arrival` may be held against, and its clock. Kernel and program read
    /// the same system time at different places; an adapter's own can only be held against itself.
    pub fn against(&self, arrival: ClockSource) -> Option<(Nanos, ClockSource)> {
        match arrival {
            ClockSource::Adapter => self.adapter.map(|at| (at, ClockSource::Adapter)),
            _ => Some(self.kernel.map_or((self.program, ClockSource::Program), |at| (at, ClockSource::Kernel))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_departure_is_held_only_against_an_arrival_of_its_own_clock() {
        // An adapter's count and the system's time have nothing to do with each other (timestamping.rst 3.1.1, "raw" stamps).
        let seen_by_all = Departure { program: 1_000, kernel: Some(1_100), adapter: Some(7) };
        assert_eq!(seen_by_all.against(ClockSource::Adapter), Some((7, ClockSource::Adapter)));
        assert_eq!(seen_by_all.against(ClockSource::Kernel), Some((1_100, ClockSource::Kernel)));
        assert_eq!(seen_by_all.against(ClockSource::Program), Some((1_100, ClockSource::Kernel)));
        let by_program = Departure::by_program(1_000);
        assert_eq!(by_program.against(ClockSource::Adapter), None);
        assert_eq!(by_program.against(ClockSource::Kernel), Some((1_000, ClockSource::Program)));
    }
}
