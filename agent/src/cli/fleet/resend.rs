//! `turnback fleet resend`.

use std::{path::Path, process::ExitCode};

use crate::{
    archive::{location, outbox::FleetOutbox, sqlite::Store},
    cli::{NOT_TESTED, USAGE, complain, print},
    show::lines::tell,
};

/// Enters again what was recorded since a moment.
pub fn run(since: &str, store: Option<&Path>) -> ExitCode {
    let Ok(since) = since.parse::<jiff::Timestamp>() else {
        tell("error: ", format_args!("--since `{since}` is no time with zone, such as 2026-03-01T08:00:00Z"));
        return ExitCode::from(USAGE);
    };
    let entered = location::path(store)
        .and_then(|path| Store::open_existing(&path))
        .and_then(|mut store| store.enter_again(since.as_millisecond()));
    match entered {
        Ok(count) => print(&format!("{count} documents and changes wait to be sent again\n"), ExitCode::SUCCESS),
        Err(error) => {
            complain(&error, error.hint());
            ExitCode::from(NOT_TESTED)
        }
    }
}
