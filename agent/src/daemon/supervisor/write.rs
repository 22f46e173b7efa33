//! Into the logbook, also when it takes nothing for a while.

use std::sync::{Arc, Mutex};

use super::Supervisor;
use crate::{
    archive::logbook::{Entry, Outgoing},
    daemon::{announce::with_logbook, host::Host},
    error_chain::with_causes,
};

impl<S: Host> Supervisor<S> {
    /// Into the logbook; what it cannot take now is kept and tried again.
    pub(super) async fn enter(&mut self, entry: Entry) {
        self.pending.push(entry);
        self.write_pending().await;
    }

    pub(super) async fn write_pending(&mut self) {
        let entries = std::mem::take(&mut self.pending);
        if entries.is_empty() {
            return;
        }
        let left = Arc::new(Mutex::new(Vec::new()));
        let unwritten = Arc::clone(&left);
        let written = with_logbook(&self.shared.logbook, move |logbook| {
            let mut failed = Ok(());
            for entry in entries {
                // The order of a port's entries must not change: after a failure the rest waits too.
                if failed.is_ok() {
                    failed = logbook.enter(&entry);
                }
                if failed.is_err() {
                    unwritten.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push(entry);
                }
            }
            failed
        })
        .await;
        self.pending = std::mem::take(&mut *left.lock().unwrap_or_else(std::sync::PoisonError::into_inner));
        let mut status = self.shared.status();
        match written {
            Ok(()) => {
                let waited = std::mem::take(&mut *self.shared.unstored());
                if !waited.is_empty() {
                    drop(status);
                    self.store(waited).await;
                    status = self.shared.status();
                }
                if status.troubles.remove("store").is_some() {
                    tracing::info!("the store takes records again");
                }
                self.pending_since = None;
            }
            Err(error) => {
                let error = with_causes(&error);
                // It is tried again every few seconds: said once.
                if !status.troubles.contains_key("store") {
                    tracing::error!(error, "the store takes no records; they are kept in memory");
                }
                status.troubles.insert("store", format!("{error}; {} entries wait in memory", self.pending.len()));
                self.pending_since = Some(tokio::time::Instant::now());
                // Alarms do not wait for room on the disk: they are delivered without it.
                self.shared.unstored().extend(self.pending.iter_mut().flat_map(|entry| entry.outgoing.drain(..)));
                self.shared.posted.notify_one();
                // Reports are the bulk: the oldest go first, what is held of ports and announcements never.
                let reports = self.pending.iter().filter(|entry| entry.report.is_some()).count();
                let mut excess = reports.saturating_sub(REPORTS_WAITING_MAX);
                for entry in self.pending.iter_mut().filter(|entry| entry.report.is_some()) {
                    if excess == 0 {
                        break;
                    }
                    tracing::error!(port = entry.port, "a report is lost: the store has taken none for too long");
                    entry.report = None;
                    excess -= 1;
                }
            }
        }
    }

    /// Puts announcements into the outbox that waited in memory.
    async fn store(&mut self, waited: Vec<Outgoing>) {
        let kept = waited.clone();
        if let Err(error) = with_logbook(&self.shared.logbook, move |logbook| logbook.post(&waited)).await {
            tracing::error!(error = with_causes(&error), "announcements stay in memory");
            self.shared.unstored().extend(kept);
        }
    }
}

/// Reports that wait in memory for a store that takes none.
const REPORTS_WAITING_MAX: usize = 200;
