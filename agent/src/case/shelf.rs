//! Where cases are kept, and what earlier runs can lend to a case.

use std::{
    collections::HashMap,
    fs,
    io::{self, Write},
    path::{Path, PathBuf},
};

use thiserror::Error;
use turnback_core::{
    case::{Case, CaseState},
    link::Placement,
    report::{PortIdentity, Report},
};

use crate::{
    guard::state::{self, StateError},
    store::StoreError,
};

/// Keeps cases and the runs of their stages.
pub trait CaseShelf {
    /// Keeps the case as it is now, in full or not at all.
    ///
    /// # Errors
    /// When it cannot be written: the case goes on, and the caller says that it will not survive the program.
    fn save(&mut self, case: &Case) -> Result<(), ShelfError>;
    /// The case whose id begins like this.
    ///
    /// # Errors
    /// None, several, or unreadable.
    fn load(&self, id: &str) -> Result<Case, ShelfError>;
    /// The open case of this port and cable that was changed last.
    ///
    /// # Errors
    /// When the shelf cannot be read.
    fn open_case(&self, port: &PortIdentity, cable: &str) -> Result<Option<Case>, ShelfError>;
    /// Keeps the report of a stage's run.
    ///
    /// # Errors
    /// As for [`CaseShelf::save`].
    fn keep_run(&mut self, report: &Report) -> Result<(), ShelfError>;
    /// The latest run of a port that fits, not older than `since` (RFC 3339).
    ///
    /// # Errors
    /// When the shelf cannot be read.
    fn latest_run(&self, sought: &Sought<'_>) -> Result<Option<Report>, ShelfError>;
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

impl Sought<'_> {
    /// Whether this run fits.
    pub fn fits(&self, report: &Report) -> bool {
        let far = self.placement == Placement::FarEnd;
        same_port(self.port, &report.port)
            && report.placement == self.placement
            && (!far || (report.cable.as_deref() == self.cable && report.labels.segment.as_deref() == self.segment))
            && not_before(&report.started_at, self.since)
    }
}

/// Whether two identities are of one port.
pub fn same_port(a: &PortIdentity, b: &PortIdentity) -> bool {
    match (&a.permanent_address, &b.permanent_address) {
        (Some(one), Some(other)) => one == other,
        _ => a.name == b.name && a.kind == b.kind,
    }
}

fn not_before(at: &str, since: &str) -> bool {
    match (at.parse::<jiff::Timestamp>(), since.parse::<jiff::Timestamp>()) {
        (Ok(at), Ok(since)) => at >= since,
        _ => false,
    }
}

/// A case cannot be kept or found.
#[derive(Debug, Error)]
pub enum ShelfError {
    /// No case has this id.
    #[error("there is no case `{id}`")]
    Unknown {
        /// As given.
        id: String,
    },
    /// Several cases begin like this.
    #[error("{count} cases begin with `{id}`")]
    Ambiguous {
        /// As given.
        id: String,
        /// How many.
        count: usize,
    },
    /// A newer program wrote it.
    #[error("case {id} is of format {found}, this program reads up to {known}")]
    Newer {
        /// Its id.
        id: String,
        /// Its format.
        found: u32,
        /// The newest known.
        known: u32,
    },
    /// The place for cases cannot be used.
    #[error(transparent)]
    State(#[from] StateError),
    /// The host says no.
    #[error("cannot {action} {}", path.display())]
    Host {
        /// What was tried.
        action: &'static str,
        /// On which file.
        path: PathBuf,
        /// Why not.
        #[source]
        source: io::Error,
    },
    /// The records say no.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// It is no case.
    #[error("{} is not a case", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// Where it stops being one.
        #[source]
        source: serde_json::Error,
    },
}

impl ShelfError {
    /// What the person can do about it.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Unknown { .. } => Some("leave --case out to open a new one".into()),
            Self::Ambiguous { .. } => Some("give more of the id".into()),
            Self::Newer { .. } => Some("use the newer program for this case".into()),
            Self::Store(error) => error.hint(),
            _ => None,
        }
    }
}

/// A shelf that forgets: for trials, and where nothing may be written.
#[derive(Debug, Default)]
pub struct NoShelf;

impl CaseShelf for NoShelf {
    fn save(&mut self, _: &Case) -> Result<(), ShelfError> {
        Ok(())
    }
    fn load(&self, id: &str) -> Result<Case, ShelfError> {
        Err(ShelfError::Unknown { id: id.to_owned() })
    }
    fn open_case(&self, _: &PortIdentity, _: &str) -> Result<Option<Case>, ShelfError> {
        Ok(None)
    }
    fn keep_run(&mut self, _: &Report) -> Result<(), ShelfError> {
        Ok(())
    }
    fn latest_run(&self, _: &Sought<'_>) -> Result<Option<Report>, ShelfError> {
        Ok(None)
    }
}

