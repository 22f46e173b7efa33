//! The JSON API, version 1. `docs/http-api.md` describes it; [`ROUTES`] is the list that the document is tested
//! against. `bench` answers about the bench, `care` about what people do between the runs, `keys` about who may.

mod bench;
mod care;
pub(super) mod keys;

use std::{convert::Infallible, sync::Arc, time::Duration};

use axum::{
    Extension, Json, Router,
    extract::{
        Path, Query, State,
        rejection::{JsonRejection, QueryRejection},
    },
    http::{HeaderMap, StatusCode},
    response::{
        IntoResponse, Response,
        sse::{self, KeepAlive, Sse},
    },
    routing::{get, post},
};
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use tokio::sync::broadcast::error::RecvError;

use super::{error::ApiError, gate::Gate, serve::Seated};
use crate::daemon::{
    agent::{Agent, AgentError, CaseOrder, Happening, Hearing, RecordQuery, StageOrder, StartOrder, Told},
    keys::Caller,
};

/// The running agent, which every route asks.
pub type SharedAgent = Arc<dyn Agent>;

/// Method, path and what it does, of every route of the API.
pub const ROUTES: &[(&str, &str, &str)] = &[
    ("GET", "/api/1/ports", "every port with its state"),
    ("GET", "/api/1/ports/{port}", "one port"),
    ("GET", "/api/1/ports/{port}/changes", "changes of a port's state, newest first"),
    ("POST", "/api/1/ports/{port}/acknowledgement", "acknowledges a port's state, or withdraws that"),
    ("POST", "/api/1/ports/{port}/mute", "mutes a port's announcements, or ends that"),
    ("POST", "/api/1/cabinets/{cabinet}/runs", "asks for a check of every port of a cabinet"),
    ("GET", "/api/1/pauses", "pauses for maintenance"),
    ("POST", "/api/1/pauses", "pauses scheduled runs and announcements, or ends that"),
    ("GET", "/api/1/queue", "runs that wait for their turn"),
    ("GET", "/api/1/schedule", "scheduled runs of the next 24 hours"),
    ("GET", "/api/1/actions", "what people did, newest first"),
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
    ("POST", "/api/1/cases/{case}/close", "closes a case before it is decided"),
    ("GET", "/api/1/bench", "the bench: its slots, what hands are to do, and its lot"),
    ("POST", "/api/1/bench/answers", "answers a request of the bench"),
    ("POST", "/api/1/bench/again", "asks anew for what nobody could do for a card"),
    ("GET", "/api/1/bench/cards/{card}", "the card test of a card"),
    ("GET", "/api/1/bench/lots/{lot}", "a lot"),
    ("GET", "/api/1/announcements", "announcements that are not delivered yet"),
    ("GET", "/api/1/announcements/sent", "announcements that were delivered, newest first"),
    ("GET", "/api/1/tokens", "tokens, without their secrets"),
    ("POST", "/api/1/tokens", "makes a token"),
    ("POST", "/api/1/tokens/{name}/revoke", "revokes a token"),
    ("POST", "/api/1/pairings", "makes a code that opens a session once"),
    ("GET", "/api/1/happenings", "events as they happen, as server-sent events"),
    ("GET", "/metrics", "figures for a Prometheus server"),
    ("GET", "/health", "health of the agent: 200 when well, 503 when not"),
];

