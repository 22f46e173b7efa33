//! `turnback fleet token`: who may use the fleet's page and API.

use std::process::ExitCode;

use super::{args::TokenCommand, wait_for, with_config};
use crate::{
    cli::{USAGE, print},
    config::fleet::FleetConfig,
    fleet::{
        error::FleetError,
        view::{
            View,
            tokens::{Role, Token, is_name},
        },
    },
    show::lines::tell,
    show::{lines::output_width, table},
};

/// Makes, lists or revokes tokens.
pub fn run(command: TokenCommand) -> ExitCode {
    match command {
        TokenCommand::Make { name, role, place } => with_config(&place.config, |config| make(&config, &name, role)),
        TokenCommand::List { json, place } => with_config(&place.config, |config| list(&config, json)),
        TokenCommand::Revoke { name, place } => with_config(&place.config, |config| revoke(&config, &name)),
    }
}

fn make(config: &FleetConfig, name: &str, role: Role) -> ExitCode {
    if !is_name(name) {
        tell("error: ", format_args!("name `{name}` is not allowed: 1 to 40 of a-z, 0-9 and -"));
        return ExitCode::from(USAGE);
    }
    // Who made it is on record: the account of this machine.
    let by = std::env::var("SUDO_USER").or_else(|_| std::env::var("USER")).unwrap_or_else(|_| "unknown".into());
    match wait_for(asked(config, async |view| view.make_token(name, role, &by).await)) {
        Ok(Some(secret)) => print(&format!("{secret}\n"), ExitCode::SUCCESS),
        Ok(None) => {
            tell("error: ", format_args!("a token named `{name}` exists; revoke it first, or take another name"));
            ExitCode::from(USAGE)
        }
        Err(code) => code,
    }
}

fn list(config: &FleetConfig, json: bool) -> ExitCode {
    match wait_for(asked(config, async |view| view.tokens().await)) {
        Ok(tokens) if json => print(&format!("{:#}\n", serde_json::json!({ "tokens": tokens })), ExitCode::SUCCESS),
        Ok(tokens) => print(&listed(tokens), ExitCode::SUCCESS),
        Err(code) => code,
    }
}

fn listed(tokens: Vec<Token>) -> String {
    let moment = |ms: Option<i64>| {
        let at = ms.and_then(|ms| jiff::Timestamp::from_millisecond(ms).ok());
        at.map_or_else(|| "never".to_owned(), |at| at.strftime("%Y-%m-%d %H:%M UTC").to_string())
    };
    let row = |token: Token| {
        let (made, used) = (moment(Some(token.made_ms)), moment(token.last_used_ms));
        vec![token.name, token.role.name().to_owned(), token.by, made, used]
    };
    let rows: Vec<Vec<String>> = tokens.into_iter().map(row).collect();
    match rows.is_empty() {
        true => "There is no token.\n".to_owned(),
        false => table::render(&["name", "role", "made by", "made", "last used"], &rows, output_width()),
    }
}

fn revoke(config: &FleetConfig, name: &str) -> ExitCode {
    match wait_for(asked(config, async |view| view.revoke_token(name).await)) {
        Ok(true) => print(&format!("{name} is revoked\n"), ExitCode::SUCCESS),
        Ok(false) => {
            tell("error: ", format_args!("there is no token named `{name}`"));
            ExitCode::from(USAGE)
        }
        Err(code) => code,
    }
}

/// Asks the database, if it has the tables that this program knows.
async fn asked<T>(
    config: &FleetConfig,
    question: impl AsyncFnOnce(&View) -> Result<T, FleetError>,
) -> Result<T, FleetError> {
    let view = View::new(&config.database)?;
    view.check().await?;
    question(&view).await
}
