//! The daemon on the web: JSON API, metrics and page, all of them views of the [`Agent`](crate::daemon::agent::Agent).
//!
//! [`start`] puts it together: [`serve`] takes connections, `middleware` asks the [`gate`] who may do what and how
//! often, by [`token`], [`session`], [`access`], `daemon/rate` and [`places`]; [`api`] and [`page`] answer.
//! [`fleet`] is the page of many machines, behind the same gate.

pub mod access;
pub mod api;
pub mod error;
pub mod fleet;
pub mod gate;
mod middleware;
pub mod page;
pub mod places;
pub mod serve;
pub mod session;
pub mod token;

use std::{path::Path, sync::Arc};

use axum::{
    Router,
    extract::{DefaultBodyLimit, State},
    http::{HeaderName, header},
    response::IntoResponse,
    routing::get,
};
use thiserror::Error;
use tokio::{sync::watch, task::JoinHandle};

use self::{
    access::Names,
    api::SharedAgent,
    gate::Gate,
    serve::{ServeError, Server},
    token::{Token, TokenError},
};
use crate::{
    config::HttpConfig,
    daemon::keys::Keys,
    metrics::{self, Snapshot},
};

/// The web side cannot start.
#[derive(Debug, Error)]
pub enum StartError {
    /// It cannot listen.
    #[error(transparent)]
    Serve(#[from] ServeError),
    /// Its token cannot be had.
    #[error(transparent)]
    Token(#[from] TokenError),
}

impl StartError {
    /// The way out, where one is known.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Serve(error) => error.hint(),
            Self::Token(_) => None,
        }
    }

    /// The address is another program's already.
    pub fn is_taken(&self) -> bool {
        matches!(self, Self::Serve(error) if error.is_taken())
    }
}

/// Serves page, API and metrics until `stop` turns true or its sender is gone; gives the address, as a person types it,
/// once it listens. The token is made in `token_file` unless it is there.
///
/// # Errors
/// See [`StartError`].
pub async fn start(
    agent: SharedAgent,
    keys: Arc<Keys>,
    config: &HttpConfig,
    token_file: &Path,
    stop: watch::Receiver<bool>,
) -> Result<(String, JoinHandle<()>), StartError> {
    let (token, made) = Token::load_or_create(token_file)?;
    if made {
        tracing::info!(file = %token_file.display(), "token made; changing calls need it");
    }
    let server = Server::bind(config).await?;
    let (listen, tls) = (server.address(), config.tls.is_some());
    keys.reached_at(config.reached_at(listen.port()));
    let gate = Gate::new(Names::new(listen, &config.hosts, tls), token, keys, listen.ip().is_loopback());
    let url = server.url();
    tracing::info!(address = url, token_file = %token_file.display(), "page and API");
    let router = router(agent, Arc::new(gate), tls);
    Ok((url, tokio::spawn(server.run(router, stop))))
}

/// Every route, behind the gate. `tls`: browsers are to send their session over TLS only.
pub fn router(agent: SharedAgent, gate: Arc<Gate>, tls: bool) -> Router {
    let metrics = Router::new().route("/metrics", get(scrape)).with_state(agent.clone());
    api::router(agent.clone(), Arc::clone(&gate))
        .merge(metrics)
        .merge(page::router(agent, Arc::clone(&gate), tls))
        .layer(DefaultBodyLimit::max(middleware::BODY_BYTES_MAX))
        .layer(axum::middleware::from_fn_with_state(gate, middleware::guard))
}

async fn scrape(State(agent): State<SharedAgent>) -> impl IntoResponse {
    let (ports, queue) = (agent.ports(), agent.queue());
    let (figures, health, bench) = (agent.figures(), agent.health(), agent.bench());
    let snapshot = Snapshot { ports, figures, health, queue, bench };
    let media_type: [(HeaderName, &str); 1] = [(header::CONTENT_TYPE, metrics::MEDIA_TYPE)];
    (media_type, metrics::exposition(snapshot))
}
