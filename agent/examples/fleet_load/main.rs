//! Publishes as thousands of agents would, and says how fast: `scripts/fleet-load` runs it between a broker, collectors
//! and a database.
//!
//!     fleet_load publish SERVER AGENTS DOCUMENTS   real documents, each its own, packed as an agent packs them
//!     fleet_load bare SERVER DOCUMENTS             the broker's ceiling: one packed document over and over
//!
//! Prints one line: documents, seconds, documents a second, bytes of the last packed document.

use std::{
    collections::VecDeque,
    error::Error,
    process::ExitCode,
    time::{Duration, Instant},
};

use async_nats::{
    ConnectOptions, HeaderMap,
    jetstream::{
        self, Context,
        context::PublishAckFuture,
        stream::{Config, DiscardPolicy, RetentionPolicy},
    },
};
use turnback::fleet::{
    broker::{MESSAGE_ID, NUMBER},
    payload::pack_document,
};
use turnback_core::{
    document::{Document, DocumentKind, run::Report},
    fleet::subject::{Sender, What},
};

const RUN: &str = include_str!("../../../tests/fixtures/format1/ethernet-run.json");
/// Connections: an agent has one of its own, but thousands of them would be a test of this process.
const CONNECTIONS: usize = 4;
/// Documents of one connection that wait for the broker's word.
const WINDOW: usize = 256;
/// Name of the stream of the bare publisher.
const BARE: &str = "BARE";
/// Ports of a machine.
const PORTS: usize = 24;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    // None of either is nothing to measure.
    let number = |text: &str| match text.parse::<usize>() {
        Ok(0) => Err("0 agents or documents are too few: 1 at least".to_owned()),
        read => read.map_err(|error| format!("`{text}`: {error}")),
    };
    let done = match words[..] {
        ["publish", server, agents, documents] => {
            number(agents).and_then(|agents| Ok(run(server, number(documents)?, Some(agents))))
        }
        ["bare", server, documents] => number(documents).map(|documents| run(server, documents, None)),
        _ => Err("fleet_load publish SERVER AGENTS DOCUMENTS, or fleet_load bare SERVER DOCUMENTS".to_owned()),
    };
    match done {
        Ok(Ok(())) => ExitCode::SUCCESS,
        Ok(Err(error)) => complain(&error.to_string()),
        Err(usage) => complain(&usage),
    }
}

fn complain(text: &str) -> ExitCode {
    eprintln!("{text}");
    ExitCode::from(2)
}

fn run(server: &str, documents: usize, agents: Option<usize>) -> Result<(), Box<dyn Error>> {
    let Ok(Document::Run(report)) = Document::read(RUN) else { return Err("the fixture is no run".into()) };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    runtime.block_on(async {
        if agents.is_none() {
            make_bare(server).await?;
        }
        let began = Instant::now();
        let mut parts = tokio::task::JoinSet::new();
        for connection in 0..CONNECTIONS {
            let client = ConnectOptions::new().connect(server).await?;
            let broker = jetstream::ContextBuilder::new()
                .ack_timeout(Duration::from_secs(60))
                .max_ack_inflight(WINDOW)
                .backpressure_on_inflight(true)
                .build(client);
            let numbers = (connection..documents).step_by(CONNECTIONS);
            parts.spawn(publish(broker, report.clone(), agents, numbers));
        }
        let mut bytes = 0;
        while let Some(part) = parts.join_next().await {
            bytes = part??;
        }
        let seconds = began.elapsed().as_secs_f64();
        if agents.is_none() {
            jetstream::new(ConnectOptions::new().connect(server).await?).delete_stream(BARE).await?;
        }
        println!("{documents} {seconds:.2} {:.0} {bytes}", documents as f64 / seconds);
        Ok(())
    })
}

/// A stream like that of the documents, which nobody collects from.
async fn make_bare(server: &str) -> Result<(), Box<dyn Error>> {
    let broker = jetstream::new(ConnectOptions::new().connect(server).await?);
    let config = Config {
        name: BARE.to_owned(),
        subjects: vec!["bare.*".to_owned()],
        retention: RetentionPolicy::WorkQueue,
        discard: DiscardPolicy::New,
        duplicate_window: Duration::from_secs(600),
        ..Config::default()
    };
    broker.create_stream(config).await?;
    Ok(())
}

/// Publishes the documents with these numbers; gives the size of the last one.
async fn publish(
    broker: Context,
    report: Box<Report>,
    agents: Option<usize>,
    numbers: std::iter::StepBy<std::ops::Range<usize>>,
) -> Result<usize, String> {
    let bare = pack_document(&Document::Run(report.clone())).map_err(|error| error.to_string())?.bytes;
    let mut underway: VecDeque<PublishAckFuture> = VecDeque::new();
    let mut size = bare.len();
    for number in numbers {
        let id = uuid::Uuid::now_v7().to_string();
        let bytes = match agents {
            Some(agents) => {
                pack_document(&Document::Run(own(&report, &id, number / agents))).map(|packed| packed.bytes)
            }
            None => Ok(bare.clone()),
        };
        let bytes = bytes.map_err(|error| error.to_string())?;
        size = bytes.len();
        let machine = format!("closet-{}", number % agents.unwrap_or(1));
        let sender = Sender {
            site: format!("site-{}", number % agents.unwrap_or(1) % 40).parse().map_err(|error| format!("{error}"))?,
            machine: machine.parse().map_err(|error| format!("{error}"))?,
        };
        let mut headers = HeaderMap::new();
        headers.insert(MESSAGE_ID, id);
        headers.insert(NUMBER, (number + 1).to_string());
        let subject = match agents {
            Some(_) => sender.subject(What::Document(DocumentKind::Run)).to_string(),
            None => "bare.run".to_owned(),
        };
        let sent = broker.publish_with_headers(subject, headers, bytes.into()).await;
        underway.push_back(sent.map_err(|error| error.to_string())?);
        if underway.len() >= WINDOW {
            taken(underway.pop_front()).await?;
        }
    }
    while !underway.is_empty() {
        taken(underway.pop_front()).await?;
    }
    Ok(size)
}

async fn taken(sent: Option<PublishAckFuture>) -> Result<(), String> {
    match sent {
        Some(sent) => sent.await.map(|_| ()).map_err(|error| error.to_string()),
        None => Ok(()),
    }
}

/// A run of its own: id, time, port and labels.
fn own(report: &Report, id: &str, turn: usize) -> Box<Report> {
    let mut own = report.clone();
    own.run = id.to_owned();
    own.started_at = jiff::Timestamp::now().to_string();
    own.port.name = format!("quay{}", turn % PORTS);
    own.cable = Some(format!("Q-{}", turn % 997));
    Box::new(own)
}
