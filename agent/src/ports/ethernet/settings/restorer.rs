//! Finds an interface again to restore its settings.

use super::setting::{EthernetSetting, identity};
use crate::{
    guard::{
        journal::{ApplyError, Standing, Target},
        lock::{LockError, PortLock},
        state,
    },
    ports::{
        changes::Restorer,
        ethernet::device::{
            ethtool::{EthtoolError, Interface},
            netlink,
        },
    },
};

/// Reads and writes settings of interfaces in the calling thread's network namespace.
#[derive(Debug)]
pub struct EthernetRestorer {
    is_own_run: bool,
    interface: Option<Interface>,
    lock: Option<(u32, PortLock)>,
}

impl EthernetRestorer {
    /// For a recovery: locks each port while it works on it, and leaves those that another run has.
    pub fn for_recovery() -> Self {
        Self { is_own_run: false, interface: None, lock: None }
    }

    /// For the run that made the changes and holds the locks itself.
    pub fn of_own_run() -> Self {
        Self { is_own_run: true, interface: None, lock: None }
    }

    fn look(&mut self, target: &Target) -> Result<Standing, EthtoolError> {
        let Target::Interface { namespace, name, index, address } = target else {
            return Ok(Standing::Unknown);
        };
        if *namespace != state::network_namespace() {
            return Ok(Standing::Elsewhere);
        }
        // By number first: an interface may have been renamed since.
        let current = match netlink::link(*index) {
            Ok(Some(facts)) => facts.name,
            Ok(None) => {
                return Ok(if Interface::open(name).is_ok() { Standing::Replaced } else { Standing::Gone });
            }
            Err(_) => name.clone(),
        };
        let interface = Interface::open(&current)?;
        if interface.index()? != *index || identity(&interface)? != *address {
            return Ok(Standing::Replaced);
        }
        if !self.is_own_run && self.lock.as_ref().is_none_or(|(locked, _)| locked != index) {
            self.lock = None;
            match PortLock::interface(&current, *index) {
                Ok(lock) => self.lock = Some((*index, lock)),
                Err(error @ LockError::Held { .. }) => return Ok(Standing::Busy(error.to_string())),
                Err(error) => return Ok(Standing::Busy(format!("no lock can be had: {error}"))),
            }
        }
        self.interface = Some(interface);
        Ok(Standing::Same)
    }
}

impl Restorer for EthernetRestorer {
    type Setting = EthernetSetting;

    fn find(&mut self, target: &Target) -> Standing {
        self.interface = None;
        match self.look(target) {
            Ok(standing) => standing,
            // Gone in this very moment, or unreadable: reading will say which, and why.
            Err(EthtoolError::NoInterface { .. }) => Standing::Gone,
            Err(_) => Standing::Same,
        }
    }

    fn device(&self) -> Result<&Interface, ApplyError> {
        self.interface.as_ref().ok_or_else(|| ApplyError("the interface cannot be asked".to_owned()))
    }
}
