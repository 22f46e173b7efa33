//! Tokens and codes: made, listed and revoked.

use std::sync::Arc;

use axum::{Extension, Json, extract::Path, http::StatusCode, response::IntoResponse};
use serde::{Deserialize, Serialize};

use super::{Answer, Body, body};
use crate::{
    daemon::keys::{Caller, Keys, KeysError, Pairing, Role},
    http::{error::ApiError, gate::Gate},
};

/// Does something to the keys where it may wait for the disk.
async fn with_keys<T: Send + 'static>(
    gate: &Gate,
    action: impl FnOnce(&Keys) -> Result<T, KeysError> + Send + 'static,
) -> Result<T, ApiError> {
    let keys = Arc::clone(&gate.keys);
    let done = tokio::task::spawn_blocking(move || action(&keys)).await;
    let failed = |code, status| move |text: String| ApiError::new(status, code, text);
    match done {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(error)) => {
            let refuse = match &error {
                KeysError::Name(_) => failed("value-not-allowed", StatusCode::UNPROCESSABLE_ENTITY),
                KeysError::Taken(_) | KeysError::TooMany => failed("not-now", StatusCode::CONFLICT),
                KeysError::Unknown(_) => failed("unknown-token", StatusCode::NOT_FOUND),
                KeysError::Random(_) => failed("internal", StatusCode::INTERNAL_SERVER_ERROR),
                KeysError::Store(_) => failed("store-unavailable", StatusCode::SERVICE_UNAVAILABLE),
            };
            Err(refuse(error.to_string()))
        }
        Err(error) => Err(failed("internal", StatusCode::INTERNAL_SERVER_ERROR)(error.to_string())),
    }
}

pub async fn tokens(Extension(gate): Extension<Arc<Gate>>) -> impl IntoResponse {
    Json(gate.keys.tokens())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TokenOrder {
    name: String,
    role: Role,
}

/// A token as made: the one time that it is shown.
#[derive(Serialize)]
struct Made {
    name: String,
    role: Role,
    token: String,
}

pub async fn make(
    Extension(gate): Extension<Arc<Gate>>,
    Extension(caller): Extension<Caller>,
    order: Body,
) -> Result<impl IntoResponse, ApiError> {
    let TokenOrder { name, role } = body(order)?;
    let made = with_keys(&gate, move |keys| {
        let token = keys.make_token(&name, role, &caller.name)?;
        Ok(Made { name, role, token })
    });
    Ok((StatusCode::CREATED, Json(made.await?)))
}

pub async fn revoke(Extension(gate): Extension<Arc<Gate>>, Path(name): Path<String>) -> Result<StatusCode, ApiError> {
    with_keys(&gate, move |keys| keys.revoke(&name)).await?;
    Ok(StatusCode::NO_CONTENT)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PairOrder {
    role: Role,
}

pub async fn pair(
    Extension(gate): Extension<Arc<Gate>>,
    Extension(caller): Extension<Caller>,
    order: Body,
) -> Answer<impl Serialize> {
    let PairOrder { role } = body(order)?;
    paired(&gate, &caller, role).await.map(Json)
}

/// Makes a code for a phone that may do no more than whoever lets it in.
///
/// # Errors
/// A role beyond the caller's; the archive.
pub async fn paired(gate: &Gate, caller: &Caller, role: Role) -> Result<Pairing, ApiError> {
    if role > caller.role {
        let message = format!("the role of {} is {}; a phone gets no more", caller.name, caller.role.name());
        return Err(ApiError::new(StatusCode::FORBIDDEN, "role-too-low", message));
    }
    let by = caller.name.clone();
    with_keys(gate, move |keys| keys.pair(role, &by)).await
}
