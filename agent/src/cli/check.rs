//! `turnback check`.

use std::{
    fs::File,
    io::{BufWriter, Write},
    process::ExitCode,
    time::Duration,
};

use turnback_core::{
    base::placement::Placement,
    document::run::{PortIdentity, Report},
    event::Event,
    kind::serial::{format::LineFormatError, plug::LinePlugError},
    plan::{PlanError, Profile, ProfileKind, parse_duration},
};

use super::{NOT_TESTED, USAGE, args, complain, keep::Keeper, print};
use crate::{
    engine::{CheckError, CheckOptions, cancel::Cancel, check, refused, serial::options::LineOptions},
    guard::{journal::recover, state},
    ports::{
        Port, PortError, Way,
        ethernet::port::EthernetPort,
        recovery::EverySetting,
        serial::{device::Device, port::SerialPort, settings::told},
        simulated::ethernet,
    },
    show::{progress::ProgressLine, text},
};

/// Runs a check; the exit status is its verdict.
pub fn run(args: args::Check) -> ExitCode {
    let mut keeper = Keeper::new(&args.record);
    let failure = match try_run(&args, &mut keeper) {
        Ok(report) => {
            let status = answer(&args, &report);
            keeper.keep(&report);
            return status;
        }
        Err(failure) => failure,
    };
    match failure {
        Failure::Refused(error, report) => {
            let hint = error.hint();
            complain(&error, hint);
            let status = if args.json { answer(&args, &report) } else { ExitCode::from(NOT_TESTED) };
            keeper.keep(&report);
            status
        }
        Failure::Check(error) => {
            let hint = if let CheckError::Port(error) = &error { error.hint() } else { None };
            complain(&error, hint);
            ExitCode::from(USAGE)
        }
        Failure::Usage(text) => {
            eprintln!("error: {text}");
            ExitCode::from(USAGE)
        }
    }
}

/// Why a check gave no verdict.
#[derive(Debug)]
pub enum Failure {
    /// The host did not let the run begin, or go on; the report says so.
    Refused(PortError, Box<Report>),
    /// The words cannot be carried out on this port.
    Check(CheckError),
    /// The words are wrong by themselves; how, in full.
    Usage(String),
}

impl<E: Into<CheckError>> From<E> for Failure {
    fn from(error: E) -> Self {
        Self::Check(error.into())
    }
}

/// Prints the report and gives its exit status.
fn answer(args: &args::Check, report: &Report) -> ExitCode {
    let printed = if args.json {
        match serde_json::to_string_pretty(report) {
            Ok(document) => document + "\n",
            Err(error) => {
                complain(&error, None);
                return ExitCode::from(NOT_TESTED);
            }
        }
    } else {
        text::render(report)
    };
    print(&printed, ExitCode::from(report.verdict.outcome.exit_status()))
}

fn try_run(args: &args::Check, keeper: &mut Keeper) -> Result<Report, Failure> {
    let seed = seed(args.seed, &args.port)?;
    let options = options(args, seed)?;
    if args.return_port.as_ref() == Some(&args.port) {
        let text = format!("{} cannot be its own return port: name the port at the other end of the cable", args.port);
        return Err(Failure::Usage(text));
    }
    let mut events = match &args.events {
        Some(path) => {
            let file = File::create(path)
                .map_err(|e| Failure::Usage(format!("cannot write events to {}: {e}", path.display())))?;
            Some(BufWriter::new(file))
        }
        None => None,
    };
    let mut progress = ProgressLine::new(args.json);
    let mut events_failed = None;
    let tested = open_and_check(args, keeper, options.clone(), &mut |event: Event| {
        if let Some(file) = &mut events
            && events_failed.is_none()
        {
            let line = serde_json::to_string(&event).unwrap_or_default();
            events_failed = writeln!(file, "{line}").and_then(|()| file.flush()).err();
        }
        progress.show(&event);
    });
    progress.end();
    if let Some(error) = events_failed {
        eprintln!("warning: events after this point could not be written: {error}");
    }
    match tested {
        Ok(mut report) => {
            report.warnings.dedup();
            Ok(report)
        }
        Err(CheckError::Port(error)) if !is_wrong_use(&error) => {
            let return_port = args.return_port.as_deref().map(identity);
            let report = refused(&options, identity(&args.port), return_port, &error);
            Err(Failure::Refused(error, Box::new(report)))
        }
        Err(error) => Err(error.into()),
    }
}

