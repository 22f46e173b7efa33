//! `turnback-plug`: a loopback plug in software, for practice and for tests.
//!
//! It returns whatever the host sends through a TAP device (frames) or a pseudo-terminal (bytes), does to it exactly the
//! faults it is told to, and says at the end what it did. Reading order: [`fault`] the options, [`frame`] and [`bytes`] the
//! two plugs as pure functions (with [`bits`] and [`delay`] below them), [`tap`] and [`pty`] the devices,
//! [`control`] the operator's lines, [`sys`] the system calls.

mod bits;
mod bytes;
mod control;
mod delay;
mod fault;
mod frame;
mod pty;
mod sys;
mod tap;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::bytes::BytePlug;
use crate::control::AtEof;
use crate::fault::{ByteFaults, FrameFaults};
use crate::frame::FramePlug;

/// A loopback plug in software, with faults to order
///
/// Prints a JSON object a line: first {"ready":true,...}, then an answer to each command read from standard input
/// (set NAME VALUE, report, quit), and at the end (quit, SIGINT, SIGTERM) a final report of all it did.
#[derive(Parser)]
#[command(
    version,
    after_help = "Examples:
  turnback-plug tap --interface quay0 --up --drop 0.01
  turnback-plug pty --link /run/lock-gate --flip-ratio 1e-5 --seed 7
  (in the running plug)  set drop 0
                         set outage 1000:50
                         report"
)]
struct Arguments {
    #[command(subcommand)]
    mode: Mode,
    /// Seed of all faults; equal seeds do the same to equal traffic
    #[arg(long, global = true, default_value_t = 1)]
    seed: u64,
    /// End when standard input ends
    #[arg(long, global = true)]
    until_eof: bool,
}

#[derive(Subcommand)]
enum Mode {
    /// Return the frames of a TAP device (needs CAP_NET_ADMIN)
    Tap {
        #[command(flatten)]
        options: tap::TapOptions,
        #[command(flatten)]
        faults: FrameFaults,
    },
    /// Return the bytes of a pseudo-terminal, as on a serial line
    Pty {
        #[command(flatten)]
        options: pty::PtyOptions,
        #[command(flatten)]
        faults: ByteFaults,
    },
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match run(arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error:#}");
            let cause = error.root_cause().downcast_ref::<std::io::Error>();
            if cause.is_some_and(|cause| cause.kind() == std::io::ErrorKind::PermissionDenied) {
                eprintln!("hint: a TAP device needs root or CAP_NET_ADMIN");
            }
            ExitCode::from(2)
        }
    }
}

fn run(arguments: Arguments) -> anyhow::Result<()> {
    let at_eof = if arguments.until_eof { AtEof::Quit } else { AtEof::Continue };
    match arguments.mode {
        Mode::Tap { options, faults } => {
            tap::run(&options, FramePlug::new(faults, arguments.seed)?, arguments.seed, at_eof)
        }
        Mode::Pty { options, faults } => {
            pty::run(&options, BytePlug::new(faults, arguments.seed)?, arguments.seed, at_eof)
        }
    }
}
