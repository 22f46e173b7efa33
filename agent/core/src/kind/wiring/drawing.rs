//! The drawing of a loopback plug as data: contacts, joins, uses, limits, and the sentences that drawings of several
//! kinds of port share.

use crate::base::caution::Caution;

/// All that is known of one loopback plug.
#[derive(Clone, Copy, Debug)]
pub struct Wiring {
    /// The name by which the plug is asked for, such as `8p8c-2pair`.
    pub name: &'static str,
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

impl Contact {
    /// A contact whose wire has no colour of its own.
    pub const fn plain(label: &'static str, signal: &'static str) -> Self {
        Self { label, signal, colours: None }
    }

    /// A contact of an 8P8C plug, with the colours of its wire in either cable.
    pub const fn coloured(label: &'static str, signal: &'static str, t568a: &'static str, t568b: &'static str) -> Self {
        Self { label, signal, colours: Some(Colours { t568a, t568b }) }
    }
}

/// Colour codes of one wire: W white, G green, O orange, Bl blue, Br brown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Colours {
    /// In a cable wired to T568A.
    pub t568a: &'static str,
    /// In a cable wired to T568B.
    pub t568b: &'static str,
}

// Limits that no plug of any kind can get past (common practice, no source), and what follows from a shared clock
// (computed: transmitter and receiver of one port count by one oscillator, so an error in it cancels).

/// Limit of every copper plug: it does not show a weak transmitter.
pub const LEVEL: &str = "Transmit level: a weak transmitter still reaches its own receiver over a short loop.";
/// Limit of every plug of a synchronous line.
pub const CLOCK: &str = "Clock accuracy: the port sends and receives by one clock, so an error in it cancels.";
/// Limit of every plug with more than one pair.
pub const CROSSTALK: &str = "Crosstalk margin: that the data came back does not tell how near to failing it was.";

/// How an 8P8C plug is held: from memory, computed for the order of the contacts.
pub const EIGHT_PIN_VIEW: &str = "8P8C plug seen with its contacts towards you, the latch behind and the cable end \
                                  down: pin 1 is on the left. A dot is a contact that stays open.";
