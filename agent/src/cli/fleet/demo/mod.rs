//! `turnback fleet demo`: a whole fleet on this machine. Broker, database, collector and page are real, the machines
//! and their ports are simulated.

mod servers;

use std::{
    net::SocketAddr,
    os::unix::fs::OpenOptionsExt,
    path::Path,
    process::ExitCode,
    sync::Arc,
    thread::{self, JoinHandle},
    time::{Duration, Instant},
};

use async_nats::jetstream;
use thiserror::Error;
use tokio::sync::watch;
use turnback_core::fleet::subject::Sender;

use self::servers::{Programs, START_LIMIT, ServerError, Servers};
use super::{runtime, stop_at_signal};
use crate::{
    archive::sqlite::Store,
    cli::{NOT_TESTED, USAGE, complain},
    config::{Config, fleet::FleetConfig},
    daemon::{
        host::demo::{self, Harbour, Pace},
        service::{self, Start},
    },
    error_chain::with_causes,
    fleet::{
        broker::{self, Party, WhenAway, accounts, streams},
        collect::{self, Counts},
        database,
        error::FleetError,
        view::{View, tokens::Role},
    },
    http::fleet::{self as page, StartError},
    show::lines::tell,
    tell::answer,
};

/// The demo cannot begin, or cannot go on.
#[derive(Debug, Error)]
enum DemoError {
    #[error(transparent)]
    Server(#[from] ServerError),
    #[error(transparent)]
    Fleet(#[from] FleetError),
    #[error(transparent)]
    Page(#[from] StartError),
    #[error("{0}")]
    Other(String),
}

impl DemoError {
    fn hint(&self) -> Option<String> {
        match self {
            Self::Server(error) => error.hint(),
            Self::Fleet(error) => error.hint(),
            Self::Page(error) => error.hint(),
            Self::Other(_) => None,
        }
    }
}

/// Runs the demo until a signal ends it.
pub fn run(machines: u32, listen: Option<SocketAddr>) -> ExitCode {
    if let Some(listen) = listen.filter(|listen| !listen.ip().is_loopback()) {
        tell("error: ", format_args!("listen `{listen}` is not allowed: the demo is for 127.0.0.1 and [::1] only"));
        return ExitCode::from(USAGE);
    }
    let runtime = match runtime() {
        Ok(runtime) => runtime,
        Err(code) => return code,
    };
    let done = runtime.block_on(demonstrate(machines, listen));
    runtime.shutdown_timeout(Duration::from_secs(2));
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            complain(&error, error.hint());
            ExitCode::from(NOT_TESTED)
        }
    }
}

async fn demonstrate(machines: u32, listen: Option<SocketAddr>) -> Result<(), DemoError> {
    let programs = Programs::find()?;
    let (ended, mut stop) = watch::channel(false);
    stop_at_signal(ended);
    tell("", "Starting a broker and a database of its own; this takes a few seconds.");
    // On this thread: the servers end with it.
    let mut servers = Servers::start_database(programs)?;
    let members = members(machines)?;
    let config = prepare(&mut servers, &members, listen).await?;
    if *stop.borrow() {
        return Ok(());
    }
    let collector = tokio::spawn(collect::collect(
        Arc::new(as_party(&config, &servers, &Party::Collector)),
        Arc::new(Counts::default()),
        stop.clone(),
    ));
    let (url, served) = serve(&config, listen.is_none(), &stop).await?;
    let token_file = servers.path("token");
    keep_token(&config, &token_file).await?;
    let agents = start_agents(&members, &servers)?;
    let machines =
        format!("The harbour's fleet: {machines} machines, whose ports are simulated; faults are in the making.");
    tell("", machines);
    tell("", format_args!("A token for asking machines for checks: {}", token_file.display()));
    let all = servers.path("");
    tell("", format_args!("All of it is in {} and goes with the demo. End with Ctrl-C.", all.display()));
    // Data, so on standard output.
    let _ = answer(format!("{url}\n").as_bytes());
    // After an error nobody told the agents that it is over: they end with this program.
    wait(&mut servers, &agents, &mut stop).await?;
    tell("", "Ending.");
    let _ = tokio::time::timeout(STOP_LIMIT, served).await;
    let over = Instant::now() + STOP_LIMIT;
    while agents.iter().any(|agent| !agent.is_finished()) && Instant::now() < over {
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let _ = tokio::time::timeout(STOP_LIMIT, collector).await;
    Ok(())
}

/// Until a signal asks for the end, or a part is gone.
async fn wait(
    servers: &mut Servers,
    agents: &[JoinHandle<Result<(), String>>],
    stop: &mut watch::Receiver<bool>,
) -> Result<(), DemoError> {
    while tokio::time::timeout(Duration::from_millis(500), stop.wait_for(|stopped| *stopped)).await.is_err() {
        if let Some(error) = servers.ended() {
            return Err(error.into());
        }
        if agents.iter().any(JoinHandle::is_finished) && !*stop.borrow() {
            return Err(DemoError::Other("a simulated machine ended by itself".into()));
        }
    }
    Ok(())
}

/// The machines by name: closets of three sites.
fn members(machines: u32) -> Result<Vec<Sender>, DemoError> {
    let one = |n: u32| {
        let site = SITES[n as usize % SITES.len()];
        let named = |text: &str| text.parse().map_err(|error| DemoError::Other(format!("{error}")));
        Ok(Sender { site: named(site)?, machine: named(&format!("closet-{}", n / SITES.len() as u32 + 1))? })
    };
    (0..machines).map(one).collect()
}

/// Keys, broker, streams and tables.
async fn prepare(
    servers: &mut Servers,
    members: &[Sender],
    listen: Option<SocketAddr>,
) -> Result<FleetConfig, DemoError> {
    let unwritable = |path: &Path| {
        let path = path.to_owned();
        move |source| FleetError::Unwritable { path, source }
    };
    let keys = servers.path("keys");
    std::fs::create_dir(&keys).map_err(unwritable(&keys))?;
    let text = format!(
        "[broker]\nservers = [\"{}\"]\n[database]\nconnection = \"{}\"\n[stream]\nsize_mib = 64\n[view]\nlisten = \
         \"{}\"\nask = true\ncredentials_file = {:?}\n",
        servers.address(),
        servers.connection(),
        listen.unwrap_or(SocketAddr::from(([127, 0, 0, 1], PORT))),
        keys.join(accounts::file_name(&Party::View))
    );
    let config = FleetConfig::parse("the demo's configuration", &text).map_err(|e| DemoError::Other(e.to_string()))?;
    let agents = members.iter().cloned().map(Party::Agent);
    let parties: Vec<Party> = [Party::Init, Party::Collector, Party::View].into_iter().chain(agents).collect();
    let made = accounts::prepare(&keys, &parties)?;
    let file = servers.path(ACCOUNTS);
    std::fs::write(&file, accounts::broker_file(&made, &config.stream)).map_err(unwritable(&file))?;
    servers.start_broker(ACCOUNTS)?;
    let began = Instant::now();
    let client = loop {
        let init = as_party(&config, servers, &Party::Init);
        match broker::connect(&init.broker, &Party::Init, WhenAway::Fail).await {
            Ok(client) => break client,
            Err(error) => wait_more(servers, began, error).await?,
        }
    };
    streams::prepare(&jetstream::new(client), &config.stream, false).await?;
    loop {
        match database::migrate(&config.database).await {
            Ok(_) => return Ok(config),
            Err(error) => wait_more(servers, began, error).await?,
        }
    }
}

/// A server that was just started is given time, unless it is gone.
async fn wait_more(servers: &mut Servers, began: Instant, error: FleetError) -> Result<(), DemoError> {
    if let Some(ended) = servers.ended() {
        return Err(ended.into());
    }
    if began.elapsed() > START_LIMIT {
        return Err(error.into());
    }
    tokio::time::sleep(Duration::from_millis(100)).await;
    Ok(())
}

fn as_party(config: &FleetConfig, servers: &Servers, party: &Party) -> FleetConfig {
    let mut config = config.clone();
    config.broker.credentials_file = Some(servers.path("keys").join(accounts::file_name(party)));
    config
}

/// The page; at any free port if nobody asked for that very one.
async fn serve(
    config: &FleetConfig,
    any_free: bool,
    stop: &watch::Receiver<bool>,
) -> Result<(String, tokio::task::JoinHandle<()>), DemoError> {
    match page::start(config, true, stop.clone()).await {
        Err(StartError::Serve(error)) if error.is_taken() && any_free => {
            tell("", format_args!("{} is taken: the page is at a free port", config.view.http.listen));
            let mut config = config.clone();
            config.view.http.listen.set_port(0);
            Ok(page::start(&config, true, stop.clone()).await?)
        }
        started => Ok(started?),
    }
}

async fn keep_token(config: &FleetConfig, file: &Path) -> Result<(), DemoError> {
    use std::io::Write;
    let token = View::new(&config.database)?.make_token("demo", Role::Write, "demo").await?.unwrap_or_default();
    let made = std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(file);
    let written = made.and_then(|mut file| writeln!(file, "{token}"));
    Ok(written.map_err(|source| FleetError::Unwritable { path: file.to_owned(), source })?)
}

/// One thread for each machine. Each began a while after the one before, so that not all of them show the same.
fn start_agents(members: &[Sender], servers: &Servers) -> Result<Vec<JoinHandle<Result<(), String>>>, DemoError> {
    let start = |(n, sender): (usize, &Sender)| {
        let text = format!(
            "{}\n[fleet]\nsite = \"{}\"\nmachine = \"{}\"\nservers = [\"{}\"]\ncredentials_file = {:?}\n\
             accept_checks = true\n",
            demo::CONFIG,
            sender.site,
            sender.machine,
            servers.address(),
            servers.path("keys").join(accounts::file_name(&Party::Agent(sender.clone())))
        );
        let parsed = Config::parse("the demo's configuration", &text);
        let mut config = parsed.map_err(|e| DemoError::Other(e.to_string()))?;
        // What happens is told on the page; a terminal has no room for several machines.
        config.targets.clear();
        // Nor has it a page of each, on which the bench could be answered.
        config.bench = None;
        let place = servers.path(&format!("{sender}.db"));
        let host = Harbour::aged(Pace::Real, APART * n as u32);
        let work = move || {
            let store = Store::open(&place).map_err(|error| with_causes(&error))?;
            let logbook = Box::new(store);
            let done = service::run(Start { host, config, logbook, state: None, demo: true, page: None });
            done.map_err(|error| {
                let text = with_causes(&error);
                tracing::error!(error = text, "a simulated machine ended");
                text
            })
        };
        let named = thread::Builder::new().name(sender.to_string()).spawn(work);
        named.map_err(|error| DemoError::Other(format!("no thread could be started: {error}")))
    };
    members.iter().enumerate().map(start).collect()
}

const ACCOUNTS: &str = "accounts.conf";
const SITES: [&str; 3] = ["north-quay", "south-quay", "lock-gate"];
/// As `[view]` has it.
const PORT: u16 = 7441;
const APART: Duration = Duration::from_secs(100);
const STOP_LIMIT: Duration = Duration::from_secs(8);