fn open_and_check(
    args: &args::Check,
    keeper: &mut Keeper,
    options: CheckOptions,
    say: &mut dyn FnMut(Event),
) -> Result<Report, CheckError> {
    let seed = options.seed;
    let mut port = open(&args.port, seed)?;
    if let Some(what) = out_of_place(args, matches!(port.way(), Way::Bytes(_))) {
        return Err(CheckError::NotOffered { port: args.port.clone(), what });
    }
    let mut return_port = args.return_port.as_deref().map(|name| open(name, seed)).transpose()?;
    keeper.open();
    let cancel = Cancel::default();
    end_on_signals(&cancel);
    check(&mut *port, return_port.as_mut().map(|p| &mut **p as &mut dyn Port), options, say, &cancel)
}

/// An option that says nothing to this kind of port, so that it is not thought to have been heeded.
fn out_of_place(args: &args::Check, is_serial: bool) -> Option<String> {
    let (given, kind) = if is_serial {
        let given =
            [("--sizes", args.sizes.is_some()), ("--rate", args.rate.is_some()), ("--speed", args.speed.is_some())];
        (given.to_vec(), "Ethernet ports; a serial line has --line")
    } else {
        (vec![("--line", args.line.is_some()), ("--wiring", args.wiring.is_some())], "serial lines")
    };
    let (option, _) = given.into_iter().find(|(_, given)| *given)?;
    Some(format!("take {option}: that is for {kind}"))
}

/// Errors that are the fault of the words given, and no answer about a port.
pub(super) fn is_wrong_use(error: &PortError) -> bool {
    matches!(error, PortError::Unknown { .. } | PortError::NotARig { .. })
}

/// What is known of a port that could not be opened.
fn identity(name: &str) -> PortIdentity {
    let kind = match name {
        _ if name.starts_with("sim:") => "simulated",
        _ if is_path(name) => "serial",
        _ => "ethernet",
    };
    PortIdentity { name: name.to_owned(), kind: kind.into(), ..PortIdentity::default() }
}

/// The seed asked for; else a simulated rig's own, so that it does the same each time; else one no run had before.
///
/// # Errors
/// When the simulated rig cannot be read.
pub fn seed(given: Option<u64>, port: &str) -> Result<u64, PortError> {
    Ok(match (given, port.strip_prefix("sim:")) {
        (Some(seed), _) => seed,
        (None, Some(what)) => ethernet::load(what)?.seed().into(),
        (None, None) => uuid::Uuid::now_v7().as_u64_pair().1,
    })
}

/// Opens a port by the name people give it.
///
/// # Errors
/// See the kinds of port.
pub fn open(name: &str, seed: u64) -> Result<Box<dyn Port>, PortError> {
    if let Some(what) = name.strip_prefix("sim:") {
        return ethernet::open(what, seed);
    }
    if is_path(name) {
        SerialPort::wait_for_the_dying(name);
        put_back_what_was_left();
        return Ok(Box::new(SerialPort::find(name)?));
    }
    EthernetPort::wait_for_the_dying(name);
    put_back_what_was_left();
    match EthernetPort::open(name) {
        Err(PortError::Unknown { name, .. }) if Device::find(&format!("/dev/{name}")).is_ok() => {
            let known = format!("a serial line is named by its path, /dev/{name}");
            Err(PortError::Unknown { name, known })
        }
        opened => Ok(Box::new(opened?)),
    }
}

/// A path is a serial line; names of interfaces have no slash.
fn is_path(name: &str) -> bool {
    name.contains('/')
}

/// Settings that a run before this one could not put back, because it was killed.
pub fn put_back_what_was_left() {
    let Ok(directory) = state::directory() else { return };
    match recover(&state::restore_directory(&directory), &mut EverySetting::for_recovery()) {
        Ok(recovery) => {
            for recovered in &recovery.changes {
                eprintln!("left by a run that was cut off: {}", told(recovered));
            }
            for damaged in &recovery.damaged {
                tracing::warn!(
                    "restore journal {} line {} is damaged and was skipped",
                    damaged.path.display(),
                    damaged.line
                );
            }
        }
        Err(error) => tracing::warn!("cannot look for settings left by an earlier run: {error}"),
    }
}

