//! A serial line: its format, its modem lines, its errors, and what its port can do.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// The bit that guards a character.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Parity {
    /// No such bit.
    #[default]
    None,
    /// The ones of data and parity together are even in number.
    Even,
    /// They are odd in number.
    Odd,
    /// Always 1.
    Mark,
    /// Always 0.
    Space,
}

impl Parity {
    /// Every parity, in the order to list them.
    pub const ALL: [Self; 5] = [Self::None, Self::Even, Self::Odd, Self::Mark, Self::Space];

    /// The letter of the trade, as in `8N1`.
    pub fn letter(self) -> char {
        match self {
            Self::None => 'N',
            Self::Even => 'E',
            Self::Odd => 'O',
            Self::Mark => 'M',
            Self::Space => 'S',
        }
    }
}

/// The least pause between two characters, in bit times.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StopBits {
    /// One.
    #[default]
    One,
    /// Two; one and a half with 5 data bits (`UART_LCR_STOP`, linux/serial_reg.h).
    Two,
}

/// Who may stop the sender.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FlowControl {
    /// Nobody.
    #[default]
    None,
    /// The far side, by the clear-to-send line.
    RtsCts,
}

/// How characters go over a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct LineFormat {
    /// Bits a second, start and stop bits counted.
    pub bits_per_second: u32,
    /// Data bits of a character, 5 to 8.
    pub data_bits: u8,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits.
    pub stop_bits: StopBits,
    /// Flow control.
    pub flow: FlowControl,
}

impl Default for LineFormat {
    /// 115200,8N1 without flow control: what most of today's consoles speak (common practice, no source).
    fn default() -> Self {
        Self {
            bits_per_second: 115_200,
            data_bits: 8,
            parity: Parity::None,
            stop_bits: StopBits::One,
            flow: FlowControl::None,
        }
    }
}

impl LineFormat {
    /// Half bit times that one character takes: start bit, data bits, parity bit, stop bits. Halves, because the longer
    /// stop of a character of 5 bits is one and a half.
    pub fn half_bits_per_character(&self) -> u32 {
        let stop = match (self.stop_bits, self.data_bits) {
            (StopBits::One, _) => 2,
            (StopBits::Two, 5) => 3,
            (StopBits::Two, _) => 4,
        };
        2 + 2 * u32::from(self.data_bits) + 2 * u32::from(self.parity != Parity::None) + stop
    }

    /// Characters a second that the line has time for.
    pub fn characters_per_second(&self) -> f64 {
        2.0 * f64::from(self.bits_per_second) / f64::from(self.half_bits_per_character())
    }

    /// Nanoseconds that `count` characters take on the line, rounded up.
    pub fn characters_ns(&self, count: u64) -> u64 {
        let half_bits = u128::from(count) * u128::from(self.half_bits_per_character());
        (half_bits * 500_000_000).div_ceil(u128::from(self.bits_per_second.max(1))).min(u128::from(u64::MAX)) as u64
    }

    /// The bits of a byte that go over the line.
    pub fn data_mask(&self) -> u8 {
        0xFF >> (8 - self.data_bits.clamp(5, 8))
    }
}

impl fmt::Display for LineFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let stop = match self.stop_bits {
            StopBits::One => 1,
            StopBits::Two => 2,
        };
        write!(f, "{},{}{}{stop}", self.bits_per_second, self.data_bits, self.parity.letter())?;
        if self.flow == FlowControl::RtsCts { f.write_str(",rts-cts") } else { Ok(()) }
    }
}

/// A text that is no line format.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error(
    "line format `{0}` is not SPEED, SPEED,8N1 or SPEED,8N1,rts-cts: speed 1 to 50000000 bits a second; 5 to 8 data \
     bits; parity N, E, O, M or S; 1 or 2 stop bits"
)]
pub struct LineFormatError(pub String);

