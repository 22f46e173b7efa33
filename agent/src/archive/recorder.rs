//! Records the runs of one command. Records never stand in the way of a run: what could not be kept is said, and the
//! run goes on.

use std::path::PathBuf;

use turnback_core::document::Document;

use super::{Archive, error::ArchiveError, sqlite::Store};

/// Records the runs of one command.
pub struct Recorder {
    file: Option<PathBuf>,
    state: State,
}

enum State {
    /// Nobody wants a record.
    Off,
    Unopened,
    Open(Box<Store>),
    /// The file could not be opened.
    Failed,
}

/// Why a run is not recorded.
#[derive(Debug)]
pub enum NotRecorded {
    /// The archive could not be opened, as [`Recorder::open`] has said.
    NotOpened,
    /// It cannot be written.
    Unwritten(ArchiveError),
}

impl Recorder {
    /// Opens nothing yet. `wanted`: records are to be made, in `file` or in the usual place.
    pub fn new(wanted: bool, file: Option<PathBuf>) -> Self {
        Self { file, state: if wanted { State::Unopened } else { State::Off } }
    }

    /// Opens the archive, once. Done before the run, so that a person who needs the record can still stop it.
    ///
    /// # Errors
    /// It cannot be opened; said once.
    pub fn open(&mut self) -> Result<(), ArchiveError> {
        if !matches!(self.state, State::Unopened) {
            return Ok(());
        }
        self.state = State::Failed;
        self.state = State::Open(Box::new(Store::open_at(self.file.as_deref())?));
        Ok(())
    }

    /// The archive, once it is open.
    pub fn archive(&self) -> Option<&Store> {
        match &self.state {
            State::Open(store) => Some(store),
            State::Off | State::Unopened | State::Failed => None,
        }
    }

    /// Records a document.
    ///
    /// # Errors
    /// [`NotRecorded`].
    pub fn record(&mut self, document: &Document) -> Result<(), NotRecorded> {
        match &mut self.state {
            State::Off => Ok(()),
            State::Open(store) => store.put(document).map_err(NotRecorded::Unwritten),
            State::Unopened | State::Failed => Err(NotRecorded::NotOpened),
        }
    }
}
