//! The page: a log book of ports that a browser reads, on a phone at the far end of a cable or on a desk.
//!
//! Every view is whole without scripts; `live.js` only keeps it fresh, by the difference that `renew` makes. Changing
//! calls are forms (`act`) and need a session, opened once by entering a token or a pairing code (`enter`).

mod act;
mod agent;
mod assets;
mod case;
mod enter;
mod history;
mod line;
mod night;
mod overview;
mod pair;
mod port;
mod renew;
mod rows;
mod runs;
mod table;
mod words;

use std::sync::Arc;

use askama::Template;
use axum::{
    Extension, Router,
    http::{HeaderMap, Method, StatusCode, Uri, header},
    middleware::from_fn_with_state,
    response::{Html, IntoResponse, Redirect, Response},
    routing::{get, post},
};
use jiff::tz::TimeZone;

pub use self::assets::PATHS as ASSETS;
use super::{api::SharedAgent, error::ApiError, gate::Gate};
use crate::daemon::keys::{Caller, Role};

/// What every handler of the page has.
#[derive(Clone)]
struct Book {
    desk: SharedAgent,
    gate: Arc<Gate>,
    tls: bool,
}

/// Method and path of every route of the page beside the [`ASSETS`]; what is no `GET` changes something.
pub const ROUTES: &[(&str, &str)] = &[
    ("GET", "/"),
    ("GET", "/ports.csv"),
    ("GET", "/ports/{port}"),
    ("POST", "/ports/{port}/runs"),
    ("POST", "/ports/{port}/cases"),
    ("POST", "/ports/{port}/acknowledgements"),
    ("POST", "/ports/{port}/mutes"),
    ("POST", "/checks"),
    ("POST", "/pauses"),
    ("GET", "/runs"),
    ("GET", "/runs.csv"),
    ("GET", "/runs/{run}"),
    ("POST", "/runs/{run}/end"),
    ("GET", "/cases"),
    ("GET", "/cases/{case}"),
    ("GET", "/cases/{case}/sheet"),
    ("POST", "/cases/{case}/stages"),
    ("POST", "/cases/{case}/skips"),
    ("POST", "/cases/{case}/asides"),
    ("POST", "/cases/{case}/closings"),
    ("GET", "/night"),
    ("GET", "/agent"),
    ("GET", "/phones"),
    ("POST", "/phones"),
    ("GET", "/pair"),
    ("POST", "/pair"),
    ("GET", "/enter"),
    ("POST", "/enter"),
    ("POST", "/leave"),
];

/// The routes of the page. `tls`: the session's cookie is for TLS only.
pub fn router(desk: SharedAgent, gate: Arc<Gate>, tls: bool) -> Router {
    Router::new()
        .route("/", get(overview::view))
        .route("/ports.csv", get(table::ports))
        .route("/ports/{port}", get(port::view))
        .route("/ports/{port}/runs", post(act::start))
        .route("/ports/{port}/cases", post(act::open_case))
        .route("/ports/{port}/acknowledgements", post(act::acknowledge))
        .route("/ports/{port}/mutes", post(act::mute))
        .route("/checks", post(act::start_cabinet))
        .route("/pauses", post(act::pause))
        .route("/runs", get(runs::list))
        .route("/runs.csv", get(table::runs))
        .route("/runs/{run}", get(runs::one))
        .route("/runs/{run}/end", post(act::end))
        .route("/cases", get(case::list))
        .route("/cases/{case}", get(case::one))
        .route("/cases/{case}/sheet", get(case::printed))
        .route("/cases/{case}/stages", post(act::perform))
        .route("/cases/{case}/skips", post(act::skip))
        .route("/cases/{case}/asides", post(act::set_aside))
        .route("/cases/{case}/closings", post(act::close_case))
        .route("/night", get(night::view))
        .route("/agent", get(agent::view))
        .route("/phones", get(pair::phones).post(pair::show_code))
        .route("/pair", get(pair::form).post(pair::enter))
        .route("/enter", get(enter::form).post(enter::enter))
        .route("/leave", post(enter::leave))
        .layer(from_fn_with_state(Arc::new(renew::Sent::default()), renew::by_difference))
        .merge(assets::router())
        .fallback(async || PageError(ApiError::new(StatusCode::NOT_FOUND, "unknown-page", "there is no such page")))
        .layer(Extension(Book { desk, gate, tls }))
}

