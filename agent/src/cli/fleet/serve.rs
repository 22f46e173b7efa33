//! `turnback fleet serve`.

use std::process::ExitCode;

use tokio::sync::watch;

use super::stop_at_signal;
use crate::{
    cli::{NOT_TESTED, complain},
    config::fleet::FleetConfig,
    http::fleet::{self, StartError},
    tell::answer,
};

/// Serves page and API until a signal ends it.
pub fn run(config: FleetConfig) -> ExitCode {
    let runtime = match super::runtime() {
        Ok(runtime) => runtime,
        Err(code) => return code,
    };
    let done = runtime.block_on(async {
        let (ended, stop) = watch::channel(false);
        stop_at_signal(ended);
        let (url, served) = fleet::start(&config, false, stop).await?;
        // Data, so on standard output; the page is served where nobody reads it, too.
        let _ = answer(format!("{url}\n").as_bytes());
        let _ = served.await;
        Ok::<_, StartError>(())
    });
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            complain(&error, error.hint());
            ExitCode::from(NOT_TESTED)
        }
    }
}
