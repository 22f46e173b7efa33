//! Commands to a running plug, one per line, and its answers, one JSON object per line.
//!
//! Commands come from standard input, or from the control socket where one is asked for. [`crate::tell`] is the other
//! end of that socket.

use std::fs::{self, File, Permissions};
use std::io::{self, Read, Write};
use std::os::fd::{AsFd, AsRawFd, OwnedFd, RawFd};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::error::{PlugError, cannot};
use crate::sys::{self, Watch};

/// What both kinds of plug have in common.
#[derive(clap::Args, Debug)]
pub struct ControlOptions {
    /// Seed of all faults; equal seeds do the same to equal traffic
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// End when standard input ends
    #[arg(long)]
    until_eof: bool,
    /// Read commands from a socket at this path instead of standard input; see turnback-plug tell --help
    #[arg(long, value_name = "PATH", conflicts_with = "until_eof")]
    control: Option<PathBuf>,
}

/// One command to a plug.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Command {
    /// Changes one fault.
    Set {
        /// Name of the option, without dashes.
        name: String,
        /// Its new value.
        value: String,
    },
    /// Asks what the plug has done so far.
    Report,
    /// Ends the plug.
    Quit,
}

/// Reads one command: `set NAME VALUE`, `report` or `quit`.
///
/// # Errors
/// A text that says what is allowed.
pub fn parse(line: &str) -> Result<Command, String> {
    match line.split_whitespace().collect::<Vec<_>>()[..] {
        ["set", name, value] => Ok(Command::Set { name: name.to_owned(), value: value.to_owned() }),
        ["report"] => Ok(Command::Report),
        ["quit"] => Ok(Command::Quit),
        _ => Err(format!("unknown command \"{}\"; use set NAME VALUE, report or quit", line.trim())),
    }
}

/// Prints one JSON object as a line, without delay.
///
/// # Errors
/// Standard output is closed.
pub fn print(object: &Value) -> io::Result<()> {
    let mut out = io::stdout().lock();
    writeln!(out, "{object}")?;
    out.flush()
}

/// A plug that takes commands.
pub trait Plug {
    /// Changes one fault.
    ///
    /// # Errors
    /// A text that says what is allowed.
    fn set(&mut self, name: &str, value: &str) -> Result<(), String>;

    /// Returns what the plug has done so far, as one flat JSON object.
    fn report(&self) -> Value;
}

/// Everything a running plug listens to besides its device: commands, the signals that end it, and the clock.
pub struct Control {
    begin: Instant,
    signals: OwnedFd,
    input: Input,
    /// The start of a command whose end has not arrived.
    line: Vec<u8>,
}

impl Control {
    /// Listens from now on. The clock starts at 0.
    ///
    /// # Errors
    /// The kernel refuses a descriptor for the signals, or the control socket cannot be made.
    pub fn new(options: &ControlOptions) -> Result<Self, PlugError> {
        let signals = sys::termination().map_err(cannot("listen for signals"))?;
        let input = match &options.control {
            Some(path) => Input::Socket(Socket::new(path)?),
            // A plug may be started without standard input, which is the same as its end.
            None => match io::stdin().as_fd().try_clone_to_owned() {
                Ok(stdin) => Input::Stdin { stdin: stdin.into(), until_eof: options.until_eof },
                Err(_) => Input::Closed,
            },
        };
        Ok(Self { begin: Instant::now(), signals, input, line: Vec::new() })
    }

    /// Nanoseconds since the plug began.
    pub fn now_ns(&self) -> u64 {
        u64::try_from(self.begin.elapsed().as_nanos()).unwrap_or(u64::MAX)
    }

    /// Waits until `device` is ready, `due_ns` has come, or there is a command; returns whether the plug goes on.
    ///
    /// With `busy` set it does not wait, and still serves commands that have arrived.
    ///
    /// # Errors
    /// Waiting fails, or standard output is closed.
    pub fn serve(&mut self, plug: &mut impl Plug, device: Watch, due_ns: Option<u64>, busy: bool) -> io::Result<bool> {
        let timeout = if busy {
            Some(Duration::ZERO)
        } else {
            due_ns.map(|due_ns| Duration::from_nanos(due_ns.saturating_sub(self.now_ns())))
        };
        let input = self.input.descriptor().map_or(Watch::nothing(), |fd| Watch::new(fd, true, false));
        let mut watches = [device, Watch::new(self.signals.as_raw_fd(), true, false), input];
        sys::wait(&mut watches, timeout)?;
        if watches[1].readable() {
            return Ok(false);
        }
        if watches[2].readable() { self.read_commands(plug) } else { Ok(true) }
    }

