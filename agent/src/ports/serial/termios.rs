//! A line's settings as the kernel keeps them, and the raw mode a run needs. Pure: nothing here asks a device.
//!
//! Raw means that every byte value passes as it is in both directions: no flow-control characters, no line editing, no
//! translation of line ends, no signals. Flags are those of `asm/termbits.h`, described in termios(3).

use serde::{Deserialize, Serialize};
use turnback_core::kind::serial::format::{FlowControl, LineFormat, Parity, StopBits};

/// The kernel's `struct termios2`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Termios {
    /// Input modes, `c_iflag`.
    pub input: u32,
    /// Output modes, `c_oflag`.
    pub output: u32,
    /// Control modes, `c_cflag`.
    pub control: u32,
    /// Local modes, `c_lflag`.
    pub local: u32,
    /// Line discipline, `c_line`.
    pub discipline: u8,
    /// Special characters, `c_cc`.
    pub characters: [u8; CHARACTERS],
    /// Bits a second, in.
    pub input_speed: u32,
    /// Bits a second, out.
    pub output_speed: u32,
}

/// How many special characters there are.
pub const CHARACTERS: usize = 19;

/// Whether received errors are marked in the stream; see [`super::marks`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Marking {
    /// They are.
    On,
    /// They are not: the line tells of none, and marks would only double every FF.
    Off,
}

impl Termios {
    /// These settings changed to raw mode in a format. What happens to the modem lines when the line is closed stays.
    #[must_use]
    pub fn raw(&self, format: LineFormat, marking: Marking) -> Self {
        let mut control = self.control & HUPCL | CREAD | CLOCAL | BOTHER | BOTHER << INPUT_SHIFT;
        control |= match format.data_bits {
            5 => 0,
            6 => 0x10,
            7 => 0x20,
            _ => CSIZE,
        };
        control |= match format.parity {
            Parity::None => 0,
            Parity::Even => PARENB,
            Parity::Odd => PARENB | PARODD,
            Parity::Mark => PARENB | CMSPAR | PARODD,
            Parity::Space => PARENB | CMSPAR,
        };
        if format.stop_bits == StopBits::Two {
            control |= CSTOPB;
        }
        if format.flow == FlowControl::RtsCts {
            control |= CRTSCTS;
        }
        let mut characters = self.characters;
        characters[VMIN] = 1;
        characters[VTIME] = 0;
        Self {
            input: if marking == Marking::On { INPCK | PARMRK } else { 0 },
            output: 0,
            control,
            local: 0,
            discipline: self.discipline,
            characters,
            input_speed: format.bits_per_second,
            output_speed: format.bits_per_second,
        }
    }

    /// The format these settings give.
    pub fn format(&self) -> LineFormat {
        LineFormat {
            bits_per_second: self.output_speed,
            data_bits: 5 + ((self.control & CSIZE) >> 4) as u8,
            parity: match (self.control & PARENB != 0, self.control & CMSPAR != 0, self.control & PARODD != 0) {
                (false, ..) => Parity::None,
                (true, false, false) => Parity::Even,
                (true, false, true) => Parity::Odd,
                (true, true, true) => Parity::Mark,
                (true, true, false) => Parity::Space,
            },
            stop_bits: if self.control & CSTOPB != 0 { StopBits::Two } else { StopBits::One },
            flow: if self.control & CRTSCTS != 0 { FlowControl::RtsCts } else { FlowControl::None },
        }
    }

    /// Whether every byte value passes as it is; marks do not count against it.
    pub fn is_raw(&self) -> bool {
        self.input & !(INPCK | PARMRK) == 0 && self.output & OPOST == 0 && self.local & COOKING == 0
    }

    /// Whether both stand for the same settings, whichever way the kernel spells a speed.
    pub fn same_as(&self, other: &Self) -> bool {
        let plain = |t: &Self| Self { control: t.control & !(CBAUD | CBAUD << INPUT_SHIFT), ..*t };
        plain(self) == plain(other)
    }
}

/// The speed that a plain divider makes of the one asked for: the clock over sixteen times a whole number. `None` if
/// the clock is too slow for it. 16550 data sheets, "programmable baud generator": divisor = clock / (16 x speed).
pub fn divided_speed(clock_hz: u32, asked: u32) -> Option<u32> {
    let base = clock_hz / 16;
    if asked == 0 || base == 0 {
        return None;
    }
    let divisor = ((u64::from(base) + u64::from(asked) / 2) / u64::from(asked)).min(DIVISOR_MAX);
    (divisor > 0).then(|| (u64::from(base) as f64 / divisor as f64).round() as u32)
}

/// Largest value of the two divisor bytes.
const DIVISOR_MAX: u64 = 0xFFFF;

/// Whether a speed is near enough to the one asked for to be called by its name: a receiver that samples sixteen times
/// a bit bears 2 % (recommended limit for 8 data bits in the "Error Tolerance" table of a UART's data sheet).
pub fn is_near(taken: u32, asked: u32) -> bool {
    u64::from(taken.abs_diff(asked)) * 50 <= u64::from(asked)
}

