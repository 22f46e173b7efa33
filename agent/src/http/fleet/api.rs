//! The fleet's JSON API, version 1. `docs/fleet.md` describes it; [`ROUTES`] is the list that the document is tested
//! against.

use axum::{Extension, Json, Router, extract::Path, http::StatusCode, routing::get};
use serde_json::{Value, json};

use super::{
    Book, asks,
    query::{self, Asked, fields, limit, run_id},
    runs,
};
use crate::{fleet::view::ports::Port, http::error::ApiError};

/// Method, path and what it does, of every route of the API.
pub const ROUTES: &[(&str, &str, &str)] = &[
    ("GET", "/api/1/overview", "counts by site and cabinet, what is wrong, silent machines, oldest proofs"),
    ("GET", "/api/1/ports", "ports, the worst first"),
    ("GET", "/api/1/machines", "machines, the one that was silent longest first"),
    ("GET", "/api/1/machines/{site}/{machine}", "one machine"),
    ("GET", "/api/1/machines/{site}/{machine}/{port}", "one port"),
    ("GET", "/api/1/machines/{site}/{machine}/{port}/changes", "changes of a port's state, newest first"),
    ("GET", "/api/1/machines/{site}/{machine}/{port}/elsewhere", "runs of its card and its cable at other ports"),
    ("GET", "/api/1/failures", "what became worse in the last day, newest first"),
    ("GET", "/api/1/runs", "runs, newest first"),
    ("GET", "/api/1/runs/{run}", "the report of a run"),
    ("GET", "/api/1/compare", "what changed between two runs"),
    ("POST", "/api/1/checks", "asks a machine for a check"),
    ("GET", "/api/1/checks", "checks that were asked for, newest first"),
    ("GET", "/api/1/checks/{request}", "what became of one"),
    ("GET", "/api/1/cards", "card tests, newest first"),
    ("GET", "/api/1/cards/{test}", "one card test"),
    ("GET", "/metrics", "figures for a Prometheus server"),
    ("GET", "/health", "200 while the database answers, otherwise 503"),
];

/// The routes of the API.
pub fn router<S: Clone + Send + Sync + 'static>() -> Router<S> {
    Router::new()
        .route("/api/1/overview", get(overview))
        .route("/api/1/ports", get(ports))
        .route("/api/1/machines", get(machines))
        .route("/api/1/machines/{site}/{machine}", get(machine))
        .route("/api/1/machines/{site}/{machine}/{port}", get(port))
        .route("/api/1/machines/{site}/{machine}/{port}/changes", get(changes))
        .route("/api/1/machines/{site}/{machine}/{port}/elsewhere", get(elsewhere))
        .route("/api/1/failures", get(failures))
        .route("/api/1/runs", get(run_list))
        .route("/api/1/runs/{run}", get(report))
        .route("/api/1/compare", get(compare))
        .route("/api/1/checks", get(asks::all).post(asks::post))
        .route("/api/1/checks/{request}", get(asks::single))
        .route("/api/1/cards", get(cards))
        .route("/api/1/cards/{test}", get(card))
        .route("/api/{*rest}", axum::routing::any(unknown))
}

type Answer = Result<Json<Value>, ApiError>;

async fn unknown() -> ApiError {
    ApiError::new(StatusCode::NOT_FOUND, "unknown-route", "there is no such call; docs/fleet.md lists them")
}

async fn overview(Extension(book): Extension<Book>) -> Answer {
    Ok(Json(json!(book.view.overview().await?)))
}

async fn ports(Extension(book): Extension<Book>, asked: Asked<query::Ports>) -> Answer {
    let asked = fields(asked)?;
    let limit = limit(&asked.limit)?;
    let found = book.view.ports(&asked.narrowed()?, limit).await?;
    let next = found.last().filter(|_| found.len() == limit as usize).map(query::Ports::place);
    Ok(Json(json!({ "ports": found, "next": next })))
}

