//! The page of one port: its state, what that rests on and what to do; then how it has been.

use askama::Template;
use axum::{
    Extension,
    extract::{Path, Query, rejection::QueryRejection},
    http::{HeaderMap, StatusCode, Uri},
};
use serde::Deserialize;
use turnback_core::{
    document::run::{Detail, Report},
    judge::Outcome,
    kind::ethernet::link::Medium,
    plan::Profile,
    watch::standing::State,
};

use super::{
    Around, Book, Page, PageError, filled, history,
    line::{self, PortLine},
    now_ms,
    rows::{self, ChangeLine, LiveLine, Measured, RecordRow, WaitingLine},
    words,
};
use crate::{
    daemon::agent::{AgentError, PortView, RecordQuery},
    http::{api::ask, error::ApiError},
    show::plot::Figure,
};

#[derive(Template)]
#[template(path = "http/page/port.html")]
struct Port {
    around: Around,
    line: PortLine,
    view: PortView,
    now_ms: i64,
    since: String,
    /// What its state rests on, in words, and the page of that run.
    ground: Option<(String, String)>,
    /// Until when its proof holds.
    proof: String,
    advice: String,
    /// Why it is so, where the advice does not say that.
    why: String,
    /// Figures that drift, where that is not why.
    drifts: Vec<String>,
    live: Option<LiveLine>,
    waiting: Vec<WaitingLine>,
    profiles: Vec<String>,
    cautions: Vec<[&'static str; 3]>,
    measured: Option<Measured>,
    plots: Vec<Figure>,
    periods: Vec<(String, &'static str, bool)>,
    changes: Vec<ChangeLine>,
    records: Vec<RecordRow>,
    records_href: String,
}

/// The stretch of time that the history shows.
#[derive(Default, Deserialize)]
#[serde(default)]
pub struct Shown {
    past: String,
}

pub async fn view(
    Extension(book): Extension<Book>,
    Path(name): Path<String>,
    headers: HeaderMap,
    uri: Uri,
    shown: Result<Query<Shown>, QueryRejection>,
) -> Page {
    let shown =
        shown.map_err(|e| ApiError::new(StatusCode::BAD_REQUEST, "query-not-understood", e.body_text()))?.0.past;
    let view = found(&book, &name)?;
    let query = RecordQuery { port: Some(name.clone()), limit: HISTORY, ..RecordQuery::default() };
    let (lines, changes, last) = ask(&book.desk, move |desk| {
        let lines = desk.records(&query)?;
        // The newest that measured anything. A record may go while it is looked for.
        let last = lines.iter().find(|line| line.outcome != Outcome::NotTested).and_then(|l| desk.report(&l.run).ok());
        Ok((lines, desk.changes(&name, RECENT as u32)?, last))
    })
    .await?;
    let now_ms = now_ms();
    let mut around = book.around(&headers, &uri, "overview", "");
    let line = PortLine::new(&view, now_ms);
    around.title = format!("{} {}", view.name, line.word);
    (around.watch, around.moving) = (view.name.clone(), true);
    let zone = around.clock.clone();
    let standing = &view.standing;
    let advice = advice(&view, &line);
    let period = history::PERIODS.iter().map(|(word, ..)| *word).find(|word| *word == shown);
    let period = period.unwrap_or_else(|| history::fitting(&lines, now_ms));
    let periods = history::PERIODS.iter();
    filled(&Port {
        since: if standing.since_ms > 0 { words::minute(standing.since_ms, &zone) } else { String::new() },
        ground: standing.rests_on.as_ref().map(|run| {
            let href = run.run.as_ref().map_or(String::new(), |run| words::run_href(run));
            (format!("{}, {} ago", line::rests_on(run), words::age(now_ms - run.at_ms)), href)
        }),
        proof: view.proof_ends_ms.map_or(String::new(), |ends| words::age(ends - now_ms)),
        why: why(&view, &line, &advice),
        drifts: drifts(&view),
        advice,
        live: view.running.as_ref().map(|run| LiveLine::new(run, now_ms)),
        waiting: waiting(&book, &view.name, now_ms),
        profiles: Profile::builtin().into_iter().map(|p| p.name).collect(),
        cautions: rows::cautions(view.kind, medium(&view, last.as_ref())),
        measured: last.map(|report| Measured::new(&report, now_ms)),
        plots: history::figures(&lines, period, now_ms, &zone),
        periods: periods
            .map(|(word, name, _)| (format!("{}?past={word}", line.href), *name, *word == period))
            .collect(),
        changes: ChangeLine::all(changes, now_ms, &zone),
        records: RecordRow::all(&lines[..lines.len().min(RECENT)], &zone),
        records_href: format!("/runs?port={}", words::encoded(&view.name)),
        now_ms,
        around,
        line,
        view,
    })
}

/// A port by name.
///
/// # Errors
/// There is none.
pub fn found(book: &Book, name: &str) -> Result<PortView, PageError> {
    let found = book.desk.ports().into_iter().find(|p| p.name == name);
    let unknown = || ApiError::from(AgentError::Unknown { what: "port", name: name.to_owned() });
    Ok(found.ok_or_else(unknown)?)
}

/// Runs of a port that wait for their turn.
pub fn waiting(book: &Book, port: &str, now_ms: i64) -> Vec<WaitingLine> {
    let queue = book.desk.queue();
    queue.iter().filter(|entry| entry.port == port).map(|entry| WaitingLine::new(entry, now_ms)).collect()
}

/// All that the verdict says to do, or what a list says.
fn advice(view: &PortView, line: &PortLine) -> String {
    if view.diagnosis.is_some() {
        return "Go on with the open case.".to_owned();
    }
    if let Some(traced) = view.traced.as_ref().filter(|_| line.held.needs_attention()) {
        return traced.next.clone();
    }
    if line.held == State::Suspect {
        return line.action.clone();
    }
    let run = view.standing.rests_on.as_ref().filter(|run| line::explains(line.held, run));
    let next = run.map_or("", |run| run.next.as_str());
    if line.held.needs_attention() && view.present && !next.is_empty() {
        return next.to_owned();
    }
    if line.is_proven { format!("Nothing. {}", line.action) } else { line.action.clone() }
}

/// Why the state is as it is; empty where that needs no explanation, or where the advice says it.
fn why(view: &PortView, line: &PortLine, advice: &str) -> String {
    let why = words::sentence(words::plainly(&view.standing.why));
    if line.is_proven || advice.contains(&why) { String::new() } else { why }
}

/// Figures that drift, where neither the reason nor a confirmed fault says more.
fn drifts(view: &PortView) -> Vec<String> {
    let standing = &view.standing;
    let is_news = |drift: &&String| standing.state != State::Failed && !standing.why.contains(*drift);
    view.drifts.iter().filter(is_news).cloned().collect()
}

/// What carries the bits, by the last run or else by the list of ports.
fn medium(view: &PortView, last: Option<&Report>) -> Medium {
    let seen = last.and_then(|report| match &report.detail {
        Detail::Ethernet(detail) => Some(detail.link.medium),
        Detail::Serial(_) => None,
    });
    seen.filter(|medium| *medium != Medium::Unknown).unwrap_or(view.medium)
}

/// Records that the history goes back to.
const HISTORY: u32 = 1000;
/// Records listed on a port's page, and changes.
const RECENT: usize = 12;
