//! `turnback fleet collect`.

use std::{
    process::ExitCode,
    sync::{Arc, atomic::Ordering::Relaxed},
    time::Duration,
};

use tokio::sync::watch;

use super::{stop_at_signal, wait_for};
use crate::{
    config::fleet::FleetConfig,
    daemon::announce::fleet::announce_for_ever,
    error_chain::with_causes,
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
    stop_at_signal(ended);
    let counts = Arc::new(Counts::default());
    tokio::spawn(tell_for_ever(Arc::clone(&counts)));
    let config = Arc::new(config);
    if !config.targets.is_empty() {
        tokio::spawn(announce(Arc::clone(&config), stop.clone()));
    }
    collect::collect(config, counts, stop).await
}

async fn announce(config: Arc<FleetConfig>, stop: watch::Receiver<bool>) {
    if let Err(error) = announce_for_ever(config, stop).await {
        tracing::error!(error = with_causes(&error), hint = error.hint(), "nothing will be announced");
    }
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
