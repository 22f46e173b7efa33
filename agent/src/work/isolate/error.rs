//! Why a stage of a case cannot be carried out.

use thiserror::Error;
use turnback_core::document::case::{Case, StageName};

use crate::{archive::error::ArchiveError, engine::CheckError};

/// A stage could not be carried out.
#[derive(Debug, Error)]
pub enum CaseError {
    /// Its check could not be made.
    #[error(transparent)]
    Check(#[from] CheckError),
    /// The rig has no such place.
    #[error("{port} has nothing to arrange for stage {stage}")]
    NoSuchPlace {
        /// The port.
        port: String,
        /// The stage.
        stage: StageName,
    },
    /// The segment is not one of the case.
    #[error("segment `{segment}` is not one of this case's: {known}")]
    NoSuchSegment {
        /// As given.
        segment: String,
        /// What there is.
        known: String,
    },
    /// A port that hears itself through no plug.
    #[error("{port} is two-wire RS-485, which hears itself: no plug can lead a search along its cable")]
    HearsItself {
        /// The port.
        port: String,
    },
    /// Two segments with one label, or one without.
    #[error("segment `{segment}`: every segment needs a label of its own")]
    SegmentTwice {
        /// As given.
        segment: String,
    },
    /// The stored case is about something else.
    #[error("case {} is about {}, not {}", case.case, about(case), meant(case, port, cable))]
    OtherCase {
        /// The case.
        case: Box<Case>,
        /// The port that was named.
        port: String,
        /// The cable that was named; empty if none was.
        cable: String,
    },
    /// A run on this port would be refused; said before anything is moved.
    #[error("{port} cannot be tested now: {}", reasons.join("; "))]
    NotReady {
        /// The port.
        port: String,
        /// Why not, each with the way out.
        reasons: Vec<String>,
    },
    /// The stored case has other segments.
    #[error(
        "the open case {case} has the segments {known}, not {given}: leave --segments out to go on with it, or open \
         another case with --new"
    )]
    OtherSegments {
        /// Id of the case.
        case: String,
        /// Its segments.
        known: String,
        /// As given.
        given: String,
    },
    /// A run was found under the id of a case.
    #[error("{id} is the id of a run, not of a case")]
    NoCase {
        /// The id.
        id: String,
    },
    /// The archive cannot be used.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
    /// Ended by hand.
    #[error("ended by hand; the case is kept")]
    Ended,
}

fn about(case: &Case) -> String {
    format!("{} and cable {}", case.port.name, case.cable)
}

/// What was named that the case is not about.
fn meant(case: &Case, port: &str, cable: &str) -> String {
    match (case.port.name == port, cable.is_empty() || case.cable == cable) {
        (true, _) => format!("cable {cable}"),
        (false, true) => port.to_owned(),
        (false, false) => format!("{port} and cable {cable}"),
    }
}
