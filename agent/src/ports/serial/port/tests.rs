//! The port on pseudo-terminals; and, when asked for, on a real line with a plug.

use std::process::{Command, Stdio};

use tempfile::TempDir;
use turnback_core::kind::serial::format::{Parity, StopBits};

use super::*;
use crate::{guard::lock::LockError, ports::serial::open::BUFFER_BYTES};

/// A pseudo-terminal, its other end, and a port that keeps its notes in a folder of its own.
struct Bench {
    other_end: File,
    name: String,
    notes: TempDir,
}

impl Bench {
    fn new() -> Self {
        let (other_end, path) = sys::pseudo_terminal();
        Self { other_end, name: path.to_string_lossy().into_owned(), notes: tempfile::tempdir().unwrap() }
    }

    fn port(&self) -> SerialPort {
        SerialPort { notes: Some(self.notes.path().to_owned()), ..SerialPort::find(&self.name).unwrap() }
    }
}

fn everything() -> Vec<u8> {
    // All values; and what a terminal would eat: XON, XOFF, interrupt, end of file, line ends, erase, FF twice.
    (0..=255).chain([0x11, 0x13, 3, 4, b'\r', b'\n', b'\r', b'\n', 0x7F, 0xFF, 0xFF, 0, 0xFF, 0]).collect()
}

/// What comes in until `count` bytes are there, a mark, or half a minute is over.
fn receive(port: &mut SerialPort, count: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    let until = port.now() + 30 * turnback_core::base::time::SECOND_NS;
    while bytes.len() < count && port.now() < until {
        port.receive(until, &mut |what| match what {
            Received::Bytes(came) => bytes.extend_from_slice(came),
            other => panic!("{other:?}"),
        })
        .unwrap();
    }
    bytes
}

#[test]
fn every_byte_value_passes_as_it_is_in_both_directions() {
    let mut bench = Bench::new();
    let mut port = bench.port();
    let format = LineFormat::default();
    assert_eq!(port.configure(format).unwrap(), Some(format));
    assert_eq!(port.send(&everything()).unwrap(), everything().len());
    let mut came = vec![0; everything().len()];
    assert!(sys::wait_readable(&bench.other_end, Duration::from_secs(30)).unwrap().readable);
    bench.other_end.read_exact(&mut came).unwrap();
    assert_eq!(came, everything());
    bench.other_end.write_all(&everything()).unwrap();
    assert_eq!(receive(&mut port, everything().len()), everything());
    assert_eq!(port.unsent().unwrap(), 0);
}

#[test]
fn a_pseudo_terminal_takes_any_speed_and_no_format_but_eight_bits() {
    let bench = Bench::new();
    let mut port = bench.port();
    for speed in [50, 9600, 31_250, 4_000_000] {
        let format = LineFormat { bits_per_second: speed, ..LineFormat::default() };
        assert_eq!(port.configure(format).unwrap(), Some(format));
    }
    for (data_bits, parity) in [(7, Parity::None), (8, Parity::Even), (5, Parity::Space)] {
        let format = LineFormat { data_bits, parity, ..LineFormat::default() };
        assert_eq!(port.configure(format).unwrap(), None, "{format}");
    }
    let format = LineFormat { stop_bits: StopBits::Two, ..LineFormat::default() };
    assert_eq!(port.configure(format).unwrap(), Some(format), "kept, though it means nothing here");
}

#[test]
fn a_pseudo_terminal_has_nothing_but_bytes_and_says_so() {
    let bench = Bench::new();
    let mut port = bench.port();
    assert!(port.open.is_none() && Line::capabilities(&port).buffer_bytes > 0);
    assert!(port.open.is_none(), "asking opens nothing");
    port.configure(LineFormat::default()).unwrap();
    let can = Line::capabilities(&port);
    assert_eq!(can, LineCapabilities { buffer_bytes: BUFFER_BYTES, ..LineCapabilities::default() });
    assert_eq!(port.modem_inputs().unwrap(), None);
    assert_eq!(port.line_errors().unwrap(), None);
    for setting in [LineSetting::InternalLoop(true), LineSetting::HalfDuplex(true), LineSetting::LowLatency(true)] {
        assert!(!port.apply(setting).unwrap(), "{setting:?}");
    }
    assert!(port.drive(ModemOutputs::default()).is_err());
    assert!(!port.place(Placement::Internal));
}

