//! `turnback fleet init`.

use std::{path::PathBuf, process::ExitCode};

use async_nats::jetstream;

use super::wait_for;
use crate::{
    cli::print,
    config::fleet::FleetConfig,
    fleet::{
        broker::{self, Party, WhenAway, streams},
        database,
        error::FleetError,
    },
};

/// Creates or checks streams and tables.
pub fn run(mut config: FleetConfig, change: bool, credentials: Option<PathBuf>) -> ExitCode {
    if credentials.is_some() {
        config.broker.credentials_file = credentials;
    }
    match wait_for(prepare(&config, change)) {
        Ok(told) => print(&told, ExitCode::SUCCESS),
        Err(code) => code,
    }
}

async fn prepare(config: &FleetConfig, change: bool) -> Result<String, FleetError> {
    let client = broker::connect(&config.broker, &Party::Init, WhenAway::Fail).await?;
    let payload = client.server_info().max_payload;
    let done = streams::prepare(&jetstream::new(client), &config.stream, change).await?;
    let mut told: String = done.into_iter().map(|(what, done)| format!("{what}: {}\n", done.name())).collect();
    if payload < streams::MESSAGE_MAX {
        let most = streams::MESSAGE_MAX;
        told.push_str(&format!(
            "broker: max_payload is {payload}, and a document may have {most}: larger ones will go without their \
             series, or not at all; set it in the broker's own configuration\n",
        ));
    }
    let (before, now) = database::migrate(&config.database).await?;
    told.push_str(&match before {
        0 => format!("tables: created in format {now}\n"),
        before if before == now => format!("tables: in format {now}\n"),
        before => format!("tables: brought from format {before} to {now}\n"),
    });
    Ok(told)
}
