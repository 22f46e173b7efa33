//! This machine as a host: its ports, and checks on threads of their own.

use std::{path::Path, time::Duration};

use jiff::Timestamp;
use turnback_core::{
    base::labels::Labels,
    document::case::Case,
    event::Event,
    kind::{Kind, ethernet::link::Medium},
};

use super::{Boxed, Host, Order, PortFacts, RunEnd, Say};
use crate::{
    engine::{CheckError, CheckOptions, LineOptions, cancel::Cancel, check},
    guard::{lock::LockError, state},
    ports::{
        Port, PortError,
        ethernet::{
            device::netlink::{NetlinkError, arrivals::Arrivals},
            service::InService,
        },
        inventory::ethernet_ports,
        name::PortName,
        open::open,
        serial::inventory::{SerialEntry, serial_port, serial_ports},
    },
    work::{
        self,
        isolate::{
            error::CaseError,
            runner::{Opening, open_case},
            stage::{self, Measurement, speed_mbps},
        },
    },
};

/// This machine.
pub struct ThisMachine;

impl Host for ThisMachine {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }

    fn ports(&self, named: Vec<String>) -> Boxed<Result<Vec<PortFacts>, String>> {
        // On a thread of its own and not in a pool: a driver that hangs must not use up the pool.
        on_thread("ports", move || list(named), Err)
    }

    fn watch_ports(&self, changed: Box<dyn Fn() + Send>) {
        let watch = move || -> Result<(), NetlinkError> {
            let mut arrivals = Arrivals::open()?;
            loop {
                arrivals.wait()?;
                changed();
                // An adapter brings several interfaces, and takes several away: they are listed together.
                std::thread::sleep(TOGETHER);
            }
        };
        let tell = |error: &(dyn std::error::Error + 'static)| {
            tracing::warn!(%error, "ports that come or go are seen only when they are listed the next time");
        };
        let watched = std::thread::Builder::new().name("arrivals".into()).spawn(move || watch().map_err(|e| tell(&e)));
        if let Err(error) = watched {
            tell(&error);
        }
    }

    fn check(&self, order: Order, mut say: Say, cancel: Cancel) -> Boxed<RunEnd> {
        on_thread(
            "run",
            move || {
                let started_at = work::now();
                let name = PortName::parse(&order.port);
                let seed = name.rig().ok().flatten().map_or(order.seed, |rig| rig.seed().into());
                end(match open(&name, seed, &mut tell_left) {
                    Ok(mut port) => carry_out(&order, &mut *port, started_at, &mut *say, &cancel),
                    Err(error) => Err(CheckError::Port(error).into()),
                })
            },
            RunEnd::Failed,
        )
    }

    fn open_case(&self, port: &str, opening: Opening) -> Result<Case, String> {
        let mut port = open(&PortName::parse(port), 1, &mut tell_left).map_err(|error| error.to_string())?;
        open_case(&mut *port, opening).map_err(|error| error.to_string())
    }

    fn cpu_used(&self) -> Duration {
        cpu_used()
    }

    fn processors(&self) -> u32 {
        processors()
    }
}

/// Notices within this time are one.
const TOGETHER: Duration = Duration::from_millis(500);

/// The ports of this machine, with those that the configuration names. Blocks, as long as a driver does.
///
/// # Errors
/// Why they cannot be listed, in words.
pub fn list(named: Vec<String>) -> Result<Vec<PortFacts>, String> {
    let mut list: Vec<PortFacts> =
        ethernet_ports().map_err(|error| error.to_string())?.into_iter().map(facts).collect();
    list.extend(serial_ports().into_iter().map(line_facts));
    for name in named {
        match PortName::parse(&name) {
            rig @ (PortName::BuiltinRig(_) | PortName::RigFile(_)) => {
                let kind = rig.identity().kind;
                let medium = rig.rig().ok().flatten().map_or(Medium::Unknown, |rig| rig.medium());
                list.push(PortFacts { kind, medium, simulated: true, name, ..PortFacts::default() });
            }
            PortName::SerialDevice(path) => {
                let Some(line) = serial_port(&path) else { continue };
                // One line is one port, under the name that the configuration has for it.
                let path = std::fs::canonicalize(&path).unwrap_or_default();
                list.retain(|listed| listed.kind != Kind::Serial || path != Path::new(&listed.name));
                list.push(line_facts(line));
            }
            // The machine lists its interfaces itself.
            PortName::Interface(_) => {}
        }
    }
    Ok(list)
}

