//! Tests the cards of a lot on a bench, and grades them.
//!
//! [`lot`] opens and finds lots, [`runner`] carries out the tests of a card. Everything is written to the archive
//! before and after each test: whatever ends the program, it goes on at the test that was cut off.

pub mod lot;
pub mod runner;

use thiserror::Error;

use crate::{archive::error::ArchiveError, engine::CheckError};

/// Why a bench cannot go on.
#[derive(Debug, Error)]
pub enum BenchError {
    /// The records cannot be read or written. Without them no grade is kept.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
    /// A run could not be made.
    #[error(transparent)]
    Check(#[from] CheckError),
    /// A file cannot be read, or is no bench or procedure.
    #[error("{file}: {cause}")]
    File {
        /// The file, or the name that is neither a file nor built in.
        file: String,
        /// What is wrong, with the line or the names there are.
        cause: String,
    },
    /// A lot with this label is there.
    #[error("a lot {0} is recorded already")]
    LotExists(String),
    /// The lot is closed.
    #[error("lot {0} is closed")]
    LotClosed(String),
    /// The lot has no such card.
    #[error("lot {lot} has no card {card} to test; it has {known}")]
    NoCard {
        /// The lot.
        lot: String,
        /// What was given.
        card: String,
        /// Labels of its cards.
        known: String,
    },
    /// Too few good plugs or slots for a card.
    #[error("card {card} needs a {what}, and this bench has no good one left")]
    NothingLeft {
        /// The card.
        card: String,
        /// `plug` or `slot`.
        what: &'static str,
    },
}