#[test]
fn a_line_whose_other_end_goes_is_gone() {
    let bench = Bench::new();
    let mut port = bench.port();
    port.configure(LineFormat::default()).unwrap();
    drop(bench.other_end);
    let asked_again = port.receive(0, &mut |what| panic!("{what:?}"));
    assert!(matches!(asked_again, Err(PortError::Gone(_))), "{asked_again:?}");
    let until = port.now() + 30 * turnback_core::base::time::SECOND_NS;
    let received = port.receive(until, &mut |what| panic!("{what:?}"));
    assert!(matches!(received, Err(PortError::Gone(_))), "{received:?}");
    let sent = port.send(b"anybody there");
    assert!(matches!(sent, Err(PortError::Gone(_))), "{sent:?}");
    assert!(matches!(port.configure(LineFormat::default()), Err(PortError::Gone(_))));
    let told = port.restore();
    assert!(told.iter().all(|text| text.contains("it is gone")), "{told:?}");
}

#[test]
fn waiting_ends_when_the_time_is_over() {
    let bench = Bench::new();
    let mut port = bench.port();
    port.configure(LineFormat::default()).unwrap();
    let until = port.now() + 1_000_000;
    port.receive(until, &mut |what| panic!("{what:?}")).unwrap();
    assert!(port.now() >= until);
}

#[test]
fn two_names_of_one_line_exclude_each_other() {
    let bench = Bench::new();
    let link = bench.notes.path().join("lock-gate");
    std::os::unix::fs::symlink(&bench.name, &link).unwrap();
    let port = bench.port();
    let second = SerialPort::find(link.to_str().unwrap()).err();
    assert!(matches!(second, Some(PortError::Lock(LockError::Held { .. }))), "{second:?}");
    drop(port);
    SerialPort::find(link.to_str().unwrap()).unwrap();
}

#[test]
fn a_process_with_the_line_open_is_named_and_the_one_at_the_other_end_is_not() {
    let bench = Bench::new();
    let mut port = bench.port();
    // This process holds the other end, as the software plug does.
    assert_eq!(port.in_service().unwrap(), []);
    let line = std::fs::OpenOptions::new().read(true).open(&bench.name).unwrap();
    let mut holder = Command::new("sleep").arg("600").stdin(Stdio::from(line)).spawn().unwrap();
    let reasons = port.in_service().unwrap();
    holder.kill().unwrap();
    holder.wait().unwrap();
    let [reason] = &reasons[..] else { panic!("{reasons:?}") };
    assert!(reason.text.starts_with(&format!("process {} (sleep) has {} open", holder.id(), bench.name)), "{reason:?}");
    assert!(!reason.may_be_overridden);
    assert_eq!(port.in_service().unwrap(), []);
}

#[test]
fn a_line_another_program_keeps_for_itself_is_refused() {
    let bench = Bench::new();
    let mut theirs = serialport::new(&bench.name, 0).open_native().unwrap();
    theirs.set_exclusive(true).unwrap();
    // Root gets past the kernel, and asks; others do not.
    let error = bench.port().configure(LineFormat::default()).unwrap_err();
    assert!(error.to_string().contains("keep others"), "{error}");
}

#[test]
fn a_pseudo_terminal_is_left_open_to_others() {
    let bench = Bench::new();
    let mut port = bench.port();
    port.configure(LineFormat::default()).unwrap();
    // After a kill the mark would stay for as long as the other end lives.
    assert!(!sys::is_exclusive(&port.open().unwrap().line).unwrap());
}

