//! Ending a run by hand, from any thread or signal.

use std::sync::{
    Arc,
    atomic::{AtomicBool, Ordering},
};

/// A wish to end; clones share it.
#[derive(Clone, Debug, Default)]
pub struct Cancel(Arc<AtomicBool>);

impl Cancel {
    /// Asks the run to end.
    pub fn cancel(&self) {
        self.0.store(true, Ordering::Release);
    }

    /// Whether somebody asked.
    pub fn is_cancelled(&self) -> bool {
        self.0.load(Ordering::Acquire)
    }
}