/// What the words of the command line ask of a check.
///
/// # Errors
/// When a value is not among those that are allowed.
pub fn options(args: &args::Check, seed: u64) -> Result<CheckOptions, Failure> {
    let mut profile = profile(&args.profile)?;
    if let Some(sizes) = &args.sizes {
        profile.sizes_bytes.clone_from(sizes);
    }
    if let Some(patterns) = &args.patterns {
        profile.patterns =
            patterns.iter().map(|p| p.parse()).collect::<Result<_, _>>().map_err(|e| Failure::Usage(format!("{e}")))?;
    }
    if let Some(rate) = &args.rate {
        profile.rate = rate.parse::<turnback_core::plan::Rate>().map_err(CheckError::from)?;
    }
    if let Some(ratio) = args.target_ber {
        profile.target_ber = ratio;
        profile.serial_target_ber = ratio;
    }
    if let Some(confidence) = args.confidence {
        profile.confidence = confidence;
    }
    if let Some(time) = &args.time {
        let time = parse_duration(time).map_err(CheckError::from)?;
        profile.time = match profile.kind {
            // The time asked for is the whole run's: each step gets its share.
            ProfileKind::Steps => time / u32::try_from(profile.steps().len()).unwrap_or(1).max(1),
            ProfileKind::Proof | ProfileKind::Soak | ProfileKind::RateSearch => time,
        };
    }
    profile.validate().map_err(CheckError::from)?;
    let far = args.cable.as_ref().or(args.labels.segment.as_ref());
    let placement = match (&args.placement, far) {
        (Some(place), _) => Some(place.parse::<Placement>().map_err(|e| Failure::Usage(e.to_string()))?),
        (None, Some(_)) => Some(Placement::FarEnd),
        (None, None) => None,
    };
    if placement == Some(Placement::ReturnPort) {
        return Err(Failure::Usage("placement return-port needs the other port: use --return-port PORT".into()));
    }
    let run = uuid::Uuid::now_v7();
    Ok(CheckOptions {
        profile,
        placement,
        cable: args.cable.clone(),
        labels: (&args.labels).into(),
        machine: state::machine(),
        speed_mbps: args.speed,
        seed,
        run: run.to_string(),
        started_at: jiff::Zoned::now().strftime("%Y-%m-%dT%H:%M:%S%:z").to_string(),
        although_in_service: args.although_in_service,
        confirm: !args.no_confirm,
        line: line_options(args)?,
    })
}

fn line_options(args: &args::Check) -> Result<LineOptions, Failure> {
    let time = args.time.as_deref().map(parse_duration).transpose().map_err(CheckError::from)?;
    let words = line_words(args.line.as_deref(), args.wiring.as_deref()).map_err(Failure::Usage)?;
    Ok(LineOptions { time, ..words })
}

/// What `--line` and `--wiring` say.
pub(super) fn line_words(line: Option<&str>, wiring: Option<&str>) -> Result<LineOptions, String> {
    Ok(LineOptions {
        format: line.map(str::parse).transpose().map_err(|e: LineFormatError| e.to_string())?,
        plug: wiring.map(str::parse).transpose().map_err(|e: LinePlugError| e.to_string())?,
        time: None,
    })
}

pub(super) fn profile(name: &str) -> Result<Profile, CheckError> {
    let unknown = match Profile::named(name) {
        Ok(profile) => return Ok(profile),
        Err(error) => error,
    };
    match std::fs::read_to_string(name) {
        Ok(text) => Ok(Profile::parse(name, &text)?),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Err(unknown.into()),
        Err(error) => {
            Err(PlanError::Toml { file: name.to_owned(), line: 1, message: format!("cannot be read: {error}") }.into())
        }
    }
}

/// Ctrl-C, SIGTERM and SIGHUP end the run with a report of what was done.
pub(super) fn end_on_signals(cancel: &Cancel) {
    let cancel = cancel.clone();
    let spawned = std::thread::Builder::new().name("signals".into()).spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
        runtime.block_on(async {
            use tokio::signal::unix::{SignalKind, signal};
            let (Ok(mut interrupt), Ok(mut terminate), Ok(mut hangup)) =
                (signal(SignalKind::interrupt()), signal(SignalKind::terminate()), signal(SignalKind::hangup()))
            else {
                return;
            };
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
                _ = hangup.recv() => {}
            }
            cancel.cancel();
            // A second one is not needed: every wait in a run is short. It is heard and ignored so that settings are put back.
            loop {
                tokio::select! {
                    _ = interrupt.recv() => {}
                    _ = terminate.recv() => {}
                    _ = hangup.recv() => {}
                    () = tokio::time::sleep(Duration::from_secs(3600)) => {}
                }
            }
        });
    });
    if let Err(error) = spawned {
        tracing::warn!("signals will end the run without a report: {error}");
    }
}
