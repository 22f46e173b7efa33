//! Reads stored documents of every kind and format.
//!
//! A document says in its field `document` what it is. The first programs wrote no such field: their cases have an id
//! under `case`, and everything else is the report of a run.

use serde::Deserialize;
use serde::de::{DeserializeOwned, IgnoredAny};
use thiserror::Error;

use super::case::Case;
use super::run::{Report, format1::Report1};
use super::{Document, DocumentKind};
use crate::kind::port::KindInFormat1;

/// A text is no document that this program can read.
#[derive(Debug, Error)]
pub enum ReadError {
    /// It is not JSON.
    #[error("no JSON document")]
    NotJson(#[source] serde_json::Error),
    /// It is JSON and none of the documents.
    #[error("a JSON document that this program does not make")]
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
    let head: Head = serde_json::from_str(json).map_err(|_| match serde_json::from_str::<IgnoredAny>(json) {
        Ok(_) => ReadError::NotADocument,
        Err(error) => ReadError::NotJson(error),
    })?;
    let untagged = || if head.case.is_some() { DocumentKind::Case } else { DocumentKind::Run };
    let kind = head.document.unwrap_or_else(untagged);
    let found = head.format.ok_or(ReadError::NotADocument)?;
    if found > u64::from(kind.format()) {
        return Err(ReadError::Newer { kind, found });
    }
    match kind {
        DocumentKind::Run if found == 1 => {
            let mut report = Report::from(body::<Report1>(kind, json)?);
            body::<KindInFormat1>(kind, json)?.correct(&mut report.port);
            Ok(report.into())
        }
        DocumentKind::Run => body(kind, json).map(Document::Run),
        DocumentKind::CardTest => body(kind, json).map(Document::CardTest),
        DocumentKind::Lot => body(kind, json).map(Document::Lot),
        DocumentKind::Case => {
            let mut case: Case = body(kind, json)?;
            body::<KindInFormat1>(kind, json)?.correct(&mut case.port);
            Ok(case.into())
        }
    }
}

fn body<T: DeserializeOwned>(kind: DocumentKind, json: &str) -> Result<T, ReadError> {
    serde_json::from_str(json).map_err(|source| ReadError::Field { kind, source })
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;
    use crate::document::difference::difference;

    /// Documents that a program of format 1 wrote; never edited, only added to.
    const ETHERNET: &str = include_str!("../../../../tests/fixtures/format1/ethernet-run.json");
    const SERIAL: &str = include_str!("../../../../tests/fixtures/format1/serial-run.json");
    const CASE: &str = include_str!("../../../../tests/fixtures/format1/case.json");

    fn run(json: &str) -> Report {
        match Document::read(json) {
            Ok(Document::Run(report)) => *report,
            other => panic!("{other:?}"),
        }
    }

    /// Old names and where their values stand now; a value that is a list or an object must be the same as a whole.
    fn moved(old: &str, names: &[(&str, &str)]) -> Value {
        let report = run(old);
        let (old, new): (Value, Value) = (serde_json::from_str(old).unwrap(), serde_json::to_value(&report).unwrap());
        for (before, now) in names {
            let (before, now) = (old.pointer(before), new.pointer(now));
            assert!(before.is_some() && before == now, "{names:?}: {before:?} {now:?}");
        }
        // What is written now is read as what it was.
        let again = run(&new.to_string());
        assert_eq!(serde_json::to_value(&again).unwrap(), new);
        assert!(difference(&report, &again).figures.iter().all(|figure| figure.values[0] == figure.values[1]));
        new
    }

    #[test]
    fn a_run_of_format_1_on_frames_keeps_every_value() {
        let new = moved(
            ETHERNET,
            &[
                ("/run", "/run"),
                ("/verdict", "/verdict"),
                ("/totals/frames_sent", "/totals/frames_sent"),
                ("/totals/frames_failed_fcs", "/totals/frames_failed_fcs"),
                ("/totals/bit_errors", "/totals/bit_errors"),
                ("/error_ratio", "/error_ratio"),
                ("/tried", "/tried"),
                ("/latency_ns", "/latency_ns"),
                ("/steps", "/steps"),
                ("/damage", "/damage"),
                ("/seconds", "/seconds"),
                ("/handful", "/first_probes"),
                ("/references", "/references"),
                ("/loss_ratio", "/detail/loss_ratio"),
                ("/latency_loaded_ns", "/detail/latency_loaded_ns"),
                ("/zero_loss_rates", "/detail/zero_loss_rates"),
                ("/spells", "/detail/spells"),
                ("/counters", "/detail/counters"),
                ("/link", "/detail/link"),
                ("/link_flaps", "/detail/link_flaps"),
                ("/module", "/detail/transceiver"),
                ("/fallback_mbps", "/detail/fallback_mbps"),
                ("/heard", "/detail/heard"),
            ],
        );
        assert_eq!(
            (&new["document"], &new["format"], &new["detail"]["kind"]),
            (&"run".into(), &2.into(), &"ethernet".into())
        );
        // Nothing of another kind, not even a zero.
        assert!(["lines", "line_errors"].iter().all(|name| new.get(name).is_none()), "{new}");
        assert!(new["totals"].as_object().unwrap().keys().all(|name| !name.starts_with("bytes_")), "{new}");
    }

    #[test]
    fn a_run_of_format_1_on_a_serial_line_keeps_every_value() {
        let new = moved(
            SERIAL,
            &[
                ("/verdict", "/verdict"),
                ("/totals/bytes_sent", "/totals/bytes_sent"),
                ("/totals/bytes_damaged", "/totals/bytes_damaged"),
                ("/totals/bit_errors", "/totals/bit_errors"),
                ("/error_ratio", "/error_ratio"),
                ("/latency_ns", "/latency_ns"),
                ("/lines", "/lines"),
                ("/line_errors", "/line_errors"),
                ("/handful", "/first_probes"),
                ("/line/format", "/detail/format"),
                ("/line/plug", "/detail/plug"),
                ("/line/capabilities", "/detail/capabilities"),
                ("/line/counts", "/detail/counts"),
                ("/line/turnaround", "/detail/turnaround"),
                ("/line/flow_control", "/detail/flow_control"),
                ("/line/modem_readings", "/detail/modem_readings"),
            ],
        );
        assert_eq!((&new["document"], &new["detail"]["kind"]), (&"run".into(), &"serial".into()));
        assert_eq!((&new["port"]["kind"], &new["port"]["simulated"]), (&"serial".into(), &true.into()));
        for other in ["steps", "link", "heard", "counters"] {
            assert!(new.get(other).is_none() && new["detail"].get(other).is_none(), "{other} in {new}");
        }
        assert!(new["totals"].as_object().unwrap().keys().all(|name| !name.starts_with("frames_")), "{new}");
    }

    #[test]
    fn a_case_without_a_tag_is_read() {
        let Ok(Document::Case(case)) = Document::read(CASE) else { panic!() };
        let (old, new): (Value, Value) = (serde_json::from_str(CASE).unwrap(), serde_json::to_value(&case).unwrap());
        assert_eq!(new["document"], "case");
        for field in ["case", "verdict", "stages", "state", "segments"] {
            assert_eq!(old[field], new[field], "{field}");
        }
        assert_eq!(Document::from(*case).summary().says(), "fault: cable, quay-duct");
    }

    #[test]
    fn what_is_no_document_is_told_from_what_is_a_newer_one() {
        assert!(matches!(Document::read("{"), Err(ReadError::NotJson(_))));
        for other in ["[]", "[1, 2]", "3", "{\"document\": 3, \"format\": 1}"] {
            assert!(matches!(Document::read(other), Err(ReadError::NotADocument)), "{other}");
        }
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
