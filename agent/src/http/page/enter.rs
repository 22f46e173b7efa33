//! Entering the token, which opens a session, and leaving it.

use askama::Template;
use axum::{
    Extension, Form,
    extract::{Query, rejection::FormRejection},
    http::{HeaderMap, StatusCode, Uri, header},
    response::{Html, IntoResponse, Redirect, Response},
};
use serde::Deserialize;

use super::{Around, Book, Page, PageError, filled, words};
use crate::http::{error::ApiError, serve::Peer};

#[derive(Template)]
#[template(path = "http/page/enter.html")]
struct Enter {
    around: Around,
    then: String,
    refused: String,
}

/// Where to go afterwards.
#[derive(Default, Deserialize)]
pub struct Then {
    #[serde(default)]
    then: String,
}

pub async fn form(
    Extension(book): Extension<Book>,
    headers: HeaderMap,
    uri: Uri,
    then: Result<Query<Then>, axum::extract::rejection::QueryRejection>,
) -> Page {
    let Then { then } = then.map(|Query(then)| then).unwrap_or_default();
    let around = book.around(&headers, &uri, "", "Enter the token");
    filled(&Enter { around, then, refused: String::new() })
}

/// The token as entered.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entered {
    token: String,
    #[serde(default)]
    then: String,
}

pub async fn enter(
    Extension(book): Extension<Book>,
    Extension(Peer(peer)): Extension<Peer>,
    headers: HeaderMap,
    uri: Uri,
    form: Result<Form<Entered>, FormRejection>,
) -> Result<Response, PageError> {
    let Form(Entered { token, then }) = form.map_err(not_understood)?;
    if let Err(error) = book.gate.try_token(peer.ip(), token.trim()) {
        let around = book.around(&headers, &uri, "", "Enter the token");
        let Html(page) = filled(&Enter { around, then, refused: error.message })?;
        return Ok((error.status, Html(page)).into_response());
    }
    let cookie = book.gate.sessions.open(book.tls).map_err(|error| {
        tracing::error!(%error, "no session can be opened");
        ApiError::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", "the machine gives no random numbers")
    })?;
    let then = if words::is_own_path(&then) { then.as_str() } else { "/" };
    Ok(([(header::SET_COOKIE, cookie)], Redirect::to(then)).into_response())
}

pub async fn leave(Extension(book): Extension<Book>, headers: HeaderMap) -> Response {
    ([(header::SET_COOKIE, book.gate.sessions.close(&headers))], Redirect::to("/")).into_response()
}

/// A form that is not as it should be.
pub fn not_understood(error: FormRejection) -> PageError {
    PageError(ApiError::new(error.status(), "form-not-understood", error.body_text()))
}