/// The routes of the API.
pub fn router(agent: SharedAgent, gate: Arc<Gate>) -> Router {
    Router::new()
        .route("/api/1/ports", get(ports))
        .route("/api/1/ports/{port}", get(port))
        .route("/api/1/ports/{port}/changes", get(changes))
        .route("/api/1/ports/{port}/acknowledgement", post(care::acknowledge))
        .route("/api/1/ports/{port}/mute", post(care::mute))
        .route("/api/1/cabinets/{cabinet}/runs", post(care::start_cabinet))
        .route("/api/1/pauses", get(care::pauses).post(care::pause))
        .route("/api/1/queue", get(care::queue))
        .route("/api/1/schedule", get(care::schedule))
        .route("/api/1/actions", get(care::actions))
        .route("/api/1/tokens", get(keys::tokens).post(keys::make))
        .route("/api/1/tokens/{name}/revoke", post(keys::revoke))
        .route("/api/1/pairings", post(keys::pair))
        .route("/api/1/runs", get(records).post(start))
        .route("/api/1/runs/{run}", get(report))
        .route("/api/1/runs/{run}/end", post(end))
        .route("/api/1/cases", get(cases).post(open_case))
        .route("/api/1/cases/{case}", get(case))
        .route("/api/1/cases/{case}/stages", post(perform))
        .route("/api/1/cases/{case}/skips", post(skip))
        .route("/api/1/cases/{case}/asides", post(set_aside))
        .route("/api/1/cases/{case}/close", post(close_case))
        .route("/api/1/bench", get(bench::view))
        .route("/api/1/bench/answers", post(bench::answer))
        .route("/api/1/bench/again", post(bench::again))
        .route("/api/1/bench/cards/{card}", get(bench::card))
        .route("/api/1/bench/lots/{lot}", get(bench::lot))
        .route("/api/1/announcements", get(announcements))
        .route("/api/1/announcements/sent", get(care::sent))
        .route("/api/1/happenings", get(happenings))
        .route("/health", get(health))
        .route("/api/{*rest}", axum::routing::any(unknown))
        .method_not_allowed_fallback(wrong_method)
        .layer(Extension(gate))
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

async fn start(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    order: Body,
) -> Result<impl IntoResponse, ApiError> {
    let order: StartOrder = body(order)?;
    let run = ask(&agent, move |agent| agent.start(order, &caller.name)).await?;
    Ok((StatusCode::ACCEPTED, Json(Started { run })))
}

/// A run was asked for, or a stage begun.
#[derive(Serialize)]
struct Started {
    run: String,
}

async fn end(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    Path(run): Path<String>,
) -> Result<StatusCode, ApiError> {
    ask(&agent, move |agent| agent.cancel(&run, &caller.name)).await?;
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

async fn open_case(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    order: Body,
) -> Result<impl IntoResponse, ApiError> {
    let order: CaseOrder = body(order)?;
    let opened =
        ask(&agent, move |agent| agent.open_case(order, &caller.name).and_then(|case| agent.case(&case))).await?;
    Ok((StatusCode::CREATED, Json(opened)))
}

async fn perform(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    order: Body,
) -> Result<Response, ApiError> {
    let order: StageOrder = body(order)?;
    let id = case.clone();
    match ask(&agent, move |agent| agent.perform(&id, order, &caller.name)).await? {
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

async fn skip(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    order: Body,
) -> Answer<impl Serialize> {
    let SkipOrder { stage, why } = body(order)?;
    ask(&agent, move |agent| agent.skip(&case, &stage, &why, &caller.name).and_then(|()| agent.case(&case)))
        .await
        .map(Json)
}

/// Why a case is closed.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CloseOrder {
    #[serde(default)]
    why: String,
}

async fn close_case(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    order: Body,
) -> Answer<impl Serialize> {
    let CloseOrder { why } = body(order)?;
    ask(&agent, move |agent| agent.close_case(&case, &why, &caller.name).and_then(|()| agent.case(&case)))
        .await
        .map(Json)
}

/// Which stage to set aside.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AsideOrder {
    stage: String,
}

async fn set_aside(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    Path(case): Path<String>,
    order: Body,
) -> Answer<impl Serialize> {
    let AsideOrder { stage } = body(order)?;
    ask(&agent, move |agent| agent.set_aside(&case, &stage, &caller.name).and_then(|()| agent.case(&case)))
        .await
        .map(Json)
}

async fn announcements(State(agent): State<SharedAgent>) -> Answer<impl Serialize> {
    ask(&agent, |agent| agent.outbox()).await.map(Json)
}

async fn health(State(agent): State<SharedAgent>) -> impl IntoResponse {
    let health = agent.health();
    let status = if health.ok { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (status, Json(health))
}

/// From where on, and of which run.
#[derive(Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct Heard {
    /// Number of the last thing that is known already.
    after: Option<u64>,
    /// Only of this run, and all of it that is remembered.
    run: Option<String>,
}

async fn happenings(
    State(agent): State<SharedAgent>,
    caller: Option<Extension<Caller>>,
    seat: Option<Extension<Seated>>,
    headers: HeaderMap,
    heard: Result<Query<Heard>, QueryRejection>,
) -> Result<impl IntoResponse, ApiError> {
    let Heard { after, run } = asked(heard)?;
    if seat.is_some_and(|Extension(Seated(place))| !place.streams(caller.is_some())) {
        let message = "too many streams are open, in all or from this address; close one, or sign in";
        let error = ApiError::new(StatusCode::SERVICE_UNAVAILABLE, "too-many-streams", message);
        return Err(ApiError { retry_after_s: Some(STREAM_RETRY_S), ..error });
    }
    // A browser that lost the stream says what it heard last (HTML, 9.2.4).
    let last = headers.get("last-event-id").and_then(|id| id.to_str().ok()?.parse().ok());
    let hearing = agent.listen(last.or(after).or(run.as_ref().map(|_| 0)));
    Ok(Sse::new(stream(hearing, run)).keep_alive(KeepAlive::new().interval(KEEP_ALIVE)))
}

type Heed = Result<sse::Event, Infallible>;

/// What happened before, then what happens.
fn stream(hearing: Hearing, run: Option<String>) -> impl futures_util::Stream<Item = Heed> {
    let Hearing { before, missed, receiver } = hearing;
    let of_run = run.clone();
    let meant = move |told: &Told| match (&of_run, &told.happening) {
        (None, _) => true,
        (Some(run), Happening::Run { run: of, .. } | Happening::RunOver { run: of, .. }) => run == of,
        (Some(_), _) => false,
    };
    let gap = (missed && run.is_none()).then(|| sse::Event::default().event("missed").data("1"));
    let before: Vec<Heed> = before.iter().filter(|told| meant(told)).filter_map(event).map(Ok).collect();
    let later = futures_util::stream::unfold((receiver, meant), |(mut receiver, meant)| async move {
        loop {
            let event = match receiver.recv().await {
                Ok(told) if !meant(&told) => continue,
                Ok(told) => event(&told)?,
                // Whoever missed something reads the state anew.
                Err(RecvError::Lagged(missed)) => sse::Event::default().event("missed").data(missed.to_string()),
                Err(RecvError::Closed) => return None,
            };
            return Some((Ok(event), (receiver, meant)));
        }
    });
    futures_util::StreamExt::chain(futures_util::stream::iter(gap.map(Ok).into_iter().chain(before)), later)
}

fn event(told: &Told) -> Option<sse::Event> {
    sse::Event::default().id(told.number.to_string()).json_data(told).ok()
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
const STREAM_RETRY_S: u64 = 10;
/// Below the minute after which middle boxes forget an idle connection (common practice, no source).
const KEEP_ALIVE: Duration = Duration::from_secs(20);
