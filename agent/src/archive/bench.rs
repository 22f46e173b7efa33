//! What a card test or a lot is found by.

use turnback_core::document::{Document, DocumentKind};

use super::error::ArchiveError;

/// The columns of a document of the bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct BenchRow {
    pub id: String,
    pub kind: DocumentKind,
    /// Label of the card or lot.
    pub label: String,
    /// Label of the lot that a card test belongs to.
    pub lot: Option<String>,
    /// Milliseconds since 1970 UTC.
    pub changed_ms: i64,
}

impl BenchRow {
    /// The row of a card test or lot; none for other documents.
    pub fn of(document: &Document) -> Result<Option<Self>, ArchiveError> {
        let (label, lot, changed_at) = match document {
            Document::CardTest(test) => (&test.label, test.lot.clone(), &test.changed_at),
            Document::Lot(lot) => (&lot.label, None, &lot.changed_at),
            Document::Run(_) | Document::Case(_) => return Ok(None),
        };
        let changed: jiff::Timestamp = changed_at.parse().map_err(|_| {
            ArchiveError::NotARecord(format!("changed_at of {label} is `{changed_at}`, no time with zone"))
        })?;
        Ok(Some(Self {
            id: document.id().to_owned(),
            kind: document.kind(),
            label: label.clone(),
            lot,
            changed_ms: changed.as_millisecond(),
        }))
    }

    /// Whether `given` names it: its label, or the beginning of its id.
    pub fn is_named(&self, given: &str) -> bool {
        self.label == given || given == "last" || !given.is_empty() && self.id.starts_with(given)
    }
}

/// The document meant by `given` among those that it names, the one changed last first: a label means the newest, and
/// the beginning of an id must mean one alone.
pub(super) fn meant<'a>(kind: DocumentKind, given: &str, named: &'a [BenchRow]) -> Result<&'a BenchRow, ArchiveError> {
    let by_label = named.iter().find(|row| row.label == given || given == "last" || row.id == given);
    match (by_label, named) {
        (Some(row), _) | (None, [row]) => Ok(row),
        (None, []) => Err(ArchiveError::Unknown { kind: Some(kind), given: given.to_owned() }),
        (None, several) => {
            let ids = several.iter().map(|row| row.id.clone()).collect();
            Err(ArchiveError::Ambiguous { kind, given: given.to_owned(), ids })
        }
    }
}
