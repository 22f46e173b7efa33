//! The JSON API, version 1. `docs/http-api.md` describes it; [`ROUTES`] is the list that the document is tested
//! against.

use std::{convert::Infallible, sync::Arc, time::Duration};

use axum::{
    Json, Router,
    extract::{
        Path, Query, State,
        rejection::{JsonRejection, QueryRejection},
    },
    http::StatusCode,
    response::{
        IntoResponse, Response,
        sse::{self, KeepAlive, Sse},
    },
    routing::{get, post},
};
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use tokio::sync::broadcast::{self, error::RecvError};

use super::error::ApiError;
use crate::daemon::agent::{Agent, AgentError, CaseOrder, Happening, RecordQuery, StageOrder, StartOrder};

/// The running agent, which every route asks.
pub type SharedAgent = Arc<dyn Agent>;

/// Method, path and what it does, of every route of the API.
pub const ROUTES: &[(&str, &str, &str)] = &[
    ("GET", "/api/1/ports", "every port with its state"),
    ("GET", "/api/1/ports/{port}", "one port"),
    ("GET", "/api/1/ports/{port}/changes", "changes of a port's state, newest first"),
    ("GET", "/api/1/runs", "records, newest first"),
    ("POST", "/api/1/runs", "asks for a check"),
    ("GET", "/api/1/runs/{run}", "the report of a run"),
    ("POST", "/api/1/runs/{run}/end", "ends a run that is in progress or waiting"),
    ("GET", "/api/1/cases", "cases, newest first"),
    ("POST", "/api/1/cases", "opens a case"),
    ("GET", "/api/1/cases/{case}", "one case"),
    ("POST", "/api/1/cases/{case}/stages", "carries out a stage"),
    ("POST", "/api/1/cases/{case}/skips", "skips a stage"),
    ("POST", "/api/1/cases/{case}/asides", "sets a stage aside"),
    ("GET", "/api/1/announcements", "announcements that are not delivered yet"),
    ("GET", "/api/1/happenings", "events as they happen, as server-sent events"),
    ("GET", "/metrics", "figures for a Prometheus server"),
    ("GET", "/health", "health of the agent: 200 when well, 503 when not"),
];

/// The routes of the API.
pub fn router(agent: SharedAgent) -> Router {
    Router::new()
        .route("/api/1/ports", get(ports))
        .route("/api/1/ports/{port}", get(port))
        .route("/api/1/ports/{port}/changes", get(changes))
        .route("/api/1/runs", get(records).post(start))
        .route("/api/1/runs/{run}", get(report))
        .route("/api/1/runs/{run}/end", post(end))
        .route("/api/1/cases", get(cases).post(open_case))
        .route("/api/1/cases/{case}", get(case))
        .route("/api/1/cases/{case}/stages", post(perform))
        .route("/api/1/cases/{case}/skips", post(skip))
        .route("/api/1/cases/{case}/asides", post(set_aside))
        .route("/api/1/announcements", get(announcements))
        .route("/api/1/happenings", get(happenings))
        .route("/health", get(health))
        .route("/api/{*rest}", axum::routing::any(unknown))
        .method_not_allowed_fallback(wrong_method)
        .with_state(agent)
}

type Answer<T> = Result<Json<T>, ApiError>;

/// Asks the agent where it may wait for the disk.
///
/// # Errors
/// What the agent says; a panic of it is an error too, not the end of the connection.
pub async fn ask<T, F>(agent: &SharedAgent, question: F) -> Result<T, ApiError>
where
    T: Send + 'static,
    F: FnOnce(&dyn Agent) -> Result<T, AgentError> + Send + 'static,
{
    let agent = agent.clone();
    match tokio::task::spawn_blocking(move || question(&*agent)).await {
        Ok(answer) => Ok(answer?),
        Err(error) => {
            tracing::error!(%error, "a call failed inside");
            Err(ApiError::new(
                StatusCode::INTERNAL_SERVER_ERROR,
                "internal",
                "the daemon failed here; its log says more",
            ))
        }
    }
}

async fn ports(State(agent): State<SharedAgent>) -> impl IntoResponse {
    Json(agent.ports())
}

async fn port(State(agent): State<SharedAgent>, Path(name): Path<String>) -> Answer<impl Serialize> {
    let found = agent.ports().into_iter().find(|p| p.name == name);
    found.map(Json).ok_or_else(|| AgentError::Unknown { what: "port", name }.into())
}

/// How many entries of a list.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Limit {
    limit: Option<u32>,
}

impl Limit {
    fn get(&self) -> u32 {
        self.limit.unwrap_or(LIST_DEFAULT).min(LIST_MAX)
    }
}

async fn changes(
    State(agent): State<SharedAgent>,
    Path(name): Path<String>,
    limit: Result<Query<Limit>, QueryRejection>,
) -> Answer<impl Serialize> {
    let limit = asked(limit)?.get();
    ask(&agent, move |agent| agent.changes(&name, limit)).await.map(Json)
}

async fn records(
    State(agent): State<SharedAgent>,
    query: Result<Query<RecordQuery>, QueryRejection>,
) -> Answer<impl Serialize> {
    let query = asked(query)?;
    ask(&agent, move |agent| agent.records(&query)).await.map(Json)
}

async fn report(State(agent): State<SharedAgent>, Path(run): Path<String>) -> Answer<impl Serialize> {
    ask(&agent, move |agent| agent.report(&run)).await.map(Json)
}

