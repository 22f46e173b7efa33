//! What can go wrong with records, each with the way out.

use std::{io, path::PathBuf};

use rusqlite::ErrorCode;
use thiserror::Error;

/// Records could not be kept or read.
#[derive(Debug, Error)]
pub enum StoreError {
    /// Nothing in the environment says where they could be.
    #[error("no place for records: none of TURNBACK_STORE, XDG_DATA_HOME and HOME is set")]
    Nowhere,
    /// There is no such file.
    #[error("there are no records at {}", path.display())]
    Missing {
        /// Where they were looked for.
        path: PathBuf,
    },
    /// A file or its directory cannot be made, read or written.
    #[error("cannot use {}", path.display())]
    Unusable {
        /// The file or directory.
        path: PathBuf,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// The file is something else.
    #[error("{} holds no records of this program", path.display())]
    NotRecords {
        /// The file.
        path: PathBuf,
    },
    /// Written by a later version of this program.
    #[error("the records in {} have format {found}, made by a newer version of this program; this one knows up to {known}", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its format.
        found: u32,
        /// The newest format known here.
        known: u32,
    },
    /// No room.
    #[error("no room left to write to {}", path.display())]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// Others kept it locked for too long.
    #[error("the records in {} were in use by another process all the time", path.display())]
    Busy {
        /// The file.
        path: PathBuf,
    },
    /// May be read only.
    #[error("the records in {} cannot be changed by this user", path.display())]
    ReadOnly {
        /// The file.
        path: PathBuf,
    },
    /// The file is damaged.
    #[error("the records in {} are damaged", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What the database says.
        #[source]
        source: rusqlite::Error,
    },
    /// Anything else the database says.
    #[error("the records in {} cannot be used", path.display())]
    Database {
        /// The file.
        path: PathBuf,
        /// What it says.
        #[source]
        source: rusqlite::Error,
    },
    /// No run has this id.
    #[error("no recorded run has an id that begins with `{given}`")]
    NoRun {
        /// As given.
        given: String,
    },
    /// Several runs have.
    #[error("`{given}` begins the ids of several runs: {}", runs.join(", "))]
    AmbiguousRun {
        /// As given.
        given: String,
        /// Some of them.
        runs: Vec<String>,
    },
    /// No case has this id.
    #[error("no recorded case has an id that begins with `{given}`")]
    NoCase {
        /// As given.
        given: String,
    },
    /// Several cases have.
    #[error("`{given}` begins the ids of several cases: {}", cases.join(", "))]
    AmbiguousCase {
        /// As given.
        given: String,
        /// Some of them.
        cases: Vec<String>,
    },
    /// A case cannot be read or kept.
    #[error("case {case} cannot be read")]
    CaseDocument {
        /// The case.
        case: String,
        /// The cause.
        #[source]
        source: serde_json::Error,
    },
    /// A later version of this program wrote the case.
    #[error("case {case} has format {found}, made by a newer version of this program; this one knows up to {known}")]
    NewerCase {
        /// The case.
        case: String,
        /// Its format.
        found: u32,
        /// The newest format known here.
        known: u32,
    },
    /// The run is known by its columns only.
    #[error("of run {run} only the columns are recorded, not the report")]
    NoDocument {
        /// The run.
        run: String,
    },
    /// A report cannot be read or kept.
    #[error("the report of run {run} cannot be read")]
    Document {
        /// The run.
        run: String,
        /// The cause.
        #[source]
        source: serde_json::Error,
    },
    /// A report or row that cannot be a record.
    #[error("{0}")]
    NotARecord(String),
    /// A line that cannot be taken in.
    #[error("line {line} of {name}: {cause}")]
    Line {
        /// The file, as given.
        name: String,
        /// Number from 1.
        line: u64,
        /// What is wrong with it.
        cause: String,
    },
    /// A place to write to that holds something.
    #[error("{} is there already", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// The thread that owns the records has ended.
    #[error("the records are closed")]
    Closed,
}

impl StoreError {
    /// Of the database, about the records in `path`.
    pub(super) fn of(path: &std::path::Path, source: rusqlite::Error) -> Self {
        let path = path.to_owned();
        match source.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::Full { path },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy { path },
            Some(ErrorCode::ReadOnly) => Self::ReadOnly { path },
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged { path, source },
            Some(ErrorCode::NotADatabase) => Self::NotRecords { path },
            // We write text only: what is none was damaged since.
            _ if matches!(source, rusqlite::Error::Utf8Error(..)) => Self::Damaged { path, source },
            _ => Self::Database { path, source },
        }
    }

    /// What the person can do about it.
    pub fn hint(&self) -> Option<String> {
        let text = match self {
            Self::Nowhere => "name a file with --store",
            Self::Missing { .. } => "a check makes the file; --store names another",
            Self::Unusable { .. } => "--store names another file; its directory must exist",
            Self::NotRecords { .. } => "--store names another file",
            Self::Newer { .. } => "use the newer program, or name another file with --store; nothing was changed",
            Self::Full { .. } => {
                "make room, or let `turnback records prune` drop old runs; what was recorded before is safe"
            }
            Self::Busy { .. } => "try again; if it stays, look which process holds the file",
            Self::ReadOnly { .. } => "ask its owner, or name a file of your own with --store",
            Self::Damaged { .. } => {
                "`turnback records check` says more; take the newest backup, and import what was exported"
            }
            Self::Database { .. } => "is the disk full or failing? `turnback records check` says more",
            Self::NoRun { .. } => "`turnback records` lists the runs",
            Self::AmbiguousRun { .. } | Self::AmbiguousCase { .. } => "give more of the id",
            Self::NoCase { .. } => "`turnback records cases` lists them",
            Self::NewerCase { .. } => "use the newer program for this case",
            Self::NoDocument { .. } => "it came in as CSV; import the JSON lines of the same runs to complete it",
            Self::Line { .. } => {
                "what came before this line is recorded; mend it and import again, nothing is taken in twice"
            }
            Self::Exists { .. } => "name a file that is not there yet",
            Self::Document { .. } | Self::CaseDocument { .. } | Self::NotARecord(_) | Self::Closed => return None,
        };
        Some(text.to_owned())
    }
}
