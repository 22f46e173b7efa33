//! An Ethernet interface behind the [`Port`] seam.

use std::{thread, time::Duration};

use turnback_core::{
    base::{placement::Placement, time::Nanos},
    bench::{facts::OffloadItem, queues::PortQueues},
    kind::{
        Kind,
        ethernet::{
            cable_test::CableTest,
            counters::Counters,
            link::{Capabilities, LinkState, Medium, PortSetting},
            probe::{Address, probe_source},
            transceiver::Module,
        },
        port::PortIdentity,
    },
};

use super::{
    device::{
        counters,
        ethtool::{
            EthtoolError, Interface as Device,
            feature::{RX_ALL, RX_FCS},
            link::{Connector, Duplex, LinkSetting},
            timestamp::Timestamping,
        },
        netlink::{
            self,
            cable::{CableTestError, cable_test},
            link::LinkFacts,
            monitor::Monitor,
        },
    },
    offload, queue,
    service::{InService, Reason, Surroundings},
    settings::{EthernetRestorer, EthernetSetting, target},
    socket::{Clock, EVERY_ETHERTYPE, FrameRing, FrameSender, RingOptions, SenderOptions},
};
use crate::ports::clock::now_ns;
use crate::{
    error_chain::with_causes,
    guard::{
        journal::{Journal, Outcome},
        lock::PortLock,
        state,
    },
    ports::{
        changes::{Changes, Made, SettingError, told_shortly},
        error::PortError,
        port::{Applied, Disturbance, FramePort, Interface, Port, ServiceReason, Way},
        runner::{StepRunner, threads::ThreadRunner},
    },
};

/// Transceivers take up to some seconds (ethtool-netlink.rst); longer than any is taken for none.
const CABLE_TEST_LIMIT: Duration = Duration::from_secs(20);

/// An interface under test. Holds the port's lock for as long as it lives.
pub struct EthernetPort {
    name: String,
    index: u32,
    address: Address,
    device: Device,
    changes: Option<Changes<EthernetRestorer>>,
    monitor: Option<Monitor>,
    /// Reasons that were there when the run asked: they are no news.
    known_service: Vec<String>,
    _lock: PortLock,
}

impl EthernetPort {
    /// Opens the interface `name` of the calling thread's network namespace and takes its lock. Changes nothing.
    ///
    /// # Errors
    /// No such interface, another run has it, or the host does not answer.
    pub fn open(name: &str) -> Result<Self, PortError> {
        let links = netlink::links().map_err(|e| host(name, "list the interfaces", with_causes(&e)))?;
        let Some(facts) = links.iter().find(|l| l.name == name) else {
            let known: Vec<_> = links.iter().filter(|l| l.is_ethernet()).map(|l| l.name.clone()).collect();
            return Err(PortError::Unknown {
                name: name.to_owned(),
                known: if known.is_empty() {
                    "this machine has none here".into()
                } else {
                    format!("there is {}", known.join(", "))
                },
            });
        };
        let device = Device::open(name).map_err(|e| device_error(name, "open", e))?;
        let lock = PortLock::interface(name, facts.index)?;
        Ok(Self {
            name: name.to_owned(),
            index: facts.index,
            address: facts.address.map_or([0; 6], |a| a.0),
            device,
            changes: None,
            monitor: None,
            known_service: Vec::new(),
            _lock: lock,
        })
    }

    /// Waits until a run that has just been killed lets go of the port: a process takes some milliseconds to die. A run
    /// that lives is not waited for longer than that; [`EthernetPort::open`] then says who has the port.
    pub fn wait_for_the_dying(name: &str) {
        let Ok(index) = super::socket::interface_index(name) else { return };
        for _ in 0..DYING_POLLS {
            if PortLock::interface(name, index).is_ok() {
                return;
            }
            thread::sleep(DYING_POLL);
        }
    }

    fn facts(&self) -> Result<LinkFacts, PortError> {
        netlink::link(self.index)
            .map_err(|e| host(&self.name, "read the link", with_causes(&e)))?
            .ok_or_else(|| PortError::Gone(self.name.clone()))
    }

    fn changes(&mut self) -> Result<&mut Changes<EthernetRestorer>, PortError> {
        if self.changes.is_none() {
            let directory = state::directory().map_err(|e| host(&self.name, "find the state directory", e))?;
            let journal = Journal::open(&state::restore_directory(&directory))?;
            self.changes = Some(Changes::new(journal, EthernetRestorer::of_own_run()));
        }
        // Just made where there was none.
        self.changes.as_mut().ok_or_else(|| PortError::Gone(self.name.clone()))
    }

