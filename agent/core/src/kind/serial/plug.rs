//! The plug that a person says is fitted to a serial port, and what its wires must do to the modem lines.
//!
//! The table follows from the joins of the drawing, so that drawing and judgement cannot differ.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};

use crate::kind::serial::format::{ModemInputs, ModemOutputs};
use crate::kind::serial::wiring::{DB25, DE9, RS422};
use crate::kind::wiring::drawing::Wiring;

/// A modem line that a port reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ModemLine {
    /// Clear to send.
    Cts,
    /// Data set ready.
    Dsr,
    /// Data carrier detect.
    Dcd,
    /// Ring indicator.
    Ri,
}

impl ModemLine {
    /// Every line, in the order to list them.
    pub const ALL: [Self; 4] = [Self::Cts, Self::Dsr, Self::Dcd, Self::Ri];

    /// The word used in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Cts => "cts",
            Self::Dsr => "dsr",
            Self::Dcd => "dcd",
            Self::Ri => "ri",
        }
    }

    /// Its state among those read.
    pub fn of(self, inputs: ModemInputs) -> bool {
        match self {
            Self::Cts => inputs.cts,
            Self::Dsr => inputs.dsr,
            Self::Dcd => inputs.dcd,
            Self::Ri => inputs.ri,
        }
    }

    /// The name of its contact in the drawings.
    fn signal(self) -> &'static str {
        match self {
            Self::Cts => "clear to send",
            Self::Dsr => "data set ready",
            Self::Dcd => "data carrier detect",
            Self::Ri => "ring indicator",
        }
    }
}

impl fmt::Display for ModemLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.name().to_ascii_uppercase())
    }
}

/// An output that may drive a modem line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LineDriver {
    /// Request to send.
    Rts,
    /// Data terminal ready.
    Dtr,
    /// First spare output, inside the chip only.
    Out1,
    /// Second spare output, inside the chip only.
    Out2,
}

impl LineDriver {
    /// Every output.
    pub const ALL: [Self; 4] = [Self::Rts, Self::Dtr, Self::Out1, Self::Out2];

    /// The word used in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Rts => "rts",
            Self::Dtr => "dtr",
            Self::Out1 => "out1",
            Self::Out2 => "out2",
        }
    }

    /// Its state among those driven.
    pub fn of(self, outputs: ModemOutputs) -> bool {
        match self {
            Self::Rts => outputs.rts,
            Self::Dtr => outputs.dtr,
            Self::Out1 => outputs.out1,
            Self::Out2 => outputs.out2,
        }
    }

    /// The name of its contact in the drawings; the spare outputs have none.
    fn signal(self) -> Option<&'static str> {
        match self {
            Self::Rts => Some("request to send"),
            Self::Dtr => Some("data terminal ready"),
            Self::Out1 | Self::Out2 => None,
        }
    }
}

impl fmt::Display for LineDriver {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.name().to_ascii_uppercase())
    }
}

/// The plug that is fitted to a serial port, or the loop in its place.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LinePlug {
    /// Transmit and receive data are joined; of the modem lines nothing is known.
    #[default]
    DataOnly,
    /// The whole nine-pin plug, ring indicator open.
    De9,
    /// The whole nine-pin plug, ring indicator wired.
    De9Ri,
    /// The whole twenty-five-pin plug, ring indicator open.
    Db25,
    /// The whole twenty-five-pin plug, ring indicator wired.
    Db25Ri,
    /// Two pairs joined on the terminals of an RS-422 or four-wire RS-485 port.
    Rs422,
    /// No plug: one pair carries both directions, the port hears itself.
    Rs485,
    /// No plug: the chip's own loop.
    Internal,
}

impl LinePlug {
    /// Those a person can name.
    pub const ALL: [Self; 7] =
        [Self::DataOnly, Self::De9, Self::De9Ri, Self::Db25, Self::Db25Ri, Self::Rs422, Self::Rs485];

