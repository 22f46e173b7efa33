//! Asking a far machine for a check: the request is put on record and sent over the broker; what the agent answers is
//! noted, and shown until it is over.

use std::{sync::Arc, time::Duration};

use askama::Template;
use async_nats::Client;
use axum::{
    Extension, Form, Json,
    extract::{Path, rejection::FormRejection, rejection::JsonRejection},
    http::{HeaderMap, StatusCode, Uri},
    response::{IntoResponse, Redirect, Response},
};
use futures_util::StreamExt;
use serde::Deserialize;
use serde_json::json;
use tokio::sync::watch;
use turnback_core::{
    fleet::{
        FORMAT,
        request::{CheckAnswer, CheckRequest, REQUEST_BYTES_MAX},
        subject::Sender,
    },
    plan::Profile,
};
use uuid::Uuid;

use super::{
    Book, line,
    query::{self, Asked as Given, fields, limit, run_id},
};
use crate::{
    daemon::keys::Caller,
    error_chain::with_causes,
    fleet::{
        broker::accounts::{ANSWER, ASK},
        error::FleetError,
        view::{View, requests::Asked},
    },
    http::{
        error::ApiError,
        page::{
            cover::{Around, Page, PageError, filled, now_ms},
            enter::not_understood,
            words,
        },
    },
};

/// Notes answers until `stop` turns true.
pub async fn hear_for_ever(view: Arc<View>, client: Client, mut stop: watch::Receiver<bool>) {
    let mut answers = loop {
        match client.subscribe(format!("{ANSWER}.*.*")).await {
            Ok(answers) => break answers,
            Err(error) => tracing::warn!(error = with_causes(&error), "answers of machines cannot be heard"),
        }
        if tokio::time::timeout(LOOK_EVERY, stop.wait_for(|stopped| *stopped)).await.is_ok() {
            return;
        }
    };
    let mut look = tokio::time::interval(LOOK_EVERY);
    loop {
        // What is heard is dealt with outside: nothing of the others is held meanwhile.
        let heard = tokio::select! {
            message = answers.next() => Some(message),
            _ = look.tick() => None,
            () = stopped(&mut stop) => return,
        };
        let noted = match heard {
            Some(Some(message)) => note(&view, &message.subject, &message.payload).await,
            Some(None) => return,
            None => view.give_up_requests().await,
        };
        if let Err(error) = noted {
            tracing::warn!(error = with_causes(&error), "an answer of a machine cannot be noted");
        }
    }
}

/// Until it is time to stop, or nobody is left to say so.
async fn stopped(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stopped| *stopped).await;
}

/// The broker lets an agent answer on its own subject only: that says who it is.
async fn note(view: &View, subject: &str, payload: &[u8]) -> Result<(), FleetError> {
    let Some((site, machine)) = subject.strip_prefix(ANSWER).and_then(|rest| rest.strip_prefix('.')?.split_once('.'))
    else {
        return Ok(());
    };
    let (Ok(site), Ok(machine)) = (site.parse(), machine.parse()) else { return Ok(()) };
    if payload.len() > REQUEST_BYTES_MAX {
        return Ok(());
    }
    match serde_json::from_slice::<CheckAnswer>(payload) {
        Ok(answer) => view.note_answer(&Sender { site, machine }, &answer).await,
        Err(_) => Ok(()),
    }
}

/// Which check.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Order {
    /// Site.
    pub site: String,
    /// Machine.
    pub machine: String,
    /// Port.
    pub port: String,
    /// Profile; empty: as scheduled.
    pub profile: String,
    /// Where the plug is; empty: as scheduled.
    pub placement: String,
    /// Label of the cable.
    pub cable: String,
}

/// Puts a request on record and sends it; its id.
async fn ask(book: &Book, by: &str, order: Order) -> Result<String, ApiError> {
    let not_now = |text: String| ApiError::new(StatusCode::CONFLICT, "not-now", text);
    let Some(client) = &book.broker else {
        return Err(not_now("this page asks for no checks: `ask` under [view] is not set".into()));
    };
    let Order { site, machine, port, profile, placement, cable } = order;
    let known = book.view.machine(&site, &machine).await?.ok_or_else(|| query::unknown("machine", &machine))?;
    if book.view.port(&site, &machine, &port).await?.is_none() {
        return Err(query::unknown("port", &port));
    }
    if !known.accepts_requests {
        let text = format!("{machine} accepts no checks from here: `accept_checks` under its [fleet] is not set");
        return Err(not_now(text));
    }
    let given = |text: String| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
    let request = CheckRequest {
        format: FORMAT,
        id: Uuid::now_v7().to_string(),
        port,
        profile: given(profile),
        placement: given(placement),
        cable: given(cable),
        by: by.to_owned(),
    };
    book.view.note_request(known.id, &request).await?;
    let bytes = serde_json::to_vec(&request).unwrap_or_default();
    let away = |error: &(dyn std::error::Error + 'static)| {
        tracing::warn!(error = with_causes(error), "a request cannot be sent");
        ApiError::new(StatusCode::SERVICE_UNAVAILABLE, "broker-unavailable", "the broker does not take it now")
    };
    client.publish(format!("{ASK}.{site}.{machine}"), bytes.into()).await.map_err(|error| away(&error))?;
    match tokio::time::timeout(SEND_LIMIT, client.flush()).await {
        Ok(flushed) => flushed.map_err(|error| away(&error))?,
        Err(error) => return Err(away(&error)),
    }
    tracing::info!(request = request.id, site, machine, port = request.port, by, "check asked for");
    Ok(request.id)
}

