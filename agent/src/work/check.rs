//! What a check needs before it runs, for terminal and agent alike: the profile, the seed, and the signals that end it.

use signal_hook::{
    consts::{SIGHUP, SIGINT, SIGTERM},
    flag,
};
use turnback_core::plan::{PlanError, Profile};

use crate::error_chain::plain;
use crate::{
    engine::cancel::Cancel,
    ports::{PortError, name::PortName},
};

/// A profile by its name, or read from the file of that name.
///
/// # Errors
/// A name that is neither, a file that cannot be read, or one that is no profile.
pub fn profile(name: &str) -> Result<Profile, PlanError> {
    let unknown = match Profile::named(name) {
        Ok(profile) => return Ok(profile),
        Err(error) => error,
    };
    match std::fs::read_to_string(name) {
        Ok(text) => Profile::parse(name, &text),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Err(unknown),
        Err(error) => Err(PlanError::Toml {
            file: name.to_owned(),
            line: 1,
            message: format!("cannot be read: {}", plain(&error)),
        }),
    }
}

/// The seed asked for. Without one, a rig uses its own, so that it does the same each time, and a real port one that no
/// run had before.
///
/// # Errors
/// A rig that cannot be read.
pub fn seed(given: Option<u64>, port: &PortName) -> Result<u64, PortError> {
    match given {
        Some(seed) => Ok(seed),
        None => Ok(port.rig()?.map_or_else(|| uuid::Uuid::now_v7().as_u64_pair().1, |rig| rig.seed().into())),
    }
}

/// Ctrl-C, SIGTERM and SIGHUP end the run with a report of what was done. A further signal changes nothing, so that
/// settings are restored: every wait in a run is short.
pub fn end_on_signals(cancel: &Cancel) {
    for signal in [SIGINT, SIGTERM, SIGHUP] {
        if let Err(error) = flag::register(signal, cancel.flag()) {
            tracing::warn!("signal {signal} will end the run without a report: {error}");
        }
    }
}
