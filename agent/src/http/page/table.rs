//! What a view shows, as CSV (RFC 4180) for a spreadsheet.

use axum::{
    Extension,
    http::header,
    response::{IntoResponse, Response},
};
use turnback_core::watch::standing::State;

use super::{Book, PageError, now_ms, overview, runs, words};
use crate::{
    daemon::agent::{PortView, RecordLine},
    http::api::ask,
    show::csv,
};

/// A table, or why there is none.
pub type Table = Result<Response, PageError>;

/// Ports, narrowed down as on the overview.
pub(super) async fn ports(Extension(book): Extension<Book>, asked: overview::Asked) -> Table {
    let ports = book.desk.ports();
    let (_, chosen) = overview::chosen(&ports, asked, now_ms())?;
    let columns = [
        "port",
        "state",
        "since",
        "cabinet",
        "cable",
        "label",
        "needs attention",
        "action",
        "note",
        "why",
        "rests on",
        "last proven",
        "proof ends",
        "next due",
    ];
    let time = |ms: Option<i64>| ms.filter(|ms| *ms > 0).map_or(String::new(), words::stamp);
    let row = |(port, line): &(&PortView, super::line::PortLine)| {
        let (labels, standing) = (&port.labels, &port.standing);
        let text = |text: &Option<String>| text.clone().unwrap_or_default();
        let state: State = standing.state;
        vec![
            port.name.clone(),
            state.name().to_owned(),
            time(Some(standing.since_ms)),
            text(&labels.cabinet),
            text(&labels.cable),
            text(&labels.label),
            if port.needs_attention { "yes" } else { "no" }.to_owned(),
            line.action.clone(),
            line.note.clone(),
            standing.why.clone(),
            standing.rests_on.as_ref().map_or(String::new(), super::line::rests_on),
            time(standing.proven_ms),
            time(port.proof_ends_ms),
            time(port.next_due_ms),
        ]
    };
    written("ports.csv", &columns, chosen.iter().map(row))
}

/// Runs, narrowed down as on their list.
pub(super) async fn runs(Extension(book): Extension<Book>, asked: runs::Asked) -> Table {
    let query = runs::narrowed(asked)?.query(RUNS_MAX);
    let lines = ask(&book.desk, move |desk| desk.records(&query)).await?;
    let columns = [
        "run",
        "started_at",
        "port",
        "cable",
        "placement",
        "profile",
        "outcome",
        "location",
        "scope",
        "rule",
        "bit_error_ratio",
        "bit_error_ratio_upper",
        "limit",
        "latency_ns_p50",
    ];
    let row = |line: &RecordLine| {
        let number = |value: Option<f64>| value.map_or(String::new(), |value| format!("{value:e}"));
        let places: Vec<_> = line.location.iter().map(|place| place.name()).collect();
        vec![
            line.run.clone(),
            line.started_at.clone(),
            line.port.clone(),
            line.cable.clone().unwrap_or_default(),
            line.placement.clone(),
            line.profile.clone(),
            line.outcome.name().to_owned(),
            places.join(","),
            line.scope.clone().unwrap_or_default(),
            line.rule.clone().unwrap_or_default(),
            number(line.bit_error_ratio),
            number(line.bit_error_ratio_upper),
            number(line.limit),
            line.latency_ns_p50.map_or(String::new(), |ns| ns.to_string()),
        ]
    };
    written("runs.csv", &columns, lines.iter().map(row))
}

/// A table as the answer to a call.
///
/// # Errors
/// None.
pub fn written(name: &str, columns: &[&str], rows: impl Iterator<Item = Vec<String>>) -> Table {
    let disposition = format!("attachment; filename=\"{name}\"");
    let headers = [(header::CONTENT_TYPE, "text/csv; charset=utf-8"), (header::CONTENT_DISPOSITION, &*disposition)];
    Ok((headers, csv::table(columns, rows)).into_response())
}

/// Most runs of a table: as many as the archive gives at once.
const RUNS_MAX: u32 = 1000;
