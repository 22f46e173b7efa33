//! A simulated rig behind the [`Port`] seam: `sim:NAME` for a built-in one, `sim:FILE` for one written in TOML.

use std::{
    sync::{Arc, Mutex},
    time::Duration,
};

use turnback_core::{
    base::{placement::Placement, time::Nanos},
    document::run::PortIdentity,
    kind::{
        ethernet::{
            cable_test::CableTest,
            counters::Counters,
            link::{Capabilities, LinkState, PortSetting},
            probe::Address,
            sim::{Rig, World},
        },
        rig::AnyRig,
    },
    sim::setup::Setup,
};

use super::serial::SimulatedLine;
use crate::ports::{
    Applied, FramePort, Interface, Port, PortError, ServiceReason, Way,
    ethernet::port::print_address,
    runner::{
        StepRunner,
        lockstep::{LockstepRunner, SharedWorld, lock},
    },
};

/// See the module text.
pub struct SimulatedPort {
    name: String,
    world: SharedWorld,
    changed: Vec<PortSetting>,
}

impl SimulatedPort {
    /// The rig that `what` (the part after `sim:`) names. `seed` takes the place of the rig's own.
    ///
    /// # Errors
    /// [`PortError::Unknown`] for a name that is neither a built-in rig nor a readable file, [`PortError::NotARig`] with line and
    /// allowed values for a file that is not a rig.
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

/// The port of the rig that `what` (the part after `sim:`) names, of either kind.
///
/// # Errors
/// As for [`SimulatedPort::open`].
pub fn open(what: &str, seed: u64) -> Result<Box<dyn Port>, PortError> {
    Ok(of(&load(what)?, format!("sim:{what}"), seed))
}

/// The port of a rig at hand, under this name.
pub fn of(rig: &AnyRig, name: String, seed: u64) -> Box<dyn Port> {
    match rig {
        AnyRig::Frames(rig) => Box::new(SimulatedPort::of(rig, name, seed)),
        AnyRig::Serial(rig) => Box::new(SimulatedLine::new(name, rig, seed)),
    }
}

/// The kind of port that a rig is, as [`PortIdentity`] has it: a serial one needs other cautions than one of frames.
pub fn kind(rig: &AnyRig) -> &'static str {
    match rig {
        AnyRig::Frames(_) => "simulated",
        AnyRig::Serial(_) => "serial",
    }
}

/// How long it takes to move a plug (our own choice).
pub(super) const HAND_TIME: Duration = Duration::from_secs(20);

/// Finds a rig by name or file.
///
/// # Errors
/// As for [`SimulatedPort::open`].
pub fn load(what: &str) -> Result<AnyRig, PortError> {
    if let Some(rig) = AnyRig::builtin(what) {
        return Ok(rig);
    }
    let names = || turnback_core::kind::rig::builtin_names().map(|(name, _)| name).collect::<Vec<_>>().join(", ");
    let text = std::fs::read_to_string(what).map_err(|error| PortError::Unknown {
        name: format!("sim:{what}"),
        known: format!("built-in rigs are {}; as a file it cannot be read ({error})", names()),
    })?;
    AnyRig::parse(&text).map_err(|error| PortError::NotARig { file: what.to_owned(), cause: error.to_string() })
}

impl Port for SimulatedPort {
    fn identity(&self) -> PortIdentity {
        PortIdentity {
            name: self.name.clone(),
            kind: "simulated".into(),
            address: Some(print_address(self.address())),
            ..PortIdentity::default()
        }
    }

    fn in_service(&mut self) -> Result<Vec<ServiceReason>, PortError> {
        Ok(Vec::new())
    }

    fn put_back(&mut self) -> Vec<String> {
        let mut world = lock(&self.world);
        let undo = |setting| {
            match setting {
                PortSetting::ForcedSpeed(_) => world.negotiate_speed(),
                PortSetting::InternalLoop(on) => _ = world.apply(PortSetting::InternalLoop(!on)),
                PortSetting::DeliverBadFrames(on) => _ = world.apply(PortSetting::DeliverBadFrames(!on)),
                PortSetting::Up(on) => _ = world.apply(PortSetting::Up(!on)),
            }
            told(setting)
        };
        self.changed.drain(..).rev().map(undo).collect()
    }

    fn place(&mut self, placement: Placement) -> bool {
        placement != Placement::Internal && lock(&self.world).place(placement)
    }

    fn arrange(&mut self, bench: &Setup) -> bool {
        // A hand needs its time; whatever goes on at the rig goes on meanwhile.
        self.pause(HAND_TIME);
        lock(&self.world).arrange(bench)
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
            PortSetting::InternalLoop(on) | PortSetting::DeliverBadFrames(on) => !on,
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
            Some(at) => Ok(Applied::PutBack(told(self.changed.remove(at)))),
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

/// The way back of a setting in words.
fn told(setting: PortSetting) -> String {
    let switch = |on: bool| if on { "from on to off" } else { "from off to on" };
    match setting {
        PortSetting::ForcedSpeed(mbps) => format!("speed from {mbps} Mb/s to negotiation"),
        PortSetting::InternalLoop(on) => format!("loop inside the chip {}", switch(on)),
        PortSetting::DeliverBadFrames(on) => format!("delivery of frames that failed their check {}", switch(on)),
        PortSetting::Up(on) => format!("port {}", switch(on)),
    }
}
