//! The agent's records as an archive of the bench. The agent's other parts use them in between.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use turnback_core::document::{Document, DocumentKind};

use crate::archive::{Archive, Listed, Query, Sought, error::ArchiveError, logbook::Logbook};

/// The records, taken for one call at a time.
pub struct Records(pub Arc<Mutex<Box<dyn Logbook>>>);

impl Records {
    /// The logbook, for one call.
    pub fn logbook(&self) -> MutexGuard<'_, Box<dyn Logbook>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Archive for Records {
    fn put(&mut self, document: &Document) -> Result<(), ArchiveError> {
        self.logbook().put(document)
    }

    fn get(&self, kind: DocumentKind, id: &str) -> Result<Document, ArchiveError> {
        self.logbook().get(kind, id)
    }

    fn find(&self, kind: Option<DocumentKind>, beginning: &str) -> Result<Document, ArchiveError> {
        self.logbook().find(kind, beginning)
    }

    fn list(&self, query: Query<'_>, limit: Option<u64>) -> Result<Vec<Listed>, ArchiveError> {
        self.logbook().list(query, limit)
    }

    fn latest(&self, sought: &Sought<'_>) -> Result<Option<Document>, ArchiveError> {
        self.logbook().latest(sought)
    }
}
