//! The software plug on real devices: a listener on the host sees what the plug reports.

use std::collections::BTreeMap;
use std::fs::{self, OpenOptions};
use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::thread;
use std::time::Duration;

use pnet::datalink::{self, Channel, Config, DataLinkReceiver, DataLinkSender};
use serde_json::{Value, json};

use crate::harness::skip::skip;

/// A running plug.
struct Plug {
    child: Child,
    lines: BufReader<ChildStdout>,
}

impl Plug {
    /// Starts the real program and waits until it is ready. `Err` holds its error message.
    fn start(arguments: &[&str]) -> Result<(Self, Value), String> {
        let mut child = Command::new(env!("CARGO_BIN_EXE_turnback-plug"))
            .args(arguments)
            .arg("--until-eof")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap());
        let mut plug = Self { child, lines };
        let mut line = String::new();
        plug.lines.read_line(&mut line).unwrap();
        if line.is_empty() {
            let mut text = String::new();
            plug.child.stderr.take().unwrap().read_to_string(&mut text).unwrap();
            return Err(text);
        }
        let ready: Value = serde_json::from_str(&line).unwrap();
        assert_eq!(ready["ready"], true);
        Ok((plug, ready))
    }

    fn ask(&mut self, command: &str) -> Value {
        writeln!(self.child.stdin.as_mut().unwrap(), "{command}").unwrap();
        self.answer()
    }

    fn answer(&mut self) -> Value {
        let mut line = String::new();
        self.lines.read_line(&mut line).unwrap();
        serde_json::from_str(&line).unwrap()
    }

    /// Ends the plug by the end of its standard input, and returns the final report.
    fn end(mut self) -> Value {
        drop(self.child.stdin.take());
        let report = self.answer();
        assert_eq!(report["report"], "final");
        assert!(self.child.wait().unwrap().success());
        report
    }
}

