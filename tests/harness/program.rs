//! Runs of the real programs, each with a time limit, so that a hang is a failure and never a wait.

use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, ExitStatus, Output, Stdio};
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use serde_json::Value;
use tempfile::TempDir;

use super::skip::skip;

/// More than any run in these tests takes on a loaded machine; only a hang lasts longer.
const LIMIT: Duration = Duration::from_secs(120);

/// What a finished run left.
#[derive(Debug)]
pub struct Finished {
    /// Exit status; none after a signal.
    pub code: Option<i32>,
    /// Data.
    pub stdout: String,
    /// All else.
    pub stderr: String,
}

impl Finished {
    /// The one JSON document on stdout.
    ///
    /// # Panics
    /// If stdout holds anything else.
    pub fn report(&self) -> Value {
        serde_json::from_str(&self.stdout).unwrap_or_else(|error| panic!("{error} in {self:?}"))
    }

    /// The report of a check of a healthy line, on a computer that may have too much to do: a pass, or undecided by
    /// what this computer itself lost or was late for. Nothing was damaged, and nothing is missing on the line.
    ///
    /// # Panics
    /// If it is anything else, or no report.
    pub fn report_of_a_healthy_line(&self) -> Value {
        let report = self.report();
        let count = |name: &str| report["totals"][name].as_u64().unwrap_or_else(|| panic!("{name} in {report}"));
        let late = count("frames_late");
        let inside = late + count("frames_lost_in_host") + count("frames_never_left");
        let verdict = &report["verdict"];
        match (verdict["reasons"][0]["rule"].as_str(), verdict["outcome"].as_str(), self.code) {
            (Some("limit-proved"), Some("pass"), Some(0)) => {}
            (Some("host-limited"), Some("undecided"), Some(3)) => assert!(inside > 0, "{report}"),
            (Some("echoes-late"), Some("undecided"), Some(3)) => assert!(late > 0, "{report}"),
            _ => panic!("{verdict}, exit status {:?}, {}", self.code, self.stderr),
        }
        assert!(count("frames_sent") > 0, "{report}");
        assert_eq!((count("frames_lost"), count("frames_damaged")), (inside, 0), "{}", report["totals"]);
        report
    }
}

impl From<Output> for Finished {
    fn from(output: Output) -> Self {
        Self {
            code: output.status.code(),
            stdout: String::from_utf8(output.stdout).expect("text on stdout"),
            stderr: String::from_utf8(output.stderr).expect("text on stderr"),
        }
    }
}

/// `turnback` with a state directory of its own, so that no run meets the journal or lock of another.
pub struct Program {
    state: TempDir,
}

impl Program {
    /// With an empty state directory.
    pub fn new() -> Self {
        Self { state: tempfile::tempdir().expect("a temporary directory") }
    }

    /// The state directory.
    pub fn state(&self) -> &Path {
        self.state.path()
    }

    /// Runs it to its end.
    pub fn run(&self, arguments: &str) -> Finished {
        self.start(arguments).finish()
    }

    /// A check with a JSON report, to its end.
    pub fn check(&self, arguments: &str) -> Finished {
        self.run(&format!("check {arguments} --json"))
    }

    /// Runs it to its end with every capability taken away (by `setpriv` of util-linux).
    pub fn without_rights(&self, arguments: &str) -> Finished {
        let mut setpriv = Command::new("setpriv");
        setpriv.args(["--bounding-set", "-all", "--inh-caps", "-all", env!("CARGO_BIN_EXE_turnback")]);
        self.start_as(setpriv, arguments).finish()
    }

    /// Starts it; arguments are split at spaces.
    pub fn start(&self, arguments: &str) -> Running {
        self.start_as(Command::new(env!("CARGO_BIN_EXE_turnback")), arguments)
    }

    fn start_as(&self, mut command: Command, arguments: &str) -> Running {
        let child = command
            .args(arguments.split_whitespace())
            .env("TURNBACK_STATE_DIR", self.state())
            .env_remove("TURNBACK_LOG")
            .env("NO_COLOR", "1")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("turnback starts");
        Running { child: Some(child) }
    }

