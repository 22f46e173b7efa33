//! Ends a run early, from any thread or signal handler.

use std::sync::{
    Arc,
    atomic::{AtomicBool, Ordering},
};

/// A request to end a run. Clones share it.
#[derive(Clone, Debug, Default)]
pub struct Cancel(Arc<AtomicBool>);

impl Cancel {
    /// Asks the run to end.
    pub fn cancel(&self) {
        self.0.store(true, Ordering::Release);
    }

    /// The flag itself, for a signal handler, which sets it to true.
    pub fn flag(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.0)
    }

    /// Whether the run was asked to end.
    pub fn is_cancelled(&self) -> bool {
        self.0.load(Ordering::Acquire)
    }
}
