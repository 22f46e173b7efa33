//! What can go wrong with records, each with the way out.

use std::{io, path::PathBuf};

use rusqlite::ErrorCode;
use thiserror::Error;
use turnback_core::document::{DocumentKind, ReadError};

/// Records could not be kept or read.
#[derive(Debug, Error)]
pub enum ArchiveError {
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
    #[error("the records in {} have format {found}, made by a newer version of this program; this one knows up to \
        {known}", path.display())]
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
    /// No document has this id.
    #[error("{}", none_found(*kind, given))]
    Unknown {
        /// What was looked for; none: any kind of document.
        kind: Option<DocumentKind>,
        /// As given.
        given: String,
    },
    /// It is the id of something else.
    #[error("`{given}` begins the id of a {}, not of a run", kind.name())]
    NotARun {
        /// What it is.
        kind: DocumentKind,
        /// As given.
        given: String,
    },
    /// Several documents have.
    #[error("`{given}` begins the ids of several {}s: {}", kind.name(), ids.join(", "))]
    Ambiguous {
        /// What they are.
        kind: DocumentKind,
        /// As given.
        given: String,
        /// Some of them.
        ids: Vec<String>,
    },
    /// The run is known by its columns only.
    #[error("of run {run} only the columns are recorded, not the report")]
    ColumnsOnly {
        /// The run.
        run: String,
    },
    /// A stored document cannot be read.
    #[error("{} cannot be read", title(*kind, id))]
    Unreadable {
        /// What it is.
        kind: DocumentKind,
        /// Its id.
        id: String,
        /// The cause.
        #[source]
        source: ReadError,
    },
    /// A document cannot be written as JSON.
    #[error("{id} cannot be written as JSON")]
    Json {
        /// Id of the run or case.
        id: String,
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
    /// A run that an open case needs.
    #[error("run {run} is a stage of an open case, so it is kept")]
    RestedOn {
        /// The run.
        run: String,
    },
    /// This machine belongs to no fleet.
    #[error("the records in {} are those of a machine that belongs to no fleet", path.display())]
    NoFleet {
        /// The file.
        path: PathBuf,
    },
    /// The program ended before the archive had answered.
    #[error("the records were not read or written to the end")]
    CutOff,
    /// A place to write to that holds something.
    #[error("{} is there already", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
}

impl ArchiveError {
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
            Self::RestedOn { .. } => {
                "decide or close the case first (`turnback records cases --open` lists them, `isolate --close` closes)"
            }
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
            Self::Database { source, .. } if source.sqlite_error_code() == Some(ErrorCode::CannotOpen) => {
                "is its folder there, and may this user write in it? --store names another file"
            }
            Self::Database { .. } => "is the disk full or failing? `turnback records check` says more",
            Self::Unknown { kind: Some(DocumentKind::Run), .. } => "`turnback records` lists the runs",
            Self::Unknown { kind: Some(DocumentKind::Case), .. } => "`turnback records cases` lists them",
            Self::Unknown { kind: Some(DocumentKind::CardTest), .. } => "`turnback bench lot show LOT` lists the cards",
            Self::Unknown { kind: Some(DocumentKind::Lot), .. } => "`turnback bench lot list` lists them",
            Self::Unknown { kind: None, .. } => "`turnback records` lists the runs, `turnback records cases` the cases",
            Self::NotARun { given, .. } => return Some(format!("`turnback report {given}` shows it")),
            Self::Ambiguous { .. } => "give more of the id",
            Self::Unreadable { source: ReadError::Newer { kind: DocumentKind::Run, .. }, .. } => {
                "use the newer program for this run"
            }
            Self::Unreadable { source: ReadError::Newer { kind: DocumentKind::Case, .. }, .. } => {
                "use the newer program for this case"
            }
            Self::Unreadable { source: ReadError::Newer { .. }, .. } => "use the newer program for it",
            Self::ColumnsOnly { .. } => "it came in as CSV; import the JSON lines of the same runs to complete it",
            Self::Line { .. } => {
                "what came before this line is recorded; mend it and import again, nothing is taken in twice"
            }
            Self::NoFleet { .. } => "start its agent once with [fleet] in its configuration",
            Self::Exists { .. } => "name a file that is not there yet",
            Self::Unreadable { .. } | Self::Json { .. } | Self::NotARecord(_) | Self::CutOff => {
                return None;
            }
        };
        Some(text.to_owned())
    }
}

fn none_found(kind: Option<DocumentKind>, given: &str) -> String {
    match kind {
        Some(kind @ (DocumentKind::CardTest | DocumentKind::Lot)) => {
            format!("no recorded {} has the label `{given}`, or an id that begins so", kind.name())
        }
        Some(kind) => format!("no recorded {} has an id that begins with `{given}`", kind.name()),
        None => format!("no recorded run or case has an id that begins with `{given}`"),
    }
}

fn title(kind: DocumentKind, id: &str) -> String {
    match kind {
        DocumentKind::Run => format!("the report of run {id}"),
        DocumentKind::Case => format!("case {id}"),
        DocumentKind::CardTest => format!("card test {id}"),
        DocumentKind::Lot => format!("lot {id}"),
    }
}