fn tell_left(told: &str) {
    tracing::warn!("left by a run that was cut off: {told}");
}

fn line_facts(line: SerialEntry) -> PortFacts {
    PortFacts {
        name: line.name,
        kind: line.kind,
        simulated: false,
        medium: Medium::Unknown,
        driver: line.driver,
        bus: None,
        in_service: line.in_service,
    }
}

/// Processors this process may use.
pub fn processors() -> u32 {
    std::thread::available_parallelism().map_or(1, |n| n.get() as u32)
}

/// Processor time this process has used, by `/proc/self/stat` (proc(5): fields 14 and 15, in ticks of 10 ms on every
/// architecture Linux has now).
pub fn cpu_used() -> Duration {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // The name in field 2 may hold spaces; it ends with the last parenthesis.
    let fields = text.rsplit_once(')').map_or("", |(_, rest)| rest).split_whitespace();
    let ticks: u64 = fields.skip(11).take(2).filter_map(|field| field.parse::<u64>().ok()).sum();
    Duration::from_millis(ticks * 10)
}

/// What a check is asked to do.
pub fn options(order: &Order, started_at: String) -> CheckOptions {
    CheckOptions {
        profile: order.profile.clone(),
        placement: order.placement,
        cable: order.cable.clone(),
        labels: Labels { port: order.labels.label.clone(), ..order.record.clone() },
        machine: state::machine(),
        speed_mbps: order.stage.as_ref().and_then(speed_mbps),
        seed: order.seed,
        run: order.run.clone(),
        started_at,
        although_in_service: false,
        // A case itself moves on to the place that tells more.
        confirm: order.stage.is_none(),
        line: LineOptions { format: order.labels.line, plug: order.labels.wiring, time: None },
    }
}

/// Makes the check that is ordered, or carries out the stage.
///
/// # Errors
/// When it could not be made.
pub fn carry_out(
    order: &Order,
    port: &mut dyn Port,
    started_at: String,
    say: &mut dyn FnMut(Event),
    cancel: &Cancel,
) -> Result<Measurement, CaseError> {
    let options = options(order, started_at);
    match &order.stage {
        Some(stage) => stage::carry_out(stage, port, None, options, say, cancel),
        None => Ok(Measurement::Report(Box::new(check(port, None, options, say, cancel)?))),
    }
}

/// How it ended, as the supervisor wants to know it.
pub fn end(done: Result<Measurement, CaseError>) -> RunEnd {
    match done {
        Ok(Measurement::Report(report)) => RunEnd::Report(report),
        Ok(Measurement::Pairs(pairs)) => RunEnd::Pairs(pairs),
        Err(CaseError::Check(CheckError::Port(PortError::Lock(error @ LockError::Held { .. })))) => {
            RunEnd::Busy(error.to_string())
        }
        Err(CaseError::Check(CheckError::Port(error))) => match error.hint() {
            Some(hint) => RunEnd::Failed(format!("{error} (hint: {hint})")),
            None => RunEnd::Failed(error.to_string()),
        },
        Err(error @ CaseError::NoSuchPlace { .. }) => RunEnd::Impossible(error.to_string()),
        Err(error) => RunEnd::Failed(error.to_string()),
    }
}

/// Does something that may block on a thread that nothing else waits for; `gone` says what it means when that thread
/// cannot be started or ends early.
pub fn on_thread<T: Send + 'static>(
    name: &str,
    work: impl FnOnce() -> T + Send + 'static,
    gone: fn(String) -> T,
) -> Boxed<T> {
    let (done, ended) = tokio::sync::oneshot::channel();
    let spawned = std::thread::Builder::new().name(name.to_owned()).spawn(move || {
        let _ = done.send(work());
    });
    Box::pin(async move {
        match spawned {
            Err(error) => gone(format!("no thread could be started: {error}")),
            Ok(_) => ended.await.unwrap_or_else(|_| gone("its thread ended early".into())),
        }
    })
}

fn facts(entry: crate::ports::inventory::PortEntry) -> PortFacts {
    PortFacts {
        name: entry.name,
        kind: entry.kind,
        simulated: false,
        medium: if entry.is_virtual { Medium::Virtual } else { Medium::Unknown },
        driver: entry.driver,
        bus: entry.bus.map(|bus| bus.address),
        in_service: entry.in_service.into_iter().map(|InService { text, .. }| text).collect(),
    }
}
