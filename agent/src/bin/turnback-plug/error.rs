//! Why a plug could not start or go on, and why a command did not reach it.

use std::io;

use crate::fault::FaultError;

/// A failure of the program, as opposed to a command that a running plug refuses.
#[derive(Debug, thiserror::Error)]
pub enum PlugError {
    /// The faults asked for at the start do not fit together.
    #[error(transparent)]
    Fault(#[from] FaultError),
    /// The kernel refused something.
    #[error("cannot {task}")]
    System {
        /// What the program was about to do, such as "open the TAP device quay0".
        task: String,
        /// The kernel's reason.
        source: io::Error,
    },
    /// The plug did not answer a command.
    #[error("the plug at {path} {happened}")]
    Silent {
        /// The control socket.
        path: String,
        /// What the plug did instead.
        happened: &'static str,
    },
}

/// Turns the kernel's reason into an error that names the task: `open(..).map_err(cannot("open the file"))`.
pub fn cannot(task: impl Into<String>) -> impl FnOnce(io::Error) -> PlugError {
    |source| PlugError::System { task: task.into(), source }
}
