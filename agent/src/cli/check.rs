//! `turnback check`.

use std::{
    fs::File,
    io::{BufWriter, Write},
    process::ExitCode,
};

use turnback_core::{
    base::placement::Placement,
    document::run::Report,
    event::Event,
    kind::{
        Kind,
        serial::{format::LineFormatError, plug::LinePlugError},
    },
    plan::{ProfileKind, parse_duration},
};

use super::{NOT_TESTED, USAGE, args, complain, print, recording};
use crate::error_chain::plain;
use crate::{
    archive::recorder::Recorder,
    engine::{CheckError, CheckOptions, LineOptions, cancel::Cancel, check, refused},
    guard::{id::new_id, state},
    ports::{Port, PortError, name::PortName, open::open, restore::restore_left},
    show::lines::tell,
    show::{
        lines::output_width,
        progress::{ProgressLine, ProgressOptions},
        text,
    },
    work::{
        check::{end_on_signals, profile, seed},
        labels_mistyped,
    },
};

/// Runs a check; the exit status is its verdict.
pub fn run(args: args::Check) -> ExitCode {
    let mut recorder = Recorder::new(!args.record.no_record, args.record.store.clone());
    let failure = match try_run(&args, &mut recorder) {
        Ok(report) => {
            let status = answer(&args, &report);
            recording::record(&mut recorder, report);
            return status;
        }
        Err(failure) => failure,
    };
    match failure {
        Failure::Refused(error, report) => {
            let hint = error.hint();
            complain(&error, hint);
            let status = if args.json { answer(&args, &report) } else { ExitCode::from(NOT_TESTED) };
            recording::record(&mut recorder, *report);
            status
        }
        Failure::Check(error) => {
            let hint = if let CheckError::Port(error) = &error { error.hint() } else { None };
            complain(&error, hint);
            ExitCode::from(USAGE)
        }
        Failure::Usage(text) => {
            tell("error: ", &text);
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
    } else if args.details {
        let width = output_width();
        format!("{}\n{}", text::details(report, width), text::answer(report, width))
    } else {
        text::answer(report, output_width())
    };
    print(&printed, ExitCode::from(report.verdict.outcome.exit_status()))
}

fn try_run(args: &args::Check, recorder: &mut Recorder) -> Result<Report, Failure> {
    let port = PortName::parse(&args.port);
    let return_port = args.return_port.as_deref().map(PortName::parse);
    let options = options(args, seed(args.seed, &port)?)?;
    if return_port.as_ref() == Some(&port) {
        let text = format!("{} cannot be its own return port: name the port at the other end of the cable", args.port);
        return Err(Failure::Usage(text));
    }
    let mut events = match &args.events {
        Some(path) => {
            let file = File::create(path)
                .map_err(|e| Failure::Usage(format!("cannot write events to {}: {}", path.display(), plain(&e))))?;
            Some(BufWriter::new(file))
        }
        None => None,
    };
    let mut progress = ProgressLine::new(ProgressOptions {
        quiet: args.json,
        details: args.details,
        bell: args.bell,
        ..ProgressOptions::default()
    });
    let mut events_failed = None;
    let tested = open_and_check(args, (&port, return_port.as_ref()), recorder, options.clone(), &mut |event: Event| {
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
        tell("warning: ", format_args!("events after this point could not be written: {}", plain(&error)));
    }
    match tested {
        Ok(mut report) => {
            report.warnings.dedup();
            Ok(report)
        }
        Err(CheckError::Port(error)) if !error.is_wrong_use() => {
            let return_port = return_port.as_ref().map(PortName::identity);
            let report = refused(&options, port.identity(), return_port, &error);
            Err(Failure::Refused(error, Box::new(report)))
        }
        Err(error) => Err(error.into()),
    }
}

fn open_and_check(
    args: &args::Check,
    (port, return_port): (&PortName, Option<&PortName>),
    recorder: &mut Recorder,
    options: CheckOptions,
    say: &mut dyn FnMut(Event),
) -> Result<Report, CheckError> {
    let seed = options.seed;
    let mut port = open(port, seed, &mut tell_left)?;
    if let Some(what) = out_of_place(args, port.identity().kind) {
        return Err(CheckError::NotOffered { port: args.port.clone(), what });
    }
    let mut return_port = return_port.map(|name| open(name, seed, &mut tell_left)).transpose()?;
    recording::open(recorder);
    if let Some(archive) = recorder.archive() {
        for mistyped in labels_mistyped(archive, options.cable.as_deref(), &options.labels) {
            tell("warning: ", &mistyped);
        }
    }
    let cancel = Cancel::default();
    end_on_signals(&cancel);
    check(&mut *port, return_port.as_mut().map(|p| &mut **p as &mut dyn Port), options, say, &cancel)
}

/// An option that this kind of port does not have, so that nobody thinks it was heeded.
fn out_of_place(args: &args::Check, kind: Kind) -> Option<String> {
    let ethernet =
        [("--sizes", args.sizes.is_some()), ("--rate", args.rate.is_some()), ("--speed", args.speed.is_some())];
    let serial = [("--line", args.line.is_some()), ("--wiring", args.wiring.is_some())];
    let (others, whose) = match kind {
        Kind::Ethernet => (&serial[..], "serial lines"),
        Kind::Serial => (&ethernet[..], "Ethernet ports; a serial line has --line"),
    };
    let (option, _) = others.iter().find(|(_, given)| *given)?;
    Some(format!("take {option}: that is for {whose}"))
}

/// Says what a killed run left changed, and what became of it.
pub(super) fn tell_left(told: &str) {
    tell!("left by a run that was cut off: {told}");
}

/// Restores what killed runs left changed, and says so.
pub(super) fn restore_and_tell() {
    restore_left().iter().for_each(|told| tell_left(told));
}

/// What the words of a check ask for.
///
/// # Errors
/// Words that ask for nothing that can be.
pub fn options(args: &args::Check, seed: u64) -> Result<CheckOptions, Failure> {
    let mut profile = profile(&args.profile).map_err(CheckError::from)?;
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
    if placement == Some(Placement::Internal) && far.is_some() {
        let option = if args.cable.is_some() { "--cable" } else { "--segment" };
        let text = format!(
            "leave out {option}: the loop of --placement internal is inside the chip, so nothing of a cable is tested. \
             To test one, put a plug on its far end and leave out --placement"
        );
        return Err(Failure::Usage(text));
    }
    if placement == Some(Placement::ReturnPort) {
        return Err(Failure::Usage("placement return-port needs the other port: use --return-port PORT".into()));
    }
    let run = new_id();
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
