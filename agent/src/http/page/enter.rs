//! Entering the token, which opens a session, and leaving it.

use std::sync::Arc;

use askama::Template;
use axum::{
    Extension, Form,
    extract::{Query, rejection::FormRejection},
    http::{HeaderMap, StatusCode, Uri, header},
    response::{Html, IntoResponse, Redirect, Response},
};
use serde::Deserialize;

use super::{
    cover::{Around, Cover, Page, PageError, filled},
    words,
};
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
    /// Path and query; empty: the overview.
    #[serde(default)]
    then: String,
}

pub async fn form(
    Extension(cover): Extension<Cover>,
    headers: HeaderMap,
    uri: Uri,
    then: Result<Query<Then>, axum::extract::rejection::QueryRejection>,
) -> Page {
    let Then { then } = then.map(|Query(then)| then).unwrap_or_default();
    let around = cover.around(&headers, &uri, "", "Enter the token");
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
    Extension(cover): Extension<Cover>,
    Extension(Peer(peer)): Extension<Peer>,
    headers: HeaderMap,
    uri: Uri,
    form: Result<Form<Entered>, FormRejection>,
) -> Result<Response, PageError> {
    let Form(Entered { token, then }) = form.map_err(not_understood)?;
    let caller = match cover.gate.try_token(peer.ip(), token.trim()) {
        Ok(caller) => caller,
        Err(error) => {
            let around = cover.around(&headers, &uri, "", "Enter the token");
            let Html(page) = filled(&Enter { around, then, refused: error.message })?;
            return Ok((error.status, Html(page)).into_response());
        }
    };
    let (gate, tls) = (Arc::clone(&cover.gate), cover.tls);
    let opened = tokio::task::spawn_blocking(move || gate.sessions.open(&caller, tls).map_err(|e| e.to_string())).await;
    let cookie = opened.unwrap_or_else(|error| Err(error.to_string())).map_err(|error| {
        tracing::error!(error, "no session can be opened");
        ApiError::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", "the machine gives no random numbers")
    })?;
    let then = if words::is_own_path(&then) { then.as_str() } else { "/" };
    Ok(([(header::SET_COOKIE, cookie)], Redirect::to(then)).into_response())
}

pub async fn leave(Extension(cover): Extension<Cover>, headers: HeaderMap) -> Response {
    let gate = Arc::clone(&cover.gate);
    let forget = tokio::task::spawn_blocking(move || gate.sessions.close(&headers)).await.unwrap_or_default();
    ([(header::SET_COOKIE, forget)], Redirect::to("/")).into_response()
}

/// A form that is not as it should be.
pub fn not_understood(error: FormRejection) -> PageError {
    PageError(ApiError::new(error.status(), "form-not-understood", error.body_text()))
}