impl FromStr for LineFormat {
    type Err = LineFormatError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let bad = || LineFormatError(text.to_owned());
        let mut parts = text.split(',').map(str::trim);
        let bits_per_second = parts.next().and_then(|p| p.parse().ok()).ok_or_else(bad)?;
        let mut format = Self { bits_per_second, ..Self::default() };
        if !(1..=BITS_PER_SECOND_MAX).contains(&format.bits_per_second) {
            return Err(bad());
        }
        if let Some(frame) = parts.next() {
            let [data, parity, stop] = frame.as_bytes() else { return Err(bad()) };
            format.data_bits = data.wrapping_sub(b'0');
            if !(5..=8).contains(&format.data_bits) {
                return Err(bad());
            }
            let letter = char::from(parity.to_ascii_uppercase());
            format.parity = Parity::ALL.into_iter().find(|p| p.letter() == letter).ok_or_else(bad)?;
            format.stop_bits = match stop {
                b'1' => StopBits::One,
                b'2' => StopBits::Two,
                _ => return Err(bad()),
            };
        }
        format.flow = match parts.next() {
            None => FlowControl::None,
            Some("rts-cts") => FlowControl::RtsCts,
            Some(_) => return Err(bad()),
        };
        if parts.next().is_some() { Err(bad()) } else { Ok(format) }
    }
}

/// Fastest line that can be asked for, bits a second: above what any driver of today takes.
pub const BITS_PER_SECOND_MAX: u32 = 50_000_000;

/// Lines that a port drives; true is asserted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct ModemOutputs {
    /// Request to send.
    pub rts: bool,
    /// Data terminal ready.
    pub dtr: bool,
    /// First spare output of the chip; moved only while the chip's own loop is on.
    pub out1: bool,
    /// Second spare output of the chip; moved only while the chip's own loop is on.
    pub out2: bool,
}

/// Lines that a port reads; true is asserted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct ModemInputs {
    /// Clear to send.
    pub cts: bool,
    /// Data set ready.
    pub dsr: bool,
    /// Data carrier detect.
    pub dcd: bool,
    /// Ring indicator.
    pub ri: bool,
}

/// What the chip and its driver counted on the receiving side. Framing and parity errors are the line's, overruns the
/// host's or the adapter's.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineErrors {
    /// Characters without a stop bit where one was due.
    pub framing: u64,
    /// Characters with a wrong parity bit.
    pub parity: u64,
    /// Characters lost in the chip because nobody fetched them in time.
    pub overrun: u64,
    /// Breaks.
    #[serde(rename = "break")]
    pub breaks: u64,
    /// Characters lost between driver and program.
    pub buffer_overrun: u64,
}

impl LineErrors {
    /// What was counted since `before`. A count that went down was started anew: then all of it is new.
    #[must_use]
    pub fn since(&self, before: &Self) -> Self {
        let grown = |now: u64, then: u64| if now < then { now } else { now - then };
        Self {
            framing: grown(self.framing, before.framing),
            parity: grown(self.parity, before.parity),
            overrun: grown(self.overrun, before.overrun),
            breaks: grown(self.breaks, before.breaks),
            buffer_overrun: grown(self.buffer_overrun, before.buffer_overrun),
        }
    }

    /// Adds those of another stretch.
    pub fn merge(&mut self, other: &Self) {
        self.framing += other.framing;
        self.parity += other.parity;
        self.overrun += other.overrun;
        self.breaks += other.breaks;
        self.buffer_overrun += other.buffer_overrun;
    }

    /// Characters lost inside this computer or its adapter, at most: one event may be told by either count.
    pub fn lost_in_host(&self) -> u64 {
        self.overrun.saturating_add(self.buffer_overrun)
    }
}