    fn service_reasons(&self) -> Result<Vec<InService>, PortError> {
        let around =
            Surroundings::gather().map_err(|e| host(&self.name, "ask whether it is in service", with_causes(&e)))?;
        Ok(around.reasons(&self.name))
    }

    /// Has the adapter stamp every frame, where it says that it can; where not, the kernel's clock serves.
    fn stamp_by_adapter(&mut self) -> bool {
        let offered = self.device.timestamp_capabilities().ok().flatten();
        if !offered.is_some_and(|offered| offered.stamps_all_in_hardware()) {
            return false;
        }
        match self.make(&EthernetSetting::Timestamping(Timestamping::ALL)) {
            Ok(applied) => applied != Applied::NotOffered,
            Err(error) => {
                tracing::info!("latency by the kernel's clock: {error}");
                false
            }
        }
    }

    /// Changes a setting, noted beforehand.
    fn make(&mut self, wanted: &EthernetSetting) -> Result<Applied, PortError> {
        let name = self.name.clone();
        let device = Device::open(&name).map_err(|e| device_error(&name, "open", e))?;
        let target = target(&device).map_err(|e| device_error(&name, "read the address", e))?;
        match self.changes()?.make(&target, &device, wanted) {
            Ok(Made::Changed) => Ok(Applied::Changed),
            Ok(Made::AlreadySo) => Ok(Applied::AlreadySo),
            Ok(Made::Restored(recovered)) => Ok(Applied::Restored(told_shortly::<EthernetSetting>(&recovered))),
            Ok(Made::Unsupported) => Ok(Applied::NotOffered),
            Err(SettingError::Journal(e)) => Err(e.into()),
            // Many drivers refuse a speed that they cannot have, or cannot have without negotiation, as a bad value.
            Err(SettingError::Device(EthtoolError::Refused { .. })) if matches!(wanted, EthernetSetting::Link(_)) => {
                Ok(Applied::NotOffered)
            }
            Err(SettingError::Device(e)) => Err(device_error(&name, "change a setting", e)),
        }
    }

    fn is_virtual(&self) -> bool {
        self.facts().is_ok_and(|f| f.parent.is_none())
    }

    fn feature_is_changeable(&self, name: &str) -> bool {
        self.device.feature(name).ok().flatten().is_some_and(|f| f.changeable)
    }
}

impl Port for EthernetPort {
    fn identity(&self) -> PortIdentity {
        let driver = self.device.driver().ok().flatten();
        let some = |text: &str| (!text.is_empty()).then(|| text.to_owned());
        PortIdentity {
            name: self.name.clone(),
            kind: Kind::Ethernet,
            simulated: false,
            address: Some(turnback_core::kind::ethernet::probe::print_address(self.address)),
            permanent_address: self
                .device
                .permanent_address()
                .ok()
                .flatten()
                .map(|a| turnback_core::kind::ethernet::probe::print_address(a.0)),
            driver: driver.as_ref().and_then(|d| some(&d.name)),
            firmware: driver.as_ref().and_then(|d| some(&d.firmware)),
            bus: driver.as_ref().and_then(|d| some(&d.bus_address)),
        }
    }

    fn in_service(&mut self) -> Result<Vec<ServiceReason>, PortError> {
        let reasons = self.service_reasons()?;
        if let Some(reason) = reasons.iter().find(|reason| reason.reason == Reason::NotEthernet) {
            return Err(PortError::NoPort { text: reason.text.clone() });
        }
        self.known_service = reasons.iter().map(|reason| reason.text.clone()).collect();
        Ok(reasons
            .into_iter()
            .map(|reason| ServiceReason {
                text: if reason.way_out.is_empty() {
                    reason.text.clone()
                } else {
                    format!("{} (to free it: {})", reason.text, reason.way_out)
                },
                may_be_overridden: reason.may_be_overridden(),
            })
            .collect())
    }

    fn disturbed(&mut self) -> Result<Option<Disturbance>, PortError> {
        let Some(monitor) = &mut self.monitor else { return Ok(None) };
        let heard = monitor.heard().map_err(|e| host(&self.name, "hear what is done to it", with_causes(&e)))?;
        if heard.perhaps_in_service {
            let mut reasons: Vec<_> = self.service_reasons()?.into_iter().map(|reason| reason.text).collect();
            reasons.retain(|text| !self.known_service.contains(text));
            if !reasons.is_empty() {
                return Ok(Some(Disturbance::TakenIntoService(reasons)));
            }
        }
        Ok(heard.reconfigured.then_some(Disturbance::Reconfigured))
    }

