//! What people do about ports between the runs, and what is to come.

use std::collections::BTreeMap;

use axum::{
    Extension, Json,
    extract::{Path, Query, State, rejection::QueryRejection},
    http::StatusCode,
    response::IntoResponse,
};
use serde::Serialize;

use super::{Answer, Body, Limit, SharedAgent, ask, asked, body};
use crate::{
    daemon::{
        agent::{AcknowledgeOrder, MuteOrder, PauseOrder},
        keys::Caller,
    },
    http::error::ApiError,
};

pub async fn acknowledge(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    Path(port): Path<String>,
    order: Body,
) -> Result<StatusCode, ApiError> {
    let order: AcknowledgeOrder = body(order)?;
    ask(&agent, move |agent| agent.acknowledge(&port, order, &caller.name)).await?;
    Ok(StatusCode::NO_CONTENT)
}

pub async fn mute(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    Path(port): Path<String>,
    order: Body,
) -> Result<StatusCode, ApiError> {
    let order: MuteOrder = body(order)?;
    ask(&agent, move |agent| agent.mute(&port, order, &caller.name)).await?;
    Ok(StatusCode::NO_CONTENT)
}

pub async fn pauses(State(agent): State<SharedAgent>) -> impl IntoResponse {
    Json(agent.pauses())
}

pub async fn pause(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    order: Body,
) -> Answer<impl Serialize> {
    let order: PauseOrder = body(order)?;
    ask(&agent, move |agent| agent.pause(order, &caller.name).map(|()| agent.pauses())).await.map(Json)
}

/// What was asked for of each port of a cabinet, and why not of others.
#[derive(Serialize)]
struct Started {
    runs: BTreeMap<String, String>,
    refused: BTreeMap<String, String>,
}

pub async fn start_cabinet(
    State(agent): State<SharedAgent>,
    Extension(caller): Extension<Caller>,
    Path(cabinet): Path<String>,
) -> Result<impl IntoResponse, ApiError> {
    let asked = ask(&agent, move |agent| agent.start_cabinet(&cabinet, &caller.name)).await?;
    let mut started = Started { runs: BTreeMap::new(), refused: BTreeMap::new() };
    for (port, run) in asked {
        match run {
            Ok(run) => started.runs.insert(port, run),
            Err(error) => started.refused.insert(port, error.to_string()),
        };
    }
    Ok((StatusCode::ACCEPTED, Json(started)))
}

pub async fn queue(State(agent): State<SharedAgent>) -> impl IntoResponse {
    Json(agent.queue())
}

pub async fn schedule(State(agent): State<SharedAgent>) -> impl IntoResponse {
    Json(agent.coming())
}

pub async fn actions(
    State(agent): State<SharedAgent>,
    limit: Result<Query<Limit>, QueryRejection>,
) -> Answer<impl Serialize> {
    let limit = asked(limit)?.get();
    ask(&agent, move |agent| agent.actions(limit)).await.map(Json)
}

pub async fn sent(
    State(agent): State<SharedAgent>,
    limit: Result<Query<Limit>, QueryRejection>,
) -> Answer<impl Serialize> {
    let limit = asked(limit)?.get();
    ask(&agent, move |agent| agent.sent(limit)).await.map(Json)
}
