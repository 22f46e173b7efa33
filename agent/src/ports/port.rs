//! The seam to a port: [`Port`] is what all have in common; [`FramePort`] and [`Line`] are what the engine drives.

use std::time::Duration;

use turnback_core::{
    base::{placement::Placement, time::Nanos},
    bench::{facts::OffloadItem, queues::PortQueues},
    kind::{
        ethernet::{
            cable_test::CableTest,
            counters::Counters,
            link::{Capabilities, LinkState, PortSetting},
            probe::Address,
            transceiver::Module,
        },
        port::PortIdentity,
        serial::{
            format::{LineCapabilities, LineErrors, LineFormat, LineSetting, ModemInputs, ModemOutputs},
            plug::LinePlug,
        },
    },
    sim::setup::Setup,
};

use super::{error::PortError, runner::StepRunner};

/// A port under test, whatever it carries.
pub trait Port {
    /// Who it is.
    fn identity(&self) -> PortIdentity;
    /// Reasons why it is in service; empty when it is free.
    ///
    /// # Errors
    /// When the host cannot be asked.
    fn in_service(&mut self) -> Result<Vec<ServiceReason>, PortError>;
    /// Changes to the port made by other programs since the last call; `None` for none. Cheap: it is called many times
    /// a second.
    ///
    /// # Errors
    /// When the host cannot be asked.
    fn disturbed(&mut self) -> Result<Option<Disturbance>, PortError> {
        Ok(None)
    }
    /// Restores every changed setting, newest first, and returns a description of each.
    fn restore(&mut self) -> Vec<String>;
    /// Moves the plug, where no hand is needed for that. The loop inside the chip is a setting.
    fn place(&mut self, placement: Placement) -> bool;
    /// Does what a hand would do, where no hand is needed: on a simulated rig. The plug is seated again.
    fn arrange(&mut self, _setup: &Setup) -> bool {
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
    /// What it can do, in the words that every kind of port shares. Of a serial port these are the loop inside the chip
    /// and whether its plug moves; the rest it says in its own words.
    fn offers(&self) -> Capabilities {
        Capabilities::default()
    }
    /// Whether its transceiver may be able to measure the pairs of a cable; only [`Port::cable_test`] finds out.
    /// Nothing is sent for the answer.
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
    fn transceiver(&mut self) -> Option<Module> {
        None
    }
    /// Changes a setting. The change is noted first, so that the setting is restored whatever happens.
    ///
    /// # Errors
    /// When the note cannot be written or the host refuses.
    fn apply(&mut self, setting: PortSetting) -> Result<Applied, PortError>;
    /// Opens the way for probes: out of this port and into `receiver`, or back into this one.
    ///
    /// # Errors
    /// Missing rights, a port that vanished, or a pair of ports of different kinds.
    fn open(&mut self, receiver: Option<Interface>) -> Result<Box<dyn StepRunner>, PortError>;
    /// What the adapter computes in place of the host, put to the test with a plug: `frames` for each thing, fewer once
    /// it is clear. Empty where it computes nothing; none where frames without its help do not come back. `is_ended` is
    /// asked now and then.
    ///
    /// # Errors
    /// When the port vanished or a setting cannot be changed.
    fn offloads(
        &mut self,
        _frames: u32,
        _is_ended: &mut dyn FnMut() -> bool,
    ) -> Result<Option<Vec<OffloadItem>>, PortError> {
        Ok(None)
    }
    /// What is seen on each queue that the driver claims, with a plug: so many flows of frames for each queue. None
    /// where no such frame comes back. Changes no setting. `is_ended` is asked now and then.
    ///
    /// # Errors
    /// When the port vanished, or the host cannot sort frames by queue.
    fn queues(&mut self, _flows: u32, _is_ended: &mut dyn FnMut() -> bool) -> Result<Option<PortQueues>, PortError> {
        Ok(None)
    }
    /// The interface behind the port, where there is one.
    fn interface(&self) -> Option<Interface>;
}

/// What another program did to a port under test. A failure meanwhile says nothing about port, plug or cable.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Disturbance {
    /// It was switched off, or got another MTU or address; a serial line got other settings.
    Reconfigured,
    /// It was taken into service: the reasons that were not there before.
    TakenIntoService(Vec<String>),
}

