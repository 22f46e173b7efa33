//! Chooses the case to work on: a stored one, or a new one.

use turnback_core::document::{Document, DocumentKind, case::Case};

use super::{
    error::CaseError,
    runner::{Opening, open_case},
};
use crate::{
    archive::{Archive, Listed, Query, Sought, record::CaseRow},
    ports::Port,
};

/// Which case is wanted.
#[derive(Clone, Debug)]
pub struct Wanted {
    /// The stored case whose id begins so.
    pub id: Option<String>,
    /// Go on with the open case of this port and cable, if there is one.
    pub go_on: bool,
    /// What a new case is about. Its cable is also that of a stored one; empty, with `id`, for whichever cable.
    pub opening: Opening,
}

/// The case to work on.
#[derive(Clone, Debug)]
pub struct TakenUp {
    /// The case.
    pub case: Case,
    /// It is a stored one.
    pub stored: bool,
    /// Why it had been closed, if it had.
    pub was_closed: Option<String>,
    /// Other open cases of this port, whatever their cables: two cases would move one plug.
    pub left_open: Vec<CaseRow>,
}

/// Takes up the wanted case. A new one is not yet kept.
///
/// # Errors
/// There is no such case, it is about another port or cable, or the archive cannot be read.
pub fn take_up(archive: &(impl Archive + ?Sized), port: &mut dyn Port, wanted: Wanted) -> Result<TakenUp, CaseError> {
    let identity = port.identity();
    let cable = &wanted.opening.cable;
    if let Some(id) = &wanted.id {
        return stored(by_id(archive, id, &identity.name, cable)?, &wanted.opening);
    }
    match archive.latest(&Sought::OpenCase { port: &identity, cable })? {
        Some(Document::Case(case)) if wanted.go_on => stored(*case, &wanted.opening),
        _ => {
            let open = archive.list(Query::Cases { only_open: true }, None)?.into_iter().filter_map(Listed::into_case);
            let left_open = open.filter(|row| row.port == identity.name).collect();
            Ok(TakenUp { case: open_case(port, wanted.opening)?, stored: false, was_closed: None, left_open })
        }
    }
}

/// The stored case whose id begins with `id`, else the open one of this port and cable; none where there is none. The
/// port need not be there any more.
///
/// # Errors
/// As for [`take_up`].
pub fn stored_case(
    archive: &(impl Archive + ?Sized),
    port: &str,
    id: Option<&str>,
    cable: &str,
) -> Result<Option<Case>, CaseError> {
    if let Some(id) = id {
        return by_id(archive, id, port, cable).map(Some);
    }
    let open = archive.list(Query::Cases { only_open: true }, None)?.into_iter().filter_map(Listed::into_case);
    match open.filter(|row| row.port == port).find(|row| row.cable == cable) {
        Some(row) => by_id(archive, &row.case, port, cable).map(Some),
        None => Ok(None),
    }
}

fn by_id(archive: &(impl Archive + ?Sized), id: &str, port: &str, cable: &str) -> Result<Case, CaseError> {
    match archive.find(Some(DocumentKind::Case), id)? {
        Document::Case(case) if case.port.name == port && (cable.is_empty() || case.cable == *cable) => Ok(*case),
        Document::Case(case) => Err(CaseError::OtherCase { case, port: port.to_owned(), cable: cable.to_owned() }),
        other => Err(CaseError::NoCase { id: other.id().to_owned() }),
    }
}

/// A stored case, unless other segments are given than it has. A plug that it does not name yet is taken from there.
fn stored(mut case: Case, opening: &Opening) -> Result<TakenUp, CaseError> {
    if !opening.segments.is_empty() && opening.segments != case.segments {
        let told = |labels: &[String]| if labels.is_empty() { "none".to_owned() } else { labels.join(", ") };
        let (known, given) = (told(&case.segments), told(&opening.segments));
        return Err(CaseError::OtherSegments { case: case.case, known, given });
    }
    if case.plug.is_none() {
        case.plug.clone_from(&opening.plug);
    }
    // Whoever takes a closed case up again wants it open.
    let was_closed = case.closed.take();
    Ok(TakenUp { case, stored: true, was_closed, left_open: Vec::new() })
}
