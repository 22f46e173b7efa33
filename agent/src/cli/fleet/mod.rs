//! `turnback fleet`: one file a command.

mod accounts;
pub mod args;
mod collect;
mod demo;
mod init;
mod resend;
mod serve;
mod set_aside;
mod token;

use std::{future::Future, path::Path, process::ExitCode};

use args::{Fleet, FleetCommand};
use tokio::{
    signal::unix::{SignalKind, signal},
    sync::watch,
};

use super::{NOT_TESTED, USAGE, complain};
use crate::show::lines::tell;
use crate::{config::fleet::FleetConfig, fleet::error::FleetError, secret::SecretError};

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
        FleetCommand::Serve { place } => with_config(&place.config, serve::run),
        FleetCommand::Demo { machines, listen } => demo::run(machines, listen),
        FleetCommand::Token(command) => token::run(command),
        FleetCommand::Resend { since, store } => resend::run(&since, store.as_deref()),
        FleetCommand::SetAside { place, retry, json, limit } => {
            with_config(&place.config, |config| set_aside::run(&config, retry, json, limit))
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
    runtime()?.block_on(work).map_err(|error| failed(&error))
}

fn runtime() -> Result<tokio::runtime::Runtime, ExitCode> {
    let built = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    built.map_err(|error| {
        tell("error: ", format_args!("no thread could be started: {error}"));
        ExitCode::from(NOT_TESTED)
    })
}

/// Says that it is time to stop when a signal asks for it. Until the program ends: whoever asks again is told the same.
fn stop_at_signal(ended: watch::Sender<bool>) {
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
        std::future::pending::<()>().await;
    });
}

fn failed(error: &FleetError) -> ExitCode {
    complain(error, error.hint());
    ExitCode::from(match error {
        FleetError::Differs { .. }
        | FleetError::Secret(SecretError::TooOpen { .. })
        | FleetError::NoCredentials { .. } => USAGE,
        _ => NOT_TESTED,
    })
}
