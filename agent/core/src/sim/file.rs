//! A rig's description as a TOML file, read and written alike for every kind of rig.

use serde::{Serialize, de::DeserializeOwned};
use thiserror::Error;

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
    let rig: R = toml::from_str(text).map_err(|error| RigError {
        line: error.span().map_or(1, |span| line_of(text, span.start)),
        text: error.message().trim().to_owned(),
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

fn line_of(text: &str, offset: usize) -> usize {
    1 + text.bytes().take(offset).filter(|byte| *byte == b'\n').count()
}
