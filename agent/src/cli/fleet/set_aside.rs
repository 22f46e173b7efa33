//! `turnback fleet set-aside`.

use std::process::ExitCode;

use super::wait_for;
use crate::{
    cli::print,
    config::fleet::FleetConfig,
    fleet::{
        collect::set_aside::{self, Line},
        database,
        error::FleetError,
    },
    show::{lines::output_width, table},
};

/// Lists the messages that were set aside, or tries them again.
pub fn run(config: &FleetConfig, retry: bool, json: bool, limit: u32) -> ExitCode {
    let told = wait_for(async {
        match retry {
            true => tried_again(config).await,
            false => listed(config, json, limit).await,
        }
    });
    match told {
        Ok(text) => print(&text, ExitCode::SUCCESS),
        Err(code) => code,
    }
}

async fn listed(config: &FleetConfig, json: bool, limit: u32) -> Result<String, FleetError> {
    let client = database::connect(&config.database).await?;
    database::check_format(&client).await?;
    let lines = set_aside::list(&client, i64::from(limit)).await?;
    if json {
        return Ok(format!("{:#}\n", serde_json::json!({ "set_aside": lines })));
    }
    if lines.is_empty() {
        return Ok("No message is set aside.\n".to_owned());
    }
    let row = |line: Line| {
        vec![
            line.id.to_string(),
            line.set_aside_at,
            line.subject,
            line.tries.to_string(),
            line.bytes.to_string(),
            line.reason,
        ]
    };
    let rows: Vec<Vec<String>> = lines.into_iter().map(row).collect();
    Ok(table::render(&["number", "set aside", "subject", "tries", "bytes", "reason"], &rows, output_width()))
}

async fn tried_again(config: &FleetConfig) -> Result<String, FleetError> {
    let mut client = database::connect(&config.database).await?;
    database::check_format(&client).await?;
    let retried = set_aside::retry(&mut client, config.collect.announce).await?;
    let mut told = format!("taken: {}\nstill set aside: {}\n", retried.taken, retried.refused.len());
    for (id, reason) in retried.refused {
        told.push_str(&format!("  {id}: {reason}\n"));
    }
    Ok(told)
}
