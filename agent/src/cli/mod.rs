//! The command line: one file a command, and the words they share in [`args`].

pub mod agent;
pub mod args;
pub mod cable_test;
pub mod check;
pub mod isolate;
pub mod keep;
pub mod locate;
pub mod ports;
pub mod records;
pub mod report;
pub mod show;

use std::process::ExitCode;

use clap::Parser;

use crate::causes::with_causes;
use args::{Args, Command};

/// Exit status for wrong usage or configuration.
pub const USAGE: u8 = 2;
/// Exit status when nothing was tested.
pub const NOT_TESTED: u8 = 4;

/// Runs the program.
pub fn run() -> ExitCode {
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { USAGE } else { 0 });
        }
    };
    // A service tells of its doings without being asked.
    let is_service = matches!(&args.command, Command::Agent(agent) if agent.command.is_none());
    init_log(args.verbose + u8::from(is_service));
    match args.command {
        Command::Check(check) => check::run(*check),
        Command::Isolate(isolate) => isolate::run(*isolate),
        Command::CableTest { port, json } => cable_test::run(&port, json),
        Command::Ports { json, put_back } => ports::run(json, put_back),
        Command::Report(report) => report::run(&report),
        Command::Records(records) => records::run(*records),
        Command::Profiles { name } => show::profiles(name.as_deref()),
        Command::Rigs { name } => show::rigs(name.as_deref()),
        Command::Wiring { kind } => show::wiring(kind.as_deref()),
        Command::Locate { port, time } => locate::run(&port, &time),
        Command::Agent(agent) => agent::run(agent),
        Command::Completions { shell } => show::completions(shell),
        Command::Manual { markdown: false } => show::manual(),
        Command::Manual { markdown: true } => show::manual_as_markdown(),
    }
}

/// Log lines go to stderr, and only what deserves attention unless asked for more.
fn init_log(verbose: u8) {
    let level = match verbose {
        0 => "warn",
        1 => "info",
        2 => "debug",
        _ => "trace",
    };
    let filter = tracing_subscriber::EnvFilter::try_from_env("TURNBACK_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new(level));
    let colour = std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
        && std::io::IsTerminal::is_terminal(&std::io::stderr());
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(colour)
        .without_time()
        .init();
}

/// Prints an error with its causes and the way out.
fn complain(error: &dyn std::error::Error, hint: Option<String>) {
    eprintln!("error: {}", with_causes(error));
    if let Some(hint) = hint {
        eprintln!("hint: {hint}");
    }
}