impl Drop for Plug {
    fn drop(&mut self) {
        // The plug still runs here only if a test fails.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Gives a command to the plug at a control socket. Returns the exit status and the answer.
fn tell(socket: &Path, command: &str) -> (Option<i32>, Value) {
    let program = Command::new(env!("CARGO_BIN_EXE_turnback-plug"))
        .arg("tell")
        .arg(socket)
        .args(command.split_whitespace())
        .output()
        .unwrap();
    (program.status.code(), serde_json::from_slice(&program.stdout).unwrap_or_default())
}

/// Runs `body` on a thread in a network namespace of its own, which ends with the thread and its children.
fn in_namespace(test: &'static str, body: fn()) {
    let thread = thread::spawn(move || {
        // SAFETY: takes flags only, and changes this thread alone.
        if unsafe { libc::unshare(libc::CLONE_NEWNET) } != 0 {
            return println!("{test}: skipped: no network namespace: {}", io::Error::last_os_error());
        }
        if !Path::new("/dev/net/tun").exists() {
            return println!("{test}: skipped: no /dev/net/tun");
        }
        body();
    });
    if let Err(panic) = thread.join() {
        std::panic::resume_unwind(panic);
    }
}

const FRAME_BYTES: usize = 200;
/// Probes sent at once. So few fit into the socket's buffer.
const WINDOW: u32 = 64;

/// A probe that carries its number, and a filler that is neither all zeros nor all ones.
fn probe(number: u32) -> Vec<u8> {
    let mut frame = vec![0x5A; FRAME_BYTES];
    frame[..6].copy_from_slice(&[2, 0, 0, 0, 0, 1]);
    frame[6..12].copy_from_slice(&[2, 0, 0, 0, 0, 2]);
    // IEEE 802, Local Experimental EtherType 1.
    frame[12..14].copy_from_slice(&[0x88, 0xB5]);
    frame[14..18].copy_from_slice(&number.to_be_bytes());
    frame
}

/// Sends and receives raw frames on a device.
struct Wire {
    sender: Box<dyn DataLinkSender>,
    receiver: Box<dyn DataLinkReceiver>,
}

impl Wire {
    fn open(name: &str) -> Self {
        let interface = datalink::interfaces().into_iter().find(|interface| interface.name == name).unwrap();
        let config = Config { read_timeout: Some(Duration::from_secs(5)), ..Config::default() };
        match datalink::channel(&interface, config).unwrap() {
            Channel::Ethernet(sender, receiver) => Self { sender, receiver },
            _ => panic!("not an Ethernet device"),
        }
    }

    fn send(&mut self, frame: &[u8]) {
        self.sender.send_to(frame, None).unwrap().unwrap();
    }

    /// Returns the next probe that comes back, and ignores other frames.
    fn receive(&mut self) -> Vec<u8> {
        loop {
            let frame = self.receiver.next().expect("a probe within five seconds");
            if frame[12..14] == [0x88, 0xB5] {
                return frame.to_vec();
            }
        }
    }
}

#[test]
fn counts_of_the_frame_plug_equal_what_comes_back() {
    in_namespace("counts_of_the_frame_plug_equal_what_comes_back", || {
        let arguments = "tap --interface quay0 --up --seed 3 --spare-bytes 18 --flip-ratio 1e-4 \
                         --drop 0.05 --duplicate 0.04 --swap 0.03 --truncate 0.04 --lengthen 0.04";
        let (mut plug, ready) = match Plug::start(&arguments.split_whitespace().collect::<Vec<_>>()) {
            Ok(started) => started,
            Err(text) if text.contains("not permitted") => return skip(&text),
            Err(text) => panic!("{text}"),
        };
        assert_eq!(ready["interface"], "quay0");
        let mut wire = Wire::open("quay0");

        let mut echoes = Vec::new();
        for window in 0..40 {
            for number in window * WINDOW..(window + 1) * WINDOW {
                wire.send(&probe(number));
            }
            // The plug answers in order, so the report says how many echoes of this window to fetch.
            let report = (0..100_000)
                .map(|_| plug.ask("report"))
                .find(|report| report["frames_seen"] == (window + 1) * WINDOW && report["pending"] == 0)
                .expect("all probes of the window pass the plug");
            while (echoes.len() as u64) < report["frames_returned"].as_u64().unwrap() {
                echoes.push(wire.receive());
            }
        }
        let report = plug.end();

        let sent = 40 * u64::from(WINDOW);
        let mut times: BTreeMap<u32, u64> = BTreeMap::new();
        let (mut late, mut highest) = (0, None);
        let mut seen: BTreeMap<&str, u64> = BTreeMap::new();
        for echo in &echoes {
            let number = u32::from_be_bytes(echo[14..18].try_into().unwrap());
            late += u64::from(highest > Some(number));
            highest = highest.max(Some(number));
            let times = times.entry(number).or_default();
            *times += 1;
            if *times > 1 {
                *seen.entry("duplicated").or_default() += 1;
                continue;
            }
            let bits: u32 = echo.iter().zip(probe(number)).map(|(a, b)| (a ^ b).count_ones()).sum();
            *seen.entry("bits_flipped").or_default() += u64::from(bits);
            *seen.entry("frames_flipped").or_default() += u64::from(bits > 0);
            *seen.entry("truncated").or_default() += u64::from(echo.len() < FRAME_BYTES);
            *seen.entry("bytes_cut").or_default() += FRAME_BYTES.saturating_sub(echo.len()) as u64;
            *seen.entry("lengthened").or_default() += u64::from(echo.len() > FRAME_BYTES);
            *seen.entry("bytes_added").or_default() += echo.len().saturating_sub(FRAME_BYTES) as u64;
        }
        seen.insert("swapped", late);
        seen.insert("dropped", sent - times.len() as u64);
        seen.insert("frames_seen", sent);
        seen.insert("frames_returned", echoes.len() as u64);
        for (name, count) in seen {
            assert!(count > 0, "{name} never happened");
            assert_eq!(report[name], count, "{name} in {report}");
        }
        assert_eq!((&report["queue_dropped"], &report["return_failed"]), (&json!(0), &json!(0)));
        assert_eq!((&report["options"]["drop"], &report["seed"]), (&json!(0.05), &json!(3)));
    });
}

#[test]
fn frames_beyond_the_queue_are_reported() {
    in_namespace("frames_beyond_the_queue_are_reported", || {
        let arguments = ["tap", "--interface", "quay0", "--up", "--queue-frames", "10"];
        let (plug, _) = match Plug::start(&arguments) {
            Ok(started) => started,
            Err(text) if text.contains("not permitted") => return skip(&text),
            Err(text) => panic!("{text}"),
        };
        let mut wire = Wire::open("quay0");
        // A stopped plug reads nothing, so its queue is certain to overflow.
        signal(&plug, libc::SIGSTOP);
        let sent = 100;
        for number in 0..sent {
            wire.send(&probe(number));
        }
        signal(&plug, libc::SIGCONT);
        let report = plug.end();
        let count = |name: &str| report[name].as_u64().unwrap();
        assert!(count("queue_dropped") >= u64::from(sent) - 20, "{report}");
        let passed = count("frames_seen") + count("other_frames") + count("queue_dropped");
        assert!(passed >= u64::from(sent), "{report}");
    });
}

#[test]
fn faults_change_while_the_frame_plug_runs() {
    in_namespace("faults_change_while_the_frame_plug_runs", || {
        let (mut plug, _) = match Plug::start(&["tap", "--interface", "quay0", "--up"]) {
            Ok(started) => started,
            Err(text) if text.contains("not permitted") => return skip(&text),
            Err(text) => panic!("{text}"),
        };
        let mut wire = Wire::open("quay0");
        wire.send(&probe(0));
        assert_eq!(wire.receive(), probe(0));
        assert!(plug.ask("set drop 1.5")["error"].as_str().unwrap().contains("from 0 to 1"));
        assert_eq!(plug.ask("set invert on"), json!({"set": "invert", "value": "on"}));
        wire.send(&probe(1));
        let echo = wire.receive();
        assert_eq!(echo[..14], probe(1)[..14]);
        assert!(echo[14..].iter().zip(&probe(1)[14..]).all(|(a, b)| *a == !*b));

        assert!(carrier("quay0"));
        plug.ask("set carrier off");
        assert!(!carrier("quay0"));
        plug.ask("set carrier on");
        assert!(carrier("quay0"));
        plug.end();
    });
}

/// Whether the interface of this thread's namespace has a link partner.
fn carrier(name: &str) -> bool {
    datalink::interfaces().into_iter().find(|interface| interface.name == name).unwrap().is_lower_up()
}

fn signal(plug: &Plug, signal: i32) {
    let process = i32::try_from(plug.child.id()).unwrap();
    // SAFETY: kill takes no pointers; the process is our child, which nobody has waited for, so its number is its own.
    assert_eq!(unsafe { libc::kill(process, signal) }, 0);
    if signal == libc::SIGSTOP {
        // The signal takes effect later. The kernel says when.
        let stat = format!("/proc/{}/stat", plug.child.id());
        while !fs::read_to_string(&stat).unwrap().contains(") T ") {
            thread::yield_now();
        }
    }
}

/// Sends `bytes` through the line while reading `count` back.
fn exchange(path: &Path, bytes: &[u8], count: usize) -> Vec<u8> {
    let mut line = OpenOptions::new().read(true).write(true).custom_flags(libc::O_NOCTTY).open(path).unwrap();
    let mut writer = line.try_clone().unwrap();
    let mut echo = vec![0; count];
    thread::scope(|scope| {
        scope.spawn(move || writer.write_all(bytes).unwrap());
        line.read_exact(&mut echo).unwrap();
    });
    echo
}

/// `count` bytes with all values in a changing order.
fn all_values(count: usize) -> Vec<u8> {
    (0..count).map(|index| (index ^ (index / 256).wrapping_mul(37)) as u8).collect()
}

#[test]
fn a_serial_line_returns_all_byte_values_and_survives_being_closed() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("lock-gate");
    let (plug, ready) = Plug::start(&["pty", "--link", link.to_str().unwrap()]).unwrap();
    assert_eq!(fs::read_link(&link).unwrap(), Path::new(ready["port"].as_str().unwrap()));
    // More than all buffers on the way can hold.
    let sent = all_values(300_000);
    for _ in 0..3 {
        assert!(exchange(&link, &sent, sent.len()) == sent);
    }
    let report = plug.end();
    assert_eq!((&report["bytes_seen"], &report["bytes_returned"]), (&json!(900_000), &json!(900_000)));
    assert!(!link.exists() && fs::read_link(&link).is_err());
}

#[test]
fn a_line_that_nobody_reads_blocks_the_sender_and_loses_nothing() {
    let (plug, ready) = Plug::start(&["pty"]).unwrap();
    let path = Path::new(ready["port"].as_str().unwrap());
    let mut line =
        OpenOptions::new().read(true).write(true).custom_flags(libc::O_NOCTTY | libc::O_NONBLOCK).open(path).unwrap();
    // Writes until the line has been full for a while. The plug still drains it, so a first refusal is not the end.
    let sent = all_values(4_000_000);
    let mut count = 0;
    let mut refusals = 0;
    while refusals < 2000 && count < sent.len() {
        match line.write(&sent[count..]) {
            Ok(written) => (count, refusals) = (count + written, 0),
            Err(error) => {
                assert_eq!(error.kind(), io::ErrorKind::WouldBlock);
                refusals += 1;
                thread::yield_now();
            }
        }
    }
    let mut echo: Vec<u8> = Vec::new();
    let mut buffer = [0; 4096];
    while echo.len() < count {
        match line.read(&mut buffer) {
            Ok(read) => echo.extend(&buffer[..read]),
            Err(error) => {
                assert_eq!(error.kind(), io::ErrorKind::WouldBlock);
                thread::yield_now();
            }
        }
    }
    assert!(echo == sent[..count]);
    plug.end();
}

#[test]
fn counts_of_the_byte_plug_equal_what_comes_back() {
    let (mut plug, ready) = Plug::start(&["pty", "--outage", "1000:500", "--seed", "5"]).unwrap();
    let path = Path::new(ready["port"].as_str().unwrap());
    let sent = all_values(20_000);
    let echo = exchange(path, &sent, sent.len() - 500);
    assert!(echo == [&sent[..1000], &sent[1500..]].concat());

    plug.ask("set flip-ratio 0.001");
    let echo = exchange(path, &sent, sent.len());
    let bits: u32 = echo.iter().zip(&sent).map(|(a, b)| (a ^ b).count_ones()).sum();
    let bytes = echo.iter().zip(&sent).filter(|(a, b)| a != b).count();
    assert!(bits > 0);
    let report = plug.end();
    assert_eq!(report["bytes_dropped"], 500);
    assert_eq!((&report["bits_flipped"], &report["bytes_damaged"]), (&json!(bits), &json!(bytes)));
}

#[test]
fn a_plug_with_a_control_socket_answers_each_command_to_its_sender() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("control");
    // A killed plug leaves this behind: a socket at which nobody listens.
    drop(UnixListener::bind(&socket).unwrap());
    assert_eq!(tell(&socket, "report"), (Some(2), Value::Null));

