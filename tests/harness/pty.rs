//! A running software plug on a pseudo-terminal.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdout, Command, Stdio};

use serde_json::Value;

/// The plug, and the line it is fitted to.
pub struct PtyPlug {
    child: Child,
    lines: BufReader<ChildStdout>,
    port: String,
}

impl PtyPlug {
    /// Makes a line with these faults, given as the plug's options.
    pub fn start(faults: &str) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_turnback-plug"))
            .args(["pty", "--until-eof"])
            .args(faults.split_whitespace())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("turnback-plug starts");
        let lines = BufReader::new(child.stdout.take().expect("its stdout"));
        let mut plug = Self { child, lines, port: String::new() };
        let ready = plug.line();
        plug.port = ready["port"].as_str().expect("the line's path").to_owned();
        plug
    }

    /// Path of the line.
    pub fn port(&self) -> &str {
        &self.port
    }

    /// Gives the plug a command; its answer.
    pub fn tell(&mut self, command: &str) -> Value {
        writeln!(self.child.stdin.as_mut().expect("its stdin"), "{command}").expect("it listens");
        self.line()
    }

    /// Ends it; what it did in all. The line goes with it.
    pub fn end(&mut self) -> Value {
        drop(self.child.stdin.take());
        let report = self.line();
        assert_eq!(report["report"], "final");
        assert!(self.child.wait().expect("its end").success());
        report
    }

    fn line(&mut self) -> Value {
        let mut line = String::new();
        self.lines.read_line(&mut line).expect("a line");
        serde_json::from_str(&line).unwrap_or_else(|error| panic!("{error}: {line}"))
    }
}

impl Drop for PtyPlug {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The terminal settings, in the form that stty(1) reads again.
pub fn settings(port: &str) -> String {
    let output = Command::new("stty").args(["-F", port, "-g"]).output().expect("stty");
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout).expect("text")
}