/// The form of a port's page: what is not in its address.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Sent {
    profile: String,
    placement: String,
    cable: String,
}

pub async fn start(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    Path((site, machine, port)): Path<(String, String, String)>,
    form: Result<Form<Sent>, FormRejection>,
) -> Result<Response, PageError> {
    let Form(Sent { profile, placement, cable }) = form.map_err(not_understood)?;
    let id = ask(&book, &caller.name, Order { site, machine, port, profile, placement, cable }).await?;
    Ok(Redirect::to(&format!("/asked/{id}")).into_response())
}

/// `POST /api/1/checks`.
pub async fn post(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    order: Result<Json<Order>, JsonRejection>,
) -> Result<impl IntoResponse, ApiError> {
    let Json(order) = order.map_err(|e| ApiError::new(e.status(), "body-not-understood", e.body_text()))?;
    let id = ask(&book, &caller.name, order).await?;
    Ok((StatusCode::ACCEPTED, Json(json!({ "request": id }))))
}

/// `GET /api/1/checks`.
pub async fn all(Extension(book): Extension<Book>, asked: Given<query::Words>) -> Result<impl IntoResponse, ApiError> {
    let limit = limit(&fields(asked)?.limit)?;
    Ok(Json(json!({ "checks": book.view.requests(limit).await? })))
}

/// `GET /api/1/checks/{request}`.
pub async fn single(Extension(book): Extension<Book>, Path(id): Path<String>) -> Result<impl IntoResponse, ApiError> {
    Ok(Json(json!(found(&book, &id).await?)))
}

async fn found(book: &Book, id: &str) -> Result<Asked, ApiError> {
    let unknown = || query::unknown("request", id);
    book.view.request(run_id(id).map_err(|_| unknown())?).await?.ok_or_else(unknown)
}

/// A request as a line.
struct Line {
    asked: Asked,
    href: String,
    port_href: String,
    when: String,
    says: String,
    percent: Option<u32>,
    run_href: String,
}

impl Line {
    fn new(asked: Asked, now_ms: i64) -> Self {
        Self {
            href: format!("/asked/{}", asked.request),
            port_href: line::port_href(&asked.site, &asked.machine, &asked.port),
            when: words::age(now_ms - asked.asked_ms),
            says: asked.says.clone().unwrap_or_else(|| "Waiting for the machine's answer.".into()),
            percent: asked.share_done.map(|share| (share.clamp(0.0, 1.0) * 100.0).floor() as u32),
            run_href: asked.run.as_deref().filter(|_| asked.is_here).map_or(String::new(), words::run_href),
            asked,
        }
    }
}

#[derive(Template)]
#[template(path = "http/fleet/asked.html")]
struct One {
    around: Around,
    line: Line,
}

pub async fn one(Extension(book): Extension<Book>, Path(id): Path<String>, headers: HeaderMap, uri: Uri) -> Page {
    let asked = found(&book, &id).await?;
    let mut around = book.cover.around(&headers, &uri, "asked", format!("Check of {}", asked.port));
    around.moving = true;
    filled(&One { line: Line::new(asked, now_ms()), around })
}

#[derive(Template)]
#[template(path = "http/fleet/asked_list.html")]
struct List {
    around: Around,
    lines: Vec<Line>,
}

pub async fn list(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let found = book.view.requests(LINES_MAX).await?;
    let mut around = book.cover.around(&headers, &uri, "asked", "Checks asked for");
    around.moving = true;
    let now_ms = now_ms();
    filled(&List { lines: found.into_iter().map(|asked| Line::new(asked, now_ms)).collect(), around })
}

/// Names of the profiles that a form offers. A machine may know more, or fewer.
pub fn profiles() -> Vec<String> {
    Profile::builtin().into_iter().map(|profile| profile.name).collect()
}

const LOOK_EVERY: Duration = Duration::from_secs(5);
const SEND_LIMIT: Duration = Duration::from_secs(5);
const LINES_MAX: u32 = 100;
