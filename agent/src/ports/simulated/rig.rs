//! Finds a rig: a built-in one by its name, or one that a file describes.

use turnback_core::kind::rig::AnyRig;

use crate::error_chain::plain;
use crate::ports::error::PortError;

/// Finds a rig by name or file.
///
/// # Errors
/// [`PortError::Unknown`] for a name that is neither a built-in rig nor a readable file, [`PortError::NotARig`] with
/// line and allowed values for a file that is not a rig.
pub fn load(what: &str) -> Result<AnyRig, PortError> {
    if let Some(rig) = AnyRig::builtin(what) {
        return Ok(rig);
    }
    let text = std::fs::read_to_string(what).map_err(|error| PortError::Unknown {
        name: format!("sim:{what}"),
        known: format!("no built-in rig has that name, and as a file it cannot be read ({})", plain(&error)),
    })?;
    AnyRig::parse(&text).map_err(|error| PortError::NotARig { file: what.to_owned(), cause: error.to_string() })
}