    let mut child = Command::new(env!("CARGO_BIN_EXE_turnback-plug"))
        .args(["pty", "--control", socket.to_str().unwrap(), "--drop", "0.5"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut plug = Plug { lines: BufReader::new(child.stdout.take().unwrap()), child };
    assert_eq!(plug.answer()["ready"], true);

    // Clients that disconnect, even within a command, disturb nobody.
    drop(UnixStream::connect(&socket).unwrap());
    UnixStream::connect(&socket).unwrap().write_all(b"qui").unwrap();
    assert_eq!(tell(&socket, "set drop 0.25"), (Some(0), json!({"set": "drop", "value": "0.25"})));
    let (status, refusal) = tell(&socket, "set drop 7");
    assert!(refusal["error"].as_str().unwrap().contains("from 0 to 1"), "{refusal}");
    assert_eq!(status, Some(2));
    let (status, report) = tell(&socket, "report");
    assert_eq!((status, &report["report"], &report["options"]["drop"]), (Some(0), &json!("running"), &json!(0.25)));

    let (status, last) = tell(&socket, "quit");
    assert_eq!((status, &last["report"]), (Some(0), &json!("final")));
    // Standard output has the first line and the last one, and no answers.
    assert_eq!(plug.answer(), last);
    assert!(plug.child.wait().unwrap().success());
    assert!(!socket.exists());
}
