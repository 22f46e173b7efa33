//! The serial rigs that come with the program: one for each answer that a check of a line can give.

use super::rig::{FormatText, Joins, SerialFault, SerialFaultKind, SerialHost, SerialPlug, SerialRig, Uart};
use crate::base::placement::Placement;
use crate::kind::serial::plug::{LineDriver, ModemLine};
use crate::sim::cable::segments;
use crate::sim::value::{FaultPlace, Ratio, Seconds};

/// Name of every built-in serial rig and what it shows.
pub const BUILTIN_SERIAL: [(&str, &str); 18] = [
    ("serial-good", "signal office: a spare serial port with a full nine-pin plug: nothing wrong"),
    ("serial-no-plug", "quay cabinet 1: nothing is fitted to the serial port"),
    ("serial-stuck-cts", "lock-gate controller: clear to send reads asserted whatever drives it"),
    ("serial-open-dtr", "lock-gate controller: data terminal ready drives nothing"),
    ("serial-crossed", "quay cabinet 2: clear to send and data set ready have changed places in the plug"),
    ("serial-noisy", "quay cabinet 3: characters arrive with wrong bits"),
    ("serial-parity", "tide gauge at 9600,7E1: parity bits arrive wrong"),
    ("serial-inverted", "weigh-bridge: a converter has the two wires of a pair exchanged, so every level is inverted"),
    ("serial-dropping", "tide gauge: characters vanish on the way"),
    ("serial-slow-host", "quay cabinet 2: the machine is often too busy to empty the chip; port and line are good"),
    (
        "serial-slow-adapter",
        "tide gauge: the machine is often too busy to empty an adapter that counts nothing; port and line are good",
    ),
    ("serial-wrong-plug", "signal office: the plug said to be a full one joins the data wires only"),
    ("serial-dead", "lock-gate controller: the line driver passes nothing"),
    ("serial-bad-port", "lock-gate controller: the chip itself damages characters, its own loop too"),
    ("serial-bad-cable", "cable Q-12: with the plug at its far end the quay duct damages characters"),
    ("serial-console", "signal office: a console is connected that talks"),
    (
        "serial-data-only",
        "weigh-bridge: an adapter without modem lines and counts, with a plug for data only: nothing wrong",
    ),
    ("serial-rs485", "dredger winch: two-wire RS-485 that hears itself: nothing wrong"),
];

/// The built-in serial rig of this name.
pub fn builtin_serial(name: &str) -> Option<SerialRig> {
    let (name, about) = BUILTIN_SERIAL.into_iter().find(|(known, _)| *known == name)?;
    let mut rig = SerialRig { name: name.to_owned(), about: about.to_owned(), ..SerialRig::default() };
    let mut wrong = |place, kind| rig.faults.push(SerialFault { place, kind, from_s: Seconds(0.0), until_s: None });
    match name {
        "serial-no-plug" => rig.plug.fitted = false,
        "serial-stuck-cts" => {
            wrong(FaultPlace::PortLine, SerialFaultKind::StuckLine { line: ModemLine::Cts, asserted: true });
        }
        "serial-open-dtr" => wrong(FaultPlace::PortLine, SerialFaultKind::OpenOutput { output: LineDriver::Dtr }),
        "serial-crossed" => {
            wrong(FaultPlace::Plug, SerialFaultKind::Crossed { first: ModemLine::Cts, second: ModemLine::Dsr });
        }
        "serial-noisy" => wrong(FaultPlace::Plug, bit_errors(1e-4)),
        "serial-parity" => {
            wrong(FaultPlace::PortLine, SerialFaultKind::ParityErrors { ratio: Ratio(1e-3) });
            rig.format = format("9600,7E1");
        }
        "serial-inverted" => wrong(FaultPlace::PortLine, SerialFaultKind::Inverted),
        "serial-dropping" => wrong(FaultPlace::Plug, SerialFaultKind::Drop { ratio: Ratio(2e-3) }),
        "serial-slow-host" => rig.host = SerialHost { stall_s: Seconds(0.004), every_s: Seconds(0.1) },
        "serial-slow-adapter" => {
            rig.host = SerialHost { stall_s: Seconds(0.004), every_s: Seconds(0.1) };
            rig.uart = Uart { counts_errors: false, marks_errors: false, internal_loop: false, ..rig.uart };
        }
        "serial-wrong-plug" => rig.plug.wiring = Joins::DataOnly,
        "serial-dead" => wrong(FaultPlace::PortLine, SerialFaultKind::Dead),
        "serial-bad-port" => wrong(FaultPlace::PortHost, bit_errors(1e-4)),
        "serial-bad-cable" => {
            wrong(FaultPlace::Segment("quay-duct".to_owned()), bit_errors(1e-4));
            rig.placement = Placement::FarEnd;
            rig.segments = segments(&[("office-riser", 12), ("quay-duct", 55), ("cabinet-3-tail", 6)]);
        }
        "serial-console" => rig.plug.console_bytes_per_second = 40,
        "serial-data-only" => {
            rig.plug = SerialPlug { wiring: Joins::DataOnly, said_to_be: "data-only".to_owned(), ..rig.plug };
            rig.uart = Uart {
                modem_lines: false,
                counts_errors: false,
                marks_errors: false,
                internal_loop: false,
                ..rig.uart
            };
        }
        "serial-rs485" => {
            rig.plug = SerialPlug { fitted: false, said_to_be: "rs485".to_owned(), ..rig.plug };
            rig.uart = Uart { modem_lines: false, half_duplex: true, internal_loop: false, ..rig.uart };
        }
        _ => {}
    }
    Some(rig)
}

fn format(text: &str) -> FormatText {
    FormatText(text.parse().unwrap_or_default())
}

fn bit_errors(ratio: f64) -> SerialFaultKind {
    SerialFaultKind::BitErrors { ratio: Ratio(ratio) }
}
