//! `turnback fleet collect`.

use std::{
    process::ExitCode,
    sync::{Arc, atomic::Ordering::Relaxed},
    time::Duration,
};

use tokio::{
    signal::unix::{SignalKind, signal},
    sync::watch,
};

use super::wait_for;
use crate::{
    config::fleet::FleetConfig,
    fleet::{
        collect::{self, Counts},
        error::FleetError,
    },
};

/// Collects until a signal ends it.
pub fn run(config: FleetConfig) -> ExitCode {
    match wait_for(collect_until_signal(config)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(code) => code,
    }
}

async fn collect_until_signal(config: FleetConfig) -> Result<(), FleetError> {
    let (ended, stop) = watch::channel(false);
    tokio::spawn(async move {
        let (Ok(mut terminate), Ok(mut interrupt)) = (signal(SignalKind::terminate()), signal(SignalKind::interrupt()))
        else {
            return;
        };
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        ended.send_replace(true);
        // Kept until the program ends: whoever asks again is told the same.
        std::future::pending::<()>().await;
    });
    let counts = Arc::new(Counts::default());
    tokio::spawn(tell_for_ever(Arc::clone(&counts)));
    collect::collect(Arc::new(config), counts, stop).await
}

/// One line a minute in which something came.
async fn tell_for_ever(counts: Arc<Counts>) {
    let mut before = 0;
    loop {
        tokio::time::sleep(Duration::from_secs(60)).await;
        let batches = counts.batches.load(Relaxed);
        if batches != before {
            tracing::info!(
                new = counts.new.load(Relaxed),
                known = counts.known.load(Relaxed),
                renewed = counts.renewed.load(Relaxed),
                set_aside = counts.set_aside.load(Relaxed),
                batches,
                "collected"
            );
        }
        before = batches;
    }
}
