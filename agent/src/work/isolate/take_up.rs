//! Chooses the case to work on: a stored one, or a new one.

use turnback_core::document::{Document, DocumentKind, case::Case};

use super::{
    error::CaseError,
    runner::{Opening, open_case},
};
use crate::{
    archive::{Archive, Sought},
    ports::Port,
};

/// Which case is wanted.
#[derive(Clone, Debug)]
pub struct Wanted {
    /// The stored case whose id begins so.
    pub id: Option<String>,
    /// Go on with the open case of this port and cable, if there is one.
    pub go_on: bool,
    /// What a new case is about; its cable is also that of a stored one.
    pub opening: Opening,
}

/// The case to work on.
#[derive(Clone, Debug)]
pub struct TakenUp {
    /// The case.
    pub case: Case,
    /// Id of an older case of this port and cable that stays open.
    pub left_open: Option<String>,
}

/// Takes up the wanted case. A new one is not yet kept.
///
/// # Errors
/// There is no such case, it is about another port or cable, or the archive cannot be read.
pub fn take_up(archive: &(impl Archive + ?Sized), port: &mut dyn Port, wanted: Wanted) -> Result<TakenUp, CaseError> {
    let identity = port.identity();
    let cable = &wanted.opening.cable;
    if let Some(id) = &wanted.id {
        return match archive.find(Some(DocumentKind::Case), id)? {
            Document::Case(case) if case.port.name == identity.name && case.cable == *cable => {
                Ok(TakenUp { case: *case, left_open: None })
            }
            Document::Case(case) => Err(CaseError::OtherCase { case, port: identity.name, cable: cable.clone() }),
            Document::Run(report) => Err(CaseError::NoCase { id: report.run }),
        };
    }
    let open = match archive.latest(&Sought::OpenCase { port: &identity, cable })? {
        Some(Document::Case(open)) => Some(open),
        Some(Document::Run(_)) | None => None,
    };
    match open {
        Some(case) if wanted.go_on => Ok(TakenUp { case: *case, left_open: None }),
        open => Ok(TakenUp { case: open_case(port, wanted.opening)?, left_open: open.map(|case| case.case) }),
    }
}
