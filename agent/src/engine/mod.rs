//! Carries out one check of a port.
//!
//! [`check`] is the entry. `run` holds the stages that every run has, `confirm` the short runs elsewhere after a
//! failure, `report` the head of every report; what only one kind of port knows is in `ethernet` and `serial`.
//! [`cancel`] ends a run early.

pub mod cancel;
mod confirm;
mod ethernet;
pub mod options;
mod proof;
mod report;
mod run;
mod serial;

pub use options::{CheckError, CheckOptions};
pub use report::refused;
pub use serial::options::LineOptions;
use turnback_core::{document::run::Report, event::Event};

use self::{cancel::Cancel, ethernet::Ethernet, run::Run, serial::Serial};
use crate::ports::{Port, Way};

/// Checks a port. `say` is told what happens as it happens; `cancel` ends the run with a report of what was done.
///
/// # Errors
/// When nothing could be measured for a reason that is no verdict: no such port, missing rights, a plan that does not
/// fit.
pub fn check<'a>(
    port: &'a mut dyn Port,
    return_port: Option<&'a mut dyn Port>,
    options: CheckOptions,
    say: &'a mut dyn FnMut(Event),
    cancel: &'a Cancel,
) -> Result<Report, CheckError> {
    match (port.way(), return_port.map(|port| port.way())) {
        (Way::Frames(port), None) => Run::new(Ethernet::new(port, None, options.seed), options, say, cancel).check(),
        (Way::Frames(port), Some(Way::Frames(other))) => {
            Run::new(Ethernet::new(port, Some(other), options.seed), options, say, cancel).check()
        }
        (Way::Bytes(line), None) => Run::new(Serial::new(line, &options), options, say, cancel).check(),
        (Way::Bytes(port), Some(_)) | (Way::Frames(_), Some(Way::Bytes(port))) => Err(CheckError::NotOffered {
            port: port.identity().name,
            what: "be tested together with a return port: both must be Ethernet interfaces of this machine".into(),
        }),
    }
}
