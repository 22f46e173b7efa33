//! For tests only: a network namespace of a test's own, which goes with the thread that made it, and a port whose plug
//! a hand moves.
//!
//! In the namespace nothing is mounted and no name is given, so nothing can be left behind. `/sys` keeps showing the
//! old namespace.

use std::{
    process::{Command, Stdio},
    time::Duration,
};

use turnback_core::{
    base::{placement::Placement, time::Nanos},
    kind::{
        ethernet::{
            cable_test::CableTest,
            counters::Counters,
            link::{Capabilities, LinkState, PortSetting},
            probe::Address,
        },
        port::PortIdentity,
    },
};

#[path = "../../tests/harness/skip.rs"]
pub(crate) mod skip;

use crate::ports::{
    Applied, FramePort, Interface, Port, PortError, ServiceReason, Way, runner::StepRunner,
    simulated::ethernet::SimulatedPort,
};

/// A simulated port that, as a real one, neither moves its plug nor knows where it is.
pub(crate) struct ByHand(pub(crate) SimulatedPort);

impl Port for ByHand {
    fn identity(&self) -> PortIdentity {
        self.0.identity()
    }
    fn in_service(&mut self) -> Result<Vec<ServiceReason>, PortError> {
        self.0.in_service()
    }
    fn restore(&mut self) -> Vec<String> {
        self.0.restore()
    }
    fn place(&mut self, _: Placement) -> bool {
        false
    }
    fn plug_is_at(&self) -> Option<Placement> {
        None
    }
    fn now(&self) -> Nanos {
        self.0.now()
    }
    fn pause(&mut self, time: Duration) {
        self.0.pause(time);
    }
    fn offers(&self) -> Capabilities {
        self.capabilities()
    }
    fn offers_cable_test(&mut self) -> bool {
        self.0.offers_cable_test()
    }
    fn cable_test(&mut self) -> Result<Option<CableTest>, PortError> {
        self.0.cable_test()
    }
    fn way(&mut self) -> Way<'_> {
        Way::Frames(self)
    }
}

impl FramePort for ByHand {
    fn address(&self) -> Address {
        self.0.address()
    }
    fn capabilities(&self) -> Capabilities {
        Capabilities { moves_plug: false, ..self.0.capabilities() }
    }
    fn link(&mut self) -> Result<LinkState, PortError> {
        self.0.link()
    }
    fn counters(&mut self) -> Result<Counters, PortError> {
        self.0.counters()
    }
    fn apply(&mut self, setting: PortSetting) -> Result<Applied, PortError> {
        self.0.apply(setting)
    }
    fn open(&mut self, receiver: Option<Interface>) -> Result<Box<dyn StepRunner>, PortError> {
        self.0.open(receiver)
    }
    fn interface(&self) -> Option<Interface> {
        self.0.interface()
    }
}

/// Runs `test` on a thread in a fresh network namespace; skips it and gives `None` where there can be none.
pub(crate) fn in_namespace<T: Send + 'static>(test: impl FnOnce() -> T + Send + 'static) -> Option<T> {
    if !skip::installed("ip", "iproute2") {
        return None;
    }
    let inside = move || {
        // SAFETY: unshare with CLONE_NEWNET changes only the calling thread, which was made for this and ends after.
        if unsafe { libc::unshare(libc::CLONE_NEWNET) } < 0 {
            return Err(std::io::Error::last_os_error());
        }
        Ok(test())
    };
    match skip::same_name().spawn(inside).expect("a thread").join() {
        Ok(Ok(value)) => Some(value),
        Ok(Err(error)) => {
            skip::skip(&format!("no network namespace of our own ({error}); run as root"));
            None
        }
        Err(panic) => std::panic::resume_unwind(panic),
    }
}

/// Runs `ip` with words split at spaces, in the calling thread's namespace; false, and the test is skipped, if it
/// fails.
pub(crate) fn ip(arguments: &str) -> bool {
    let output = Command::new("ip").args(arguments.split(' ')).stdin(Stdio::null()).output().expect("ip");
    if !output.status.success() {
        skip::skip(&format!("ip {arguments}: {}", String::from_utf8_lossy(&output.stderr).trim()));
    }
    output.status.success()
}
