//! What a view shows, as CSV (RFC 4180) for a spreadsheet.

use axum::{Extension, response::Response};

use super::{
    Book,
    query::{self, Asked, fields},
};
use crate::{
    fleet::view::{LIST_MAX, ports::Port},
    http::page::{cover::PageError, table::written, words},
};

type Table = Result<Response, PageError>;

/// Ports, narrowed down as on their list: all of them, page by page.
pub async fn ports(Extension(book): Extension<Book>, asked: Asked<query::Ports>) -> Table {
    let mut narrowed = fields(asked)?.narrowed()?;
    let columns = [
        "site",
        "machine",
        "port",
        "state",
        "since",
        "cabinet",
        "cable",
        "label",
        "address",
        "needs attention",
        "why",
        "location",
        "next action",
        "last proven",
        "proof ends",
        "machine heard",
    ];
    let mut rows = Vec::new();
    while rows.len() < ROWS_MAX {
        let found = book.view.ports(&narrowed, LIST_MAX).await?;
        let full = found.len() == LIST_MAX as usize;
        narrowed.after = found.last().map(|port| (port.rank, port.id));
        rows.extend(found.into_iter().map(port_row));
        if !full {
            break;
        }
    }
    written("ports.csv", &columns, rows.into_iter())
}

fn port_row(port: Port) -> Vec<String> {
    vec![
        port.site,
        port.machine,
        port.port,
        port.state,
        time(port.since_ms),
        port.cabinet.unwrap_or_default(),
        port.cable.unwrap_or_default(),
        port.label.unwrap_or_default(),
        port.permanent_address.unwrap_or_default(),
        yes(port.needs_attention),
        port.why,
        port.location.join(","),
        port.next_action.unwrap_or_default(),
        time(port.proven_ms),
        time(port.proof_ends_ms),
        time(Some(port.heard_ms)),
    ]
}

/// Machines, narrowed down as on their list.
pub async fn machines(Extension(book): Extension<Book>, asked: Asked<query::Machines>) -> Table {
    let narrowed = fields(asked)?.narrowed()?;
    let found = book.view.machines(&narrowed, ROWS_MAX as u32).await?;
    let columns = [
        "site",
        "machine",
        "heard",
        "silent",
        "ports",
        "needs attention",
        "not sent",
        "given up",
        "program",
        "troubles",
    ];
    let number = |n: Option<i64>| n.map_or(String::new(), |n| n.to_string());
    let rows = found.into_iter().map(|machine| {
        vec![
            machine.site,
            machine.machine,
            time(Some(machine.heard_ms)),
            yes(machine.silent),
            number(machine.ports.map(i64::from)),
            number(machine.needs_attention.map(i64::from)),
            number(machine.waiting),
            number(machine.given_up),
            machine.program.unwrap_or_default(),
            machine.troubles.join("; "),
        ]
    });
    written("machines.csv", &columns, rows)
}

/// What became worse in the last day.
pub async fn failures(Extension(book): Extension<Book>) -> Table {
    let found = book.view.failures(ROWS_MAX as u32).await?;
    let columns = ["at", "received", "site", "machine", "port", "cabinet", "from", "to", "now", "why"];
    let rows = found.into_iter().map(|change| {
        vec![
            time(Some(change.at_ms)),
            time(Some(change.received_ms)),
            change.site,
            change.machine,
            change.port,
            change.cabinet.unwrap_or_default(),
            change.from,
            change.to,
            change.now,
            change.why,
        ]
    });
    written("failures.csv", &columns, rows)
}

/// Runs, narrowed down as on their list.
pub async fn runs(Extension(book): Extension<Book>, asked: Asked<query::Runs>) -> Table {
    let found = book.view.runs(&fields(asked)?.narrowed()?, LIST_MAX).await?;
    let columns = [
        "run",
        "started_at",
        "site",
        "machine",
        "port",
        "address",
        "cable",
        "placement",
        "profile",
        "outcome",
        "location",
        "scope",
        "rule",
        "bit_error_ratio",
        "bit_error_ratio_upper",
        "latency_ns_p50",
    ];
    let number = |value: Option<f64>| value.map_or(String::new(), |value| format!("{value:e}"));
    let rows = found.into_iter().map(|run| {
        vec![
            run.run,
            time(Some(run.started_ms)),
            run.site,
            run.machine,
            run.port,
            run.permanent_address.unwrap_or_default(),
            run.cable.unwrap_or_default(),
            run.placement,
            run.profile,
            run.outcome,
            run.location.join(","),
            run.scope.unwrap_or_default(),
            run.rule.unwrap_or_default(),
            number(run.error_ratio),
            number(run.error_ratio_upper),
            run.latency_ns_p50.map_or(String::new(), |ns| ns.to_string()),
        ]
    });
    written("runs.csv", &columns, rows)
}

fn time(ms: Option<i64>) -> String {
    ms.map_or(String::new(), words::stamp)
}

fn yes(is: bool) -> String {
    if is { "yes" } else { "no" }.to_owned()
}

/// A spreadsheet holds about a million rows; a person reads fewer.
const ROWS_MAX: usize = 200_000;