    fn restore(&mut self) -> Vec<String> {
        let Some(mut changes) = self.changes.take() else { return Vec::new() };
        let recovered = changes.restore();
        let changed = recovered.iter().filter(|recovered| recovered.outcome != Outcome::Unchanged);
        changed.map(told_shortly::<EthernetSetting>).collect()
    }

    fn place(&mut self, _: Placement) -> bool {
        // The plug is where the person put it.
        false
    }

    fn plug_is_at(&self) -> Option<Placement> {
        None
    }

    fn now(&self) -> Nanos {
        now_ns()
    }

    fn pause(&mut self, time: Duration) {
        thread::sleep(time);
    }

    fn offers_cable_test(&mut self) -> bool {
        // The kernel tells only whoever asks for a test, and then makes it: pulses on pairs that nobody has been warned
        // of. But it asks the transceiver's own driver, and an interface that has one says so here.
        let copper = FramePort::link(self).is_ok_and(|link| link.medium == Medium::Copper);
        copper && std::fs::exists(format!("/sys/class/net/{}/phydev", self.name)).unwrap_or(false)
    }

    fn cable_test(&mut self) -> Result<Option<CableTest>, PortError> {
        const ACTION: &str = "run a cable test, which takes the link down,";
        let reasons: Vec<_> = self.in_service()?.into_iter().map(|reason| reason.text).collect();
        if !reasons.is_empty() {
            return Err(host(&self.name, ACTION, format!("it is in service: {}", reasons.join("; "))));
        }
        let up = self.apply(PortSetting::Up(true))? != Applied::NotOffered;
        let found = if up { cable_test(self.index, CABLE_TEST_LIMIT) } else { Err(CableTestError::Busy) };
        for told in self.restore() {
            tracing::info!("restored: {told}");
        }
        match found {
            Ok(found) => Ok(Some(found)),
            Err(CableTestError::NotOffered) => Ok(None),
            Err(CableTestError::Gone) => Err(PortError::Gone(self.name.clone())),
            Err(CableTestError::NotPermitted) => Err(PortError::NotPermitted {
                port: self.name.clone(),
                action: "run a cable test".into(),
                capability: "CAP_NET_ADMIN".into(),
            }),
            Err(error) => Err(host(&self.name, ACTION, with_causes(&error))),
        }
    }

    fn offers(&self) -> Capabilities {
        self.capabilities()
    }

    fn way(&mut self) -> Way<'_> {
        Way::Frames(self)
    }
}

impl FramePort for EthernetPort {
    fn address(&self) -> Address {
        self.address
    }

    fn capabilities(&self) -> Capabilities {
        let real = !self.is_virtual();
        let mtu = self.device.mtu().unwrap_or(1500) as usize;
        Capabilities {
            // A device without hardware under it has no check sequence to count.
            checks_frames: real,
            delivers_bad_frames: real && self.feature_is_changeable(RX_ALL),
            delivers_check: self.device.feature(RX_FCS).ok().flatten().is_some_and(|feature| feature.on),
            internal_loop: self.feature_is_changeable("loopback"),
            forces_speed: real,
            speed_max_mbps: None,
            moves_plug: false,
            has_line_rate: real,
            frame_bytes_max: mtu + 14,
        }
    }

    fn link(&mut self) -> Result<LinkState, PortError> {
        let facts = self.facts()?;
        let link = self.device.link().map_err(|e| device_error(&self.name, "read the link", e))?;
        let fault = facts.carrier == Some(false) && netlink::phy::has_role_fault(self.index).unwrap_or(false);
        Ok(LinkState {
            up: facts.is_up() && facts.carrier == Some(true),
            speed_mbps: link.as_ref().and_then(|l| l.speed_mbps),
            full_duplex: link.as_ref().and_then(|l| l.duplex).map(|d| d == Duplex::Full),
            autonegotiation: link.as_ref().map(|l| l.autonegotiation),
            partner_advertises: link.as_ref().map(|l| l.partner_advertises()),
            master_slave_fault: fault,
            medium: match (&facts.parent, link.as_ref().map(|l| l.connector)) {
                (None, _) => Medium::Virtual,
                (_, Some(Connector::TwistedPair)) => Medium::Copper,
                (_, Some(Connector::Fibre)) => Medium::Fibre,
                (_, Some(Connector::DirectAttach)) => Medium::DirectAttach,
                _ => Medium::Unknown,
            },
            carrier_changes: facts.carrier_counters.map(|c| c.changes),
        })
    }

