//! Loopback plugs on paper: the list of all plugs, and the page that is printed for one of them.
//!
//! This module is text only and touches no port. Each kind of port keeps its own plugs: `ethernet/wiring.rs` and
//! `serial/wiring.rs`. `t1.rs` holds the one plug that belongs to no kind. `drawing.rs` says what a plug is as data,
//! and `page.rs` lays out its page.

pub mod drawing;
mod page;
mod t1;
#[cfg(test)]
mod tests;

use std::fmt;
use std::str::FromStr;

use crate::kind::ethernet::wiring::{EIGHT_PIN_FOUR_PAIR, EIGHT_PIN_TWO_PAIR, FIBRE};
use crate::kind::serial::plug::{LinePlug, modem_line_table};
use crate::kind::serial::wiring::{DB25, DE9, RS422};
use drawing::Wiring;

/// The kinds of loop that can be drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum WiringKind {
    /// 8P8C plug that joins the two pairs of 10 and 100 Mb/s Ethernet.
    EightPinTwoPair,
    /// 8P8C plug that joins all four pairs.
    EightPinFourPair,
    /// RJ-48C plug of a T1 line.
    Rj48c,
    /// Nine-pin RS-232 plug.
    De9,
    /// Twenty-five-pin RS-232 plug.
    Db25,
    /// Two wires on the terminals of an RS-422 or four-wire RS-485 port.
    Rs422,
    /// Fibre from the transmitter of an optical port to its own receiver.
    Fibre,
}

impl WiringKind {
    /// Every kind, in the order in which they are listed.
    pub const ALL: [Self; 7] =
        [Self::EightPinTwoPair, Self::EightPinFourPair, Self::Rj48c, Self::De9, Self::Db25, Self::Rs422, Self::Fibre];

    /// The name by which the kind is asked for, such as `8p8c-2pair`.
    pub fn name(self) -> &'static str {
        self.wiring().name
    }

    /// Pins, drawing, uses and limits of the plug.
    pub fn wiring(self) -> &'static Wiring {
        match self {
            Self::EightPinTwoPair => &EIGHT_PIN_TWO_PAIR,
            Self::EightPinFourPair => &EIGHT_PIN_FOUR_PAIR,
            Self::Rj48c => &t1::RJ48C,
            Self::De9 => &DE9,
            Self::Db25 => &DB25,
            Self::Rs422 => &RS422,
            Self::Fibre => &FIBRE,
        }
    }

    /// The whole page about this plug in ASCII, ending in a newline. Its lines have at most `width` columns, and never
    /// more than 80; a drawing needs up to 60.
    pub fn page(self, width: usize) -> String {
        let with_lines = |open, wired| {
            let title = format!("Modem lines with it (--wiring {open}; ring indicator wired: --wiring {wired})");
            page::paragraph("", "  ", &title, width) + &modem_line_table(open, wired)
        };
        let modem_lines = match self {
            Self::De9 => with_lines(LinePlug::De9, LinePlug::De9Ri),
            Self::Db25 => with_lines(LinePlug::Db25, LinePlug::Db25Ri),
            Self::EightPinTwoPair | Self::EightPinFourPair | Self::Rj48c | Self::Rs422 | Self::Fibre => String::new(),
        };
        page::render(self.wiring(), &modem_lines, width)
    }
}

impl fmt::Display for WiringKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for WiringKind {
    type Err = UnknownWiringKind;

    /// Takes a name as [`WiringKind::name`] gives it, or as [`LinePlug::name`] gives it where that plug has a drawing,
    /// in any mix of upper and lower case.
    fn from_str(given: &str) -> Result<Self, Self::Err> {
        let of_serial_plug = given.parse::<LinePlug>().ok().and_then(LinePlug::wiring).map(|wiring| wiring.name);
        Self::ALL
            .into_iter()
            .find(|kind| kind.name().eq_ignore_ascii_case(of_serial_plug.unwrap_or(given)))
            .ok_or_else(|| UnknownWiringKind { given: given.to_owned() })
    }
}

/// A name that is no kind of plug drawing.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("unknown plug `{given}`: allowed are {}", WiringKind::ALL.map(WiringKind::name).join(", "))]
pub struct UnknownWiringKind {
    /// The name as it was given.
    pub given: String,
}
