//! Runs: those on record, and one of them, which may still be on or wait for its turn.

use askama::Template;
use axum::{
    Extension,
    extract::{Path, Query, rejection::QueryRejection},
    http::{HeaderMap, StatusCode, Uri},
    response::Html,
};
use serde::Deserialize;
use turnback_core::judge::Outcome;

use super::{
    Around, Book, Page, PageError, filled, laid_out, now_ms,
    port::waiting,
    rows::{LiveLine, RecordRow, WaitingLine},
    words,
};
use crate::{
    daemon::agent::RecordQuery,
    http::{api::ask, error::ApiError},
    show::sheet::{self, layout::Trail},
};

#[derive(Template)]
#[template(path = "http/page/runs.html")]
struct Runs {
    around: Around,
    live: Vec<LiveLine>,
    waiting: Vec<WaitingLine>,
    records: Vec<RecordRow>,
    narrowed: Narrowed,
    outcomes: [(&'static str, &'static str); 5],
    older: Option<String>,
    csv: String,
}

/// What a list of runs is narrowed to; fields of a form, so that empty means all.
#[derive(Clone, Default, Deserialize)]
#[serde(default)]
pub struct Narrowed {
    port: String,
    cable: String,
    outcome: String,
    before: String,
}

/// The query of a list of runs.
pub type Asked = Result<Query<Narrowed>, QueryRejection>;

const OUTCOMES: [Outcome; 4] = [Outcome::Fault, Outcome::Undecided, Outcome::Pass, Outcome::NotTested];
const PAGE_OF_RECORDS: u32 = 50;

impl Narrowed {
    /// As the agent is asked for it.
    pub fn query(&self, limit: u32) -> RecordQuery {
        let given = |text: &String| (!text.trim().is_empty()).then(|| text.trim().to_owned());
        RecordQuery {
            port: given(&self.port),
            cable: given(&self.cable),
            outcome: OUTCOMES.into_iter().find(|outcome| outcome.name() == self.outcome),
            before: given(&self.before),
            limit,
        }
    }

    fn href(&self, path: &str, before: &str) -> String {
        let pairs = [("port", &*self.port), ("cable", &self.cable), ("outcome", &self.outcome), ("before", before)];
        let pairs: Vec<_> = pairs.iter().map(|(name, value)| format!("{name}={}", words::encoded(value))).collect();
        format!("{path}?{}", pairs.join("&"))
    }

    fn is_all(&self) -> bool {
        self.port.is_empty() && self.cable.is_empty() && self.outcome.is_empty()
    }
}

/// A query, or why it is none.
///
/// # Errors
/// It is not understood.
pub fn narrowed(asked: Asked) -> Result<Narrowed, PageError> {
    let wrong = |e: QueryRejection| ApiError::new(StatusCode::BAD_REQUEST, "query-not-understood", e.body_text());
    Ok(asked.map_err(wrong)?.0)
}

pub async fn list(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri, asked: Asked) -> Page {
    let narrowed = narrowed(asked)?;
    let query = narrowed.query(PAGE_OF_RECORDS);
    let lines = ask(&book.desk, move |desk| desk.records(&query)).await?;
    let full = lines.len() == PAGE_OF_RECORDS as usize;
    let mut around = book.around(&headers, &uri, "runs", "Runs");
    around.moving = true;
    let now_ms = now_ms();
    filled(&Runs {
        live: book.desk.ports().iter().filter_map(|p| p.running.as_ref()).map(|r| LiveLine::new(r, now_ms)).collect(),
        waiting: book.desk.queue().iter().map(|entry| WaitingLine::new(entry, now_ms)).collect(),
        records: RecordRow::all(&lines, &around.clock),
        outcomes: [
            ("", "any"),
            (OUTCOMES[0].name(), words::outcome(OUTCOMES[0])),
            (OUTCOMES[1].name(), words::outcome(OUTCOMES[1])),
            (OUTCOMES[2].name(), words::outcome(OUTCOMES[2])),
            (OUTCOMES[3].name(), words::outcome(OUTCOMES[3])),
        ],
        older: lines.last().filter(|_| full).map(|last| narrowed.href("/runs", &last.run)),
        csv: narrowed.href("/runs.csv", &narrowed.before),
        narrowed,
        around,
    })
}

#[derive(Template)]
#[template(path = "http/page/live.html")]
struct Live {
    around: Around,
    run: String,
    port: String,
    port_href: String,
    /// None while it waits for its turn.
    live: Option<LiveLine>,
    waits: String,
}

/// The port a run was asked for.
#[derive(Default, Deserialize)]
#[serde(default)]
pub struct Port {
    port: String,
}

/// A run: its report, or how it goes, or that it waits.
pub async fn one(
    Extension(book): Extension<Book>,
    Path(run): Path<String>,
    headers: HeaderMap,
    uri: Uri,
    asked: Result<Query<Port>, QueryRejection>,
) -> Page {
    let ports = book.desk.ports();
    let live = ports.iter().filter_map(|p| p.running.as_ref()).find(|r| r.run == run);
    let mut around = book.around(&headers, &uri, "runs", "Run");
    around.moving = true;
    let shown = |mut around: Around, port: &str, live: Option<LiveLine>, waits: String| {
        around.title = format!("Run of {port}");
        around.watch = port.to_owned();
        filled(&Live {
            around,
            run: run.clone(),
            port: port.to_owned(),
            port_href: words::port_href(port),
            live,
            waits,
        })
    };
    if let Some(live) = live {
        return shown(around, &live.port, Some(LiveLine::new(live, now_ms())), String::new());
    }
    let id = run.clone();
    let report = match ask(&book.desk, move |desk| desk.report(&id)).await {
        Ok(report) => report,
        Err(error) => {
            let port = asked.map(|Query(asked)| asked.port).unwrap_or_default();
            let queued = waiting(&book, &port, now_ms()).into_iter().find(|entry| entry.run.as_ref() == Some(&run));
            let Some(queued) = queued.filter(|_| error.code == "unknown-run") else { return Err(error.into()) };
            return shown(around, &port, None, format!("number {}: {}", queued.position, queued.waits));
        }
    };
    let trail = vec![
        Trail { word: "Overview".into(), href: "/".into() },
        Trail { word: report.port.name.clone(), href: words::port_href(&report.port.name) },
        Trail { word: "Runs".into(), href: "/runs".into() },
        Trail { word: "as JSON".into(), href: format!("/api/1/runs/{}", words::encoded(&run)) },
    ];
    laid_out(sheet::run::render_in_book(&report, trail)).map(Html)
}
