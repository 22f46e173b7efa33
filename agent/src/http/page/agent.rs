//! The agent itself: how it fares, what it announced, who did what, and pauses for maintenance.

use askama::Template;
use axum::{
    Extension,
    http::{HeaderMap, Uri},
};

use super::{Around, Book, Page, filled, now_ms, overview::PauseLine, words};
use crate::{
    archive::logbook::Action,
    daemon::agent::{Health, OutboxLine, SentLine},
    http::api::ask,
};

#[derive(Template)]
#[template(path = "http/page/agent.html")]
struct View {
    around: Around,
    health: Health,
    up: String,
    started: String,
    went_round: String,
    fleet: Option<String>,
    ports: usize,
    pauses: Vec<PauseLine>,
    outbox: Vec<WaitingLine>,
    sent: Vec<Announced>,
    actions: Vec<Did>,
}

/// An announcement that is not delivered yet.
struct WaitingLine {
    line: OutboxLine,
    says: String,
    at: String,
    next_try: String,
}

/// An announcement that was accepted.
struct Announced {
    when: String,
    href: String,
    port: String,
    says: String,
    target: String,
}

/// What somebody did.
struct Did {
    when: String,
    action: Action,
    href: String,
}

pub async fn view(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let (outbox, sent, actions) =
        ask(&book.desk, |desk| Ok((desk.outbox()?, desk.sent(RECENT)?, desk.actions(RECENT)?))).await?;
    let health = book.desk.health();
    let now_ms = now_ms();
    let mut around = book.around(&headers, &uri, "agent", "The agent");
    around.moving = true;
    let zone = around.clock.clone();
    let waiting = |line: OutboxLine| WaitingLine {
        says: says(&line.document),
        at: words::second(line.at_ms, &zone),
        next_try: words::second(line.next_try_ms, &zone),
        line,
    };
    let sent_at: Vec<i64> = sent.iter().map(|line| line.sent_ms).collect();
    let announced = |(line, when): (SentLine, String)| Announced {
        when,
        href: words::port_href(&line.port),
        says: says(&line.document),
        port: line.port,
        target: line.target,
    };
    let acted: Vec<i64> = actions.iter().map(|action| action.at_ms).collect();
    let did = |(action, when): (Action, String)| Did {
        when,
        href: match (&action.case, &action.port) {
            (Some(case), _) => words::case_href(case),
            (None, Some(port)) => words::port_href(port),
            (None, None) => String::new(),
        },
        action,
    };
    filled(&View {
        up: words::age(now_ms - health.started_ms),
        started: words::minute(health.started_ms, &zone),
        went_round: match health.last_round_ms {
            0 => "not looked at yet".into(),
            ms => format!("looked at {} ago", words::age(now_ms - ms)),
        },
        fleet: health.fleet.as_ref().map(|fleet| fleet.says(now_ms, words::age)),
        ports: book.desk.ports().len(),
        pauses: book.desk.pauses().iter().map(|pause| PauseLine::new(pause, now_ms)).collect(),
        outbox: outbox.into_iter().map(waiting).collect(),
        sent: sent.into_iter().zip(words::moments(&sent_at, &zone)).map(announced).collect(),
        actions: actions.into_iter().zip(words::moments(&acted, &zone)).map(did).collect(),
        health,
        around,
    })
}

/// What an announcement says: `proven to suspect: 7 of 10 frames failed`.
fn says(document: &serde_json::Value) -> String {
    let text = |name: &str| document[name].as_str().unwrap_or_default();
    if document["from"].is_null() {
        return format!("hands are needed: {}", text("act"));
    }
    let state = |name: &str| text(name).replace('-', " ");
    format!("{} to {}: {}", state("from"), state("to"), words::plainly(text("why")))
}

/// Announcements and actions that are listed.
const RECENT: u32 = 30;