#[test]
fn what_a_line_reads_and_what_it_drives_are_the_kernels_bits() {
    // TIOCM_CTS 0x20, CAR 0x40, RNG 0x80, DSR 0x100 (asm-generic/termios.h).
    assert_eq!(inputs(0x020), ModemInputs { cts: true, ..ModemInputs::default() });
    assert_eq!(inputs(0x040), ModemInputs { dcd: true, ..ModemInputs::default() });
    assert_eq!(inputs(0x080), ModemInputs { ri: true, ..ModemInputs::default() });
    assert_eq!(inputs(0x100), ModemInputs { dsr: true, ..ModemInputs::default() });
    assert_eq!(inputs(0x006), ModemInputs::default(), "what it drives is not what it reads");
}

/// Needs a line with a plug that joins transmit and receive data, named by `TURNBACK_TEST_LINE`; `scripts/guest-serial`
/// has two.
#[test]
#[ignore = "needs a real serial line with a plug"]
fn a_real_line_with_a_plug() {
    let Ok(name) = std::env::var("TURNBACK_TEST_LINE") else { panic!("TURNBACK_TEST_LINE names no line") };
    let notes = tempfile::tempdir().unwrap();
    let before = sys::settings(&sys::open(Path::new(&name)).unwrap()).unwrap();
    let mut port = SerialPort { notes: Some(notes.path().to_owned()), ..SerialPort::find(&name).unwrap() };
    println!("{:?}", port.identity());
    assert_eq!(port.in_service().unwrap(), []);
    port.configure(LineFormat::default()).unwrap();
    let can = Line::capabilities(&port);
    println!("{can:?}");
    assert!(can.modem_lines && can.counts_errors && can.paced, "{can:?}");

    for speed in [9600, 115_200] {
        let format = LineFormat { bits_per_second: speed, ..LineFormat::default() };
        assert_eq!(port.configure(format).unwrap(), Some(format));
        let errors = port.line_errors().unwrap().unwrap();
        send_all(&mut port, &everything());
        assert_eq!(receive(&mut port, everything().len()), everything(), "at {speed}");
        let new = port.line_errors().unwrap().unwrap().since(&errors);
        assert_eq!(new, LineErrors::default());
    }
    let odd = LineFormat { bits_per_second: 31_250, ..LineFormat::default() };
    let taken = port.configure(odd).unwrap();
    println!("31250 b/s: {taken:?}");
    // A clock of 1,843,200 Hz makes 28,800 of it, 7.8 % off (computed).
    assert!(taken.is_none() || port.facts.clock_hz != Some(1_843_200));
    let formats = [
        "9600,8N1",
        "9600,7E1",
        "9600,8O1",
        "9600,8N2",
        "9600,5N1",
        "9600,6N1",
        "9600,8M1",
        "9600,8S1",
        "9600,8N1,rts-cts",
    ];
    for text in formats {
        let format: LineFormat = text.parse().unwrap();
        match port.configure(format).unwrap() {
            Some(taken) => assert_eq!(taken, format),
            None => {
                println!("{text}: not taken");
                continue;
            }
        }
        let bytes: Vec<u8> = everything().iter().map(|byte| byte & format.data_mask()).collect();
        let began = port.now();
        send_all(&mut port, &bytes);
        assert_eq!(receive(&mut port, bytes.len()), bytes, "{text}");
        let line_time = format.characters_ns(bytes.len() as u64) as f64;
        println!("{text}: taken; came back in {:.3} of its time on the line", (port.now() - began) as f64 / line_time);
    }

    port.configure(LineFormat::default()).unwrap();
    println!("plug: {:?}", port.modem_inputs().unwrap());
    if can.internal_loop {
        check_internal_loop(&mut port);
    }
    let counts = port.line_errors().unwrap().unwrap();
    port.send_break(Duration::from_millis(50)).unwrap();
    let mut came = Vec::new();
    let until = port.now() + turnback_core::base::time::SECOND_NS / 2;
    port.receive(until, &mut |what| came.push(format!("{what:?}"))).unwrap();
    println!("break: {came:?}, {:?}", port.line_errors().unwrap().unwrap().since(&counts));
    println!("low latency: {:?}", port.apply(LineSetting::LowLatency(true)));
    println!("half duplex: {:?}", port.apply(LineSetting::HalfDuplex(true)));
    println!("restored: {:#?}", port.restore());
    let after = sys::settings(&sys::open(Path::new(&name)).unwrap()).unwrap();
    assert!(after.same_as(&before), "{after:?} is not {before:?}");
    assert_eq!(std::fs::read_dir(notes.path()).unwrap().count(), 0);
}