async fn start(State(agent): State<SharedAgent>, order: Body) -> Result<impl IntoResponse, ApiError> {
    let order: StartOrder = body(order)?;
    let run = ask(&agent, move |agent| agent.start(order)).await?;
    Ok((StatusCode::ACCEPTED, Json(Started { run })))
}

/// A run was asked for, or a stage begun.
#[derive(Serialize)]
struct Started {
    run: String,
}

async fn end(State(agent): State<SharedAgent>, Path(run): Path<String>) -> Result<StatusCode, ApiError> {
    ask(&agent, move |agent| agent.cancel(&run)).await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn cases(
    State(agent): State<SharedAgent>,
    limit: Result<Query<Limit>, QueryRejection>,
) -> Answer<impl Serialize> {
    let limit = asked(limit)?.get();
    ask(&agent, move |agent| agent.cases(limit)).await.map(Json)
}

async fn case(State(agent): State<SharedAgent>, Path(case): Path<String>) -> Answer<impl Serialize> {
    ask(&agent, move |agent| agent.case(&case)).await.map(Json)
}

async fn open_case(State(agent): State<SharedAgent>, order: Body) -> Result<impl IntoResponse, ApiError> {
    let order: CaseOrder = body(order)?;
    let opened = ask(&agent, move |agent| agent.open_case(order).and_then(|case| agent.case(&case))).await?;
    Ok((StatusCode::CREATED, Json(opened)))
}

async fn perform(
    State(agent): State<SharedAgent>,
    Path(case): Path<String>,
    order: Body,
) -> Result<Response, ApiError> {
    let order: StageOrder = body(order)?;
    let id = case.clone();
    match ask(&agent, move |agent| agent.perform(&id, order)).await? {
        Some(run) => Ok((StatusCode::ACCEPTED, Json(Started { run })).into_response()),
        None => Ok(Json(ask(&agent, move |agent| agent.case(&case)).await?).into_response()),
    }
}

/// Which stage to skip, and why.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SkipOrder {
    stage: String,
    #[serde(default)]
    why: String,
}

async fn skip(State(agent): State<SharedAgent>, Path(case): Path<String>, order: Body) -> Answer<impl Serialize> {
    let SkipOrder { stage, why } = body(order)?;
    ask(&agent, move |agent| agent.skip(&case, &stage, &why).and_then(|()| agent.case(&case))).await.map(Json)
}

/// Which stage to set aside.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AsideOrder {
    stage: String,
}

async fn set_aside(State(agent): State<SharedAgent>, Path(case): Path<String>, order: Body) -> Answer<impl Serialize> {
    let AsideOrder { stage } = body(order)?;
    ask(&agent, move |agent| agent.set_aside(&case, &stage).and_then(|()| agent.case(&case))).await.map(Json)
}

async fn announcements(State(agent): State<SharedAgent>) -> Answer<impl Serialize> {
    ask(&agent, |agent| agent.outbox()).await.map(Json)
}

async fn health(State(agent): State<SharedAgent>) -> impl IntoResponse {
    let health = agent.health();
    let status = if health.ok { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (status, Json(health))
}

async fn happenings(State(agent): State<SharedAgent>) -> impl IntoResponse {
    Sse::new(Happenings(agent.listen()).into_stream()).keep_alive(KeepAlive::new().interval(KEEP_ALIVE))
}

struct Happenings(broadcast::Receiver<Happening>);

impl Happenings {
    fn into_stream(self) -> impl futures_util::Stream<Item = Result<sse::Event, Infallible>> {
        futures_util::stream::unfold(self.0, |mut receiver| async move {
            let event = match receiver.recv().await {
                Ok(happening) => sse::Event::default().json_data(&happening).ok()?,
                // Whoever missed something reads the state anew.
                Err(RecvError::Lagged(missed)) => sse::Event::default().event("missed").data(missed.to_string()),
                Err(RecvError::Closed) => return None,
            };
            Some((Ok(event), receiver))
        })
    }
}

async fn unknown() -> ApiError {
    ApiError::new(StatusCode::NOT_FOUND, "unknown-route", "there is no such call; docs/http-api.md lists them")
}

async fn wrong_method() -> ApiError {
    ApiError::new(StatusCode::METHOD_NOT_ALLOWED, "wrong-method", "this path does not take that method")
}

fn asked<T: DeserializeOwned>(query: Result<Query<T>, QueryRejection>) -> Result<T, ApiError> {
    let refused = |e: QueryRejection| ApiError::new(StatusCode::BAD_REQUEST, "query-not-understood", e.body_text());
    query.map(|Query(query)| query).map_err(refused)
}

/// A body is an object with the fields by name; a list of values in their order would be read as one, too.
type Body = Result<Json<serde_json::Map<String, serde_json::Value>>, JsonRejection>;

fn body<T: DeserializeOwned>(body: Body) -> Result<T, ApiError> {
    let Json(fields) = body.map_err(|e| {
        let code = match e.status() {
            StatusCode::PAYLOAD_TOO_LARGE => "too-large",
            StatusCode::UNSUPPORTED_MEDIA_TYPE => "not-json",
            _ => "body-not-understood",
        };
        ApiError::new(e.status(), code, e.body_text())
    })?;
    serde_json::from_value(fields.into())
        .map_err(|e| ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, "body-not-understood", e.to_string()))
}

const LIST_DEFAULT: u32 = 100;
const LIST_MAX: u32 = 1000;
/// Below the minute after which middle boxes forget an idle connection (common practice, no source).
const KEEP_ALIVE: Duration = Duration::from_secs(20);
