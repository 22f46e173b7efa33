//! The page: a log book of ports that a browser reads, on a phone at the far end of a cable or on a desk.
//!
//! Every view is whole without scripts; `live.js` only keeps it fresh, by the difference that `renew` makes. Changing
//! calls are forms (`act`) and need a session, opened once by entering a token or a pairing code (`enter`).

mod act;
mod agent;
pub(in crate::http) mod assets;
mod bench;
mod case;
pub(in crate::http) mod cover;
pub(in crate::http) mod enter;
mod history;
mod line;
mod night;
mod overview;
mod pair;
mod port;
pub(in crate::http) mod renew;
mod rows;
mod runs;
pub(in crate::http) mod table;
pub(in crate::http) mod words;

use std::sync::Arc;

use axum::{
    Extension, Router,
    http::{HeaderMap, StatusCode, Uri},
    middleware::from_fn_with_state,
    routing::{get, post},
};

use self::cover::{Around, Cover, Page, PageError, Setting, Spine, filled, laid_out, now_ms};
pub use self::{
    assets::PATHS as ASSETS,
    cover::{is_page, refusal},
};
use super::{api::SharedAgent, error::ApiError, gate::Gate};
use crate::daemon::keys::Caller;

/// What every handler of the page has.
#[derive(Clone)]
struct Book {
    desk: SharedAgent,
    gate: Arc<Gate>,
    tls: bool,
    cover: Cover,
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
    ("GET", "/bench"),
    ("POST", "/bench/answers"),
    ("POST", "/bench/again"),
    ("GET", "/bench/cards/{card}"),
    ("GET", "/bench/cards/{card}/label"),
    ("GET", "/bench/lots/{lot}"),
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
    let asked = SharedAgent::clone(&desk);
    let setting = move || {
        let health = asked.health();
        Setting { zone: health.zone, demo: health.demo, without: (!health.bench).then_some(BENCH) }
    };
    let cover = Cover { gate: Arc::clone(&gate), tls, spine: &SPINE, setting: Arc::new(setting) };
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
        .route("/bench", get(bench::view))
        .route("/bench/answers", post(bench::answer))
        .route("/bench/again", post(bench::again))
        .route("/bench/cards/{card}", get(bench::certificate))
        .route("/bench/cards/{card}/label", get(bench::label))
        .route("/bench/lots/{lot}", get(bench::lot))
        .route("/night", get(night::view))
        .route("/agent", get(agent::view))
        .route("/phones", get(pair::phones).post(pair::show_code))
        .route("/pair", get(pair::form).post(pair::enter))
        .route("/enter", get(enter::form).post(enter::enter))
        .route("/leave", post(enter::leave))
        .layer(from_fn_with_state(Arc::new(renew::Sent::default()), renew::by_difference))
        .merge(assets::router())
        .fallback(async || PageError(ApiError::new(StatusCode::NOT_FOUND, "unknown-page", "there is no such page")))
        .layer(Extension(cover.clone()))
        .layer(Extension(Book { desk, gate, tls, cover }))
}

/// The agent's book.
static SPINE: Spine = Spine {
    parts: &[
        ("overview", "/", "Overview"),
        (BENCH, "/bench", "Bench"),
        ("runs", "/runs", "Runs"),
        ("cases", "/cases", "Cases"),
        ("night", "/night", "Schedule"),
        ("agent", "/agent", "Agent"),
    ],
    who: "agent",
    tells: true,
};

/// Name of the part that only a machine with a bench has.
const BENCH: &str = "bench";

impl Book {
    /// Whose session a request belongs to.
    fn caller(&self, headers: &HeaderMap) -> Option<Caller> {
        self.cover.caller(headers)
    }

    fn around(&self, headers: &HeaderMap, uri: &Uri, here: &'static str, title: impl Into<String>) -> Around {
        self.cover.around(headers, uri, here, title)
    }
}