fn check_internal_loop(port: &mut SerialPort) {
    assert!(port.apply(LineSetting::InternalLoop(true)).unwrap());
    // CTS = RTS, DSR = DTR, RI = OUT1, DCD = OUT2 (IBM 5150 Technical Reference, modem status register in loop mode).
    for bits in 0..16 {
        let bit = |number: u32| bits >> number & 1 == 1;
        let wanted = ModemOutputs { rts: bit(0), dtr: bit(1), out1: bit(2), out2: bit(3) };
        port.drive(wanted).unwrap();
        let seen = port.modem_inputs().unwrap().unwrap();
        assert_eq!(seen, ModemInputs { cts: bit(0), dsr: bit(1), ri: bit(2), dcd: bit(3) }, "{wanted:?}");
    }
    send_all(port, &everything());
    assert_eq!(receive(port, everything().len()), everything(), "inside the chip");
    assert!(port.apply(LineSetting::InternalLoop(false)).unwrap());
}

/// The kernel takes the same way when an adapter is pulled out and when it is told to leave it alone.
#[test]
#[ignore = "needs a USB serial adapter and root"]
fn an_adapter_that_is_unplugged_and_plugged_in_again() {
    let Ok(name) = std::env::var("TURNBACK_TEST_LINE") else { panic!("TURNBACK_TEST_LINE names no line") };
    let notes = tempfile::tempdir().unwrap();
    let mut port = SerialPort { notes: Some(notes.path().to_owned()), ..SerialPort::find(&name).unwrap() };
    let socket = port.facts.usb.clone().expect("a USB adapter").socket;
    let plugged_in = |yes: bool| {
        let file = format!("/sys/bus/usb/devices/{socket}/authorized");
        std::fs::write(file, if yes { "1" } else { "0" }).expect("root's rights");
    };
    port.configure("19200,8N1".parse().unwrap()).unwrap();
    send_all(&mut port, b"lock gate");
    assert_eq!(receive(&mut port, 9), b"lock gate");
    plugged_in(false);
    let until = port.now() + 30 * turnback_core::base::time::SECOND_NS;
    let received = port.receive(until, &mut |what| panic!("{what:?}"));
    assert!(matches!(received, Err(PortError::Gone(_))), "{received:?}");
    assert!(matches!(port.send(b"lock gate"), Err(PortError::Gone(_))));
    assert!(matches!(port.in_service(), Err(PortError::Gone(_))));
    let told = port.restore();
    println!("{told:?}");
    assert!(told.iter().all(|text| text.ends_with("kept for later, it is not there")), "{told:?}");
    drop(port);
    plugged_in(true);
    for _ in 0..3000 {
        if Path::new(&name).exists() {
            break;
        }
        thread::sleep(Duration::from_millis(10));
    }
    // Its settings went with it: the kernel begins anew.
    let recovery = crate::guard::journal::recover(
        &{
            let after = notes.path().join("after");
            std::fs::create_dir(&after).unwrap();
            for file in std::fs::read_dir(notes.path()).unwrap().flatten().filter(|file| file.path().is_file()) {
                std::fs::copy(file.path(), after.join(file.file_name())).unwrap();
            }
            after
        },
        &mut crate::ports::serial::settings::SerialRestorer::for_recovery(),
    )
    .unwrap();
    for recovered in &recovery.changes {
        println!("{}: {:?}", crate::ports::changes::told::<SerialSetting>(recovered), recovered.outcome.is_final());
        assert!(recovered.outcome.is_final(), "{recovered:?}");
    }
    assert!(!recovery.changes.is_empty());
}

fn send_all(port: &mut SerialPort, bytes: &[u8]) {
    let mut rest = bytes;
    let until = port.now() + 30 * turnback_core::base::time::SECOND_NS;
    while !rest.is_empty() && port.now() < until {
        let taken = port.send(rest).unwrap();
        rest = &rest[taken..];
    }
    assert!(rest.is_empty(), "{} bytes found no room", rest.len());
}
