//! The command line: one file a command, and the words they share in [`args`].

pub mod agent;
pub mod args;
pub mod bench;
pub mod cable_test;
pub mod check;
mod complete;
pub mod fleet;
pub mod isolate;
pub mod labels;
pub mod locate;
mod log;
mod number;
pub mod ports;
mod recording;
pub mod records;
pub mod report;
pub mod shared;
pub mod show;

use std::process::ExitCode;

use clap::{CommandFactory, Parser};
use clap_complete::CompleteEnv;

use crate::show::lines::tell;
use crate::{
    error_chain::{plain, with_causes},
    tell::answer,
};
use args::{Args, Command};
use fleet::args::FleetCommand;

/// Exit status for wrong usage or configuration.
pub const USAGE: u8 = 2;
/// Exit status when nothing was tested.
pub const NOT_TESTED: u8 = 4;

/// Runs the program.
pub fn run() -> ExitCode {
    // Answers a shell that asks for completions, and ends then; otherwise returns at once.
    CompleteEnv::with_factory(Args::command).complete();
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { USAGE } else { 0 });
        }
    };
    // A service tells of its doings without being asked.
    let is_service = match &args.command {
        Command::Agent(agent) => agent.command.is_none(),
        Command::Fleet(fleet) => matches!(fleet.command, FleetCommand::Collect { .. } | FleetCommand::Serve { .. }),
        _ => false,
    };
    log::init(args.verbose + u8::from(is_service));
    match args.command {
        Command::Check(check) => check::run(*check),
        Command::Isolate(isolate) => isolate::run(*isolate),
        Command::CableTest { port, json } => cable_test::run(&port, json),
        Command::Ports { json, restore } => ports::run(json, restore),
        Command::Report(report) => report::run(&report),
        Command::Records(records) => records::run(*records),
        Command::Bench(bench) => bench::run(*bench),
        Command::Profiles { name } => show::profiles(name.as_deref()),
        Command::Rigs { name } => show::rigs(name.as_deref()),
        Command::Wiring { kind } => show::wiring(kind.as_deref()),
        Command::Locate { port, time } => locate::run(&port, &time),
        Command::Agent(agent) => agent::run(agent),
        Command::Fleet(fleet) => fleet::run(fleet),
        Command::Completions { shell } => show::completions(shell),
        Command::Manual { markdown: false } => show::manual(),
        Command::Manual { markdown: true } => show::manual_as_markdown(),
    }
}

/// Prints to the standard output and gives `status`. What cannot be written, as on a full disk, is told and gives
/// [`NOT_TESTED`], so that nobody takes an empty file for a pass.
fn print(text: &str, status: ExitCode) -> ExitCode {
    match answer(text.as_bytes()) {
        Ok(()) => status,
        Err(error) => unwritten(&error),
    }
}

fn unwritten(error: &std::io::Error) -> ExitCode {
    tell("error: ", format_args!("cannot write to the standard output: {}", plain(error)));
    ExitCode::from(NOT_TESTED)
}

/// Prints an error with its causes and the way out.
fn complain(error: &(dyn std::error::Error + 'static), hint: Option<String>) {
    tell("error: ", with_causes(error));
    if let Some(hint) = hint {
        tell("hint: ", &hint);
    }
}
