//! Why a daemon does not start.

use thiserror::Error;

/// What kept a daemon from starting.
#[derive(Debug, Error)]
#[error("{text}")]
pub struct NotStarted {
    /// In words.
    pub text: String,
    /// What to do about it, where that is known.
    pub hint: Option<String>,
}

impl From<String> for NotStarted {
    fn from(text: String) -> Self {
        Self { text, hint: None }
    }
}
