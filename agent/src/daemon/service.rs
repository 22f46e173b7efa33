//! Running as a service: the daemon's parts on one runtime, signals, and the service manager.

use std::{future::Future, path::PathBuf, pin::Pin, sync::Arc, time::Duration};

use sd_notify::NotifyState;
use tokio::{
    signal::unix::{SignalKind, signal},
    sync::oneshot,
};
use turnback_core::document::case::Case;

use super::{
    agent::{Agent, Happening},
    announce::{self, with_logbook},
    bench,
    control::{self, Desk},
    error::NotStarted,
    fleet,
    host::Host,
    running::RunningAgent,
    status::Shared,
    supervisor::Supervisor,
};
use crate::{
    archive::logbook::Logbook, config::Config, error_chain::with_causes, tell::answer, work::isolate::runner::Opening,
};

/// What a daemon is started with.
pub struct Start<S: Host> {
    /// The world.
    pub host: Arc<S>,
    /// What it is told.
    pub config: Config,
    /// What it must not forget.
    pub logbook: Box<dyn Logbook>,
    /// Its state directory; none: no control socket.
    pub state: Option<PathBuf>,
    /// Ports are simulated.
    pub demo: bool,
    /// Serves the page and the API.
    pub page: Option<Page>,
}

/// Serves page and API until [`Shared::stopped`]; gives the page's address once it listens, and what to wait for.
pub type Page = Box<dyn FnOnce(Arc<dyn Agent>, Arc<Shared>) -> Served + Send>;
/// The page's address and its task, or why it cannot be served.
pub type Served = Pin<Box<dyn Future<Output = Result<(String, tokio::task::JoinHandle<()>), NotStarted>> + Send>>;

/// Runs a daemon until a signal ends it.
///
/// # Errors
/// What kept it from starting, or from ending well.
pub fn run<S: Host>(start: Start<S>) -> Result<(), NotStarted> {
    // One thread: nothing here computes. Runs, lists of ports and the disk have threads of their own.
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(16)
        .thread_keep_alive(Duration::from_secs(2))
        .build()
        .map_err(|error| format!("cannot start: {error}"))?;
    let done = runtime.block_on(serve(start));
    // A run whose driver hangs must not keep the process.
    runtime.shutdown_timeout(Duration::from_secs(2));
    done
}

async fn serve<S: Host>(start: Start<S>) -> Result<(), NotStarted> {
    let Start { host, config, logbook, state, demo, page } = start;
    let signals = |kind| signal(kind).map_err(|error| format!("cannot hear signals: {error}"));
    let (mut hangup, mut terminate, mut interrupt) =
        (signals(SignalKind::hangup())?, signals(SignalKind::terminate())?, signals(SignalKind::interrupt())?);
    let _lock = state.as_deref().map(control::only_one).transpose()?;
    let clock = Arc::clone(&host);
    let (member, mut logbook) = (config.fleet.clone(), logbook);
    let numbered = fleet::note_membership(&mut *logbook, member.as_ref()).map_err(|error| with_causes(&error))?;
    let shared = Shared::new(config, logbook, move || clock.now());
    shared.status().demo = demo;
    let (known, changed) = (Arc::clone(&host), Arc::clone(&shared));
    host.watch_ports(Box::new(move || {
        changed.status().relist = true;
        changed.wake.notify_one();
        changed.bench.ring();
    }));
    let open = Box::new(move |port: &str, opening: Opening| open_case(&known, port, opening));
    let mut supervisor = Supervisor::new(Arc::clone(&host), Arc::clone(&shared), watchdog()).await?;
    // Whoever shortens the watchdog's time must not have a healthy agent killed: thrice in it.
    supervisor.beat = sd_notify::watchdog_enabled().map(|limit| limit / 3);
    let agent: Arc<dyn Agent> = Arc::new(RunningAgent::new(Arc::clone(&shared), open));
    let mut parts = tokio::task::JoinSet::new();
    let mut address = None;
    if let Some(page) = page {
        let (listens_at, task) = page(Arc::clone(&agent), Arc::clone(&shared)).await?;
        // What people wait for before they open a browser: data, so on standard output.
        // The agent runs on where nobody reads it.
        let _ = answer(format!("{listens_at}\n").as_bytes());
        address = Some(listens_at);
        parts.spawn(async move {
            let _ = task.await;
        });
    }
    if let Some(state) = &state {
        let listener = control::listen(state)
            .map_err(|error| format!("cannot listen at {}: {error}", control::socket(state).display()))?;
        let shared = Arc::clone(&shared);
        let desk = Desk { agent: Arc::clone(&agent), keys: Arc::clone(&shared.keys), page: address };
        parts.spawn(async move { control::answer(listener, desk, &shared.stopped).await });
    }
    parts.spawn(announce::deliver_for_ever(Arc::clone(&shared)));
    parts.spawn(prune_for_ever(Arc::clone(&shared)));
    parts.spawn(catch_up_for_ever(Arc::clone(&shared)));
    if let Some(member) = member {
        parts.spawn(fleet::send_for_ever(Arc::clone(&shared), Arc::clone(&agent), member, numbered));
    }
    let bench = start_bench(host, &shared)?;
    let ports = shared.status().ports.len();
    tracing::info!(ports, version = env!("CARGO_PKG_VERSION"), demo, "agent started");
    tell_manager(&[NotifyState::Ready, NotifyState::Status(&format!("{ports} ports"))]);

    let going = tokio::spawn(async move { supervisor.go().await });
    loop {
        tokio::select! {
            _ = hangup.recv() => reload(&shared),
            _ = terminate.recv() => break,
            _ = interrupt.recv() => break,
        }
    }
    tracing::info!("agent ends: runs are ended and settings restored");
    tell_manager(&[NotifyState::Stopping]);
    shared.stopped.stop();
    shared.bench.cancel.cancel();
    shared.bench.ring();
    let ended = going.await;
    if tokio::time::timeout(BENCH_PATIENCE, bench).await.is_err() {
        tracing::warn!("the test of a card does not end; its settings are restored at the next start");
    }
    let _ = tokio::time::timeout(Duration::from_secs(3), async { while parts.join_next().await.is_some() {} }).await;
    if let Some(state) = &state {
        let _ = std::fs::remove_file(control::socket(state));
    }
    Ok(ended.map_err(|error| format!("the supervisor failed: {error}"))?)
}

