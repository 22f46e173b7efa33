//! Output that nobody reads, and a host that gives few open files: no run ends in an abort, and whatever was changed is
//! restored.

use std::fs::OpenOptions;
use std::io::{self, BufRead, BufReader};
use std::process::{Command, Stdio};

use crate::harness::pty::{PtyPlug, settings};

/// Where an output goes.
#[derive(Clone, Copy, Debug, PartialEq)]
enum To {
    /// A pipe whose reader has gone, as `head` has: writing fails with EPIPE (pipe(7)).
    Closed,
    /// A full disk: writing fails with ENOSPC (full(4)).
    Full,
    Nowhere,
}

impl To {
    fn stdio(self) -> Stdio {
        match self {
            Self::Closed => io::pipe().expect("a pipe").1.into(),
            Self::Full => OpenOptions::new().write(true).open("/dev/full").expect("/dev/full").into(),
            Self::Nowhere => Stdio::null(),
        }
    }
}

/// Exit status of the program, which a signal does not have.
fn status(arguments: &str, out: To, err: To) -> Option<i32> {
    let state = tempfile::tempdir().expect("a folder");
    Command::new(env!("CARGO_BIN_EXE_turnback"))
        .args(arguments.split(' '))
        .env("TURNBACK_STATE_DIR", state.path())
        .stdin(Stdio::null())
        .stdout(out.stdio())
        .stderr(err.stdio())
        .status()
        .expect("it starts")
        .code()
}

#[test]
fn what_nobody_reads_changes_no_exit_status() {
    for (arguments, usual) in [
        ("check sim:serial-good", 0),
        ("check sim:serial-no-plug", 3),
        ("check sim:good --for 1s", 0),
        ("check sim:serial-good --wiring de15", 2),
        ("isolate sim:serial-good --cable Q-7 --yes", 0),
        ("agent status", 4),
        ("records", 0),
        ("rigs", 0),
        ("completions bash", 0),
        ("manual", 0),
        ("check sim:serial-good -vv", 0),
    ] {
        for (out, err) in [(To::Closed, To::Closed), (To::Closed, To::Nowhere), (To::Nowhere, To::Full)] {
            assert_eq!(status(arguments, out, err), Some(usual), "{arguments}, {out:?} {err:?}");
        }
    }
}

/// An agent logs for months: a log that cannot be written ends nothing.
#[test]
fn an_agent_whose_log_nobody_takes_goes_on_to_its_end() {
    for err in [To::Closed, To::Full] {
        let state = tempfile::tempdir().expect("a folder");
        let mut agent = Command::new(env!("CARGO_BIN_EXE_turnback"))
            .args(["agent", "--demo", "--listen", "127.0.0.1:0", "-v"])
            .env("TURNBACK_STATE_DIR", state.path())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(err.stdio())
            .spawn()
            .expect("it starts");
        let mut address = String::new();
        BufReader::new(agent.stdout.take().expect("a pipe")).read_line(&mut address).expect("its address");
        assert!(address.starts_with("http://"), "{err:?}: {address}");
        // SAFETY: a signal to a child that has not been waited for.
        unsafe { libc::kill(agent.id() as i32, libc::SIGTERM) };
        assert_eq!(agent.wait().expect("it ends").code(), Some(0), "{err:?}");
    }
}

#[test]
fn what_cannot_be_written_for_another_reason_is_an_error() {
    for arguments in ["check sim:serial-good", "completions bash", "manual", "profiles", "rigs"] {
        assert_eq!(status(arguments, To::Full, To::Full), Some(4), "{arguments}");
    }
}

#[test]
fn a_file_on_a_full_disk_is_named() {
    let state = tempfile::tempdir().expect("a folder");
    let turnback = |arguments: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_turnback"));
        command.args(arguments.split(' ')).env("TURNBACK_STATE_DIR", state.path()).output().expect("it starts")
    };
    assert!(turnback("check sim:serial-good").status.success());
    let output = turnback("report last --output /dev/full");
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(!output.status.success() && output.status.code().is_some(), "{told}");
    assert!(told.contains("/dev/full") && told.contains("the disk is full"), "{told}");
}

#[test]
fn a_line_has_its_settings_again_though_nobody_reads() {
    for (out, err) in [(To::Closed, To::Closed), (To::Full, To::Full)] {
        let mut plug = PtyPlug::start("--seed 5");
        let before = settings(plug.port());
        let code = status(&format!("check {} --for 1s --target-ber 1e-5", plug.port()), out, err);
        assert_eq!(code, Some(if out == To::Full { 4 } else { 0 }));
        assert_eq!(settings(plug.port()), before);
        plug.end();
    }
}

/// A few files are hardly enough for the program's own: whatever is refused, it says so with a status.
#[test]
fn few_open_files_are_an_error_and_no_abort() {
    let mut plug = PtyPlug::start("--seed 5");
    let before = settings(plug.port());
    for files in 4..20 {
        for words in ["sim:serial-good", "sim:good --for 1s", &format!("{} --for 1s --target-ber 1e-5", plug.port())] {
            let state = tempfile::tempdir().expect("a folder");
            let program = env!("CARGO_BIN_EXE_turnback");
            let output = Command::new("sh")
                .args(["-c", &format!("ulimit -n {files} && exec {program} check {words}")])
                .env("TURNBACK_STATE_DIR", state.path())
                .output()
                .expect("sh");
            let told = String::from_utf8_lossy(&output.stderr);
            assert!(matches!(output.status.code(), Some(0 | 4)), "{files} files, {words}: {:?} {told}", output.status);
            let said = told.contains("error: ") || String::from_utf8_lossy(&output.stdout).contains("NOT TESTED");
            assert!(output.status.success() || said, "{files} files, {words}: {told}");
        }
    }
    assert_eq!(settings(plug.port()), before);
    plug.end();
}
