//! Why a bench cannot go on.

use thiserror::Error;

use crate::{
    archive::error::ArchiveError,
    engine::CheckError,
    guard::lock::LockError,
    ports::{PortError, inventory::InventoryError},
};

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
    /// No lot has this label.
    #[error("no lot {0} is recorded")]
    NoLot(String),
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
    /// A card was named that cannot be tested now.
    #[error("card {card} cannot be tested now: {why}")]
    NotTestable {
        /// The card.
        card: String,
        /// Why not.
        why: String,
    },
    /// No card of this computer is the reference card that was named.
    #[error("no card is called {card}; there are cards in {known}")]
    NoReference {
        /// What was given.
        card: String,
        /// Labels of the slots with a card.
        known: String,
    },
    /// The cards of this computer cannot be listed.
    #[error(transparent)]
    Inventory(#[from] InventoryError),
    /// A port failed in a way that says nothing about the card.
    #[error(transparent)]
    Port(#[from] PortError),
    /// The reference card did not pass, so the bench says nothing about other cards.
    #[error("the reference card is {grade}, so no other card is tested: {why}")]
    NotProved {
        /// Its grade.
        grade: &'static str,
        /// Why.
        why: String,
    },
    /// Another program tests cards of this machine.
    #[error("another turnback tests the cards of this computer")]
    Busy(#[source] LockError),
    /// Too few good plugs or slots for a card.
    #[error("card {card} needs a {what}, and this bench has no good one left")]
    NothingLeft {
        /// The card.
        card: String,
        /// `plug` or `slot`.
        what: &'static str,
    },
}

impl BenchError {
    /// The way out, where one is known.
    pub fn hint(&self) -> Option<String> {
        let text = match self {
            Self::Archive(error) => return error.hint(),
            Self::Port(error) => return error.hint(),
            Self::LotClosed(_) => "open another lot: turnback bench lot open LABEL --quantity NUMBER",
            Self::NoLot(_) => {
                "turnback bench lot open LABEL --quantity NUMBER opens one; turnback bench lot list shows what there is"
            }
            Self::NotTestable { .. } | Self::NoReference { .. } => {
                "turnback bench cards lists the cards of this computer"
            }
            Self::LotExists(_) => "turnback bench lot list shows the lots; take another label",
            Self::NotProved { .. } => {
                "look after the reference card, its plugs and its slot, and ask for it again; or name another card"
            }
            Self::Busy(_) => "end `turnback bench test`, or the agent whose configuration has [bench]",
            _ => return None,
        };
        Some(text.to_owned())
    }
}
