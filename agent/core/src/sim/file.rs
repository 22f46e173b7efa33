//! A rig's description as a TOML file, read, checked and written alike for every kind of rig.

use std::ops::RangeInclusive;

use serde::{Serialize, de::DeserializeOwned};
use thiserror::Error;

use super::cable::Segment;
use super::value::FaultPlace;
use crate::base::placement::Placement;
use crate::base::toml::{line_of, toml_fault};

/// Why a text is not a rig.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("line {line}: {text}")]
pub struct RigError {
    /// Line, from 1.
    pub line: usize,
    /// What is wrong there and what is allowed.
    pub text: String,
}

/// What is wrong with a rig whose single values are all right: the text to look for in the file, and the error.
pub type Wrong = (String, String);

/// Reads a rig, and checks what one value alone cannot show.
pub fn read<R: DeserializeOwned>(text: &str, validate: impl FnOnce(&R) -> Result<(), Wrong>) -> Result<R, RigError> {
    let rig: R = toml::from_str(text).map_err(|error| {
        let (line, text) = toml_fault(text, &error);
        RigError { line, text }
    })?;
    validate(&rig).map_err(|(about, wrong)| RigError {
        line: text.find(&about).map_or(1, |offset| line_of(text, offset)),
        text: wrong,
    })?;
    Ok(rig)
}

/// The rig as TOML; [`read`] reads it back.
pub fn write<R: Serialize>(rig: &R) -> String {
    toml::to_string(rig).expect("a rig holds nothing that TOML cannot hold")
}

/// A rig has one port, so its plug cannot be a second one.
///
/// # Errors
/// What is allowed.
pub fn check_placement(placement: Placement) -> Result<(), Wrong> {
    if placement == Placement::ReturnPort {
        let allowed = "placement must be one of internal, at-port, far-end";
        return Err(("return-port".to_owned(), allowed.to_owned()));
    }
    Ok(())
}

/// Checks each value, given with its name in the file, against the range that is allowed.
///
/// # Errors
/// The first value out of its range.
pub fn check_ranges(values: &[(&str, u32, RangeInclusive<u32>)]) -> Result<(), Wrong> {
    match values.iter().find(|(_, value, allowed)| !allowed.contains(value)) {
        Some((name, _, allowed)) => {
            Err(((*name).to_owned(), format!("{name} must be {} to {}", allowed.start(), allowed.end())))
        }
        None => Ok(()),
    }
}

/// A fault, named by its kind, can only be in a segment that the cable has.
///
/// # Errors
/// The segments there are.
pub fn check_segment(fault: &str, place: &FaultPlace, cable: &[Segment]) -> Result<(), Wrong> {
    let FaultPlace::Segment(label) = place else { return Ok(()) };
    if cable.iter().any(|segment| segment.label == *label) {
        return Ok(());
    }
    let known: Vec<&str> = cable.iter().map(|segment| segment.label.as_str()).collect();
    let known = if known.is_empty() { "this rig has none".to_owned() } else { known.join(", ") };
    Err((format!("segment:{label}"), format!("{fault}: no segment `{label}`; segments: {known}")))
}
