//! Letting a phone in: the desk shows a code, also as a QR code, and the phone that shows it back gets a session.

use std::sync::Arc;

use askama::Template;
use axum::{
    Extension, Form,
    extract::{Query, rejection::FormRejection},
    http::{HeaderMap, StatusCode, Uri, header},
    response::{Html, IntoResponse, Redirect, Response},
};
use qrcode::{Color, EcLevel, QrCode};
use serde::Deserialize;

use super::{Around, Book, Page, PageError, enter::not_understood, filled, now_ms};
use crate::{
    daemon::keys::{Caller, Pairing, Role},
    http::{api::keys, error::ApiError, serve::Peer},
};

/// The desk's side.
#[derive(Template)]
#[template(path = "http/page/phones.html")]
struct Phones {
    around: Around,
    /// What whoever looks may let a phone do, the usual first.
    roles: Vec<(&'static str, &'static str)>,
    shown: Option<Shown>,
}

/// A code that was just made.
struct Shown {
    code: String,
    role: &'static str,
    minutes: i64,
    /// None where a phone cannot reach this agent.
    url: Option<String>,
    /// One `svg` element.
    qr: String,
}

pub async fn phones(Extension(book): Extension<Book>, headers: HeaderMap, uri: Uri) -> Page {
    let around = book.around(&headers, &uri, "agent", "Let a phone in");
    let roles = roles(book.caller(&headers).map_or(Role::Read, |caller| caller.role));
    filled(&Phones { around, roles, shown: None })
}

fn roles(most: Role) -> Vec<(&'static str, &'static str)> {
    let all = [
        (Role::Test, "test: checks and cases"),
        (Role::Read, "read only"),
        (Role::Administer, "administer: also pauses, tokens"),
    ];
    all.into_iter().filter(|(role, _)| *role <= most).map(|(role, words)| (role.name(), words)).collect()
}

/// What the phone may do.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Chosen {
    role: String,
}

pub async fn show_code(
    Extension(book): Extension<Book>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    uri: Uri,
    form: Result<Form<Chosen>, FormRejection>,
) -> Page {
    let Form(Chosen { role }) = form.map_err(not_understood)?;
    let role: Role =
        role.parse().map_err(|text| ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, "value-not-allowed", text))?;
    let pairing = keys::paired(&book.gate, &caller, role).await?;
    let around = book.around(&headers, &uri, "agent", "Let a phone in");
    filled(&Phones { around, roles: roles(caller.role), shown: Some(Shown::new(pairing)) })
}

impl Shown {
    fn new(pairing: Pairing) -> Self {
        Self {
            code: halves(&pairing.code),
            role: pairing.role.name(),
            minutes: (pairing.until_ms - now_ms() + 59_999) / 60_000,
            qr: pairing.url.as_deref().map_or(String::new(), drawing),
            url: pairing.url,
        }
    }
}

/// The phone's side.
#[derive(Template)]
#[template(path = "http/page/pair.html")]
struct Pair {
    around: Around,
    code: String,
    refused: String,
}

/// The code that a phone shows.
#[derive(Default, Deserialize)]
pub struct Shows {
    #[serde(default)]
    code: String,
}

/// Reading the address uses the code up no more than looking at it does: a person has to say so.
pub async fn form(
    Extension(book): Extension<Book>,
    headers: HeaderMap,
    uri: Uri,
    shows: Result<Query<Shows>, axum::extract::rejection::QueryRejection>,
) -> Page {
    let code = shows.map(|Query(shows)| shows.code).unwrap_or_default();
    let around = book.around(&headers, &uri, "", "Let this phone in");
    filled(&Pair { around, code, refused: String::new() })
}

pub async fn enter(
    Extension(book): Extension<Book>,
    Extension(Peer(peer)): Extension<Peer>,
    headers: HeaderMap,
    uri: Uri,
    form: Result<Form<Shows>, FormRejection>,
) -> Result<Response, PageError> {
    let Form(Shows { code }) = form.map_err(not_understood)?;
    let (gate, tls) = (Arc::clone(&book.gate), book.tls);
    match blocking(move || gate.try_code(peer.ip(), &code, tls)).await {
        Ok(cookie) => Ok(([(header::SET_COOKIE, cookie)], Redirect::to("/")).into_response()),
        Err(error) => {
            let around = book.around(&headers, &uri, "", "Let this phone in");
            let Html(page) = filled(&Pair { around, code: String::new(), refused: error.message })?;
            Ok((error.status, Html(page)).into_response())
        }
    }
}

/// Does what may wait for the disk.
async fn blocking<T: Send + 'static>(
    action: impl FnOnce() -> Result<T, ApiError> + Send + 'static,
) -> Result<T, ApiError> {
    let failed =
        |error: tokio::task::JoinError| ApiError::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", error.to_string());
    tokio::task::spawn_blocking(action).await.map_err(failed)?
}

/// A code as people read it.
fn halves(code: &str) -> String {
    match code.split_at_checked(code.len() / 2) {
        Some((front, back)) => format!("{front} {back}"),
        None => code.to_owned(),
    }
}

/// A text as a QR code (ISO/IEC 18004), with its quiet zone of four modules.
fn drawing(text: &str) -> String {
    let Ok(code) = QrCode::with_error_correction_level(text, EcLevel::M) else { return String::new() };
    let side = code.width();
    let dark = |(at, colour): (usize, Color)| {
        (colour == Color::Dark).then(|| format!("M{} {}h1v1h-1z", at % side + 4, at / side + 4))
    };
    let path: String = code.to_colors().into_iter().enumerate().filter_map(dark).collect();
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {0} {0}\" role=\"img\" aria-label=\"QR code of the \
         address below\" shape-rendering=\"crispEdges\"><path d=\"{path}\"/></svg>",
        side + 8
    )
}
