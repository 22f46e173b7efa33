//! Loopback plugs of Ethernet ports: 8P8C for twisted pair, and fibre.
//!
//! The source of each fact stands beside it. `docs/from-memory.md` lists the facts that no document was at hand to
//! check.

use crate::base::caution::Caution::{LaserLight, PowerOverEthernet, ReceiverOverload, RingingVoltage};
use crate::kind::wiring::drawing::{CLOCK, CROSSTALK, Contact, EIGHT_PIN_VIEW, LEVEL, Wiring};

const SYMMETRIC: &str = "Straight or crossed: the plug is symmetric, both kinds of cable look alike through it.";
const GIGABIT: &str = "Gigabit copper on adapters that cannot link to themselves: force 100 Mb/s full duplex, or use a \
                       return port.";

// Colours: T568A pins 1..8 are W-G, G, W-O, Bl, W-Bl, O, W-Br, Br; T568B swaps green and orange (published, second
// hand: wiring notes). Signals of pins 4, 5, 7 and 8: published, second hand; of the others: from memory (IEEE 802.3
// clauses 25 and 40).

/// Joins 1-3 and 2-6: published, a router maker's interface manual.
pub const EIGHT_PIN_TWO_PAIR: Wiring = Wiring {
    name: "8p8c-2pair",
    title: "8P8C loopback plug, two pairs, for 10 and 100 Mb/s Ethernet",
    contacts: &[
        Contact::coloured("1", "transmit +", "W-G", "W-O"),
        Contact::coloured("2", "transmit -", "G", "O"),
        Contact::coloured("3", "receive +", "W-O", "W-G"),
        Contact::coloured("6", "receive -", "O", "G"),
    ],
    joins: &[&["1", "3"], &["2", "6"]],
    optional: &[],
    view: EIGHT_PIN_VIEW,
    drawing: r"
  pin 1
    v
  +---------------------------------+
  | 1   2   3   .   .   6   .   .   |
  | |   |   |           |           |
  +-|---|---|-----------|-----------+
    |   |   |           |
    +---|---+           |
        |               |
        +---------------+
",
    tests: &[
        "Transmitter and receiver of the port at 10 and 100 Mb/s.",
        "At the far end of a cable: its pairs on pins 1, 2 and 3, 6, every socket and patch on the way included.",
    ],
    cannot_show: &[
        "The pairs on pins 4, 5 and 7, 8: nothing is sent on them at 10 and 100 Mb/s.",
        GIGABIT,
        SYMMETRIC,
        LEVEL,
        CLOCK,
        CROSSTALK,
    ],
    cautions: &[PowerOverEthernet, RingingVoltage],
};

/// Joins 4-7 and 5-8 besides those of the two-pair plug: published, second hand, one wiring page only.
pub const EIGHT_PIN_FOUR_PAIR: Wiring = Wiring {
    name: "8p8c-4pair",
    title: "8P8C loopback plug, four pairs, for Ethernet over copper",
    contacts: &[
        Contact::coloured("1", "BI_DA+", "W-G", "W-O"),
        Contact::coloured("2", "BI_DA-", "G", "O"),
        Contact::coloured("3", "BI_DB+", "W-O", "W-G"),
        Contact::coloured("4", "BI_DC+", "Bl", "Bl"),
        Contact::coloured("5", "BI_DC-", "W-Bl", "W-Bl"),
        Contact::coloured("6", "BI_DB-", "O", "G"),
        Contact::coloured("7", "BI_DD+", "W-Br", "W-Br"),
        Contact::coloured("8", "BI_DD-", "Br", "Br"),
    ],
    joins: &[&["1", "3"], &["2", "6"], &["4", "7"], &["5", "8"]],
    optional: &[],
    view: EIGHT_PIN_VIEW,
    drawing: r"
  pin 1
    v
  +---------------------------------+
  | 1   2   3   4   5   6   7   8   |
  | |   |   |   |   |   |   |   |   |
  +-|---|---|---|---|---|---|---|---+
    |   |   |   |   |   |   |   |
    +---|---+   |   |   |   |   |
        |       |   |   |   |   |
        +-------|---|---+   |   |
                |   |       |   |
                +---|-------+   |
                    |           |
                    +-----------+
",
    tests: &[
        "Everything that the two-pair plug tests, at 10 and 100 Mb/s.",
        "All four pairs at 1000 Mb/s, on those adapters that can link to themselves.",
    ],
    cannot_show: &[
        GIGABIT,
        "The pairs on pins 4, 5 and 7, 8 at a forced 100 Mb/s: nothing is sent on them then.",
        SYMMETRIC,
        LEVEL,
        CLOCK,
        CROSSTALK,
    ],
    cautions: &[PowerOverEthernet, RingingVoltage],
};

/// Duplex lead from transmitter to receiver, single-mode on single-mode ports and multimode on multimode: published,
/// the same manual as for [`EIGHT_PIN_TWO_PAIR`]. Power readings good to 3 dB: published, AN-2030.
pub const FIBRE: Wiring = Wiring {
    name: "fibre",
    title: "Fibre loop, from transmitter to receiver of one duplex optical port",
    contacts: &[Contact::plain("Tx", "light out"), Contact::plain("Rx", "light in")],
    joins: &[&["Tx", "Rx"]],
    optional: &[],
    view: "The port from above. Which side sends is marked on the module; do not find out by looking. One fibre of the \
           port's own type: single-mode on a single-mode port, multimode on a multimode port. Clean both ends first.",
    drawing: r"
  +--------+
  |     Tx |------+
  |  port  |      |  one fibre
  |     Rx |------+
  +--------+
",
    tests: &[
        "Transmitter and receiver of the module, and the port behind it, at full rate: optical ports normally link to \
         themselves.",
        "At the far end of a link, both fibres joined there: every splice and connector on the way, out and back.",
        "Loss of the loop, from the module's own power readings; they are good to 3 dB, a change of 1 dB means \
         nothing.",
    ],
    cannot_show: &[
        "Which of the two fibres of a link is the bad one: the loop adds them up.",
        "Reach: a short loop says nothing about the power left at the end of a long link.",
        "The port on single-fibre (two-wavelength) modules: they send and receive on different wavelengths and cannot \
         hear themselves.",
        CLOCK,
    ],
    cautions: &[LaserLight, ReceiverOverload],
};
