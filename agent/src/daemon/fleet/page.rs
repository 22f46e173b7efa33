//! What waits, packed for the way, a page at a time.

use bytes::Bytes;
use data_encoding::HEXLOWER;
use sha2::{Digest, Sha256};
use turnback_core::{
    document::{Document, DocumentKind},
    fleet::{
        FORMAT,
        state::{StateChange, StateMessage},
        subject::{Sender, What},
    },
};

use super::ports::change_of;
use crate::{
    archive::{error::ArchiveError, logbook::Logbook, outbox::Waiting},
    error_chain::with_causes,
    fleet::payload::{self, PayloadError, pack_document},
};

/// A message ready for the way.
#[derive(Debug)]
pub struct Letter {
    /// What it is.
    pub what: What,
    /// Its id, unique within this machine: one that comes again is the same.
    pub id: String,
    /// What is sent, packed.
    pub bytes: Bytes,
    /// It goes without its series.
    pub without_series: bool,
    /// What is struck out once the stream has it: numbers in the outbox.
    pub entries: Vec<i64>,
    /// It was refused and set aside before.
    pub tried_before: bool,
}

impl Letter {
    /// What says the same, or its essence, in smaller messages, for a broker or stream that takes none of this size. A
    /// document goes without its series, changes go in halves; none: it cannot be made smaller.
    pub fn shorter(&self) -> Vec<Self> {
        let with = |id, bytes: Vec<u8>, entries: &[i64], without_series| Self {
            what: self.what,
            id,
            bytes: bytes.into(),
            without_series,
            entries: entries.to_vec(),
            tried_before: self.tried_before,
        };
        match self.what {
            What::Document(_) if !self.without_series => {
                let shorter = payload::without_series(&self.bytes);
                shorter.map(|bytes| with(self.id.clone(), bytes, &self.entries, true)).into_iter().collect()
            }
            What::State if self.entries.len() > 1 => {
                let text = payload::unpack(&self.bytes, payload::MESSAGE_PLAIN_MAX).unwrap_or_default();
                let Ok(message) = serde_json::from_str::<StateMessage>(&text) else { return Vec::new() };
                let middle = self.entries.len() / 2;
                let half = |name: &str, entries: &[i64], changes: &[StateChange]| {
                    let bytes = payload::pack(&StateMessage { changes: changes.to_vec(), ..message.clone() }).ok()?;
                    Some(with(format!("{}{name}", self.id), bytes, entries, false))
                };
                let ((first, second), (early, late)) =
                    (self.entries.split_at(middle), message.changes.split_at(middle.min(message.changes.len())));
                [half("a", first, early), half("b", second, late)].into_iter().flatten().collect()
            }
            _ => Vec::new(),
        }
    }
}

/// A page of what waits.
#[derive(Debug, Default)]
pub struct Page {
    /// Documents.
    pub letters: Vec<Letter>,
    /// Changes of state with their numbers in the outbox; they go together.
    pub changes: Vec<(i64, StateChange)>,
    /// Some of the changes were refused and set aside before.
    pub changes_tried: bool,
    /// Numbers of those that are there no more, and need not go.
    pub gone: Vec<i64>,
    /// Numbers of those that cannot go, and why.
    pub hopeless: Vec<(i64, String)>,
}

/// Reads and packs what waits longest. *Disk.*
///
/// # Errors
/// The archive cannot be read.
pub fn read(logbook: &dyn Logbook, sender: &Sender, most: u32) -> Result<Page, ArchiveError> {
    let mut page = Page::default();
    for waiting in logbook.waiting(most)? {
        let Waiting { number, kind, document, tries, .. } = waiting;
        if kind == "change" {
            match logbook.recorded_change(&document) {
                Ok(Some(recorded)) => {
                    page.changes.push((number, change_of(&recorded, sender, &document)));
                    page.changes_tried |= tries > 0;
                }
                Ok(None) => page.gone.push(number),
                Err(error) => page.give_up(number, &kind, &document, &error),
            }
            continue;
        }
        let kinds = [DocumentKind::Run, DocumentKind::Case, DocumentKind::CardTest, DocumentKind::Lot];
        let Some(known) = kinds.into_iter().find(|known| known.name() == kind) else {
            page.hopeless.push((number, format!("this program knows no document of the kind `{kind}`")));
            continue;
        };
        match logbook.get(known, &document) {
            Ok(found) => match letter(number, &found, tries > 0) {
                Ok(letter) => page.letters.push(letter),
                Err(error) => page.give_up(number, &kind, &document, &error),
            },
            Err(ArchiveError::Unknown { .. } | ArchiveError::ColumnsOnly { .. }) => page.gone.push(number),
            Err(error @ ArchiveError::Unreadable { .. }) => page.give_up(number, &kind, &document, &error),
            Err(error) => return Err(error),
        }
    }
    Ok(page)
}

