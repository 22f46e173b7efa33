//! What a message says: read, checked, and made into the values of a row.

use std::{collections::BTreeMap, str::FromStr};

use bytes::Bytes;
use jiff::Timestamp;
use serde::{Deserialize, de::DeserializeOwned};
use thiserror::Error;
use turnback_core::{
    document::{Document, DocumentKind, ReadError, card_test::CardTest, case::Case, lot::Lot},
    fleet::{
        FORMAT,
        heartbeat::Heartbeat,
        state::{CHANGES_MAX, PORTS_MAX, StateMessage},
        subject::{Sender, Subject, SubjectError, What},
    },
};
use uuid::Uuid;

use crate::{
    archive::{error::ArchiveError, record::Record},
    error_chain::with_causes,
    fleet::{
        broker::{LEFT_OUT, MESSAGE_ID, NUMBER},
        payload::{self, PayloadError},
    },
};

/// A message as the broker delivered it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Delivered {
    /// Its subject.
    pub subject: String,
    /// Its headers, the last value of each.
    pub headers: BTreeMap<String, String>,
    /// What was sent.
    pub payload: Bytes,
    /// Its number in the stream.
    pub sequence: i64,
    /// When the broker took it.
    pub published: Timestamp,
}

impl Delivered {
    /// Its id; empty if it has none.
    pub fn message_id(&self) -> &str {
        self.headers.get(MESSAGE_ID).map_or("", String::as_str)
    }
}

/// A message that can go into the tables.
#[derive(Clone, Debug)]
pub struct Taken {
    /// Who sent it.
    pub sender: Sender,
    /// The machine's number of it.
    pub number: i64,
    /// When the broker took it.
    pub received: Timestamp,
    /// What it says.
    pub content: Content,
}

/// What a message says.
#[derive(Clone, Debug)]
pub enum Content {
    /// A run.
    Run(Box<Run>),
    /// A case.
    Case(Box<Case>, Kept),
    /// A card test.
    CardTest(Box<CardTest>, Kept),
    /// A lot.
    Lot(Box<Lot>, Kept),
    /// States of ports.
    State(Box<StateMessage>),
    /// The machine lives.
    Heartbeat(Box<Heartbeat>),
}

/// A run in columns, and as it came.
#[derive(Clone, Debug)]
pub struct Run {
    /// Its id.
    pub id: Uuid,
    /// When it began, by the machine's clock.
    pub started: Timestamp,
    /// Its columns.
    pub record: Record,
    /// It came without its series.
    pub without_series: bool,
    /// As it came, packed.
    pub packed: Bytes,
}

/// Of a document that changes: what the table needs beside it.
#[derive(Clone, Debug)]
pub struct Kept {
    /// Its id.
    pub id: Uuid,
    /// When it was begun.
    pub opened: Timestamp,
    /// When it was changed last.
    pub changed: Timestamp,
    /// As it came, packed.
    pub packed: Bytes,
}

