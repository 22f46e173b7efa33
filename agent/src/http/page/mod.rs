//! The page: a log book of ports that a browser reads, on a phone at the far end of a cable or on a desk.
//!
//! Every view is whole without scripts; `live.js` only keeps it fresh. Changing calls are forms (`act`) and need a
//! session, opened once by entering the token (`enter`).

mod act;
mod enter;
mod history;
mod read;
mod view;
mod words;

use std::sync::Arc;

use askama::Template;
use axum::{
    Extension, Router,
    http::{HeaderMap, Method, StatusCode, Uri, header},
    response::{Html, IntoResponse, Redirect, Response},
    routing::{get, post},
};

use super::{api::SharedAgent, error::ApiError, gate::Gate};
use crate::show::{plot, sheet};

/// What every handler of the page has.
#[derive(Clone)]
struct Book {
    desk: SharedAgent,
    gate: Arc<Gate>,
    tls: bool,
}

/// Method and path of every route of the page; what is no `GET` changes something.
pub const ROUTES: &[(&str, &str)] = &[
    ("GET", "/"),
    ("GET", "/ports/{port}"),
    ("POST", "/ports/{port}/runs"),
    ("POST", "/ports/{port}/cases"),
    ("GET", "/runs"),
    ("GET", "/runs/{run}"),
    ("POST", "/runs/{run}/end"),
    ("GET", "/cases"),
    ("GET", "/cases/{case}"),
    ("POST", "/cases/{case}/stages"),
    ("POST", "/cases/{case}/skips"),
    ("POST", "/cases/{case}/asides"),
    ("GET", "/daemon"),
    ("GET", "/enter"),
    ("POST", "/enter"),
    ("POST", "/leave"),
    ("GET", "/look.css"),
    ("GET", "/live.js"),
    ("GET", "/pennant.svg"),
];

/// The routes of the page. `tls`: the session's cookie is for TLS only.
pub fn router(desk: SharedAgent, gate: Arc<Gate>, tls: bool) -> Router {
    Router::new()
        .route("/", get(read::ports))
        .route("/ports/{port}", get(read::port))
        .route("/ports/{port}/runs", post(act::start))
        .route("/ports/{port}/cases", post(act::open_case))
        .route("/runs", get(read::runs))
        .route("/runs/{run}", get(read::run))
        .route("/runs/{run}/end", post(act::end))
        .route("/cases", get(read::cases))
        .route("/cases/{case}", get(read::case))
        .route("/cases/{case}/stages", post(act::perform))
        .route("/cases/{case}/skips", post(act::skip))
        .route("/cases/{case}/asides", post(act::set_aside))
        .route("/daemon", get(read::daemon))
        .route("/enter", get(enter::form).post(enter::enter))
        .route("/leave", post(enter::leave))
        .route("/look.css", get(|| asset("text/css; charset=utf-8", look())))
        .route("/live.js", get(|| asset("text/javascript; charset=utf-8", LIVE.into())))
        .route("/pennant.svg", get(|| asset("image/svg+xml", PENNANT.into())))
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
    /// Which part of the book: `ports`, `runs`, `cases`, `daemon` or none.
    here: &'static str,
    signed_in: bool,
    /// Where to come back to after the token was entered, encoded.
    then: String,
    /// The port whose happenings matter; empty: all.
    watch: String,
    /// Without scripts it is asked for again now and then.
    moving: bool,
    demo: bool,
}

impl Book {
    fn around(&self, headers: &HeaderMap, uri: &Uri, here: &'static str, title: impl Into<String>) -> Around {
        Around {
            title: title.into(),
            here,
            signed_in: self.gate.sessions.caller(headers).is_some(),
            then: words::encoded(uri.path_and_query().map_or("/", |p| p.as_str())),
            watch: String::new(),
            moving: false,
            demo: self.desk.health().demo,
        }
    }
}

/// A page, or the reason why there is none.
type Page = Result<Html<String>, PageError>;

fn filled(template: &impl Template) -> Page {
    template.render().map(Html).map_err(|error| {
        tracing::error!(%error, "a page cannot be filled");
        PageError(ApiError::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "internal",
            "the daemon failed here; its log says more",
        ))
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
        let page = Refused { message: &self.0.message, code: self.0.code }.render().unwrap_or_default();
        let mut response = (self.0.status, Html(page)).into_response();
        if let Some(seconds) = self.0.retry_after_s {
            response.headers_mut().insert(header::RETRY_AFTER, seconds.into());
        }
        response
    }
}

async fn asset(media_type: &'static str, text: String) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, media_type)], text)
}

/// One look for the book, reports in it and their drawings.
fn look() -> String {
    [sheet::layout::STYLE, plot::STYLE, LOOK].concat()
}

const LOOK: &str = include_str!("look.css");
const LIVE: &str = include_str!("live.js");
const PENNANT: &str = include_str!("pennant.svg");
