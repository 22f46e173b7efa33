//! `turnback-plug tell`: gives a command to a plug that runs with `--control`, and prints the answer.

use std::io::{self, BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use serde_json::Value;

use crate::control::{self, Command};
use crate::error::{PlugError, cannot};
use crate::sys;

/// The plug to speak to, and the command.
#[derive(clap::Args, Debug)]
pub struct TellOptions {
    /// The plug's control socket
    #[arg(value_name = "PATH")]
    socket: PathBuf,
    /// set NAME VALUE, report or quit
    #[arg(required = true, value_name = "COMMAND")]
    command: Vec<String>,
}

/// Sends the command and prints the answer. The exit status is 2 if the plug refuses the command.
///
/// A plug that is asked to quit and does not answer is killed, since whoever asks wants it gone.
///
/// # Errors
/// No plug listens at the socket, or it does not answer.
pub fn run(options: &TellOptions) -> Result<ExitCode, PlugError> {
    let path = options.socket.display();
    let command = options.command.join(" ");
    let mut plug = UnixStream::connect(&options.socket).map_err(cannot(format!("reach a plug at {path}")))?;
    plug.set_read_timeout(Some(ANSWER_TIMEOUT)).map_err(cannot("limit the wait for an answer"))?;
    writeln!(plug, "{command}").map_err(cannot(format!("tell the plug at {path} anything")))?;
    let mut answer = String::new();
    let silent = |happened| PlugError::Silent { path: path.to_string(), happened };
    match BufReader::new(&plug).read_line(&mut answer) {
        Ok(0) => return Err(silent("ended without an answer")),
        Ok(_) => {}
        Err(error) if error.kind() != io::ErrorKind::WouldBlock => {
            return Err(cannot(format!("read the answer of the plug at {path}"))(error));
        }
        Err(_) if control::parse(&command) == Ok(Command::Quit) => {
            sys::kill_peer(&plug).map_err(cannot(format!("kill the plug at {path}, which does not answer")))?;
            return Err(silent("did not answer and was killed"));
        }
        Err(_) => return Err(silent("does not answer")),
    }
    print!("{answer}");
    let refused = serde_json::from_str::<Value>(&answer).is_ok_and(|answer| answer.get("error").is_some());
    Ok(if refused { ExitCode::from(2) } else { ExitCode::SUCCESS })
}

/// How long to wait for an answer. Our own choice: a plug answers within a batch of frames, far below a second, and one
/// that quits lets out at most what its delay holds back.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(5);
