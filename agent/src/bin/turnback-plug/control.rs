//! Talking with whoever runs the plug: commands in, one a line; JSON out, one object a line.

use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::{AsFd, AsRawFd, OwnedFd};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::sys::{self, Watch};

/// One request of the operator.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Command {
    /// Changes one fault.
    Set {
        /// Name of the option, without dashes.
        name: String,
        /// Its new value.
        value: String,
    },
    /// Prints what was done so far.
    Report,
    /// Ends the plug.
    Quit,
}

/// Reads one control line: `set NAME VALUE`, `report` or `quit`.
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

/// Prints one JSON object as a line, at once.
///
/// # Errors
/// Standard output is gone.
pub fn print(object: &Value) -> io::Result<()> {
    let mut out = io::stdout().lock();
    writeln!(out, "{object}")?;
    out.flush()
}

/// What the end of standard input means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AtEof {
    /// Nothing: the plug runs on, without commands.
    Continue,
    /// The plug ends.
    Quit,
}

/// Something that can be told to change and asked what it did.
pub trait Plug {
    /// Changes one fault.
    ///
    /// # Errors
    /// A text that says what is allowed.
    fn set(&mut self, name: &str, value: &str) -> Result<(), String>;

    /// What was done so far, as one flat JSON object.
    fn report(&self) -> Value;
}

/// The operator's side of a running plug: standard input, the ending signals, and the clock.
pub struct Control {
    begin: Instant,
    signals: OwnedFd,
    stdin: Option<File>,
    at_eof: AtEof,
    line: Vec<u8>,
}

impl Control {
    /// Listens from now on; the clock starts at 0.
    ///
    /// # Errors
    /// The kernel refuses a descriptor for the signals.
    pub fn new(at_eof: AtEof) -> io::Result<Self> {
        // A plug may be started without any standard input, which is as good as its end.
        let stdin = io::stdin().as_fd().try_clone_to_owned().ok().map(File::from);
        Ok(Self { begin: Instant::now(), signals: sys::termination()?, stdin, at_eof, line: Vec::new() })
    }

    /// Nanoseconds since the plug began.
    pub fn now_ns(&self) -> u64 {
        u64::try_from(self.begin.elapsed().as_nanos()).unwrap_or(u64::MAX)
    }

    /// Waits until `device` is ready, `due_ns` has come, or the operator wants something; says whether to go on.
    ///
    /// With `busy` set nothing is waited for; pending commands are still served.
    ///
    /// # Errors
    /// Waiting fails, or standard output is gone.
    pub fn serve(&mut self, plug: &mut impl Plug, device: Watch, due_ns: Option<u64>, busy: bool) -> io::Result<bool> {
        let timeout = if busy {
            Some(Duration::ZERO)
        } else {
            due_ns.map(|due_ns| Duration::from_nanos(due_ns.saturating_sub(self.now_ns())))
        };
        let stdin = self.stdin.as_ref().map_or(Watch::nothing(), |stdin| Watch::new(stdin.as_raw_fd(), true, false));
        let mut watches = [device, Watch::new(self.signals.as_raw_fd(), true, false), stdin];
        sys::wait(&mut watches, timeout)?;
        if watches[1].readable() {
            return Ok(false);
        }
        if watches[2].readable() { self.read_commands(plug) } else { Ok(true) }
    }

    fn read_commands(&mut self, plug: &mut impl Plug) -> io::Result<bool> {
        let mut bytes = [0; 4096];
        let count = match self.stdin.as_mut().map(|stdin| stdin.read(&mut bytes)) {
            Some(Ok(count)) => count,
            Some(Err(error)) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted) => {
                return Ok(true);
            }
            Some(Err(_)) | None => 0,
        };
        if count == 0 {
            self.stdin = None;
            return Ok(self.at_eof == AtEof::Continue);
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
            print(&answer)?;
        }
        Ok(true)
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