    /// The word used on the command line and in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::DataOnly => "data-only",
            Self::De9 => "de9",
            Self::De9Ri => "de9-ri",
            Self::Db25 => "db25",
            Self::Db25Ri => "db25-ri",
            Self::Rs422 => "rs422",
            Self::Rs485 => "rs485",
            Self::Internal => "internal",
        }
    }

    /// Its drawing, where it has one.
    pub fn wiring(self) -> Option<&'static Wiring> {
        match self {
            Self::De9 | Self::De9Ri => Some(&DE9),
            Self::Db25 | Self::Db25Ri => Some(&DB25),
            // The page on four wires says what holds for two.
            Self::Rs422 | Self::Rs485 => Some(&RS422),
            Self::DataOnly | Self::Internal => None,
        }
    }

    /// Whether something is known of the modem lines with this plug.
    pub fn has_modem_lines(self) -> bool {
        matches!(self, Self::De9 | Self::De9Ri | Self::Db25 | Self::Db25Ri | Self::Internal)
    }

    /// The output that drives `line`; `None` where the line is open, or nothing is known.
    ///
    /// Inside the chip: CTS follows RTS, DSR follows DTR, RI follows OUT1, DCD follows OUT2 (IBM 5150 Technical
    /// Reference 2-144).
    pub fn driver_of(self, line: ModemLine) -> Option<LineDriver> {
        if self == Self::Internal {
            return Some(match line {
                ModemLine::Cts => LineDriver::Rts,
                ModemLine::Dsr => LineDriver::Dtr,
                ModemLine::Ri => LineDriver::Out1,
                ModemLine::Dcd => LineDriver::Out2,
            });
        }
        let wiring = self.wiring()?;
        let optional_is_wired = matches!(self, Self::De9Ri | Self::Db25Ri);
        let (from, _) = wiring.wires().find(|(_, to)| {
            to.signal == line.signal() && (optional_is_wired || !wiring.optional.contains(&to.label))
        })?;
        LineDriver::ALL.into_iter().find(|driver| driver.signal() == Some(from.signal))
    }

    /// Whether `line` must be asserted while the port drives `outputs`; an open line is not. `None` where nothing is
    /// known.
    pub fn expects(self, line: ModemLine, outputs: ModemOutputs) -> Option<bool> {
        self.has_modem_lines().then(|| self.driver_of(line).is_some_and(|driver| driver.of(outputs)))
    }

    /// The contact of `line` on the connector.
    pub fn pin_of(self, line: ModemLine) -> Option<&'static str> {
        self.pin(line.signal())
    }

    /// The contact of `driver` on the connector.
    pub fn pin_of_driver(self, driver: LineDriver) -> Option<&'static str> {
        self.pin(driver.signal()?)
    }

    fn pin(self, signal: &str) -> Option<&'static str> {
        let wiring = self.wiring()?;
        wiring.contacts.iter().find(|contact| contact.signal == signal).map(|contact| contact.label)
    }
}

impl fmt::Display for LinePlug {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A word that names no plug of a serial port.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("plug `{given}` is not one of {}", LinePlug::ALL.map(LinePlug::name).join(", "))]
pub struct LinePlugError {
    /// The word as given.
    pub given: String,
}

impl FromStr for LinePlug {
    type Err = LinePlugError;

    /// Takes a name in any case. DE-9 is often called DB-9, though the letter stands for the size of the shell.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let mut name = text.to_ascii_lowercase();
        for (also, known) in [("db-9", "de9"), ("db9", "de9"), ("de-9", "de9"), ("db-25", "db25")] {
            name = name.replacen(also, known, 1);
        }
        Self::ALL.into_iter().find(|plug| plug.name() == name).ok_or_else(|| LinePlugError { given: text.to_owned() })
    }
}