/// What came of a wish to change a setting.
#[must_use]
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Applied {
    /// It was changed, and will be restored.
    Changed,
    /// It was so already; nothing was changed.
    AlreadySo,
    /// This run had changed it, and it is as it was before: what was restored, in words.
    Restored(String),
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

/// What came in on a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Received<'a> {
    /// Bytes without a mark, as they arrived.
    Bytes(&'a [u8]),
    /// A byte that came in with a framing or parity error.
    Marked(u8),
    /// The line was held at break.
    Break,
}

/// A port that carries bytes.
///
/// Every call fails with [`PortError::Gone`] when the port has vanished. A setting is noted before it is first changed,
/// so that [`Port::restore`] restores it whatever happens; that is so for format, modem lines and latency too.
pub trait Line: Port {
    /// What it can do and show.
    fn capabilities(&self) -> LineCapabilities;
    /// Sets format and raw mode: every byte value passes as it is, in both directions. Says what was really taken, such
    /// as a speed near the one asked for; `None` if the port cannot do this format. What was on its way is dropped.
    ///
    /// # Errors
    /// When the note cannot be written or the host refuses for another reason than the format.
    fn configure(&mut self, format: LineFormat) -> Result<Option<LineFormat>, PortError>;
    /// Changes another setting. False: the port does not offer it.
    ///
    /// # Errors
    /// As for [`Line::configure`].
    fn apply(&mut self, setting: LineSetting) -> Result<bool, PortError>;
    /// Drives the modem lines; only where [`LineCapabilities::modem_lines`]. `out1` and `out2` are moved while the loop
    /// inside the chip is on and left alone otherwise.
    ///
    /// # Errors
    /// When the host refuses.
    fn drive(&mut self, outputs: ModemOutputs) -> Result<(), PortError>;
    /// Reads the modem lines; `None` where there are none.
    ///
    /// # Errors
    /// When the host cannot be asked.
    fn modem_inputs(&mut self) -> Result<Option<ModemInputs>, PortError>;
    /// Line errors since the driver was loaded; `None` where nobody counts.
    ///
    /// # Errors
    /// When the host cannot be asked.
    fn line_errors(&mut self) -> Result<Option<LineErrors>, PortError>;
    /// Holds the line at break for so long; only where [`LineCapabilities::sends_break`]. Returns when it is over.
    ///
    /// # Errors
    /// When the host refuses.
    fn send_break(&mut self, time: Duration) -> Result<(), PortError>;
    /// Hands bytes over without waiting; says how many were taken, 0 when there is no room now or flow control stops
    /// it.
    ///
    /// # Errors
    /// When the host refuses.
    fn send(&mut self, bytes: &[u8]) -> Result<usize, PortError>;
    /// Gives to `each` what has come in, in order; waits for it until `until` on the port's clock if nothing is there.
    ///
    /// # Errors
    /// When the host refuses.
    fn receive(&mut self, until: Nanos, each: &mut dyn FnMut(Received<'_>)) -> Result<(), PortError>;
    /// Bytes handed over that have not left yet, as far as the host can say.
    ///
    /// # Errors
    /// When the host cannot be asked.
    fn unsent(&mut self) -> Result<usize, PortError>;
    /// Drops what waits to be sent and what waits to be received.
    ///
    /// # Errors
    /// When the host refuses.
    fn discard(&mut self) -> Result<(), PortError>;
    /// The plug that is said to be fitted, where the port knows.
    fn plug(&self) -> Option<LinePlug> {
        None
    }
    /// The format of whoever uses this line, where the port knows.
    fn usual_format(&self) -> Option<LineFormat> {
        None
    }
}

/// What a serial port can do, in the words that every kind of port shares.
pub(super) fn shared(line: &LineCapabilities) -> Capabilities {
    Capabilities { internal_loop: line.internal_loop, moves_plug: line.moves_plug, ..Capabilities::default() }
}
