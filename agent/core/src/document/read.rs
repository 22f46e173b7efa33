//! Reads stored documents of every kind and format.
//!
//! A document says in its field `document` what it is. The first programs wrote no such field: their cases have an id
//! under `case`, and everything else is the report of a run.

use serde::Deserialize;
use serde::de::{DeserializeOwned, IgnoredAny};
use thiserror::Error;

use super::{Document, DocumentKind, case::Case, run::Report};
use crate::kind::port::KindInFormat1;

/// A text is no document that this program can read.
#[derive(Debug, Error)]
pub enum ReadError {
    /// It is not JSON.
    #[error("no JSON document")]
    NotJson(#[source] serde_json::Error),
    /// It is JSON and neither the report of a run nor a case.
    #[error("a JSON document that is neither the report of a run nor a case")]
    NotADocument,
    /// It comes from a newer program.
    #[error(
        "the {} has format {found}, made by a newer version of this program; this one knows up to {}",
        kind.name(), kind.format()
    )]
    Newer {
        /// What it is.
        kind: DocumentKind,
        /// Its format.
        found: u64,
    },
    /// A field is missing or holds what it may not.
    #[error("the {} cannot be read", kind.name())]
    Field {
        /// What it is.
        kind: DocumentKind,
        /// Which field, and why.
        source: serde_json::Error,
    },
}

/// What tells documents apart, before the rest is looked at.
#[derive(Deserialize)]
struct Head {
    document: Option<DocumentKind>,
    format: Option<u64>,
    case: Option<IgnoredAny>,
}

/// Reads a document of any kind and of any format up to today's.
pub(super) fn read(json: &str) -> Result<Document, ReadError> {
    let head: Head = serde_json::from_str(json)
        .map_err(|error| if error.is_data() { ReadError::NotADocument } else { ReadError::NotJson(error) })?;
    let untagged = || if head.case.is_some() { DocumentKind::Case } else { DocumentKind::Run };
    let kind = head.document.unwrap_or_else(untagged);
    let found = head.format.ok_or(ReadError::NotADocument)?;
    if found > u64::from(kind.format()) {
        return Err(ReadError::Newer { kind, found });
    }
    match kind {
        DocumentKind::Run => {
            let mut report: Box<Report> = body(kind, json)?;
            body::<KindInFormat1>(kind, json)?.correct(&mut report.port);
            Ok(Document::Run(report))
        }
        DocumentKind::Case => {
            let mut case: Box<Case> = body(kind, json)?;
            body::<KindInFormat1>(kind, json)?.correct(&mut case.port);
            Ok(Document::Case(case))
        }
    }
}

fn body<T: DeserializeOwned>(kind: DocumentKind, json: &str) -> Result<T, ReadError> {
    serde_json::from_str(json).map_err(|source| ReadError::Field { kind, source })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_document_is_told_from_what_is_a_newer_one() {
        assert!(matches!(Document::read("{"), Err(ReadError::NotJson(_))));
        assert!(matches!(Document::read("[]"), Err(ReadError::NotADocument)));
        assert!(matches!(Document::read("{\"event\": \"run-started\"}"), Err(ReadError::NotADocument)));
        assert!(matches!(Document::read("{\"document\": \"minutes\", \"format\": 1}"), Err(ReadError::NotADocument)));
        let newer = |json| match Document::read(json) {
            Err(ReadError::Newer { kind, found: 4000 }) => Some(kind),
            _ => None,
        };
        assert_eq!(newer("{\"format\": 4000}"), Some(DocumentKind::Run));
        assert_eq!(newer("{\"format\": 4000, \"case\": \"x\"}"), Some(DocumentKind::Case));
        // A tag outweighs what a later format may put beside it.
        assert_eq!(newer("{\"document\": \"run\", \"format\": 4000, \"case\": \"x\"}"), Some(DocumentKind::Run));
        let lacks = Document::read("{\"document\": \"run\", \"format\": 1}").unwrap_err();
        assert!(matches!(lacks, ReadError::Field { kind: DocumentKind::Run, .. }), "{lacks:?}");
    }
}
