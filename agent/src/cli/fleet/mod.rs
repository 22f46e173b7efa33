//! `turnback fleet`: one file a command.

mod accounts;
pub mod args;
mod collect;
mod init;
mod poison;
mod resend;

use std::{future::Future, path::Path, process::ExitCode};

use args::{Fleet, FleetCommand};

use super::{NOT_TESTED, USAGE, complain};
use crate::{config::fleet::FleetConfig, fleet::error::FleetError};

/// Runs the command.
pub fn run(args: Fleet) -> ExitCode {
    match args.command {
        FleetCommand::Init { place, change, credentials } => {
            with_config(&place.config, |config| init::run(config, change, credentials))
        }
        FleetCommand::Accounts { place, folder, machines } => {
            with_config(&place.config, |config| accounts::run(&config, &folder, &machines))
        }
        FleetCommand::Collect { place } => with_config(&place.config, collect::run),
        FleetCommand::Resend { since, store } => resend::run(&since, store.as_deref()),
        FleetCommand::Poison { place, retry, json, limit } => {
            with_config(&place.config, |config| poison::run(&config, retry, json, limit))
        }
    }
}

/// Reads the configuration, and runs what needs it.
fn with_config(file: &Path, run: impl FnOnce(FleetConfig) -> ExitCode) -> ExitCode {
    match FleetConfig::read(file) {
        Ok(config) => run(config),
        Err(error) => {
            complain(&error, None);
            ExitCode::from(USAGE)
        }
    }
}

/// Runs something that waits for broker and database.
fn wait_for<T>(work: impl Future<Output = Result<T, FleetError>>) -> Result<T, ExitCode> {
    let runtime = match tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            tell!("error: no thread could be started: {error}");
            return Err(ExitCode::from(NOT_TESTED));
        }
    };
    runtime.block_on(work).map_err(|error| failed(&error))
}

fn failed(error: &FleetError) -> ExitCode {
    complain(error, error.hint());
    ExitCode::from(match error {
        FleetError::Differs { .. } | FleetError::TooOpen { .. } | FleetError::NoCredentials { .. } => USAGE,
        _ => NOT_TESTED,
    })
}
