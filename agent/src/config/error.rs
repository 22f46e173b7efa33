//! What is wrong with a configuration, and in which line.

use std::{io, ops::Range};

use thiserror::Error;
use toml::Spanned;

use turnback_core::base::toml::in_words;

/// Why a configuration cannot be used.
#[derive(Debug, Error)]
pub enum ConfigError {
    /// No such file, or no right to read it.
    #[error("cannot read {file}")]
    Unreadable {
        /// As given.
        file: String,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// Something in it is wrong.
    #[error("{file}:{line}: {text}")]
    Wrong {
        /// As given.
        file: String,
        /// Line, from 1.
        line: usize,
        /// What is wrong, with what is allowed.
        text: String,
    },
}

/// A text under its file's name, to turn places into lines.
pub(super) struct Lines<'a> {
    pub file: &'a str,
    pub text: &'a str,
}

impl<'a> Lines<'a> {
    /// Of what a file holds.
    ///
    /// # Errors
    /// What is not UTF-8, with its line.
    pub fn of(file: &'a str, bytes: &'a [u8]) -> Result<Self, ConfigError> {
        std::str::from_utf8(bytes).map(|text| Self { file, text }).map_err(|error| {
            let text = std::str::from_utf8(&bytes[..error.valid_up_to()]).unwrap_or_default();
            Lines { file, text }.at(text.len()..text.len(), "this line holds what is not UTF-8 text")
        })
    }
    pub fn at(&self, place: Range<usize>, text: impl Into<String>) -> ConfigError {
        let line = self.text.bytes().take(place.start).filter(|byte| *byte == b'\n').count() + 1;
        // What is quoted from the file may hold anything; the error is one line of a terminal or a log.
        let plain = |c: char| if c.is_control() { c.escape_default().collect() } else { String::from(c) };
        ConfigError::Wrong { file: self.file.to_owned(), line, text: text.into().chars().map(plain).collect() }
    }

    pub fn value<T: ToString>(&self, value: &Spanned<T>, name: &str, allowed: &str) -> ConfigError {
        self.at(value.span(), format!("{name} `{}` is not allowed: {allowed}", value.get_ref().to_string()))
    }

    pub fn toml(&self, error: &toml::de::Error) -> ConfigError {
        self.at(error.span().unwrap_or(0..0), in_words(error.message().trim()))
    }
}
