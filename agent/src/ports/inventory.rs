//! Which ports this machine has, and whether each can be tested now.

use serde::{Deserialize, Serialize};
use thiserror::Error;
use turnback_core::kind::Kind;

pub use super::serial::inventory::{SerialEntry, serial_ports};
use crate::guard::lock::PortLock;

use super::{
    ethernet::{
        device::{
            bus::{self, Bus},
            ethtool::{EthtoolError, Interface, basic::MacAddress},
            netlink::{self, NetlinkError},
        },
        service::{InService, Reason, Surroundings},
    },
    name::PortName,
    serial::inventory::missing_right,
};

/// One port of this machine.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PortEntry {
    /// Ethernet or serial.
    pub kind: Kind,
    /// The name to test it by.
    pub name: String,
    /// No hardware stands behind it: a virtual cable, a bridge, a TAP device.
    pub is_virtual: bool,
    /// What a virtual interface is, in the kernel's word; `None` for hardware.
    pub virtual_kind: Option<String>,
    /// Current address.
    pub address: Option<MacAddress>,
    /// The address the adapter was made with.
    pub permanent_address: Option<MacAddress>,
    /// Name of the driver.
    pub driver: Option<String>,
    /// Where the adapter sits.
    pub bus: Option<Bus>,
    /// Megabits per second, while known.
    pub speed_mbps: Option<u32>,
    /// Switched on by the administrator.
    pub is_up: bool,
    /// Whether there is a link; `None` while switched off, when nobody can tell.
    pub has_link: Option<bool>,
    /// Largest payload in octets.
    pub mtu_bytes: u32,
    /// A run has it now.
    #[serde(default)]
    pub under_test: bool,
    /// Why it counts as in service.
    pub in_service: Vec<InService>,
    /// A test could start now.
    pub testable: bool,
    /// If not, why not, each with its way out where there is one.
    pub why_not: Vec<String>,
}

/// What this process may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rights {
    /// CAP_NET_RAW: send and receive frames.
    pub raw: bool,
    /// CAP_NET_ADMIN: change settings.
    pub admin: bool,
}

