//! Where cases are kept, and what earlier runs can lend to a case.

use turnback_core::{
    base::placement::Placement,
    document::{
        case::Case,
        run::{PortIdentity, Report},
    },
};

use crate::archive::error::StoreError;

/// Keeps cases and the runs of their stages.
pub trait CaseShelf {
    /// Keeps the case as it is now, in full or not at all.
    ///
    /// # Errors
    /// When it cannot be written: the case goes on, and the caller says that it will not survive the program.
    fn save(&mut self, case: &Case) -> Result<(), StoreError>;
    /// The case whose id begins like this.
    ///
    /// # Errors
    /// None, several, or unreadable.
    fn load(&self, id: &str) -> Result<Case, StoreError>;
    /// The open case of this port and cable that was changed last.
    ///
    /// # Errors
    /// When the shelf cannot be read.
    fn open_case(&self, port: &PortIdentity, cable: &str) -> Result<Option<Case>, StoreError>;
    /// Keeps the report of a stage's run.
    ///
    /// # Errors
    /// As for [`CaseShelf::save`].
    fn keep_run(&mut self, report: &Report) -> Result<(), StoreError>;
    /// The latest run of a port that fits, not older than `since` (RFC 3339).
    ///
    /// # Errors
    /// When the shelf cannot be read.
    fn latest_run(&self, sought: &Sought<'_>) -> Result<Option<Report>, StoreError>;
}

/// Which run a stage can be taken from.
#[derive(Clone, Copy, Debug)]
pub struct Sought<'a> {
    /// The port: the same permanent address where both have one, else the same name.
    pub port: &'a PortIdentity,
    /// Where the plug was.
    pub placement: Placement,
    /// Label of the cable, where the plug was at a far end.
    pub cable: Option<&'a str>,
    /// Label of the segment at whose end the plug was.
    pub segment: Option<&'a str>,
    /// No run before this, RFC 3339.
    pub since: &'a str,
}

/// A shelf that forgets: for trials, and where nothing may be written.
#[derive(Debug, Default)]
pub struct NoShelf;

impl CaseShelf for NoShelf {
    fn save(&mut self, _: &Case) -> Result<(), StoreError> {
        Ok(())
    }
    fn load(&self, id: &str) -> Result<Case, StoreError> {
        Err(StoreError::NoCase { given: id.to_owned() })
    }
    fn open_case(&self, _: &PortIdentity, _: &str) -> Result<Option<Case>, StoreError> {
        Ok(None)
    }
    fn keep_run(&mut self, _: &Report) -> Result<(), StoreError> {
        Ok(())
    }
    fn latest_run(&self, _: &Sought<'_>) -> Result<Option<Report>, StoreError> {
        Ok(None)
    }
}