    /// Prints the final report, and answers it to the command that ended the plug.
    ///
    /// # Errors
    /// Standard output is closed.
    pub fn finish(mut self, mut report: Value) -> io::Result<()> {
        report["report"] = "final".into();
        // First, so that whoever has the answer also finds the report where standard output goes.
        let printed = print(&report);
        if let Input::Socket(socket) = &mut self.input {
            socket.answer(&report);
        }
        printed
    }

    fn read_commands(&mut self, plug: &mut impl Plug) -> io::Result<bool> {
        let mut bytes = [0; 4096];
        let count = match self.input.read(&mut bytes) {
            Ok(count) => count,
            Err(error) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted) => {
                return Ok(true);
            }
            Err(_) => 0,
        };
        if count == 0 {
            self.line.clear();
            return Ok(self.input.close());
        }
        for &byte in &bytes[..count] {
            if byte != b'\n' {
                self.line.push(byte);
                continue;
            }
            let line = std::mem::take(&mut self.line);
            let line = String::from_utf8_lossy(&line);
            if line.trim().is_empty() {
                continue;
            }
            let answer = match parse(&line) {
                Ok(Command::Quit) => return Ok(false),
                Ok(Command::Report) => plug.report(),
                Ok(Command::Set { name, value }) => match plug.set(&name, &value) {
                    Ok(()) => json!({"set": name, "value": value}),
                    Err(text) => json!({"error": text}),
                },
                Err(text) => json!({"error": text}),
            };
            match &mut self.input {
                Input::Socket(socket) => socket.answer(&answer),
                Input::Stdin { .. } | Input::Closed => print(&answer)?,
            }
        }
        Ok(true)
    }
}

/// Where commands come from.
enum Input {
    Stdin { stdin: File, until_eof: bool },
    Socket(Socket),
    Closed,
}

impl Input {
    fn descriptor(&self) -> Option<RawFd> {
        match self {
            Self::Stdin { stdin, .. } => Some(stdin.as_raw_fd()),
            Self::Socket(Socket { client: Some(client), .. }) => Some(client.as_raw_fd()),
            Self::Socket(socket) => Some(socket.listener.as_raw_fd()),
            Self::Closed => None,
        }
    }

    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::Stdin { stdin, .. } => stdin.read(bytes),
            Self::Socket(socket) => socket.read(bytes),
            Self::Closed => Ok(0),
        }
    }

    /// Closes what has ended; returns whether the plug goes on.
    fn close(&mut self) -> bool {
        match self {
            Self::Stdin { until_eof, .. } => {
                let goes_on = !*until_eof;
                *self = Self::Closed;
                goes_on
            }
            Self::Socket(socket) => {
                socket.client = None;
                true
            }
            Self::Closed => true,
        }
    }
}

/// The control socket. It serves one client at a time; others wait in the kernel's queue.
struct Socket {
    path: PathBuf,
    listener: UnixListener,
    client: Option<UnixStream>,
}

impl Socket {
    fn new(path: &Path) -> Result<Self, PlugError> {
        let task = || format!("make the control socket {}", path.display());
        // A plug that was killed leaves its socket behind. Nobody listens at such a one.
        if UnixStream::connect(path).is_err_and(|error| error.kind() == io::ErrorKind::ConnectionRefused) {
            fs::remove_file(path).map_err(cannot(task()))?;
        }
        let listener = UnixListener::bind(path).map_err(cannot(task()))?;
        fs::set_permissions(path, Permissions::from_mode(0o600)).map_err(cannot(task()))?;
        listener.set_nonblocking(true).map_err(cannot(task()))?;
        Ok(Self { path: path.to_path_buf(), listener, client: None })
    }

    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        match &mut self.client {
            Some(client) => client.read(bytes),
            None => {
                let (client, _) = self.listener.accept()?;
                client.set_nonblocking(true)?;
                self.client = Some(client);
                Err(io::ErrorKind::WouldBlock.into())
            }
        }
    }

    /// Answers the present client, if there is one. A client that has gone away is no fault of the plug's.
    fn answer(&mut self, answer: &Value) {
        if let Some(client) = &mut self.client {
            let _ = client.write_all(format!("{answer}\n").as_bytes());
        }
    }
}

impl Drop for Socket {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.path);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn commands_are_read_and_others_are_refused_with_what_is_allowed() {
        let set = Command::Set { name: "drop".to_owned(), value: "0.01".to_owned() };
        assert_eq!(parse(" set  drop 0.01 "), Ok(set));
        assert_eq!(parse("report"), Ok(Command::Report));
        assert_eq!(parse("quit"), Ok(Command::Quit));
        for line in ["", "set drop", "set drop 1 2", "stop", "report all"] {
            assert!(parse(line).unwrap_err().contains("set NAME VALUE, report or quit"));
        }
    }
}
