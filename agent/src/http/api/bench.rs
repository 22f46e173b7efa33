//! The bench over the API.

use axum::{
    Extension,
    extract::{Path, State},
    http::StatusCode,
};
use serde::{Deserialize, Serialize};

use super::{Answer, Body, SharedAgent, ask, body};
use crate::{
    daemon::{
        agent::{AgentError, BenchOrder},
        keys::Caller,
    },
    http::error::ApiError,
};

pub(super) async fn view(State(agent): State<SharedAgent>) -> Answer<impl Serialize> {
    let none = || AgentError::Unknown { what: "section of the configuration", name: "[bench]".to_owned() };
    Ok(axum::Json(agent.bench().ok_or_else(none)?))
}

pub(super) async fn answer(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    order: Body,
) -> Result<StatusCode, ApiError> {
    let order: BenchOrder = body(order)?;
    ask(&agent, move |agent| agent.answer_bench(order, &caller.name)).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// The card for which somebody asks anew.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Again {
    card: String,
}

pub(super) async fn again(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    order: Body,
) -> Result<StatusCode, ApiError> {
    let Again { card } = body(order)?;
    ask(&agent, move |agent| agent.ask_bench_again(&card, &caller.name)).await?;
    Ok(StatusCode::NO_CONTENT)
}

pub(super) async fn card(State(agent): State<SharedAgent>, Path(card): Path<String>) -> Answer<impl Serialize> {
    ask(&agent, move |agent| agent.card_test(&card)).await.map(axum::Json)
}

pub(super) async fn lot(State(agent): State<SharedAgent>, Path(lot): Path<String>) -> Answer<impl Serialize> {
    ask(&agent, move |agent| agent.lot(&lot)).await.map(axum::Json)
}
