//! How a test ends early.

use turnback_core::judge::facts::Stopped;

use crate::{
    engine::CheckError,
    error_chain::with_causes,
    ports::{PortError, inventory::InventoryError},
    work::bench::error::BenchError,
};

/// Why a test ended before it measured what it should.
#[derive(Debug)]
pub(super) enum Halt {
    /// By hand.
    Ended,
    /// For this reason, which says nothing about the card.
    CutOff(String),
    /// The bench itself failed.
    Failed(BenchError),
}

impl Halt {
    /// Of a step that was stopped on a port; none where what it measured stands.
    pub(super) fn of(stopped: Stopped, port: &str) -> Option<Self> {
        let why = match stopped {
            Stopped::ByUser => return Some(Self::Ended),
            // The card answers for its link, and for what comes back.
            Stopped::LinkLost | Stopped::WentSilent => return None,
            Stopped::ForeignTraffic => format!("frames of another station came in at {port}: a plug lets none in"),
            Stopped::PortGone => format!("{port} is gone"),
            Stopped::TakenIntoService => format!("{port} was taken into service"),
            Stopped::Reconfigured => format!("somebody changed the settings of {port}"),
            Stopped::TookTooLong => "this computer had no time for it".to_owned(),
        };
        Some(Self::CutOff(why))
    }
}

impl From<PortError> for Halt {
    fn from(error: PortError) -> Self {
        match error {
            // Nothing on this bench can be tested then.
            PortError::NotPermitted { .. } | PortError::NoAccess { .. } | PortError::Journal(_) => {
                Self::Failed(error.into())
            }
            // A card that dies, or whose driver refuses: the others can still be tested.
            other => Self::CutOff(with_causes(&other)),
        }
    }
}

impl From<BenchError> for Halt {
    fn from(error: BenchError) -> Self {
        match error {
            BenchError::Port(error) | BenchError::Check(CheckError::Port(error)) => error.into(),
            other => Self::Failed(other),
        }
    }
}

impl From<InventoryError> for Halt {
    fn from(error: InventoryError) -> Self {
        Self::Failed(error.into())
    }
}
