//! What waits, packed for the way, a page at a time.

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
    fleet::payload::{PayloadError, pack_document},
};

/// A message ready for the way.
#[derive(Debug)]
pub struct Letter {
    /// What it is.
    pub what: What,
    /// Its id, unique within this machine: one that comes again is the same.
    pub id: String,
    /// What is sent, packed.
    pub bytes: Vec<u8>,
    /// It goes without its series.
    pub without_series: bool,
    /// What is struck out once the stream has it: numbers in the outbox.
    pub entries: Vec<i64>,
}

/// A page of what waits.
#[derive(Debug, Default)]
pub struct Page {
    /// Documents.
    pub letters: Vec<Letter>,
    /// Changes of state with their numbers in the outbox; they go together.
    pub changes: Vec<(i64, StateChange)>,
    /// Numbers of those that are there no more, and need not go.
    pub gone: Vec<i64>,
    /// Numbers of those that cannot go.
    pub hopeless: Vec<i64>,
}

/// Reads and packs what waits longest. *Disk.*
///
/// # Errors
/// The archive cannot be read.
pub fn read(logbook: &dyn Logbook, sender: &Sender, most: u32) -> Result<Page, ArchiveError> {
    let mut page = Page::default();
    for waiting in logbook.waiting(most)? {
        let Waiting { number, kind, document, .. } = waiting;
        if kind == "change" {
            match logbook.recorded_change(&document) {
                Ok(Some(recorded)) => page.changes.push((number, change_of(&recorded, sender, &document))),
                Ok(None) => page.gone.push(number),
                Err(error) => page.give_up(number, &kind, &document, &error),
            }
            continue;
        }
        let kinds = [DocumentKind::Run, DocumentKind::Case, DocumentKind::CardTest, DocumentKind::Lot];
        let Some(known) = kinds.into_iter().find(|known| known.name() == kind) else {
            page.hopeless.push(number);
            continue;
        };
        match logbook.get(known, &document) {
            Ok(found) => match letter(number, &found) {
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
        tracing::error!(kind, document, error = with_causes(error), "it cannot go to the fleet; the records have it");
        self.hopeless.push(number);
    }

    /// The changes as one message; its number and the ports are still to be set.
    pub fn state_message(&self) -> Option<StateMessage> {
        let changes: Vec<StateChange> = self.changes.iter().map(|(_, change)| change.clone()).collect();
        (!changes.is_empty()).then(|| StateMessage { format: FORMAT, changes, ..StateMessage::default() })
    }
}

fn letter(number: i64, document: &Document) -> Result<Letter, PayloadError> {
    let packed = pack_document(document)?;
    let id = match document {
        Document::Run(report) => report.run.clone(),
        Document::Case(case) => revision(&case.case, &case.changed_at, &packed.bytes),
        Document::CardTest(test) => revision(&test.test, &test.changed_at, &packed.bytes),
        Document::Lot(lot) => revision(&lot.lot, &lot.changed_at, &packed.bytes),
    };
    let (bytes, without_series) = (packed.bytes, packed.without_series);
    Ok(Letter { what: What::Document(document.kind()), id, bytes, without_series, entries: vec![number] })
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
        let (first, second) = (letter(1, &Document::Case(case)).unwrap(), letter(2, &Document::Case(later)).unwrap());
        assert_ne!(first.id, second.id);
        assert_eq!(first.id.split('#').next(), second.id.split('#').next());
    }
}
