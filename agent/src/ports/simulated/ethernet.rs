//! A simulated rig behind the [`Port`] seam: `sim:NAME` for a built-in one, `sim:FILE` for one written in TOML.

use std::{
    sync::{Arc, Mutex},
    time::Duration,
};

use turnback_core::{
    base::{placement::Placement, time::Nanos},
    kind::{
        Kind,
        ethernet::{
            cable_test::CableTest,
            counters::Counters,
            link::{Capabilities, LinkState, PortSetting},
            probe::Address,
            sim::{Rig, World},
        },
        port::PortIdentity,
        rig::AnyRig,
    },
    sim::setup::Setup,
};

use super::rig::load;
use crate::ports::{
    error::PortError,
    port::{Applied, FramePort, Interface, Port, ServiceReason, Way},
    runner::{
        StepRunner,
        lockstep::{LockstepRunner, SharedWorld, lock},
    },
};

/// A simulated port that carries frames.
pub struct SimulatedPort {
    name: String,
    world: SharedWorld,
    changed: Vec<PortSetting>,
}

impl SimulatedPort {
    /// The rig that `what` (the part after `sim:`) names. `seed` takes the place of the rig's own.
    ///
    /// # Errors
    /// [`PortError::Unknown`] for a name that is neither a built-in rig nor a readable file, [`PortError::NotARig`]
    /// with line and allowed values for a file that is not a rig.
    pub fn open(what: &str, seed: u64) -> Result<Self, PortError> {
        let name = format!("sim:{what}");
        match load(what)? {
            AnyRig::Frames(rig) => Ok(Self::of(&rig, name, seed)),
            AnyRig::Serial(_) => Err(PortError::NotARig {
                file: what.to_owned(),
                cause: "it describes a serial port, not one of frames".into(),
            }),
        }
    }

    /// A rig at hand, under this name.
    pub fn of(rig: &Rig, name: String, seed: u64) -> Self {
        Self { name, world: Arc::new(Mutex::new(World::new(rig, seed))), changed: Vec::new() }
    }
}

/// How long it takes to move a plug (our own choice).
pub(super) const HAND_TIME: Duration = Duration::from_secs(20);

impl Port for SimulatedPort {
    fn identity(&self) -> PortIdentity {
        PortIdentity {
            simulated: true,
            address: Some(turnback_core::kind::ethernet::probe::print_address(self.address())),
            ..PortIdentity::named(&self.name, Kind::Ethernet)
        }
    }

    fn in_service(&mut self) -> Result<Vec<ServiceReason>, PortError> {
        Ok(Vec::new())
    }

    fn restore(&mut self) -> Vec<String> {
        let mut world = lock(&self.world);
        let undo = |setting| match before(setting) {
            Some(before) => {
                world.apply(before);
                before.to_string()
            }
            None => {
                world.negotiate_speed();
                "speed: autonegotiation".to_owned()
            }
        };
        self.changed.drain(..).rev().map(undo).collect()
    }

    fn place(&mut self, placement: Placement) -> bool {
        placement != Placement::Internal && lock(&self.world).place(placement)
    }

    fn arrange(&mut self, setup: &Setup) -> bool {
        // A hand needs its time; whatever goes on at the rig goes on meanwhile.
        self.pause(HAND_TIME);
        lock(&self.world).arrange(setup)
    }

    fn segments(&self) -> Vec<String> {
        lock(&self.world).rig().segments.iter().map(|segment| segment.label.clone()).collect()
    }

    fn plug_is_at(&self) -> Option<Placement> {
        Some(lock(&self.world).placement())
    }

    fn now(&self) -> Nanos {
        lock(&self.world).now()
    }

    fn pause(&mut self, time: Duration) {
        let mut world = lock(&self.world);
        let then = world.now() + time.as_nanos() as u64;
        world.advance_to(then);
        world.receive(&mut |_| {});
    }

    fn offers_cable_test(&mut self) -> bool {
        lock(&self.world).cable_test().is_some()
    }

    fn cable_test(&mut self) -> Result<Option<CableTest>, PortError> {
        self.pause(HAND_TIME);
        Ok(lock(&self.world).cable_test())
    }

    fn offers(&self) -> Capabilities {
        self.capabilities()
    }

    fn way(&mut self) -> Way<'_> {
        Way::Frames(self)
    }
}

impl FramePort for SimulatedPort {
    fn address(&self) -> Address {
        lock(&self.world).address()
    }

    fn capabilities(&self) -> Capabilities {
        lock(&self.world).capabilities()
    }

    fn link(&mut self) -> Result<LinkState, PortError> {
        Ok(lock(&self.world).link())
    }

    fn counters(&mut self) -> Result<Counters, PortError> {
        Ok(lock(&self.world).counters())
    }

    fn apply(&mut self, setting: PortSetting) -> Result<Applied, PortError> {
        // A simulated port begins switched on, its loop open, and drops what fails the frame check.
        let as_it_was = match setting {
            PortSetting::Up(on) => on,
            PortSetting::InternalLoop(on) | PortSetting::DeliverBadFrames(on) | PortSetting::DeliverCheck(on) => !on,
            PortSetting::ForcedSpeed(_) => false,
        };
        let same_kind = |other: &PortSetting| std::mem::discriminant(other) == std::mem::discriminant(&setting);
        let before = self.changed.iter().rposition(same_kind);
        if before.map_or(as_it_was, |at| self.changed[at] == setting) {
            return Ok(Applied::AlreadySo);
        }
        if !lock(&self.world).apply(setting) {
            return Ok(Applied::NotOffered);
        }
        match before.filter(|_| as_it_was) {
            Some(at) => {
                self.changed.remove(at);
                Ok(Applied::Restored(setting.to_string()))
            }
            None => {
                self.changed.push(setting);
                Ok(Applied::Changed)
            }
        }
    }

    fn open(&mut self, receiver: Option<Interface>) -> Result<Box<dyn StepRunner>, PortError> {
        match receiver {
            None => Ok(Box::new(LockstepRunner::new(Arc::clone(&self.world)))),
            Some(other) => Err(PortError::Host {
                port: self.name.clone(),
                action: format!("receive on {}", other.name),
                cause: "a simulated rig has one port".into(),
            }),
        }
    }

    fn interface(&self) -> Option<Interface> {
        None
    }
}

/// What a setting was before it was changed; none of the speed, which was negotiated.
fn before(setting: PortSetting) -> Option<PortSetting> {
    match setting {
        PortSetting::ForcedSpeed(_) => None,
        PortSetting::InternalLoop(on) => Some(PortSetting::InternalLoop(!on)),
        PortSetting::DeliverBadFrames(on) => Some(PortSetting::DeliverBadFrames(!on)),
        PortSetting::DeliverCheck(on) => Some(PortSetting::DeliverCheck(!on)),
        PortSetting::Up(on) => Some(PortSetting::Up(!on)),
    }
}
