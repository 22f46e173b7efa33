//! Views that change nothing.

use askama::Template;
use axum::{
    Extension,
    extract::{Path, Query, rejection::QueryRejection},
    http::{HeaderMap, StatusCode, Uri},
    response::Html,
};
use serde::Deserialize;
use turnback_core::{judge::Outcome, plan::Profile, watch::standing::State};

use super::{
    Around, Book, Page, PageError, filled, history,
    view::{self, Cabinet, ChangeLine, LiveLine, Measured, PortLine, RecordRow},
    words,
};
use crate::{
    daemon::agent::{AgentError, CaseView, Health, OutboxLine, PortView, RecordQuery, StageView},
    http::{api::ask, error::ApiError},
    show::{
        case as case_text,
        plot::Figure,
        sheet::{self, layout::Trail},
    },
};

fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

#[derive(Template)]
#[template(path = "http/page/ports.html")]
struct Ports {
    around: Around,
    cabinets: Vec<Cabinet>,
    summary: String,
    /// Failed and suspect ports, the failed first.
    bad: Vec<PortLine>,
    /// Each state with what it says.
    states: [(&'static str, &'static str); 9],
    troubles: Vec<String>,
}

pub async fn ports(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let ports = book.desk.ports();
    let mut around = book.around(&headers, &uri, "ports", "Ports");
    around.moving = true;
    let lines: Vec<_> = ports.iter().map(|p| PortLine::new(p, now_ms())).collect();
    let summary = view::summary(&lines);
    let (mut bad, suspect): (Vec<_>, Vec<_>) = lines
        .into_iter()
        .filter(|l| matches!(l.held, State::Failed | State::Suspect))
        .partition(|l| l.held == State::Failed);
    bad.extend(suspect);
    filled(&Ports {
        around,
        cabinets: view::cabinets(&ports, now_ms()),
        summary,
        bad,
        states: State::ALL.map(|state| (state.name(), words::meaning(state))),
        troubles: book.desk.health().troubles,
    })
}