    /// Starts a check and waits until its events file tells of `event`.
    ///
    /// # Panics
    /// If the run ends, or the time limit passes, before that.
    pub fn start_until(&self, arguments: &str, event: &str) -> Running {
        let path = self.events_path();
        let mut running = self.start(&format!("{arguments} --events {}", path.display()));
        let sought = format!("\"event\":\"{event}\"");
        let (done, told) = mpsc::channel();
        let reader = path.clone();
        thread::spawn(move || {
            // The file grows by whole lines; reading it again until the line is there needs no pause.
            while done.send(std::fs::read_to_string(&reader).unwrap_or_default()).is_ok() {
                thread::sleep(Duration::from_millis(5));
            }
        });
        let began = std::time::Instant::now();
        while !told.recv().expect("the file is read on").contains(&sought) {
            let child = running.child.as_mut().expect("running");
            if let Some(status) = child.try_wait().expect("its state can be asked") {
                panic!("ended with {status} before {event}: {:?}", running.finish());
            }
            assert!(began.elapsed() < LIMIT, "no {event} within {LIMIT:?}");
        }
        running
    }

    fn events_path(&self) -> PathBuf {
        self.state().join("events.jsonl")
    }
}

/// A run that goes on.
pub struct Running {
    child: Option<Child>,
}

impl Running {
    /// Waits for a line on stdout.
    ///
    /// # Panics
    /// If it ends before.
    pub fn line(&mut self) -> String {
        let stdout = self.child.as_mut().and_then(|child| child.stdout.as_mut()).expect("running");
        // Byte by byte: what follows the line is left to others.
        let (mut line, mut byte) = (Vec::new(), [0]);
        while stdout.read(&mut byte).expect("readable") == 1 && byte != *b"\n" {
            line.extend(byte);
        }
        String::from_utf8(line).expect("text")
    }

    /// Sends it a signal.
    pub fn signal(&self, signal: i32) {
        send(self.child.as_ref().expect("running").id(), signal);
    }

    /// Waits for its end.
    ///
    /// # Panics
    /// If it does not end within the time limit; it is killed then.
    pub fn finish(mut self) -> Finished {
        let child = self.child.take().expect("running");
        let id = child.id();
        let (done, ended) = mpsc::channel();
        thread::spawn(move || done.send(child.wait_with_output()));
        match ended.recv_timeout(LIMIT) {
            Ok(output) => output.expect("its output").into(),
            Err(_) => {
                send(id, libc::SIGKILL);
                panic!("still running after {LIMIT:?}");
            }
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // Only a failing test gets here with the run still going.
        if let Some(child) = &mut self.child {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

fn send(id: u32, signal: i32) {
    // SAFETY: takes no pointers; the id is that of a child which nobody has waited for yet.
    unsafe { libc::kill(id as i32, signal) };
}

/// A running software plug on a TAP device.
pub struct TapPlug {
    child: Child,
    lines: BufReader<ChildStdout>,
}

impl TapPlug {
    /// Makes the device `quay0`, up, with these faults; skips the test and gives none where that is not allowed.
    pub fn start(faults: &str) -> Option<Self> {
        let mut child = Command::new(env!("CARGO_BIN_EXE_turnback-plug"))
            .args(["tap", "--interface", "quay0", "--up", "--until-eof"])
            .args(faults.split_whitespace())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("turnback-plug starts");
        let mut lines = BufReader::new(child.stdout.take().expect("its stdout"));
        let mut line = String::new();
        lines.read_line(&mut line).expect("a line or the end");
        if line.is_empty() {
            let mut text = String::new();
            child.stderr.take().expect("its stderr").read_to_string(&mut text).expect("text");
            child.wait().expect("its end");
            let refused = text.contains("not permitted") || text.contains("No such file");
            assert!(refused, "{text}");
            skip(&format!("no TAP device: {}", text.trim()));
            return None;
        }
        Some(Self { child, lines })
    }

    /// Gives it a command, and waits for the answer.
    pub fn tell(&mut self, command: &str) {
        let stdin = self.child.stdin.as_mut().expect("its stdin");
        writeln!(stdin, "{command}").expect("a command goes in");
        let answer = self.line();
        assert_eq!(answer["error"], Value::Null, "{command}: {answer}");
    }

    /// Ends it; what it did in all.
    pub fn end(mut self) -> Value {
        drop(self.child.stdin.take());
        let report = self.line();
        assert_eq!(report["report"], "final");
        let status: ExitStatus = self.child.wait().expect("its end");
        assert!(status.success());
        report
    }

    fn line(&mut self) -> Value {
        let mut line = String::new();
        self.lines.read_line(&mut line).expect("a line");
        serde_json::from_str(&line).expect("JSON")
    }
}

impl Drop for TapPlug {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
