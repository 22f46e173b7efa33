//! The `turnback` program.

use std::process::ExitCode;

fn main() -> ExitCode {
    turnback::cli::run()
}
