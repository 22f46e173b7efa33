//! What every view loads: the look, the script, the pennant and the two typefaces. All of it is in the program.

use axum::{Router, http::header, response::IntoResponse, routing::get};

use crate::show::{plot, sheet};

/// Paths of the assets. They hold nothing of the site, so that nobody needs a session for them.
pub const PATHS: &[&str] = &[
    "/look.css",
    "/live.js",
    "/pennant.svg",
    "/fonts/serif.woff2",
    "/fonts/serif-bold.woff2",
    "/fonts/serif-italic.woff2",
    "/fonts/mono.woff2",
    "/fonts/mono-bold.woff2",
];

/// Their routes.
pub fn router<S: Clone + Send + Sync + 'static>() -> Router<S> {
    Router::new()
        .route("/look.css", get(|| asset("text/css; charset=utf-8", look().into_bytes())))
        .route("/live.js", get(|| asset("text/javascript; charset=utf-8", LIVE)))
        .route("/pennant.svg", get(|| asset("image/svg+xml", PENNANT)))
        .route("/fonts/serif.woff2", get(|| font(include_bytes!("fonts/serif.woff2"))))
        .route("/fonts/serif-bold.woff2", get(|| font(include_bytes!("fonts/serif-bold.woff2"))))
        .route("/fonts/serif-italic.woff2", get(|| font(include_bytes!("fonts/serif-italic.woff2"))))
        .route("/fonts/mono.woff2", get(|| font(include_bytes!("fonts/mono.woff2"))))
        .route("/fonts/mono-bold.woff2", get(|| font(include_bytes!("fonts/mono-bold.woff2"))))
}

async fn asset(media_type: &'static str, bytes: impl IntoResponse) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, media_type)], bytes)
}

/// A typeface changes with the program only: a phone need not load it for every view.
async fn font(bytes: &'static [u8]) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "font/woff2"), (header::CACHE_CONTROL, "private, max-age=86400")], bytes)
}

/// One look for every view, the reports in the book, and their drawings.
fn look() -> String {
    [
        sheet::layout::STYLE,
        plot::STYLE,
        include_str!("look/type.css"),
        include_str!("look/frame.css"),
        include_str!("look/lines.css"),
        include_str!("look/cabinets.css"),
        include_str!("look/forms.css"),
        include_str!("look/case.css"),
        include_str!("look/bench.css"),
        include_str!("look/phone.css"),
    ]
    .concat()
}

const LIVE: &str = include_str!("live.js");
const PENNANT: &str = include_str!("pennant.svg");
