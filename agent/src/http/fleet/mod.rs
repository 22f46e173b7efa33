//! The fleet's page and API: what the database knows of many machines, in the manner of the agent's page.
//!
//! `overview`, `ports`, `machines`, `runs` and `cards` are views; [`api`] gives the same as JSON, `tables` as CSV,
//! `metrics` to a Prometheus server. `asks` asks a machine for a check. What stands around a view, its look, and who
//! may see it are the agent's.

pub mod api;
mod asks;
mod cards;
mod failures;
mod keys;
mod line;
mod machines;
mod metrics;
mod overview;
mod ports;
mod query;
mod runs;
mod tables;

use std::sync::{Arc, Mutex};

use async_nats::Client;
use axum::{
    Extension, Router,
    extract::DefaultBodyLimit,
    http::StatusCode,
    middleware::from_fn_with_state,
    routing::{get, post},
};
use jiff::Timestamp;
use thiserror::Error;
use tokio::{sync::watch, task::JoinHandle};

use super::{
    access::Names,
    error::ApiError,
    gate::Gate,
    middleware::{BODY_BYTES_MAX, guard},
    page::{
        assets,
        cover::{Cover, PageError, Setting, Spine},
        enter, renew,
    },
    serve::{ServeError, Server},
};
use crate::{
    archive::memory::Memory,
    config::fleet::{Broker, FleetConfig},
    daemon::keys::Keys,
    fleet::{
        broker::{self, Party, WhenAway},
        error::FleetError,
        view::View,
    },
};

use keys::Renewal;

/// The fleet's page cannot start.
#[derive(Debug, Error)]
pub enum StartError {
    /// It cannot listen.
    #[error(transparent)]
    Serve(#[from] ServeError),
    /// The database cannot be used.
    #[error(transparent)]
    Fleet(#[from] FleetError),
}

impl StartError {
    /// The way out, where one is known.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Serve(error) if error.is_taken() => {
                Some("another program listens there: name another address, `listen` under [view]".into())
            }
            Self::Serve(_) => None,
            Self::Fleet(error) => error.hint(),
        }
    }
}

/// What every handler has.
#[derive(Clone)]
struct Book {
    view: Arc<View>,
    cover: Cover,
    /// Over which machines are asked for checks; none: they are not.
    broker: Option<Client>,
}

/// The parts of the fleet's book.
static SPINE: Spine = Spine {
    parts: &[
        ("overview", "/", "Overview"),
        ("failures", "/failures", "Last day"),
        ("machines", "/machines", "Machines"),
        ("runs", "/runs", "Runs"),
        ("cards", "/cards", "Cards"),
        ("asked", "/asked", "Asked"),
    ],
    who: "fleet's page",
    tells: false,
};

/// Method and path of every route of the page beside the assets; what is no `GET` changes something.
pub const ROUTES: &[(&str, &str)] = &[
    ("GET", "/"),
    ("GET", "/ports"),
    ("GET", "/ports.csv"),
    ("GET", "/sites/{site}"),
    ("GET", "/machines"),
    ("GET", "/machines.csv"),
    ("GET", "/machines/{site}/{machine}"),
    ("GET", "/machines/{site}/{machine}/{port}"),
    ("POST", "/machines/{site}/{machine}/{port}/checks"),
    ("GET", "/asked"),
    ("GET", "/asked/{request}"),
    ("GET", "/failures"),
    ("GET", "/failures.csv"),
    ("GET", "/runs"),
    ("GET", "/runs.csv"),
    ("GET", "/runs/{run}"),
    ("GET", "/compare"),
    ("GET", "/cards"),
    ("GET", "/cards/{test}"),
    ("GET", "/enter"),
    ("POST", "/enter"),
    ("POST", "/leave"),
];