/// Puts the bench to work; what is given ends with it.
fn start_bench<S: Host>(host: Arc<S>, shared: &Arc<Shared>) -> Result<oneshot::Receiver<()>, NotStarted> {
    let (at_work, ended) = oneshot::channel();
    let shared = Arc::clone(shared);
    let spawned = std::thread::Builder::new().name("bench".into()).spawn(move || {
        bench::work(&*host, &shared);
        drop::<oneshot::Sender<()>>(at_work);
    });
    spawned.map_err(|error| format!("cannot start: {error}"))?;
    Ok(ended)
}

/// Opens a case; a driver may hang at that.
fn open_case<S: Host>(host: &Arc<S>, port: &str, opening: Opening) -> Result<Case, String> {
    let (done, opened) = std::sync::mpsc::channel();
    let (host, name) = (Arc::clone(host), port.to_owned());
    let spawned = std::thread::Builder::new().name("case".into()).spawn(move || {
        // Whoever asked may have given up meanwhile.
        let _ = done.send(host.open_case(&name, opening));
    });
    spawned.map_err(|error| format!("no thread could be started: {error}"))?;
    opened.recv_timeout(OPEN_LIMIT).unwrap_or_else(|_| Err(format!("{port} does not answer")))
}

const OPEN_LIMIT: Duration = Duration::from_secs(10);
/// What a test of a card may take to end when it is told to.
const BENCH_PATIENCE: Duration = Duration::from_secs(10);

/// Reads the configuration again. Runs that are on go on as they were begun.
fn reload(shared: &Arc<Shared>) {
    let Some(file) = shared.status().config.file.clone() else {
        tracing::warn!("SIGHUP: there is no configuration file to read again");
        return;
    };
    tell_manager_of_reload();
    match Config::read(&file) {
        Ok(config) => {
            let mut status = shared.status();
            let old = &status.config;
            if config.http != old.http || config.store != old.store || config.fleet != old.fleet {
                tracing::warn!("changes of [http], [fleet] and store take effect at the next start");
            }
            let old = Arc::clone(&status.config);
            for port in status.ports.values_mut() {
                port.slots.clear();
                if let Some(run) = &mut port.running {
                    run.cause.renumber(&old, &config);
                }
            }
            status.config = Arc::new(config);
            // They are known by the numbers of rounds.
            status.held.clear();
            status.relist = true;
            status.troubles.remove("config");
            status.figures.reloads.0 += 1;
            drop(status);
            tracing::info!(file = %file.display(), "configuration read again");
            shared.tell(Happening::Reloaded);
            shared.wake.notify_one();
            shared.posted.notify_one();
            shared.bench.ring();
        }
        Err(error) => {
            tracing::error!(%error, "the new configuration is refused; the old one stays in force");
            let mut status = shared.status();
            status.figures.reloads.1 += 1;
            status.troubles.insert("config", format!("{error}; the old one is in force"));
        }
    }
    tell_manager(&[NotifyState::Ready]);
}

/// Removes records that are too old, once a day.
async fn prune_for_ever(shared: Arc<Shared>) {
    loop {
        let keep = shared.status().config.limits.keep_records;
        if let Some(keep) = keep {
            let before_ms = shared.now_ms() - keep.as_millis() as i64;
            match with_logbook(&shared.logbook, move |logbook| logbook.prune(before_ms)).await {
                Ok(0) => {}
                Ok(removed) => tracing::info!(removed, "old records removed"),
                Err(error) => tracing::error!(error = with_causes(&error), "old records could not be removed"),
            }
        }
        tokio::select! {
            () = tokio::time::sleep(Duration::from_secs(86_400)) => {}
            () = shared.stopped.cancelled() => return,
        }
    }
}

/// Writes what is not written yet of tokens and sessions, once a minute and at the end.
async fn catch_up_for_ever(shared: Arc<Shared>) {
    while !shared.stopped.is_stopped() {
        tokio::select! {
            () = tokio::time::sleep(Duration::from_secs(60)) => {}
            () = shared.stopped.cancelled() => {}
        }
        let keys = Arc::clone(&shared.keys);
        let _ = tokio::task::spawn_blocking(move || keys.catch_up()).await;
    }
}

/// Tells the service manager's watchdog that the supervisor goes round.
fn watchdog() -> Box<dyn FnMut() + Send> {
    match sd_notify::watchdog_enabled() {
        Some(_) => Box::new(|| tell_manager(&[NotifyState::Watchdog])),
        None => Box::new(|| {}),
    }
}

fn tell_manager(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!(%error, "the service manager could not be told");
    }
}

fn tell_manager_of_reload() {
    match NotifyState::monotonic_usec_now() {
        Ok(now) => tell_manager(&[NotifyState::Reloading, now]),
        Err(_) => tell_manager(&[NotifyState::Reloading]),
    }
}