/// Why a message cannot go into the tables.
#[derive(Debug, Error)]
pub enum Unusable {
    /// Its subject is none of ours.
    #[error(transparent)]
    Subject(#[from] SubjectError),
    /// A header is missing or wrong.
    #[error("header {0} is missing or no number")]
    Header(&'static str),
    /// It cannot be unpacked.
    #[error("it cannot be unpacked")]
    Packing(#[from] PayloadError),
    /// It is no document that this program can read.
    #[error("it cannot be read")]
    Document(#[from] ReadError),
    /// It is no state or heartbeat.
    #[error("it is no {what}")]
    Message {
        /// What its subject says.
        what: &'static str,
        /// The cause.
        #[source]
        source: serde_json::Error,
    },
    /// It is another document than its subject says.
    #[error("its subject says {said}, it is a {is}")]
    OtherKind {
        /// What the subject says.
        said: &'static str,
        /// What it is.
        is: &'static str,
    },
    /// A value in it is none.
    #[error("{0}")]
    Value(String),
    /// A column of a run.
    #[error(transparent)]
    Column(#[from] ArchiveError),
    /// The database refuses it.
    #[error("the database refuses it: {0}")]
    Refused(String),
    /// Another document has its id.
    #[error("{0}")]
    Contested(String),
}

impl Unusable {
    /// The reason with all its causes.
    pub fn reason(&self) -> String {
        with_causes(self)
    }
}

/// Reads a message.
///
/// # Errors
/// [`Unusable`], which says why.
pub fn take(delivered: &Delivered) -> Result<Taken, Unusable> {
    let Subject { sender, what } = delivered.subject.parse()?;
    let number = delivered.headers.get(NUMBER).and_then(|text| i64::from_str(text).ok());
    let number = number.filter(|number| *number > 0).ok_or(Unusable::Header(NUMBER))?;
    let most = match what {
        What::Document(_) => payload::PLAIN_MAX,
        What::State | What::Heartbeat => payload::MESSAGE_PLAIN_MAX,
    };
    let text = payload::unpack(&delivered.payload, most)?;
    let content = match what {
        What::Document(kind) => document(kind, &text, delivered)?,
        What::State => Content::State(Box::new(StateMessage { number, ..message(what, &text)? })),
        What::Heartbeat => Content::Heartbeat(Box::new(Heartbeat { number, ..message(what, &text)? })),
    };
    Ok(Taken { sender, number, received: delivered.published, content })
}

/// A state or heartbeat, of a format that this program knows.
fn message<T: DeserializeOwned>(what: What, text: &str) -> Result<T, Unusable> {
    #[derive(Deserialize)]
    struct Head {
        format: u64,
    }
    let unreadable = |source| Unusable::Message { what: what.name(), source };
    // Read as a map first: as a list of fields a message would be read too.
    let whole: serde_json::Map<String, serde_json::Value> = serde_json::from_str(text).map_err(unreadable)?;
    let Head { format } = serde_json::from_str(text).map_err(unreadable)?;
    if !(1..=u64::from(FORMAT)).contains(&format) {
        return Err(Unusable::Value(format!(
            "the {} has format {format}, made by a newer version of this program; this one knows up to {FORMAT}",
            what.name()
        )));
    }
    // As fields these would take a hundred times what they take as text.
    for (list, most) in [("ports", PORTS_MAX), ("changes", CHANGES_MAX)] {
        let listed = whole.get(list).and_then(|list| list.as_array()).map_or(0, Vec::len);
        if listed > most {
            return Err(Unusable::Value(format!("it lists {listed} {list}; {most} are the most")));
        }
    }
    serde_json::from_value(whole.into()).map_err(unreadable)
}

fn document(said: DocumentKind, text: &str, delivered: &Delivered) -> Result<Content, Unusable> {
    let packed = delivered.payload.clone();
    let document = Document::read(text)?;
    if document.kind() != said {
        return Err(Unusable::OtherKind { said: said.name(), is: document.kind().name() });
    }
    let id = id(document.id())?;
    let kept = |opened: &str, changed: &str, packed| {
        Ok::<_, Unusable>(Kept { id, opened: moment(opened)?, changed: moment(changed)?, packed })
    };
    Ok(match document {
        Document::Run(report) => {
            let record = Record::of(&report)?;
            let without_series = delivered.headers.contains_key(LEFT_OUT);
            let started = moment(&record.started_at)?;
            Content::Run(Box::new(Run { id, started, record, without_series, packed }))
        }
        Document::Case(case) => {
            let kept = kept(&case.opened_at, &case.changed_at, packed)?;
            Content::Case(case, kept)
        }
        Document::CardTest(test) => {
            let kept = kept(&test.started_at, &test.changed_at, packed)?;
            Content::CardTest(test, kept)
        }
        Document::Lot(lot) => {
            let kept = kept(&lot.opened_at, &lot.changed_at, packed)?;
            Content::Lot(lot, kept)
        }
    })
}

/// An id as text.
///
/// # Errors
/// It is no UUID.
pub fn id(text: &str) -> Result<Uuid, Unusable> {
    let short: String = text.chars().take(60).collect();
    Uuid::try_parse(text).map_err(|_| Unusable::Value(format!("`{short}` is no id (a UUID)")))
}

fn moment(text: &str) -> Result<Timestamp, Unusable> {
    let short: String = text.chars().take(60).collect();
    text.parse().map_err(|_| Unusable::Value(format!("`{short}` is no time with zone")))
}

/// The moment that an id of version 7 holds; none for other ids.
pub fn moment_of(id: Uuid) -> Option<Timestamp> {
    let (seconds, ns) = id.get_timestamp()?.to_unix();
    (id.get_version_num() == 7).then(|| Timestamp::new(i64::try_from(seconds).ok()?, ns.cast_signed()).ok())?
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::{Value, json};

    use super::*;

    const RUN: &str = include_str!("../../../../tests/fixtures/format1/ethernet-run.json");
    const CASE: &str = include_str!("../../../../tests/fixtures/format1/case.json");

    fn delivered(what: &str, payload: Vec<u8>) -> Delivered {
        Delivered {
            subject: format!("turnback.v1.north-quay.closet-3.{what}"),
            headers: [(NUMBER.to_owned(), "7".to_owned())].into(),
            payload: payload.into(),
            sequence: 1,
            published: Timestamp::UNIX_EPOCH,
        }
    }

    fn packed(text: &str) -> Vec<u8> {
        payload::pack(&serde_json::from_str::<Value>(text).unwrap()).unwrap()
    }

    #[test]
    fn documents_and_states_are_taken() {
        let Ok(Taken { content: Content::Run(run), number: 7, .. }) = take(&delivered("run", packed(RUN))) else {
            panic!("a run")
        };
        assert_eq!(run.record.run, run.id.to_string());
        assert!(matches!(take(&delivered("case", packed(CASE))).unwrap().content, Content::Case(..)));
        // A state that a newer machine may have, and a field that this program does not know.
        let state = json!({"format": 1, "ports": [{"port": "quay1", "state": "resting", "new_field": 3}]});
        let Content::State(state) = take(&delivered("state", payload::pack(&state).unwrap())).unwrap().content else {
            panic!("a state")
        };
        assert_eq!((state.number, state.ports[0].state.as_str()), (7, "resting"));
    }

    #[test]
    fn what_cannot_go_into_the_tables_says_why() {
        let newer = RUN.replacen("\"format\": 1", "\"format\": 99", 1).replacen("\"format\":1", "\"format\":99", 1);
        for (what, payload, part) in [
            ("case", packed(RUN), "its subject says case, it is a run"),
            ("run", b"not zstd".to_vec(), "cannot be unpacked"),
            ("run", packed("{\"format\": 2}"), "cannot be read"),
            ("run", packed(&newer), "made by a newer version"),
            ("state", packed("[]"), "it is no state"),
            ("state", packed("{\"ports\": []}"), "it is no state"),
            ("state", packed("{\"format\": 2}"), "made by a newer version"),
            ("heartbeat", packed("{\"format\": 1, \"ports\": \"many\"}"), "it is no heartbeat"),
            ("state", packed(&json!({"format": 1, "ports": vec![json!({}); 1001]}).to_string()), "1000 are the most"),
            ("state", packed(&format!("{{\"format\": 1, \"why\": \"{}\"}}", "x".repeat(1 << 22))), "be unpacked"),
            ("minutes", packed(RUN), "is no subject"),
        ] {
            let reason = take(&delivered(what, payload)).unwrap_err().reason();
            assert!(reason.contains(part), "{what}: {reason}");
        }
        let mut unnumbered = delivered("run", packed(RUN));
        unnumbered.headers.clear();
        assert!(take(&unnumbered).unwrap_err().reason().contains("Turnback-Number"));
    }

    #[test]
    fn only_ids_of_version_7_hold_a_moment() {
        // RFC 9562, appendix A.6: 017F22E2-79B0-7CC3-98C4-DC0C0C07398F is 2022-02-22T19:22:22.000Z.
        let id: Uuid = "017F22E2-79B0-7CC3-98C4-DC0C0C07398F".parse().unwrap();
        assert_eq!(moment_of(id), Some("2022-02-22T19:22:22Z".parse().unwrap()));
        // Appendix A.3, version 4.
        assert_eq!(moment_of("919108f7-52d1-4320-9bac-f847db4148a8".parse().unwrap()), None);
    }

    #[test]
    fn what_is_nested_without_end_is_refused() {
        for (open, close) in [("[", "]"), ("{\"a\":", "}")] {
            let nested = format!("{}1{}", open.repeat(200_000), close.repeat(200_000));
            for text in [nested.clone(), format!("{{\"format\":1,\"ports\":{nested}}}")] {
                let bytes = zstd::bulk::compress(text.as_bytes(), 1).unwrap();
                for what in What::ALL {
                    assert!(take(&delivered(what.name(), bytes.clone())).is_err(), "{}", what.name());
                }
            }
        }
    }

    proptest! {
        #[test]
        fn malformed_documents_never_panic(cut in 0.0..1.0_f64, byte in any::<u8>(), what in 0..6_usize) {
            let mut text = RUN.as_bytes().to_vec();
            let at = (text.len() as f64 * cut) as usize;
            text[at] = byte;
            let bytes = zstd::bulk::compress(&text, 1).unwrap();
            let _ = take(&delivered(What::ALL[what].name(), bytes));
            let bytes = zstd::bulk::compress(&text[..at], 1).unwrap();
            prop_assert!(take(&delivered(What::ALL[what].name(), bytes)).is_err());
        }

        #[test]
        fn a_flipped_bit_on_the_way_never_panics(cut in 0.0..1.0_f64, bit in 0..8_u32, what in 0..6_usize) {
            let state = "{\"format\": 1, \"ports\": [{\"port\": \"quay1\", \"state\": \"proven\", \"since_ms\": 7}]}";
            for text in [RUN, CASE, state] {
                let mut bytes = packed(text);
                let at = (bytes.len() as f64 * cut) as usize;
                bytes[at] ^= 1 << bit;
                let _ = take(&delivered(What::ALL[what].name(), bytes));
            }
        }
    }
}
