//! What every call goes through: the gate, a time limit, and the headers of every answer.

use std::{sync::Arc, time::Duration};

use axum::{
    extract::{Request, State},
    http::{HeaderValue, StatusCode},
    middleware::Next,
    response::{IntoResponse, Response},
};
use tokio::time::timeout;

use super::{
    error::ApiError,
    gate::Gate,
    page,
    serve::{Peer, Seated},
};

/// The middleware in front of every route.
pub async fn guard(State(gate): State<Arc<Gate>>, mut request: Request, next: Next) -> Response {
    let id = uuid::Uuid::now_v7().to_string();
    let Some(Peer(peer)) = request.extensions().get::<Peer>().copied() else {
        return StatusCode::INTERNAL_SERVER_ERROR.into_response();
    };
    let seat = request.extensions().get::<Seated>().cloned();
    if let Some(Seated(place)) = &seat {
        place.is_answered();
    }
    let (method, uri) = (request.method().clone(), request.uri().clone());
    let path = uri.path();
    let refuse = |refusal: ApiError| match page::is_page(path) {
        true => page::refusal(&method, &uri, refusal),
        false => refusal.into_response(),
    };
    let mut response = match gate.pass(peer.ip(), &method, path, request.headers()) {
        Err(refusal) => refuse(refusal),
        Ok(caller) => {
            if let Some(caller) = caller {
                request.extensions_mut().insert(caller);
            }
            match timeout(ANSWER_PATIENCE, next.run(request)).await {
                Ok(response) => response,
                Err(_) => {
                    let message = "the request did not come in whole, or could not be answered, in time";
                    refuse(ApiError::new(StatusCode::REQUEST_TIMEOUT, "too-slow", message))
                }
            }
        }
    };
    if let Some(Seated(place)) = &seat {
        place.waits();
    }
    tracing::debug!(request = id, %peer, %method, path, status = response.status().as_u16(), "http");
    let headers = response.headers_mut();
    if let Ok(id) = HeaderValue::from_str(&id) {
        headers.insert("x-request-id", id);
    }
    for (name, value) in ALWAYS {
        headers.entry(*name).or_insert(HeaderValue::from_static(value));
    }
    response
}

/// A page may load its own style and script and nothing else, and no other page may frame it.
const ALWAYS: &[(&str, &str)] = &[
    (
        "content-security-policy",
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; \
         form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    ),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cache-control", "no-store"),
];

const ANSWER_PATIENCE: Duration = Duration::from_secs(20);
/// The longest order is a case with the labels of a dozen segments.
pub const BODY_BYTES_MAX: usize = 16 * 1024;
