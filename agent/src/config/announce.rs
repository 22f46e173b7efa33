//! `[[announce]]` as written: whom to tell of changes, and how.

use std::path::PathBuf;

use serde::Deserialize;
use toml::Spanned;

/// Whom to tell.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Announce {
    /// Name.
    pub name: Spanned<String>,
    /// Into the log.
    #[serde(default)]
    pub log: bool,
    /// By a program.
    pub command: Option<Spanned<Vec<String>>>,
    /// By HTTP.
    pub webhook: Option<Spanned<String>>,
    /// Secret that signs.
    pub secret_file: Option<PathBuf>,
    /// Of one attempt.
    pub time_limit: Option<Spanned<String>>,
}
