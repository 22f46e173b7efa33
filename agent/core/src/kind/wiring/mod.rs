//! Loopback plugs on paper: which pins are joined, what such a plug can show, and what to mind before fitting it.
//!
//! Text only, nothing here touches a port. The plugs themselves are in `plug.rs`, the page that is printed for one of
//! them is laid out in `page.rs`. What a plug must do to the modem lines
//! of a serial port is in `line_plug.rs`.

mod page;
mod plug;
#[cfg(test)]
mod tests;

use std::fmt;
use std::str::FromStr;

use crate::base::caution::Caution;

use crate::kind::serial::plug::LinePlug;

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
        match self {
            Self::EightPinTwoPair => "8p8c-2pair",
            Self::EightPinFourPair => "8p8c-4pair",
            Self::Rj48c => "rj48c",
            Self::De9 => "de9",
            Self::Db25 => "db25",
            Self::Rs422 => "rs422",
            Self::Fibre => "fibre",
        }
    }

    /// Pins, drawing, uses and limits of the plug.
    pub fn wiring(self) -> &'static Wiring {
        match self {
            Self::EightPinTwoPair => &plug::EIGHT_PIN_TWO_PAIR,
            Self::EightPinFourPair => &plug::EIGHT_PIN_FOUR_PAIR,
            Self::Rj48c => &plug::RJ48C,
            Self::De9 => &plug::DE9,
            Self::Db25 => &plug::DB25,
            Self::Rs422 => &plug::RS422,
            Self::Fibre => &plug::FIBRE,
        }
    }
}

impl fmt::Display for WiringKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for WiringKind {
    type Err = UnknownWiringKind;

    /// Takes a name as [`WiringKind::name`] gives it, in any mix of upper and lower case, or one that [`LinePlug::name`] gives, where
    /// that has a drawing.
    fn from_str(given: &str) -> Result<Self, Self::Err> {
        let lower = given.to_ascii_lowercase();
        if let Some(drawing) = lower.parse::<LinePlug>().ok().and_then(LinePlug::drawing) {
            return Ok(drawing);
        }
        Self::ALL
            .into_iter()
            .find(|kind| kind.name().eq_ignore_ascii_case(given))
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

/// All that is known of one loopback plug.
#[derive(Clone, Copy, Debug)]
pub struct Wiring {
    /// Which plug this is.
    pub kind: WiringKind,
    /// The plug and its port in a few words.
    pub title: &'static str,
    /// The contacts that the plug uses; a contact not listed stays open.
    pub contacts: &'static [Contact],
    /// Contacts tied together, by label; the first of each join is the one that the port drives.
    pub joins: &'static [&'static [&'static str]],
    /// Contacts of `joins` that may as well be left open.
    pub optional: &'static [&'static str],
    /// Where the eye is when it sees `drawing`, and where the first pin is.
    pub view: &'static str,
    /// The plug in plain ASCII, at most 76 columns. `+` is a joint; wires that cross without a `+` do not touch.
    pub drawing: &'static str,
    /// What a run with this plug can show, a sentence each.
    pub tests: &'static [&'static str],
    /// What no run with this plug can show, a sentence each.
    pub cannot_show: &'static [&'static str],
    /// Dangers to read about before the plug is fitted.
    pub cautions: &'static [Caution],
}

impl Wiring {
    /// The whole page about this plug, at most 80 columns of ASCII, ending in a newline.
    pub fn render(&self) -> String {
        page::render(self)
    }

    /// Pairs to wire, as (driving contact, other contact), in the order of `joins`.
    pub fn wires(&self) -> impl Iterator<Item = (&'static Contact, &'static Contact)> {
        let contacts = self.contacts;
        let named = move |label: &str| contacts.iter().find(|contact| contact.label == label);
        self.joins.iter().flat_map(move |join| join[1..].iter().filter_map(move |to| named(join[0]).zip(named(to))))
    }
}

/// One contact of a plug.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Contact {
    /// Pin number, or terminal name where no numbering is standard.
    pub label: &'static str,
    /// What the port does with it, from the port's point of view.
    pub signal: &'static str,
    /// Colours of its wire in a T568A and a T568B cable, where that helps.
    pub colours: Option<Colours>,
}

/// Colour codes of one wire: W white, G green, O orange, Bl blue, Br brown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Colours {
    /// In a cable wired to T568A.
    pub t568a: &'static str,
    /// In a cable wired to T568B.
    pub t568b: &'static str,
}

/// One line for each kind: its name and title, ending in a newline.
pub fn overview() -> String {
    WiringKind::ALL.map(|kind| format!("{:<11} {}\n", kind.name(), kind.wiring().title)).concat()
}
