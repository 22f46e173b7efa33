//! Putting interface settings back on behalf of the journal.

use serde_json::Value;

use super::{Setting, identity};
use crate::{
    guard::{
        journal::{Apply, ApplyError, Change, Standing, Target},
        lock::{LockError, PortLock},
        state,
    },
    ports::ethernet::device::{
        ethtool::{EthtoolError, Interface, Support},
        netlink,
    },
};

/// Reads and writes settings of interfaces in the calling thread's network namespace.
#[derive(Debug)]
pub struct EthernetSettings {
    is_own_run: bool,
    interface: Option<Interface>,
    lock: Option<(u32, PortLock)>,
}

impl EthernetSettings {
    /// For a recovery: locks each port while it works on it, and leaves those that another run has.
    pub fn for_recovery() -> Self {
        Self { is_own_run: false, interface: None, lock: None }
    }

    /// For the run that made the changes and holds the locks itself.
    pub(super) fn of_own_run() -> Self {
        Self { is_own_run: true, interface: None, lock: None }
    }

    fn find(&mut self, change: &Change) -> Result<Standing, EthtoolError> {
        let Target::Interface { namespace, name, index, address } = &change.target else {
            return Ok(Standing::Unknown);
        };
        if Setting::from_journal(&change.kind, &change.old).is_none() {
            return Ok(Standing::Unknown);
        }
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

    fn interface(&self) -> Result<&Interface, ApplyError> {
        self.interface.as_ref().ok_or_else(|| ApplyError("the interface cannot be asked".to_owned()))
    }
}

impl Apply for EthernetSettings {
    fn standing(&mut self, change: &Change) -> Standing {
        self.interface = None;
        match self.find(change) {
            Ok(standing) => standing,
            // Gone in this very moment, or unreadable: reading will say which, and why.
            Err(EthtoolError::NoInterface { .. }) => Standing::Gone,
            Err(_) => Standing::Same,
        }
    }

    fn read(&mut self, change: &Change) -> Result<Value, ApplyError> {
        let now = setting(change, &change.old)?.now(self.interface()?).map_err(failed)?;
        now.map(|now| now.value()).ok_or_else(|| ApplyError(format!("{} cannot be read any more", change.kind)))
    }

    fn write(&mut self, change: &Change, value: &Value) -> Result<(), ApplyError> {
        match setting(change, value)?.apply(self.interface()?).map_err(failed)? {
            Support::Done => Ok(()),
            Support::Unsupported => Err(ApplyError(format!("{} cannot be changed any more", change.kind))),
        }
    }

    fn same(&self, change: &Change, a: &Value, b: &Value) -> bool {
        let read = |value| Setting::from_journal(&change.kind, value);
        read(a).zip(read(b)).map_or(a == b, |(a, b)| a.same_as(&b))
    }
}

fn setting(change: &Change, value: &Value) -> Result<Setting, ApplyError> {
    Setting::from_journal(&change.kind, value).ok_or_else(|| ApplyError(format!("{} cannot be {value}", change.kind)))
}

fn failed(error: EthtoolError) -> ApplyError {
    let cause = std::error::Error::source(&error).map_or_else(String::new, |source| format!(": {source}"));
    ApplyError(format!("{error}{cause}"))
}
