//! What waits to go to the fleet. The archive enters it with each document; see `docs/fleet.md`.

use turnback_core::{fleet::heartbeat::Backlog, watch::standing::Change};

use super::error::ArchiveError;

/// A document or change that waits to go to the fleet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Waiting {
    /// Its number in the outbox: the lower came up earlier.
    pub number: i64,
    /// `run`, `case`, `card-test`, `lot` or `change`.
    pub kind: String,
    /// Id of the document; of a change the number of its row.
    pub document: String,
    /// When it was entered, ms since 1970 UTC.
    pub entered_ms: i64,
    /// How often it was set aside before.
    pub tries: u32,
}

/// What the fleet does not take.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAside {
    /// How many documents and changes are set aside.
    pub count: u64,
    /// Kind and id of the newest of them, and why: `run 01a2…: message size exceeds maximum allowed`.
    pub newest: String,
}

/// A change of state as it is recorded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RecordedChange {
    /// The port.
    pub port: String,
    /// The change.
    pub change: Change,
    /// Drawn once for this archive: with the row's number it makes an id that no other archive gives.
    pub seed: u64,
}

/// What an archive keeps for the fleet. One that belongs to no fleet, and cannot, keeps nothing.
pub trait FleetOutbox {
    /// From now on what this machine (`host` in its reports) records waits for the fleet; none: no more. Returns the
    /// highest number that a message may have had.
    ///
    /// # Errors
    /// It cannot be written.
    fn join_fleet(&mut self, host: Option<&str>) -> Result<i64, ArchiveError> {
        let _ = host;
        Ok(0)
    }

    /// No message has a higher number than this, until it is reserved anew.
    ///
    /// # Errors
    /// It cannot be written; then no message may have it.
    fn reserve_numbers(&mut self, highest: i64) -> Result<(), ArchiveError> {
        let _ = highest;
        Ok(())
    }

    /// What waits, the oldest first.
    ///
    /// # Errors
    /// It cannot be read.
    fn waiting(&self, limit: u32) -> Result<Vec<Waiting>, ArchiveError> {
        let _ = limit;
        Ok(Vec::new())
    }

    /// How much waits; [`Backlog::given_up`] is not known here.
    ///
    /// # Errors
    /// It cannot be read.
    fn backlog(&self) -> Result<Backlog, ArchiveError> {
        Ok(Backlog::default())
    }

    /// The stream has these.
    ///
    /// # Errors
    /// It cannot be written: they will be sent again, under the same ids.
    fn strike_out(&mut self, numbers: &[i64]) -> Result<(), ArchiveError> {
        let _ = numbers;
        Ok(())
    }

    /// The stream does not take these, for the reason beside each. They wait no longer, until they are tried again or
    /// change.
    ///
    /// # Errors
    /// It cannot be written: they will be sent again.
    fn set_aside(&mut self, refused: &[(i64, String)]) -> Result<(), ArchiveError> {
        let _ = refused;
        Ok(())
    }

    /// What is set aside; none if nothing is.
    ///
    /// # Errors
    /// It cannot be read.
    fn aside(&self) -> Result<Option<SetAside>, ArchiveError> {
        Ok(None)
    }

    /// Lets so many of those that are set aside wait again, the least tried first; says how many.
    ///
    /// # Errors
    /// It cannot be written.
    fn try_again(&mut self, most: u32) -> Result<u64, ArchiveError> {
        let _ = most;
        Ok(0)
    }

    /// Gives up the oldest beyond so many, set aside or not; says how many. The records still have them.
    ///
    /// # Errors
    /// It cannot be written.
    fn bound_outbox(&mut self, most: u64) -> Result<u64, ArchiveError> {
        let _ = most;
        Ok(0)
    }

    /// Enters again what was recorded since a moment, ms since 1970 UTC; says how many.
    ///
    /// # Errors
    /// It cannot be written; the machine belongs to no fleet.
    fn enter_again(&mut self, since_ms: i64) -> Result<u64, ArchiveError> {
        let _ = since_ms;
        Ok(0)
    }

    /// A change of state by the number of its row; none if it is there no more.
    ///
    /// # Errors
    /// It cannot be read.
    fn recorded_change(&self, row: &str) -> Result<Option<RecordedChange>, ArchiveError> {
        let _ = row;
        Ok(None)
    }
}