#[derive(Template)]
#[template(path = "http/page/port.html")]
struct Port {
    around: Around,
    line: PortLine,
    view: PortView,
    since: String,
    live: Option<LiveLine>,
    profiles: Vec<String>,
    cautions: Vec<[&'static str; 3]>,
    measured: Option<Measured>,
    plots: Vec<Figure>,
    changes: Vec<ChangeLine>,
    records: Vec<RecordRow>,
    records_href: String,
}

/// Records that the plots of a port go back to.
const HISTORY: u32 = 200;
/// Records listed on a port's page, and changes.
const RECENT: usize = 12;

pub async fn port(Extension(book): Extension<Book>, Path(name): Path<String>, headers: HeaderMap, uri: Uri) -> Page {
    let view = port_view(&book, &name)?;
    let query = RecordQuery { port: Some(name.clone()), limit: HISTORY, ..RecordQuery::default() };
    let (lines, changes, last) = ask(&book.desk, move |desk| {
        let lines = desk.records(&query)?;
        // The newest that measured anything. A record may go while it is looked for.
        let last = lines.iter().find(|line| line.outcome != Outcome::NotTested).and_then(|l| desk.report(&l.run).ok());
        Ok((lines, desk.changes(&name, RECENT as u32)?, last))
    })
    .await?;
    let mut around = book.around(&headers, &uri, "ports", view.name.clone());
    (around.watch, around.moving) = (view.name.clone(), true);
    let since = view.standing.since_ms;
    filled(&Port {
        around,
        line: PortLine::new(&view, now_ms()),
        since: if since > 0 { words::moment(since) } else { String::new() },
        live: view.running.as_ref().map(|run| LiveLine::new(run, now_ms())),
        profiles: Profile::builtin().into_iter().map(|p| p.name).collect(),
        cautions: view::cautions(view.kind),
        measured: last.map(|report| Measured::new(&report, now_ms())),
        plots: history::figures(&lines, view.kind, now_ms()),
        changes: changes.into_iter().map(|change| ChangeLine::new(change, now_ms())).collect(),
        records: lines.iter().take(RECENT).map(RecordRow::new).collect(),
        records_href: format!("/runs?port={}", words::encoded(&view.name)),
        view,
    })
}

fn port_view(book: &Book, name: &str) -> Result<PortView, PageError> {
    let found = book.desk.ports().into_iter().find(|p| p.name == name);
    let unknown = || ApiError::from(AgentError::Unknown { what: "port", name: name.to_owned() });
    Ok(found.ok_or_else(unknown)?)
}

#[derive(Template)]
#[template(path = "http/page/runs.html")]
struct Runs {
    around: Around,
    live: Vec<LiveLine>,
    records: Vec<RecordRow>,
    port: String,
    cable: String,
    outcome: &'static str,
    outcomes: [(&'static str, &'static str); 5],
    older: Option<String>,
}

/// What a list of runs is narrowed to; fields of a form, so that empty means all.
#[derive(Default, Deserialize)]
#[serde(default)]
pub struct Narrowed {
    port: String,
    cable: String,
    outcome: String,
    before: String,
}

const PAGE_OF_RECORDS: u32 = 50;

pub async fn runs(
    Extension(book): Extension<Book>,
    headers: HeaderMap,
    uri: Uri,
    query: Result<Query<Narrowed>, QueryRejection>,
) -> Page {
    use Outcome::{Fault, NotTested, Pass, Undecided};
    let Query(narrowed) =
        query.map_err(|e| PageError(ApiError::new(StatusCode::BAD_REQUEST, "query-not-understood", e.body_text())))?;
    let given = |text: &String| (!text.trim().is_empty()).then(|| text.trim().to_owned());
    let outcome = [Fault, Undecided, Pass, NotTested].into_iter().find(|o| o.name() == narrowed.outcome);
    let query = RecordQuery {
        port: given(&narrowed.port),
        cable: given(&narrowed.cable),
        outcome,
        before: given(&narrowed.before),
        limit: PAGE_OF_RECORDS,
    };
    let lines = ask(&book.desk, move |desk| desk.records(&query)).await?;
    let older = lines.last().filter(|_| lines.len() == PAGE_OF_RECORDS as usize).map(|last| {
        let [port, cable, run] = [&narrowed.port, &narrowed.cable, &last.run].map(|text| words::encoded(text));
        format!("/runs?port={port}&cable={cable}&outcome={}&before={run}", outcome.map_or("", |o| o.name()))
    });
    let mut around = book.around(&headers, &uri, "runs", "Runs");
    around.moving = true;
    filled(&Runs {
        around,
        live: book.desk.ports().iter().filter_map(|p| p.running.as_ref()).map(|r| LiveLine::new(r, now_ms())).collect(),
        records: lines.iter().map(RecordRow::new).collect(),
        port: narrowed.port,
        cable: narrowed.cable,
        outcome: outcome.map_or("", |o| o.name()),
        outcomes: [
            ("", "any"),
            (Fault.name(), words::outcome(Fault)),
            (Undecided.name(), words::outcome(Undecided)),
            (Pass.name(), words::outcome(Pass)),
            (NotTested.name(), words::outcome(NotTested)),
        ],
        older,
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
}

/// The port a run was asked for.
#[derive(Default, Deserialize)]
#[serde(default)]
pub struct Asked {
    port: String,
}

/// A run: its report, or how it goes, or that it waits.
pub async fn run(
    Extension(book): Extension<Book>,
    Path(run): Path<String>,
    headers: HeaderMap,
    uri: Uri,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Page {
    let ports = book.desk.ports();
    let live = ports.iter().filter_map(|p| p.running.as_ref()).find(|r| r.run == run);
    let mut around = book.around(&headers, &uri, "runs", "Run");
    around.moving = true;
    if let Some(live) = live {
        around.title = format!("Run of {}", live.port);
        around.watch.clone_from(&live.port);
        let port_href = view::port_href(&live.port);
        return filled(&Live {
            around,
            run,
            port: live.port.clone(),
            port_href,
            live: Some(LiveLine::new(live, now_ms())),
        });
    }
    let id = run.clone();
    let report = match ask(&book.desk, move |desk| desk.report(&id)).await {
        Ok(report) => report,
        Err(error) => {
            let port = asked.map(|Query(asked)| asked.port).unwrap_or_default();
            let waits = ports.into_iter().find(|p| p.name == port && p.waiting > 0);
            let Some(waits) = waits.filter(|_| error.code == "unknown-run") else { return Err(error.into()) };
            around.title = format!("Run of {}", waits.name);
            around.watch.clone_from(&waits.name);
            let port_href = view::port_href(&waits.name);
            return filled(&Live { around, run, port: waits.name, port_href, live: None });
        }
    };
    let trail = vec![
        Trail { word: "Ports".into(), href: "/".into() },
        Trail { word: report.port.name.clone(), href: view::port_href(&report.port.name) },
        Trail { word: "Runs".into(), href: "/runs".into() },
        Trail { word: "as JSON".into(), href: format!("/api/1/runs/{}", words::encoded(&run)) },
    ];
    sheet::run::render_in_book(&report, trail).map(Html).map_err(|error| {
        tracing::error!(%error, "a report cannot be laid out");
        let message = "the report cannot be laid out; its JSON may still be had";
        PageError(ApiError::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", message))
    })
}

#[derive(Template)]
#[template(path = "http/page/cases.html")]
struct Cases {
    around: Around,
    cases: Vec<CaseLine>,
}

/// A case in the list.
struct CaseLine {
    href: String,
    when: String,
    port: String,
    cable: String,
    state: String,
    says: String,
}

const CASES_MAX: u32 = 100;

pub async fn cases(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let cases = ask(&book.desk, |desk| desk.cases(CASES_MAX)).await?;
    let line = |case: CaseView| CaseLine {
        href: view::case_href(&case.case),
        when: words::minute(&case.opened_at),
        port: case.port,
        cable: case.cable.unwrap_or_else(|| "-".into()),
        state: case.state,
        says: case.verdict.as_ref().map_or(String::new(), case_text::headline),
    };
    let mut around = book.around(&headers, &uri, "cases", "Cases");
    around.moving = true;
    filled(&Cases { around, cases: cases.into_iter().map(line).collect() })
}

#[derive(Template)]
#[template(path = "http/page/case.html")]
struct Case {
    around: Around,
    case: CaseView,
    opened: String,
    port_href: String,
    headline: String,
    live: Option<LiveLine>,
    stages: Vec<StageLine>,
}

/// A stage that was done or skipped.
struct StageLine {
    name: String,
    stage: String,
    result: String,
    run_href: String,
    /// It has a result that the person may not stand by.
    may_be_set_aside: bool,
}

impl StageLine {
    /// `running`: the run that is on, which has no report yet.
    fn new(stage: &StageView, running: Option<&String>) -> Self {
        let again = if stage.attempt > 1 { format!(" (attempt {})", stage.attempt) } else { String::new() };
        Self {
            name: stage.stage.clone(),
            may_be_set_aside: stage.counts && running.is_none(),
            stage: format!("{}{again}", stage.stage),
            result: match &stage.skipped {
                Some(why) if why.is_empty() => "skipped".into(),
                Some(why) => format!("skipped: {why}"),
                None => stage.result.clone(),
            },
            run_href: stage
                .run
                .as_ref()
                .filter(|run| Some(*run) != running)
                .map_or(String::new(), |run| view::run_href(run)),
        }
    }
}

pub async fn case(Extension(book): Extension<Book>, Path(case): Path<String>, headers: HeaderMap, uri: Uri) -> Page {
    let case = ask(&book.desk, move |desk| desk.case(&case)).await?;
    let mut around = book.around(&headers, &uri, "cases", format!("Case of {}", case.port));
    (around.watch, around.moving) = (case.port.clone(), true);
    let ports = book.desk.ports();
    let running = ports.iter().filter_map(|p| p.running.as_ref()).find(|r| Some(&r.run) == case.running.as_ref());
    filled(&Case {
        around,
        opened: words::minute(&case.opened_at),
        port_href: view::port_href(&case.port),
        headline: case.verdict.as_ref().map_or("NOTHING KNOWN YET".into(), case_text::headline),
        live: running.map(|run| LiveLine::new(run, now_ms())),
        stages: case.stages.iter().map(|stage| StageLine::new(stage, case.running.as_ref())).collect(),
        case,
    })
}

#[derive(Template)]
#[template(path = "http/page/daemon.html")]
struct Daemon {
    around: Around,
    health: Health,
    up: String,
    started: String,
    went_round: String,
    ports: usize,
    outbox: Vec<WaitingLine>,
}

/// An announcement that is not delivered yet.
struct WaitingLine {
    line: OutboxLine,
    at: String,
    next_try: String,
}

pub async fn daemon(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let outbox = ask(&book.desk, |desk| desk.outbox()).await?;
    let health = book.desk.health();
    let mut around = book.around(&headers, &uri, "daemon", "The daemon");
    around.moving = true;
    let waiting = |line: OutboxLine| WaitingLine {
        at: words::moment(line.at_ms),
        next_try: words::moment(line.next_try_ms),
        line,
    };
    filled(&Daemon {
        around,
        up: words::age(now_ms() - health.started_ms),
        started: words::moment(health.started_ms),
        went_round: match health.last_round_ms {
            0 => "not yet".into(),
            ms => format!("{} ago", words::age(now_ms() - ms)),
        },
        ports: book.desk.ports().len(),
        health,
        outbox: outbox.into_iter().map(waiting).collect(),
    })
}