/// Why the list could not be made.
#[derive(Debug, Error)]
pub enum InventoryError {
    /// The kernel does not list its interfaces.
    #[error(transparent)]
    Netlink(#[from] NetlinkError),
}

impl Rights {
    /// Of the calling thread.
    pub fn of_this_thread() -> Self {
        let has = |capability| caps::has_cap(None, caps::CapSet::Effective, capability).unwrap_or(false);
        Self { raw: has(caps::Capability::CAP_NET_RAW), admin: has(caps::Capability::CAP_NET_ADMIN) }
    }
}

/// Every Ethernet interface of the calling thread's network namespace, by name.
///
/// The loopback interface and other kinds of hardware are left out. One interface that does not answer does not hide
/// the others: it is listed as not testable.
///
/// # Errors
///
/// When the kernel does not list its interfaces at all.
pub fn ethernet_ports() -> Result<Vec<PortEntry>, InventoryError> {
    let around = Surroundings::gather()?;
    let rights = Rights::of_this_thread();
    let mut names: Vec<String> = pnet::datalink::interfaces().into_iter().map(|interface| interface.name).collect();
    names.sort();
    names.dedup();
    Ok(names.iter().filter_map(|name| entry(name, &around, rights)).collect())
}

fn entry(name: &str, around: &Surroundings, rights: Rights) -> Option<PortEntry> {
    let facts = around.links.iter().find(|link| link.name == name && link.is_ethernet())?;
    let mut entry = PortEntry {
        kind: Kind::Ethernet,
        name: name.to_owned(),
        is_virtual: facts.parent.is_none(),
        virtual_kind: facts.kind.clone(),
        address: facts.address,
        permanent_address: facts.permanent_address,
        driver: None,
        bus: facts.parent.as_ref().map(|(kind, address)| bus::read(kind, address)),
        speed_mbps: None,
        is_up: facts.is_up(),
        has_link: facts.is_up().then_some(facts.carrier).flatten(),
        mtu_bytes: facts.mtu,
        under_test: false,
        in_service: around.reasons(name),
        testable: false,
        why_not: Vec::new(),
    };
    if let Err(error) = ask_driver(&mut entry) {
        entry.why_not.push(error.to_string());
    }
    let held = PortLock::held_interface(facts.index);
    entry.under_test = held.is_some();
    entry.why_not.extend(held);
    entry.why_not.extend(obstacles(&entry, rights));
    entry.testable = entry.why_not.is_empty();
    Some(entry)
}

fn ask_driver(entry: &mut PortEntry) -> Result<(), EthtoolError> {
    let interface = Interface::open(&entry.name)?;
    entry.driver = interface.driver()?.map(|driver| driver.name).filter(|name| !name.is_empty());
    if entry.permanent_address.is_none() {
        entry.permanent_address = interface.permanent_address()?;
    }
    // Drivers keep telling a speed without a link.
    if entry.has_link == Some(true) {
        entry.speed_mbps = interface.link()?.and_then(|link| link.speed_mbps);
    }
    Ok(())
}

fn obstacles(entry: &PortEntry, rights: Rights) -> Vec<String> {
    let mut why_not: Vec<String> = entry
        .in_service
        .iter()
        .map(|reason| match reason.way_out.as_str() {
            // That is no port, and its way out is this very list.
            _ if reason.reason == Reason::NotEthernet => reason.text.clone(),
            "" => reason.text.clone(),
            way_out => format!("{} (to free it: {way_out})", reason.text),
        })
        .collect();
    why_not.extend(rights_missing(&entry.name, entry.is_up, rights));
    why_not
}

/// Rights that a run needs on an interface and this process lacks.
fn rights_missing(name: &str, is_up: bool, rights: Rights) -> Vec<String> {
    let mut missing = Vec::new();
    if !rights.raw {
        missing.push("the capability CAP_NET_RAW is missing, which sending frames needs".to_owned());
    }
    if !is_up && !rights.admin {
        missing.push(format!("{name} is switched off, and the capability CAP_NET_ADMIN is missing to switch it on"));
    }
    missing
}

/// Rights that a run on this port would lack; empty for a simulated one.
pub fn missing_rights(port: &PortName) -> Vec<String> {
    match port {
        PortName::BuiltinRig(_) | PortName::RigFile(_) => Vec::new(),
        PortName::SerialDevice(path) => missing_right(path).into_iter().collect(),
        PortName::Interface(name) => {
            let is_up = netlink::links().is_ok_and(|links| links.iter().any(|link| link.name == *name && link.is_up()));
            rights_missing(name, is_up, Rights::of_this_thread())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing;

    #[test]
    fn a_namespace_lists_its_ports_and_what_stands_in_the_way() {
        testing::in_namespace(|| {
            let commands = [
                "link add quay1 type veth peer name quay2",
                "link set quay1 up",
                "address add 192.0.2.1/24 dev quay2",
                "link set quay2 up",
            ];
            if !commands.into_iter().all(testing::ip) {
                return;
            }
            let ports = ethernet_ports().unwrap();
            let names: Vec<&str> = ports.iter().map(|port| port.name.as_str()).collect();
            assert_eq!(names, ["quay1", "quay2"], "the loopback interface is none");
            assert!(ports[0].testable && ports[0].is_virtual && ports[0].has_link == Some(true), "{:?}", ports[0]);
            assert_eq!((ports[0].driver.as_deref(), ports[0].mtu_bytes), (Some("veth"), 1500));
            let lock = PortLock::interface("quay1", Interface::open("quay1").unwrap().index().unwrap()).unwrap();
            let held = &ethernet_ports().unwrap()[0];
            assert!(held.under_test && !held.testable && held.why_not[0].starts_with("it is under test"), "{held:?}");
            drop(lock);
            assert!(!ports[1].testable && ports[1].why_not[0].contains("192.0.2.1/24"), "{:?}", ports[1].why_not);
            let text = serde_json::to_string(&ports).unwrap();
            assert_eq!(serde_json::from_str::<Vec<PortEntry>>(&text).unwrap(), ports);
        });
    }

    #[test]
    fn missing_rights_stand_in_the_way() {
        testing::in_namespace(|| {
            if !testing::ip("link add quay1 type veth peer name quay2") {
                return;
            }
            // Only of this thread, which ends with the test.
            for capability in [caps::Capability::CAP_NET_RAW, caps::Capability::CAP_NET_ADMIN] {
                caps::drop(None, caps::CapSet::Effective, capability).unwrap();
            }
            let ports = ethernet_ports().unwrap();
            let why_not = ports[0].why_not.join("\n");
            assert!(why_not.contains("CAP_NET_RAW") && why_not.contains("CAP_NET_ADMIN"), "{why_not}");
        });
    }
}