    fn counters(&mut self) -> Result<Counters, PortError> {
        counters::read(&self.device).map_err(|e| match self.facts() {
            Err(gone @ PortError::Gone(_)) => gone,
            _ => host(&self.name, "read the counters", with_causes(&e)),
        })
    }

    fn transceiver(&mut self) -> Option<Module> {
        let memory = self.device.module_memory().map_err(|e| tracing::info!("no figures of the transceiver: {e}"));
        memory.ok().flatten()?.figures()
    }

    fn apply(&mut self, setting: PortSetting) -> Result<Applied, PortError> {
        self.make(&match setting {
            PortSetting::ForcedSpeed(mbps) => {
                EthernetSetting::Link(LinkSetting::Forced { speed_mbps: Some(mbps), duplex: Some(Duplex::Full) })
            }
            PortSetting::InternalLoop(on) => EthernetSetting::Feature { name: "loopback".into(), on },
            PortSetting::DeliverBadFrames(on) => EthernetSetting::Feature { name: RX_ALL.into(), on },
            PortSetting::DeliverCheck(on) => EthernetSetting::Feature { name: RX_FCS.into(), on },
            PortSetting::Up(up) => EthernetSetting::Up(up),
        })
    }

    fn open(&mut self, receiver: Option<Interface>) -> Result<Box<dyn StepRunner>, PortError> {
        let into =
            receiver.unwrap_or_else(|| Interface { name: self.name.clone(), index: self.index, address: self.address });
        // From here on the run changes nothing that switches the port off.
        self.monitor = Monitor::open(&self.facts()?).map_err(|e| tracing::info!("{e}")).ok();
        // Two adapters have two clocks, so only a frame that comes back to its own can be timed by it.
        let by_adapter = into.index == self.index && self.stamp_by_adapter();
        let clock = if by_adapter { Clock::Adapter } else { Clock::Kernel };
        let sender = FrameSender::open(self.index, SenderOptions { clock, ..SenderOptions::default() })?;
        let ring = FrameRing::open(into.index, RingOptions { ethertype: EVERY_ETHERTYPE, ..RingOptions::default() })?;
        let direction = if into.index == self.index {
            "out-and-back".to_owned()
        } else {
            format!("{} to {}", self.name, into.name)
        };
        let own = vec![self.address, into.address, probe_source(self.address)];
        Ok(Box::new(ThreadRunner::new(sender, ring, direction, (probe_source(self.address), into.address), own)))
    }

    fn offloads(
        &mut self,
        frames: u32,
        is_ended: &mut dyn FnMut() -> bool,
    ) -> Result<Option<Vec<OffloadItem>>, PortError> {
        let device = Device::open(&self.name).map_err(|e| device_error(&self.name, "open", e))?;
        let address = self.address;
        offload::test(&device, address, &mut |wanted| self.make(wanted), frames, is_ended)
    }

    fn queues(&mut self, flows: u32, is_ended: &mut dyn FnMut() -> bool) -> Result<Option<PortQueues>, PortError> {
        let device = Device::open(&self.name).map_err(|e| device_error(&self.name, "open", e))?;
        queue::test(&device, self.address, flows, is_ended)
    }

    fn interface(&self) -> Option<Interface> {
        Some(Interface { name: self.name.clone(), index: self.index, address: self.address })
    }
}

fn host(port: &str, action: &str, cause: impl std::fmt::Display) -> PortError {
    PortError::Host { port: port.to_owned(), action: action.to_owned(), cause: cause.to_string() }
}

pub(in crate::ports) fn device_error(port: &str, action: &str, error: EthtoolError) -> PortError {
    match error {
        EthtoolError::NotPermitted { .. } => PortError::NotPermitted {
            port: port.to_owned(),
            action: action.to_owned(),
            capability: "CAP_NET_ADMIN".into(),
        },
        EthtoolError::NoInterface { .. } => PortError::Gone(port.to_owned()),
        other => host(port, action, with_causes(&other)),
    }
}

const DYING_POLLS: u32 = 20;
const DYING_POLL: Duration = Duration::from_millis(25);