/// Table of what the modem lines must read in each state of the outputs, for a printed page: the table that a check
/// judges by. `open` and `wired` are the plug without and with the ring indicator wired.
pub fn modem_line_table(open: LinePlug, wired: LinePlug) -> String {
    let word = |on: bool| if on { "on" } else { "off" };
    let mut text = "    RTS  DTR    CTS  DSR  DCD  RI\n".to_owned();
    for (rts, dtr) in [(false, false), (true, false), (false, true), (true, true)] {
        let outputs = ModemOutputs { rts, dtr, ..ModemOutputs::default() };
        let reads = |plug: LinePlug, line| plug.expects(line, outputs).unwrap_or(false);
        let cells: Vec<String> = ModemLine::ALL
            .into_iter()
            .map(|line| match (reads(open, line), reads(wired, line)) {
                (a, b) if a == b => format!("{:<3}", word(a)),
                (a, b) => format!("{}, wired {}", word(a), word(b)),
            })
            .collect();
        text += format!("    {:<3}  {:<3}    {}", word(rts), word(dtr), cells.join("  ")).trim_end();
        text.push('\n');
    }
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(plug: LinePlug, outputs: ModemOutputs) -> Vec<&'static str> {
        let asserted = |line: &ModemLine| plug.expects(*line, outputs) == Some(true);
        ModemLine::ALL.into_iter().filter(asserted).map(ModemLine::name).collect()
    }

    #[test]
    fn the_full_plugs_give_the_lines_that_their_wires_give() {
        let rts = ModemOutputs { rts: true, ..ModemOutputs::default() };
        let dtr = ModemOutputs { dtr: true, ..ModemOutputs::default() };
        for (open, wired) in [(LinePlug::De9, LinePlug::De9Ri), (LinePlug::Db25, LinePlug::Db25Ri)] {
            // RTS only: CTS (and RI if wired); DTR only: DSR and DCD; none: none (a serial hardware maker's support
            // note: 7-8(-9) and 4-6-1; 4-5(-22) and 20-6-8).
            assert_eq!(table(open, rts), ["cts"]);
            assert_eq!(table(wired, rts), ["cts", "ri"]);
            assert_eq!(table(open, dtr), ["dsr", "dcd"]);
            assert_eq!(table(wired, dtr), ["dsr", "dcd"]);
            assert!(table(wired, ModemOutputs::default()).is_empty());
        }
        assert_eq!(LinePlug::DataOnly.expects(ModemLine::Cts, rts), None);
    }

    #[test]
    fn pins_are_those_of_the_connector() {
        // TIA-574 and TIA-232 (from memory).
        let pins = |plug: LinePlug| ModemLine::ALL.map(|line| plug.pin_of(line).unwrap());
        assert_eq!(pins(LinePlug::De9), ["8", "6", "1", "9"]);
        assert_eq!(pins(LinePlug::Db25), ["5", "6", "8", "22"]);
        assert_eq!(LinePlug::De9.pin_of_driver(LineDriver::Rts), Some("7"));
        assert_eq!(LinePlug::Db25.pin_of_driver(LineDriver::Dtr), Some("20"));
        assert_eq!(LinePlug::Internal.pin_of(ModemLine::Cts), None);
    }

    #[test]
    fn the_loop_inside_the_chip_follows_the_published_mapping() {
        // The MSR nibble RI DCD ... in register order DCD RI DSR CTS for each MCR: 1A -> 90 (Linux 8250_port.c
        // autoconfig()); 11 -> 20, 12 -> 10, 14 -> 40, 18 -> 80, 1F -> F0 (computed from IBM 5150 Technical Reference
        // 2-144).
        for (mcr, msr) in [(0x1A_u8, 0x90_u8), (0x11, 0x20), (0x12, 0x10), (0x14, 0x40), (0x18, 0x80), (0x1F, 0xF0)] {
            let outputs = ModemOutputs { dtr: mcr & 1 != 0, rts: mcr & 2 != 0, out1: mcr & 4 != 0, out2: mcr & 8 != 0 };
            let bit = |line, bit: u8| if LinePlug::Internal.expects(line, outputs) == Some(true) { bit } else { 0 };
            let read = bit(ModemLine::Cts, 0x10)
                | bit(ModemLine::Dsr, 0x20)
                | bit(ModemLine::Ri, 0x40)
                | bit(ModemLine::Dcd, 0x80);
            assert_eq!(read, msr, "MCR {mcr:02X}");
        }
    }

    #[test]
    fn names_are_read_back() {
        for plug in LinePlug::ALL {
            assert_eq!(plug.name().parse(), Ok(plug));
        }
        assert!("de15".parse::<LinePlug>().unwrap_err().to_string().contains("data-only, de9"));
    }
}
