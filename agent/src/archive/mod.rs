//! The archive: where documents are kept and found again.
//!
//! [`Archive`] is the seam. [`sqlite`] keeps documents in a file, [`memory`] for as long as the program runs.
//! [`logbook`] adds what the agent must not forget, [`outbox`] what waits to go to the fleet.

mod bench;
pub mod error;
pub mod filter;
pub mod location;
pub mod logbook;
pub mod memory;
pub mod outbox;
pub mod record;
pub mod recorder;
pub mod sqlite;

use turnback_core::{
    base::placement::Placement,
    document::{Document, DocumentKind, card_test::CardTest, lot::Lot},
    kind::port::PortIdentity,
};

use error::ArchiveError;
use filter::Filter;
use record::{CaseRow, Record};

/// Keeps documents of every kind.
pub trait Archive: Send {
    /// Keeps a document, whole or not at all. A case, a card test or a lot replaces what was kept of it; a run that is
    /// there already stays as it is.
    ///
    /// # Errors
    /// It cannot be written; then nothing has changed.
    fn put(&mut self, document: &Document) -> Result<(), ArchiveError>;

    /// The document with this id.
    ///
    /// # Errors
    /// [`ArchiveError::Unknown`]; it cannot be read.
    fn get(&self, kind: DocumentKind, id: &str) -> Result<Document, ArchiveError>;

    /// The document whose id begins so, or the card test or lot with this label; without a kind, a run is looked for
    /// first, then a case, a card test and a lot. `last` is the newest: the run begun last, the case changed last, or
    /// without a kind whichever of the two was worked on last.
    ///
    /// # Errors
    /// [`ArchiveError::Unknown`], [`ArchiveError::Ambiguous`]; it cannot be read.
    fn find(&self, kind: Option<DocumentKind>, beginning: &str) -> Result<Document, ArchiveError>;

    /// Lists documents of one kind, the newest first, `limit` at most.
    ///
    /// # Errors
    /// The archive cannot be read.
    fn list(&self, query: Query<'_>, limit: Option<u64>) -> Result<Vec<Listed>, ArchiveError>;

    /// The newest document that fits, if there is one.
    ///
    /// # Errors
    /// The archive cannot be read.
    fn latest(&self, sought: &Sought<'_>) -> Result<Option<Document>, ArchiveError>;
}

/// What to list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Query<'a> {
    /// Runs.
    Runs(&'a Filter),
    /// Cases.
    Cases {
        /// Only those in which something is left to do.
        only_open: bool,
    },
    /// Card tests.
    CardTests {
        /// Only those of the lot with this label.
        lot: Option<&'a str>,
    },
    /// Lots.
    Lots,
}

/// A document in a list.
#[derive(Clone, Debug, PartialEq)]
pub enum Listed {
    /// A run.
    Run(Box<Record>),
    /// A case.
    Case(Box<CaseRow>),
    /// A card test, whole.
    CardTest(Box<CardTest>),
    /// A lot, whole.
    Lot(Box<Lot>),
}

impl Listed {
    /// The row of a run; none for other kinds.
    pub fn into_run(self) -> Option<Record> {
        match self {
            Self::Run(record) => Some(*record),
            Self::Case(_) | Self::CardTest(_) | Self::Lot(_) => None,
        }
    }

    /// The row of a case; none for other kinds.
    pub fn into_case(self) -> Option<CaseRow> {
        match self {
            Self::Case(row) => Some(*row),
            Self::Run(_) | Self::CardTest(_) | Self::Lot(_) => None,
        }
    }

    /// The card test; none for other kinds.
    pub fn into_card_test(self) -> Option<CardTest> {
        match self {
            Self::CardTest(test) => Some(*test),
            Self::Run(_) | Self::Case(_) | Self::Lot(_) => None,
        }
    }

    /// The lot; none for other kinds.
    pub fn into_lot(self) -> Option<Lot> {
        match self {
            Self::Lot(lot) => Some(*lot),
            Self::Run(_) | Self::Case(_) | Self::CardTest(_) => None,
        }
    }

    /// A document of the bench in a list; none for other kinds, which are listed by their rows.
    fn of_bench(document: Document) -> Option<Self> {
        match document {
            Document::CardTest(test) => Some(Self::CardTest(test)),
            Document::Lot(lot) => Some(Self::Lot(lot)),
            Document::Run(_) | Document::Case(_) => None,
        }
    }
}

/// Which document [`Archive::latest`] looks for.
#[derive(Clone, Copy, Debug)]
pub enum Sought<'a> {
    /// A run that tested something at a place.
    Run(RunAt<'a>),
    /// The open case of a port and cable.
    OpenCase {
        /// The port.
        port: &'a PortIdentity,
        /// Label of the cable.
        cable: &'a str,
    },
}

/// A place on a port at which a run tested something.
#[derive(Clone, Copy, Debug)]
pub struct RunAt<'a> {
    /// The machine. Ports of other machines bear the same names.
    pub machine: &'a str,
    /// The port: the same permanent address where both are known, else the same name.
    pub port: &'a PortIdentity,
    /// Where the plug was.
    pub placement: Placement,
    /// Label of the cable, where the plug was at a far end.
    pub cable: Option<&'a str>,
    /// Label of the segment at whose end the plug was.
    pub segment: Option<&'a str>,
    /// No run that began before this, milliseconds since 1970 UTC.
    pub since_ms: i64,
}

impl RunAt<'_> {
    /// The signal turns back before the cable, so whatever cable was named does not matter.
    fn is_before_the_cable(&self) -> bool {
        matches!(self.placement, Placement::Internal | Placement::AtPort)
    }
}

/// The run whose id begins so, else the case, the card test, the lot.
fn find_any(archive: &impl Archive, beginning: &str) -> Result<Document, ArchiveError> {
    let mut kinds = [DocumentKind::Run, DocumentKind::Case, DocumentKind::CardTest, DocumentKind::Lot].into_iter();
    kinds
        .find_map(|kind| match archive.find(Some(kind), beginning) {
            Err(ArchiveError::Unknown { .. }) => None,
            found => Some(found),
        })
        .unwrap_or_else(|| Err(ArchiveError::Unknown { kind: None, given: beginning.to_owned() }))
}

#[cfg(test)]
mod tests;