const PARMRK: u32 = 0o10;
const INPCK: u32 = 0o20;
const OPOST: u32 = 0o1;
const CSIZE: u32 = 0o60;
const CSTOPB: u32 = 0o100;
const CREAD: u32 = 0o200;
const PARENB: u32 = 0o400;
const PARODD: u32 = 0o1000;
const HUPCL: u32 = 0o2000;
const CLOCAL: u32 = 0o4000;
const CBAUD: u32 = 0o10017;
/// The speed is the number in its own field.
const BOTHER: u32 = 0o10000;
/// By how much the input speed stands above the output speed in the control modes.
const INPUT_SHIFT: u32 = 16;
const CMSPAR: u32 = 0x4000_0000;
const CRTSCTS: u32 = 0x8000_0000;
/// ISIG, ICANON, ECHO, ECHOE, ECHOK, ECHONL, IEXTEN.
const COOKING: u32 = 0o1 | 0o2 | 0o10 | 0o20 | 0o40 | 0o100 | 0o100_000;
const VTIME: usize = 5;
const VMIN: usize = 6;

#[cfg(test)]
mod tests {
    use super::*;

    fn cooked() -> Termios {
        Termios {
            // ICRNL | IXON; OPOST | ONLCR; B38400 | CS8 | CREAD | HUPCL; ISIG | ICANON | ECHO and friends (termios(3)).
            input: libc::ICRNL | libc::IXON,
            output: libc::OPOST | libc::ONLCR,
            control: libc::B38400 | libc::CS8 | libc::CREAD | libc::HUPCL,
            local: libc::ISIG | libc::ICANON | libc::ECHO | libc::IEXTEN,
            discipline: 0,
            characters: [3; CHARACTERS],
            input_speed: 38_400,
            output_speed: 38_400,
        }
    }

    #[test]
    fn flags_are_the_c_librarys() {
        // An independent list of the same numbers.
        assert_eq!((PARMRK, INPCK, OPOST), (libc::PARMRK, libc::INPCK, libc::OPOST));
        assert_eq!((CSIZE, CSTOPB, CREAD), (libc::CSIZE, libc::CSTOPB, libc::CREAD));
        assert_eq!((PARENB, PARODD, HUPCL, CLOCAL), (libc::PARENB, libc::PARODD, libc::HUPCL, libc::CLOCAL));
        assert_eq!((CBAUD, BOTHER), (libc::CBAUD, libc::BOTHER));
        assert_eq!((CMSPAR, CRTSCTS), (libc::CMSPAR, libc::CRTSCTS));
        assert_eq!((VMIN, VTIME), (libc::VMIN, libc::VTIME));
        let cooking = [libc::ISIG, libc::ICANON, libc::ECHO, libc::ECHOE, libc::ECHOK, libc::ECHONL, libc::IEXTEN];
        assert_eq!(COOKING, cooking.into_iter().fold(0, |all, flag| all | flag));
    }

    #[test]
    fn raw_mode_is_what_the_c_library_makes_and_more() {
        let raw = cooked().raw(LineFormat::default(), Marking::Off);
        let [input, output, control, local] = super::super::sys::raw_by_the_c_library(&cooked());
        // Ours goes further: nothing of the software flow control that cfmakeraw leaves on.
        assert_eq!((raw.input & !input, raw.output & !output, raw.local & !local), (0, 0, 0));
        assert_eq!((raw.input, raw.output, raw.control & CSIZE), (0, 0, control & CSIZE));
        assert!(raw.is_raw() && !cooked().is_raw());
        assert_eq!(raw.control & (HUPCL | CLOCAL | CREAD), HUPCL | CLOCAL | CREAD);
        assert_eq!((raw.characters[VMIN], raw.characters[VTIME]), (1, 0));
        assert_eq!(cooked().raw(LineFormat::default(), Marking::On).input, libc::PARMRK | libc::INPCK);
    }

    #[test]
    fn every_format_is_read_as_it_was_written() {
        for data_bits in 5..=8 {
            for parity in Parity::ALL {
                for stop_bits in [StopBits::One, StopBits::Two] {
                    for flow in [FlowControl::None, FlowControl::RtsCts] {
                        let format = LineFormat { bits_per_second: 31_250, data_bits, parity, stop_bits, flow };
                        assert_eq!(cooked().raw(format, Marking::On).format(), format);
                    }
                }
            }
        }
    }

    #[test]
    fn the_spelling_of_a_speed_makes_no_difference() {
        let named = Termios { output_speed: 9600, input_speed: 9600, control: libc::B9600 | CREAD, ..cooked() };
        let number = Termios { control: BOTHER | BOTHER << INPUT_SHIFT | CREAD, ..named };
        assert!(named.same_as(&number));
        assert!(!named.same_as(&Termios { output_speed: 9601, ..number }));
    }

    #[test]
    fn divisors_are_those_of_the_register_tables() {
        // 1,843,200 / (16 x speed): 115200 -> 1, 38400 -> 3, 9600 -> 12, 300 -> 384 (16450 register tables): all exact.
        for speed in [115_200, 38_400, 9600, 300] {
            assert_eq!(divided_speed(1_843_200, speed), Some(speed));
        }
        // 115200 / 4 (computed): 31250 cannot be made with this clock, and is 7.8 % off.
        assert_eq!(divided_speed(1_843_200, 31_250), Some(28_800));
        assert!(!is_near(28_800, 31_250) && is_near(9600, 9600) && is_near(9792, 9600) && !is_near(9793, 9600));
        // 24 MHz / 16 / 48 (computed).
        assert_eq!(divided_speed(24_000_000, 31_250), Some(31_250));
        assert_eq!(divided_speed(1_843_200, 300_000), None, "faster than the clock divided by sixteen");
    }
}