/// What a serial port can do and show.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineCapabilities {
    /// It has modem lines: RTS and DTR can be driven, CTS, DSR, DCD and RI read.
    pub modem_lines: bool,
    /// It counts line errors.
    pub counts_errors: bool,
    /// Every character that chip or computer drops is among them: of a chip on the computer's own bus. An adapter tells
    /// of its own only where its maker thought of it.
    #[serde(default)]
    pub counts_all_overruns: bool,
    /// A byte that came in with an error is marked where it stands.
    pub marks_errors: bool,
    /// It can hold the line at break.
    pub sends_break: bool,
    /// The chip has a loop of its own.
    pub internal_loop: bool,
    /// It can be told to send and receive by turns on one pair, with the receiver on meanwhile (RS-485).
    pub half_duplex: bool,
    /// The driver has a setting that trades throughput for latency.
    pub latency_setting: bool,
    /// Bytes take the time on the line that the format says. A pseudo-terminal's do not.
    pub paced: bool,
    /// The plug can be moved without a person: a simulated rig.
    pub moves_plug: bool,
    /// Bytes that may be on their way at once without any being lost for want of room on the way back in.
    pub buffer_bytes: usize,
}

impl LineCapabilities {
    /// A byte may be dropped in computer or adapter without being counted. Where bytes do not take their time nothing
    /// is dropped: a pseudo-terminal makes the sender wait.
    pub fn hides_overruns(&self) -> bool {
        self.paced && !self.counts_all_overruns
    }
}

/// Setting of a serial port, beside its format, that a run may change and must restore.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LineSetting {
    /// The loop inside the chip.
    InternalLoop(bool),
    /// RS-485: one pair for both directions, receiver on while sending.
    HalfDuplex(bool),
    /// The driver's setting for low latency.
    LowLatency(bool),
}

#[cfg(test)]
mod tests {
    use super::*;

    fn format(text: &str) -> LineFormat {
        text.parse().unwrap()
    }

    #[test]
    fn character_lengths_are_those_of_the_trade() {
        // Bit times of a character: start, data, parity, stop (computed); 1.5 stop bits with 5 data bits:
        // linux/serial_reg.h.
        for (text, half_bits) in [
            ("9600,8N1", 20),
            ("9600,8E1", 22),
            ("9600,8N2", 22),
            ("9600,7E1", 20),
            ("9600,5N2", 15),
            ("9600,5N1", 14),
            ("9600,8O2", 24),
        ] {
            assert_eq!(format(text).half_bits_per_character(), half_bits, "{text}");
        }
        // 9600,8N1: 1.041667 ms, 960 characters/s; 115200: 86.8056 us; 921600: 10.8507 us (computed from 10 bit times).
        assert_eq!(format("9600").characters_ns(1), 1_041_667);
        assert_eq!(format("115200").characters_ns(1), 86_806);
        assert_eq!(format("921600").characters_ns(1), 10_851);
        assert_eq!(format("9600").characters_per_second(), 960.0);
        assert_eq!(format("115200").characters_per_second(), 11_520.0);
    }

    #[test]
    fn formats_are_read_as_they_are_written() {
        for text in ["115200,8N1", "300,5E2", "9600,7O1", "1200,6M1", "31250,8S1", "921600,8N1,rts-cts"] {
            assert_eq!(format(text).to_string(), text);
        }
        assert_eq!(format("2400").to_string(), "2400,8N1");
        for text in [
            "",
            "0",
            "x",
            "9600,9N1",
            "9600,8X1",
            "9600,8N3",
            "9600,8N1,xon",
            "9600,8N1,rts-cts,",
            "60000000",
            "9600,8É",
        ] {
            assert!(text.parse::<LineFormat>().is_err(), "{text}");
        }
    }

    #[test]
    fn the_mask_leaves_the_data_bits() {
        for (data_bits, mask) in [(5, 0x1F), (6, 0x3F), (7, 0x7F), (8, 0xFF)] {
            assert_eq!(LineFormat { data_bits, ..LineFormat::default() }.data_mask(), mask);
        }
    }

    #[test]
    fn errors_are_those_since_the_last_look() {
        let before = LineErrors { framing: 5, overrun: 9, ..LineErrors::default() };
        let now = LineErrors { framing: 7, parity: 1, overrun: 2, ..LineErrors::default() };
        assert_eq!(now.since(&before), LineErrors { framing: 2, parity: 1, overrun: 2, ..LineErrors::default() });
    }
}