impl Page {
    /// Nothing waits.
    pub fn is_empty(&self) -> bool {
        self.letters.is_empty() && self.changes.is_empty() && self.gone.is_empty() && self.hopeless.is_empty()
    }

    fn give_up(&mut self, number: i64, kind: &str, document: &str, error: &(dyn std::error::Error + 'static)) {
        let reason = with_causes(error);
        tracing::error!(kind, document, reason, "it cannot go to the fleet; the records have it");
        self.hopeless.push((number, reason));
    }

    /// The changes as one message; its number and the ports are still to be set.
    pub fn state_message(&self) -> Option<StateMessage> {
        let changes: Vec<StateChange> = self.changes.iter().map(|(_, change)| change.clone()).collect();
        (!changes.is_empty()).then(|| StateMessage { format: FORMAT, changes, ..StateMessage::default() })
    }
}

fn letter(number: i64, document: &Document, tried_before: bool) -> Result<Letter, PayloadError> {
    let packed = pack_document(document)?;
    let id = match document {
        Document::Run(report) => report.run.clone(),
        Document::Case(case) => revision(&case.case, &case.changed_at, &packed.bytes),
        Document::CardTest(test) => revision(&test.test, &test.changed_at, &packed.bytes),
        Document::Lot(lot) => revision(&lot.lot, &lot.changed_at, &packed.bytes),
    };
    // Sent again on demand it is another entry and another message: the broker must not take it for one that it has
    // given to a database that is lost.
    let id = format!("{id}~{number}");
    let (bytes, without_series) = (packed.bytes.into(), packed.without_series);
    Ok(Letter { what: What::Document(document.kind()), id, bytes, without_series, entries: vec![number], tried_before })
}

/// A document that changes is another message after each change. `changed_at` tells whole seconds, and a person can do
/// two things in one: the content tells them apart.
fn revision(id: &str, changed_at: &str, bytes: &[u8]) -> String {
    let digest = Sha256::digest(bytes);
    let short = HEXLOWER.encode(&digest[..4]);
    format!("{id}@{changed_at}#{short}")
}

#[cfg(test)]
mod tests {
    use super::*;

    const CASE: &str = include_str!("../../../../tests/fixtures/format1/case.json");

    #[test]
    fn two_revisions_of_one_second_are_two_messages() {
        let Ok(Document::Case(case)) = Document::read(CASE) else { panic!("a case") };
        let mut later = case.clone();
        later.closed = Some("the cable was replaced".into());
        let letter = |number, case| letter(number, &Document::Case(case), false).unwrap();
        let again = letter(2, case.clone());
        let (first, second) = (letter(1, case), letter(1, later));
        assert_ne!(first.id, again.id, "what somebody wants sent again is no duplicate");
        assert_ne!(first.id, second.id);
        assert_eq!(first.id.split('#').next(), second.id.split('#').next());
    }

    #[test]
    fn changes_that_are_too_many_for_one_message_go_in_halves_and_none_is_left_out() {
        let change = |n: i64| StateChange { id: format!("change-{n}"), at_ms: n, ..StateChange::default() };
        let message = StateMessage { format: FORMAT, changes: (0..5).map(change).collect(), ..StateMessage::default() };
        let bytes = payload::pack(&message).unwrap().into();
        let whole = Letter {
            what: What::State,
            id: "changes-7".into(),
            bytes,
            without_series: false,
            entries: vec![10, 11, 12, 13, 14],
            tried_before: true,
        };
        let (mut queue, mut single) = (vec![whole], Vec::new());
        while let Some(letter) = queue.pop() {
            let shorter = letter.shorter();
            assert!(letter.tried_before && (shorter.len() == 2 || letter.entries.len() == 1));
            if shorter.is_empty() {
                let text = payload::unpack(&letter.bytes, payload::MESSAGE_PLAIN_MAX).unwrap();
                let message: StateMessage = serde_json::from_str(&text).unwrap();
                single.push((letter.entries[0], message.changes[0].id.clone(), letter.id));
            }
            queue.extend(shorter);
        }
        single.sort();
        let told: Vec<(i64, &str)> = single.iter().map(|(entry, change, _)| (*entry, change.as_str())).collect();
        assert_eq!(told, [(10, "change-0"), (11, "change-1"), (12, "change-2"), (13, "change-3"), (14, "change-4")]);
        let ids: std::collections::BTreeSet<&str> = single.iter().map(|(.., id)| id.as_str()).collect();
        assert_eq!(ids.len(), 5, "the broker takes two messages with one id for one");
    }
}