/// Cases and runs as JSON files in the state directory.
#[derive(Debug)]
pub struct FileShelf {
    cases: PathBuf,
    runs: PathBuf,
}

impl FileShelf {
    /// In the state directory of this user.
    ///
    /// # Errors
    /// When there is none that can be used.
    pub fn open() -> Result<Self, ShelfError> {
        let state = state::directory()?;
        let shelf = Self { cases: state.join("cases"), runs: state.join("runs") };
        state::make_private(&shelf.cases)?;
        state::make_private(&shelf.runs)?;
        Ok(shelf)
    }

    fn cases(&self) -> Result<HashMap<String, PathBuf>, ShelfError> {
        let listed = fs::read_dir(&self.cases).map_err(host("list", &self.cases))?;
        let ids = listed.flatten().filter_map(|entry| {
            let name = entry.file_name().into_string().ok()?;
            Some((name.strip_suffix(".json")?.to_owned(), entry.path()))
        });
        Ok(ids.collect())
    }
}

fn host<'p>(action: &'static str, path: &'p Path) -> impl FnOnce(io::Error) -> ShelfError + use<'p> {
    move |source| ShelfError::Host { action, path: path.to_owned(), source }
}

fn read_case(path: &Path) -> Result<Case, ShelfError> {
    let text = fs::read_to_string(path).map_err(host("read", path))?;
    let damaged = |source| ShelfError::Damaged { path: path.to_owned(), source };
    // A newer format may hold fields that today's types refuse: its number comes first.
    let value: serde_json::Value = serde_json::from_str(&text).map_err(damaged)?;
    let found = value["format"].as_u64().unwrap_or(0) as u32;
    if found > turnback_core::case::FORMAT {
        let id = value["case"].as_str().unwrap_or_default().to_owned();
        return Err(ShelfError::Newer { id, found, known: turnback_core::case::FORMAT });
    }
    serde_json::from_value(value).map_err(damaged)
}

/// Writes beside, then takes the old one's place: a reader sees one or the other, never a half.
fn write(path: &Path, text: &str) -> Result<(), ShelfError> {
    let beside = path.with_extension("new");
    let written = fs::File::create(&beside).and_then(|mut file| {
        file.write_all(text.as_bytes())?;
        file.sync_all()
    });
    written.map_err(host("write", &beside))?;
    fs::rename(&beside, path).map_err(host("write", path))
}

impl CaseShelf for FileShelf {
    fn save(&mut self, case: &Case) -> Result<(), ShelfError> {
        let path = self.cases.join(format!("{}.json", case.case));
        let text = serde_json::to_string(case).map_err(|source| ShelfError::Damaged { path: path.clone(), source })?;
        write(&path, &text)
    }

    fn load(&self, id: &str) -> Result<Case, ShelfError> {
        let cases = self.cases()?;
        let fits: Vec<&PathBuf> = match cases.get(id) {
            Some(exact) => vec![exact],
            None => cases.iter().filter(|(known, _)| known.starts_with(id)).map(|(_, path)| path).collect(),
        };
        match fits.as_slice() {
            [] => Err(ShelfError::Unknown { id: id.to_owned() }),
            [path] => read_case(path),
            several => Err(ShelfError::Ambiguous { id: id.to_owned(), count: several.len() }),
        }
    }

    fn open_case(&self, port: &PortIdentity, cable: &str) -> Result<Option<Case>, ShelfError> {
        let cases = self.cases()?;
        // One damaged file among them does not hide the rest.
        let open = cases
            .values()
            .filter_map(|path| read_case(path).ok())
            .filter(|case| case.state == CaseState::Open && case.cable == cable && same_port(&case.port, port));
        Ok(open.max_by(|a, b| a.changed_at.cmp(&b.changed_at)))
    }

    fn keep_run(&mut self, report: &Report) -> Result<(), ShelfError> {
        let path = self.runs.join(format!("{}.json", report.run));
        let text =
            serde_json::to_string(report).map_err(|source| ShelfError::Damaged { path: path.clone(), source })?;
        write(&path, &text)
    }

    fn latest_run(&self, sought: &Sought<'_>) -> Result<Option<Report>, ShelfError> {
        let listed = fs::read_dir(&self.runs).map_err(host("list", &self.runs))?;
        let reports = listed.flatten().filter_map(|entry| {
            let text = fs::read_to_string(entry.path()).ok()?;
            serde_json::from_str::<Report>(&text).ok()
        });
        Ok(reports.filter(|report| sought.fits(report)).max_by_key(|r| r.started_at.parse::<jiff::Timestamp>().ok()))
    }
}