/// Whether a path is the page's: its refusals are for people.
pub fn is_page(path: &str) -> bool {
    !(path.starts_with("/api/") || path == "/metrics" || path == "/health")
}

/// A refusal of the gate, for people: who has no session is led to where the token is entered.
pub fn refusal(method: &Method, uri: &Uri, error: ApiError) -> Response {
    if error.code != "token-needed" {
        return PageError(error).into_response();
    }
    let back = match *method {
        Method::GET | Method::HEAD => uri.path_and_query().map_or("/", |p| p.as_str()),
        // Every form posts to a path under the page that it is on.
        _ => uri.path().rsplit_once('/').map_or("/", |(page, _)| if page.is_empty() { "/" } else { page }),
    };
    Redirect::to(&format!("/enter?then={}", words::encoded(back))).into_response()
}

/// What stands around every view.
struct Around {
    title: String,
    /// Which part of the book: `overview`, `runs`, `cases`, `night`, `agent` or none.
    here: &'static str,
    signed_in: bool,
    /// Whoever looks may start checks and work on cases.
    may_test: bool,
    /// Whoever looks may pause.
    may_administer: bool,
    /// Where to come back to after the token was entered, encoded.
    then: String,
    /// What is searched for.
    sought: String,
    /// The port whose happenings matter; empty: all.
    watch: String,
    /// Without scripts it is asked for again now and then.
    moving: bool,
    demo: bool,
    /// In which times are shown, and its name.
    clock: TimeZone,
    zone: String,
}

impl Book {
    /// Whose session a request belongs to.
    fn caller(&self, headers: &HeaderMap) -> Option<Caller> {
        self.gate.sessions.caller(headers)
    }

    fn around(&self, headers: &HeaderMap, uri: &Uri, here: &'static str, title: impl Into<String>) -> Around {
        let health = self.desk.health();
        let caller = self.caller(headers);
        let may = |role| caller.as_ref().is_some_and(|caller| caller.role >= role);
        Around {
            title: title.into(),
            here,
            may_test: may(Role::Test),
            may_administer: may(Role::Administer),
            signed_in: caller.is_some(),
            then: words::encoded(uri.path_and_query().map_or("/", |p| p.as_str())),
            sought: String::new(),
            watch: String::new(),
            moving: false,
            demo: health.demo,
            clock: TimeZone::get(&health.zone).unwrap_or(TimeZone::UTC),
            zone: health.zone,
        }
    }
}

fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

/// A page, or the reason why there is none.
type Page = Result<Html<String>, PageError>;

fn filled(template: &impl Template) -> Page {
    laid_out(template.render()).map(Html)
}

/// A template's text, or a page that says that there is none.
fn laid_out(text: Result<String, askama::Error>) -> Result<String, PageError> {
    text.map_err(|error| {
        tracing::error!(%error, "a page cannot be filled");
        let message = "the agent failed here; its log says more";
        PageError(ApiError::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", message))
    })
}

/// An error as a page.
struct PageError(ApiError);

impl From<ApiError> for PageError {
    fn from(error: ApiError) -> Self {
        Self(error)
    }
}

#[derive(Template)]
#[template(path = "http/page/refused.html")]
struct Refused<'a> {
    message: &'a str,
    code: &'a str,
}

impl IntoResponse for PageError {
    fn into_response(self) -> Response {
        let message = words::sentence(&self.0.message);
        let page = Refused { message: &message, code: self.0.code }.render().unwrap_or_default();
        let mut response = (self.0.status, Html(page)).into_response();
        if let Some(seconds) = self.0.retry_after_s {
            response.headers_mut().insert(header::RETRY_AFTER, seconds.into());
        }
        response
    }
}