async fn machines(Extension(book): Extension<Book>, asked: Asked<query::Machines>) -> Answer {
    let asked = fields(asked)?;
    let (limit, narrowed) = (limit(&asked.limit)?, asked.narrowed()?);
    let found = book.view.machines(&narrowed, limit).await?;
    let next = (found.len() == limit as usize).then(|| (narrowed.skip + i64::from(limit)).to_string());
    Ok(Json(json!({ "machines": found, "next": next })))
}

async fn machine(Extension(book): Extension<Book>, Path((site, name)): Path<(String, String)>) -> Answer {
    let found = book.view.machine(&site, &name).await?.ok_or_else(|| query::unknown("machine", &name))?;
    Ok(Json(json!(found)))
}

/// Site, machine and port.
type PortPath = Path<(String, String, String)>;

/// A port by site, machine and name.
async fn found(book: &Book, (site, machine, name): (&str, &str, &str)) -> Result<Port, ApiError> {
    book.view.port(site, machine, name).await?.ok_or_else(|| query::unknown("port", name))
}

async fn port(Extension(book): Extension<Book>, Path((site, machine, name)): PortPath) -> Answer {
    Ok(Json(json!(found(&book, (&site, &machine, &name)).await?)))
}

async fn changes(
    Extension(book): Extension<Book>,
    Path((site, machine, name)): PortPath,
    asked: Asked<query::Words>,
) -> Answer {
    let limit = limit(&fields(asked)?.limit)?;
    let port = found(&book, (&site, &machine, &name)).await?;
    Ok(Json(json!({ "changes": book.view.changes(port.id, limit).await? })))
}

async fn elsewhere(
    Extension(book): Extension<Book>,
    Path((site, machine, name)): PortPath,
    asked: Asked<query::Words>,
) -> Answer {
    let limit = limit(&fields(asked)?.limit)?;
    let port = found(&book, (&site, &machine, &name)).await?;
    let of_card = match &port.permanent_address {
        Some(address) => book.view.runs_of_card_elsewhere(address, port.id, limit).await?,
        None => Vec::new(),
    };
    let of_cable = match &port.cable {
        Some(cable) => book.view.runs_of_cable_elsewhere(cable, port.id, limit).await?,
        None => Vec::new(),
    };
    Ok(Json(json!({ "of_card": of_card, "of_cable": of_cable })))
}

async fn failures(Extension(book): Extension<Book>, asked: Asked<query::Words>) -> Answer {
    let limit = limit(&fields(asked)?.limit)?;
    Ok(Json(json!({ "failures": book.view.failures(limit).await? })))
}

async fn run_list(Extension(book): Extension<Book>, asked: Asked<query::Runs>) -> Answer {
    let asked = fields(asked)?;
    Ok(Json(json!({ "runs": book.view.runs(&asked.narrowed()?, limit(&asked.limit)?).await? })))
}

async fn report(Extension(book): Extension<Book>, Path(run): Path<String>) -> Answer {
    let (_, report) = book.view.report(run_id(&run)?).await?.ok_or_else(|| query::unknown("run", &run))?;
    Ok(Json(json!(report)))
}

async fn compare(Extension(book): Extension<Book>, asked: Asked<query::Pair>) -> Answer {
    let (runs, difference) = runs::compared(&book, &fields(asked)?).await?;
    Ok(Json(json!({ "runs": runs, "difference": difference })))
}

async fn cards(Extension(book): Extension<Book>, asked: Asked<query::Words>) -> Answer {
    let asked = fields(asked)?;
    Ok(Json(json!({ "cards": book.view.cards(&asked.q, limit(&asked.limit)?).await? })))
}

async fn card(Extension(book): Extension<Book>, Path(test): Path<String>) -> Answer {
    let id = run_id(&test).map_err(|_| query::unknown("card test", &test))?;
    let found = book.view.card(id).await?.ok_or_else(|| query::unknown("card test", &test))?;
    Ok(Json(json!(found)))
}
