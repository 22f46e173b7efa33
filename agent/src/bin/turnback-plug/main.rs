//! `turnback-plug`: a loopback plug in software, for practice and for tests.
//!
//! It returns whatever the host sends through a TAP device (frames) or a pseudo-terminal (bytes). On the way it makes
//! exactly the faults it is told to make, and at the end it reports what it did. Reading order:
//!
//! - [`fault`]: the options;
//! - [`frame`] and [`bytes`]: the two plugs as pure functions, on top of [`bits`] and [`delay`];
//! - [`tap`] and [`pty`]: the devices;
//! - [`control`] takes commands, [`tell`] sends them;
//! - [`error`] and [`sys`]: failures, and the system calls.

mod bits;
mod bytes;
mod control;
mod delay;
mod error;
mod fault;
mod frame;
mod pty;
mod sys;
mod tap;
mod tell;

use std::error::Error;
use std::io;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::control::ControlOptions;
use crate::error::PlugError;
use crate::fault::{ByteFaults, FrameFaults};

/// A loopback plug in software that makes the faults it is told to make
///
/// Prints one JSON object per line: {"ready":true,...} first, then an answer to each command read from standard input
/// (set NAME VALUE, report, quit). When it ends (quit, SIGINT, SIGTERM) it prints a final report of all it did.
#[derive(Parser)]
#[command(
    version,
    after_help = "Examples:
  turnback-plug tap --interface quay0 --up --drop 0.01
  turnback-plug pty --link /run/lock-gate --flip-ratio 1e-5 --seed 7
  (in the running plug)  set drop 0
                         set outage 1000:50
                         report
  turnback-plug pty --control /run/lock-gate.control
  turnback-plug tell /run/lock-gate.control set drop 0"
)]
struct Arguments {
    #[command(subcommand)]
    mode: Mode,
}

#[derive(Subcommand)]
enum Mode {
    /// Return the frames of a TAP device (needs CAP_NET_ADMIN)
    Tap {
        #[command(flatten)]
        options: tap::TapOptions,
        #[command(flatten)]
        controls: ControlOptions,
        #[command(flatten)]
        faults: FrameFaults,
    },
    /// Return the bytes of a pseudo-terminal, as on a serial line
    Pty {
        #[command(flatten)]
        options: pty::PtyOptions,
        #[command(flatten)]
        controls: ControlOptions,
        #[command(flatten)]
        faults: ByteFaults,
    },
    /// Give a command to a plug that was started with --control, and print its answer
    ///
    /// Exit status 2 if the plug refuses the command or cannot be reached. A plug that does not answer "quit" within
    /// 5 s is killed.
    Tell(tell::TellOptions),
}

fn main() -> ExitCode {
    let mode = Arguments::parse().mode;
    let needs_rights = matches!(mode, Mode::Tap { .. });
    match run(mode) {
        Ok(status) => status,
        Err(error) => {
            let cause = error.source().map(|cause| format!(": {cause}")).unwrap_or_default();
            eprintln!("error: {error}{cause}");
            let refused =
                matches!(&error, PlugError::System { source, .. } if source.kind() == io::ErrorKind::PermissionDenied);
            if needs_rights && refused {
                eprintln!("hint: a TAP device needs root or CAP_NET_ADMIN");
            }
            ExitCode::from(2)
        }
    }
}

fn run(mode: Mode) -> Result<ExitCode, PlugError> {
    match mode {
        Mode::Tap { options, controls, faults } => tap::run(&options, faults, &controls)?,
        Mode::Pty { options, controls, faults } => pty::run(&options, faults, &controls)?,
        Mode::Tell(options) => return tell::run(&options),
    }
    Ok(ExitCode::SUCCESS)
}
