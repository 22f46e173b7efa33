//! One thread owns the records of a process that never ends; the others hand it their work.
//!
//! Writes wait for the disk and for other processes: a thread that drives a port must not.

use std::{
    sync::mpsc::{SyncSender, sync_channel},
    thread::{Builder, JoinHandle},
};

use super::Store;
use crate::archive::error::StoreError;

type Work = Box<dyn FnOnce(&mut Store) + Send>;

/// A handle to the thread; all handles gone, it finishes what it was handed and ends.
#[derive(Clone, Debug)]
pub struct StoreHandle {
    work: SyncSender<Work>,
}

/// Gives the records a thread of their own.
///
/// # Errors
/// When no thread can be started.
pub fn start(mut store: Store) -> std::io::Result<(StoreHandle, JoinHandle<()>)> {
    let (work, todo) = sync_channel::<Work>(WAITING_MAX);
    let thread = Builder::new().name("records".into()).spawn(move || {
        for work in todo {
            work(&mut store);
        }
    })?;
    Ok((StoreHandle { work }, thread))
}

impl StoreHandle {
    /// Does `work` on the thread of the records and waits for its result. Blocks: not for an async task.
    ///
    /// # Errors
    /// [`StoreError::Closed`] when the thread has ended; what `work` says otherwise.
    pub fn with<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Store) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        let (done, result) = sync_channel(1);
        let work: Work = Box::new(move |store| {
            // Whoever asked may have gone meanwhile; the work is done anyway.
            let _ = done.send(work(store));
        });
        self.work.send(work).map_err(|_| StoreError::Closed)?;
        result.recv().map_err(|_| StoreError::Closed)?
    }
}

/// Pieces of work that may wait; who hands in more waits himself.
const WAITING_MAX: usize = 64;
