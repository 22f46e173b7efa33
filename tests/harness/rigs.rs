//! Checks of simulated rigs within this process: the words of the command line, and the engine behind it, without a
//! program to start and a record to write. Only this file knows where the engine is.

use clap::Parser;
use serde_json::Value;
use turnback::{
    cli::{
        args::{Args, Command},
        check,
    },
    engine::{self, LineOptions},
    ports::{Port, name::PortName, open::open},
    work::check::seed,
};
pub use turnback::{
    engine::{CheckOptions, cancel::Cancel},
    ports::simulated,
};
use turnback_core::{document::run::Report, event::Event, kind::rig::AnyRig, plan::Profile};

/// What `turnback check WORDS --json` prints. Words are split at spaces.
///
/// # Panics
/// If the words are wrong, or the port cannot be checked.
pub fn check(words: &str) -> Value {
    let words = format!("turnback check {words} --no-record --json");
    let args = Args::try_parse_from(words.split_whitespace()).unwrap_or_else(|error| panic!("{words}: {error}"));
    let Command::Check(args) = args.command else { panic!("{words}: no check") };
    let name = PortName::parse(&args.port);
    let seed = seed(args.seed, &name).expect("a rig");
    let options = check::options(&args, seed).unwrap_or_else(|error| panic!("{words}: {error:?}"));
    let mut port = open(&name, seed, &mut |_| {}).expect("a rig");
    let report = run(&mut *port, options, &mut |_| {}, &Cancel::default());
    serde_json::to_value(report).expect("a report is a document")
}

/// A check of a rig that need not be a built-in one.
pub fn check_rig(rig: &AnyRig, seed: u64, profile: &Profile) -> Report {
    let mut port = simulated::of(rig, "sim:rig".into(), seed);
    run(&mut *port, options(profile.clone(), seed), &mut |_| {}, &Cancel::default())
}

/// A check as it is without any words.
pub fn options(profile: Profile, seed: u64) -> CheckOptions {
    CheckOptions {
        profile,
        placement: None,
        cable: None,
        labels: Default::default(),
        machine: String::new(),
        speed_mbps: None,
        seed,
        run: format!("run-{seed}"),
        started_at: String::new(),
        although_in_service: false,
        confirm: true,
        line: LineOptions::default(),
    }
}

/// Carries a check out.
///
/// # Panics
/// If the port cannot be checked.
pub fn run(port: &mut dyn Port, options: CheckOptions, say: &mut dyn FnMut(Event), cancel: &Cancel) -> Report {
    engine::check(port, None, options, say, cancel).expect("a rig can be checked")
}
