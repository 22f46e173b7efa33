//! The seam between the supervisor and the world it supervises: what time it is, which ports there are, and how a check
//! of one is made. This machine is one, the harbour of the demo another; tests bring worlds of their own.

use std::{future::Future, pin::Pin, time::Duration};

use jiff::Timestamp;
use turnback_core::{
    base::{labels::Labels, placement::Placement},
    document::{
        case::{Case, StageName},
        run::Report,
    },
    event::Event,
    kind::{
        Kind,
        ethernet::{cable_test::CableTest, link::Medium},
    },
    plan::Profile,
    watch::selector::Traits,
};

pub mod demo;
pub mod this_machine;

use crate::{config::labels::PortLabels, engine::cancel::Cancel, work::isolate::runner::Opening};

/// A future that may be sent between threads.
pub type Boxed<T> = Pin<Box<dyn Future<Output = T> + Send>>;
/// Is told what a run says.
pub type Say = Box<dyn FnMut(Event) + Send>;

/// A port as the machine lists it now.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PortFacts {
    /// Name.
    pub name: String,
    /// What it carries.
    pub kind: Kind,
    /// It is a simulated port.
    pub simulated: bool,
    /// What carries its bits, as far as the list says: a real port tells it in a run.
    pub medium: Medium,
    /// Driver's name.
    pub driver: Option<String>,
    /// Address on the bus.
    pub bus: Option<String>,
    /// Why it is in service; empty when free.
    pub in_service: Vec<String>,
}

impl PortFacts {
    /// What a selector of the configuration's entries looks at.
    pub fn traits(&self) -> Traits<'_> {
        Traits { name: &self.name, bus: self.bus.as_deref(), driver: self.driver.as_deref(), ..Traits::default() }
    }

    /// The adapter it is part of: ports that share it disturb each other. The function after the dot of a PCI address
    /// is a port of one adapter.
    pub fn adapter(&self) -> Option<&str> {
        let bus = self.bus.as_deref()?;
        Some(bus.rsplit_once('.').map_or(bus, |(adapter, _)| adapter))
    }
}

/// A check to be made.
#[derive(Clone, Debug)]
pub struct Order {
    /// Id of the run.
    pub run: String,
    /// Port.
    pub port: String,
    /// What it is called.
    pub labels: PortLabels,
    /// What is sent.
    pub profile: Profile,
    /// Where the plug is.
    pub placement: Option<Placement>,
    /// Cable's label, when it is part of what is tested.
    pub cable: Option<String>,
    /// Seed of the run.
    pub seed: u64,
    /// Stage of a case that it carries out: a rig moves its plug by itself.
    pub stage: Option<StageName>,
    /// Labels of cable and plug, for the record.
    pub record: Labels,
}

/// How a check ended.
#[derive(Clone, Debug)]
pub enum RunEnd {
    /// With a report.
    Report(Box<Report>),
    /// It was a cable test, and found this; `None` where the adapter offers none.
    Pairs(Option<CableTest>),
    /// It could not be made, and why.
    Failed(String),
    /// It is a stage that this port can never carry out, and why.
    Impossible(String),
    /// Another program tests the port just now.
    Busy(String),
}

/// The world.
pub trait Host: Send + Sync + 'static {
    /// The time of day.
    fn now(&self) -> Timestamp;
    /// Which ports there are, with those that the configuration names outright: simulated ones, and serial lines by any
    /// name of theirs. May hang as long as a driver does: whoever asks sets a limit.
    fn ports(&self, named: Vec<String>) -> Boxed<Result<Vec<PortFacts>, String>>;
    /// Calls `changed` whenever a port comes or goes, for as long as the program runs. A world that cannot tell does
    /// nothing here; its ports are listed from time to time all the same.
    fn watch_ports(&self, changed: Box<dyn Fn() + Send>) {
        drop(changed);
    }
    /// Makes a check, or carries out a stage, on a thread of its own. It ends soon after `cancel`, unless a driver
    /// hangs.
    fn check(&self, order: Order, say: Say, cancel: Cancel) -> Boxed<RunEnd>;
    /// Opens a case of a port that may not be open; nothing is sent for it. Blocks, as long as a driver does.
    ///
    /// # Errors
    /// Why it cannot, in words.
    fn open_case(&self, port: &str, opening: Opening) -> Result<Case, String>;
    /// How many seconds of a simulated bench pass in one; none: its tests take no time.
    fn bench_speed(&self) -> Option<f64> {
        None
    }
    /// Processor time used by this program so far.
    fn cpu_used(&self) -> Duration;
    /// Processors there are.
    fn processors(&self) -> u32;
}
