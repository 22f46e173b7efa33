//! What a caller is told when a call fails: a stable code, a sentence, and the id under which the log knows more.

use axum::{
    Json,
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::Serialize;

use crate::{daemon::agent::AgentError, error_chain::with_causes, fleet::error::FleetError};

/// A call failed. The request's id is added on the way out, by [`super::gate`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ApiError {
    /// Status.
    pub status: StatusCode,
    /// Stable word for programs; `docs/http-api.md` lists them.
    pub code: &'static str,
    /// For people.
    pub message: String,
    /// When to try again, seconds.
    pub retry_after_s: Option<u64>,
}

/// The body of a failed call.
#[derive(Serialize)]
struct Body<'a> {
    error: Inner<'a>,
}

#[derive(Serialize)]
struct Inner<'a> {
    code: &'a str,
    message: &'a str,
}

impl ApiError {
    /// With a status, a code and a sentence.
    pub fn new(status: StatusCode, code: &'static str, message: impl Into<String>) -> Self {
        Self { status, code, message: message.into(), retry_after_s: None }
    }
}

impl From<AgentError> for ApiError {
    fn from(error: AgentError) -> Self {
        let (status, code) = match &error {
            AgentError::Unknown { what: "port", .. } => (StatusCode::NOT_FOUND, "unknown-port"),
            AgentError::Unknown { what: "run", .. } => (StatusCode::NOT_FOUND, "unknown-run"),
            AgentError::Unknown { what: "case", .. } => (StatusCode::NOT_FOUND, "unknown-case"),
            AgentError::Unknown { .. } => (StatusCode::NOT_FOUND, "unknown"),
            AgentError::Value { .. } => (StatusCode::UNPROCESSABLE_ENTITY, "value-not-allowed"),
            AgentError::UnderDiagnosis { .. } => (StatusCode::CONFLICT, "under-diagnosis"),
            AgentError::NotNow(_) => (StatusCode::CONFLICT, "not-now"),
            AgentError::Store(cause) => {
                tracing::error!(%cause, "the store failed a call");
                (StatusCode::SERVICE_UNAVAILABLE, "store-unavailable")
            }
        };
        Self::new(status, code, error.to_string())
    }
}

impl From<FleetError> for ApiError {
    fn from(error: FleetError) -> Self {
        let cause = with_causes(&error);
        tracing::error!(cause, "the fleet's page cannot answer");
        match error {
            FleetError::Unreadable { .. } => {
                Self::new(StatusCode::INTERNAL_SERVER_ERROR, "document-unreadable", error.to_string())
            }
            FleetError::Unreachable(_) | FleetError::Database { .. } | FleetError::Format { .. } => {
                let message = "the database does not answer this now; the log says why";
                Self::new(StatusCode::SERVICE_UNAVAILABLE, "store-unavailable", message)
            }
            _ => Self::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", "this failed here; the log says why"),
        }
    }
}

impl IntoResponse for ApiError {
    fn into_response(self) -> Response {
        let body = Body { error: Inner { code: self.code, message: &self.message } };
        let mut response = (self.status, Json(body)).into_response();
        if let Some(seconds) = self.retry_after_s {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if self.status == StatusCode::UNAUTHORIZED {
            response.headers_mut().insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        response
    }
}