/// Serves page and API until `stop` turns true or its sender is gone; gives the address, as a person types it, once it
/// listens. `demo`: every port of the fleet is simulated.
///
/// # Errors
/// See [`StartError`].
pub async fn start(
    config: &FleetConfig,
    demo: bool,
    stop: watch::Receiver<bool>,
) -> Result<(String, JoinHandle<()>), StartError> {
    let view = Arc::new(View::new(&config.database)?);
    view.check().await?;
    let http = &config.view.http;
    let server = Server::bind(http).await?;
    let (listen, tls) = (server.address(), http.tls.is_some());
    // Tokens and sessions are the database's; this process writes none to a disk.
    let logbook = Arc::new(Mutex::new(Box::<Memory>::default() as _));
    let keys = Arc::new(Keys::new(logbook, || Timestamp::now().as_millisecond()));
    let mut renewal = Renewal::new(Arc::clone(&view), Arc::clone(&keys));
    renewal.once().await?;
    // The first who looks need not wait for it.
    let counted = Arc::clone(&view);
    tokio::spawn(async move { counted.counts().await.map(|_| ()) });
    let renewed = tokio::spawn(renewal.for_ever(stop.clone()));
    let names = Names::new(listen, &http.hosts, tls);
    let gate = Arc::new(Gate::of_fleet(names, keys, listen.ip().is_loopback()));
    let setting = Setting { zone: config.view.zone.clone(), demo, without: None };
    let cover = Cover { gate, tls, spine: &SPINE, setting: Arc::new(move || setting.clone()) };
    let broker = match config.view.ask {
        true => Some(connect(config, &view, &stop).await?),
        false => None,
    };
    let url = server.url();
    tracing::info!(address = url, "page and API of the fleet");
    let serving = server.run(router(Book { view, cover, broker }), stop);
    let until_over = async move {
        serving.await;
        // A session that was opened just now is kept too.
        let _ = renewed.await;
    };
    Ok((url, tokio::spawn(until_over)))
}

/// The broker, over which machines are asked and answer.
async fn connect(config: &FleetConfig, view: &Arc<View>, stop: &watch::Receiver<bool>) -> Result<Client, FleetError> {
    let own = config.view.credentials_file.clone();
    let at = Broker { credentials_file: own.or(config.broker.credentials_file.clone()), ..config.broker.clone() };
    let client = broker::connect(&at, &Party::View, WhenAway::Wait).await?;
    tokio::spawn(asks::hear_for_ever(Arc::clone(view), client.clone(), stop.clone()));
    Ok(client)
}

/// Every route, behind the gate.
fn router(book: Book) -> Router {
    let gate = Arc::clone(&book.cover.gate);
    let unknown = async || PageError(ApiError::new(StatusCode::NOT_FOUND, "unknown-page", "there is no such page"));
    Router::new()
        .route("/", get(overview::view))
        .route("/ports", get(ports::list))
        .route("/ports.csv", get(tables::ports))
        .route("/sites/{site}", get(overview::site))
        .route("/machines", get(machines::list))
        .route("/machines.csv", get(tables::machines))
        .route("/machines/{site}/{machine}", get(machines::one))
        .route("/machines/{site}/{machine}/{port}", get(ports::one))
        .route("/machines/{site}/{machine}/{port}/checks", post(asks::start))
        .route("/asked", get(asks::list))
        .route("/asked/{request}", get(asks::one))
        .route("/failures", get(failures::list))
        .route("/failures.csv", get(tables::failures))
        .route("/runs", get(runs::list))
        .route("/runs.csv", get(tables::runs))
        .route("/runs/{run}", get(runs::one))
        .route("/compare", get(runs::compare))
        .route("/cards", get(cards::list))
        .route("/cards/{test}", get(cards::one))
        .route("/enter", get(enter::form).post(enter::enter))
        .route("/leave", post(enter::leave))
        .layer(from_fn_with_state(Arc::new(renew::Sent::default()), renew::by_difference))
        .merge(assets::router())
        .fallback(unknown)
        .merge(api::router())
        .route("/metrics", get(metrics::scrape))
        .route("/health", get(metrics::health))
        .layer(Extension(book.cover.clone()))
        .layer(Extension(book))
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(from_fn_with_state(gate, guard))
}
