//! The plugs: pins, signals, drawings, uses and limits.
//!
//! Sources stand beside the data. "From memory" and "common practice" mean that no text was at hand to check them
//! against.

use super::{Colours, Contact, Wiring, WiringKind};
use crate::base::caution::Caution::{
    GroundPotential, LaserLight, PowerOverEthernet, ReceiverOverload, RingingVoltage, SerialLevels, SpanPower,
};

// Limits that no plug of any kind can get past (common practice, no source), and what follows from a shared clock
// (computed: transmitter and receiver of one port count by one oscillator, so an error in it cancels).
const LEVEL: &str = "Transmit level: a weak transmitter still reaches its own receiver over a short loop.";
const CLOCK: &str = "Clock accuracy: the port sends and receives by one clock, so an error in it cancels.";
const BAUD_RATE: &str = "A wrong baud rate: the port sends and receives by one clock, so it always agrees with itself.";
const CROSSTALK: &str = "Crosstalk margin: that the data came back does not tell how near to failing it was.";

/// What the two 8P8C plugs have in common. How a plug is held: from memory, computed for the order of the contacts.
const EIGHT_PIN_VIEW: &str = "8P8C plug seen with its contacts towards you, the latch behind and the cable end down: \
                              pin 1 is on the left. A dot is a contact that stays open.";
const SYMMETRIC: &str = "Straight or crossed: the plug is symmetric, both kinds of cable look alike through it.";
const GIGABIT: &str = "Gigabit copper on adapters that cannot link to themselves: force 100 Mb/s full duplex, or use a \
                       return port.";

// Colours: T568A pins 1..8 are W-G, G, W-O, Bl, W-Bl, O, W-Br, Br; T568B swaps green and orange (published, second
// hand: wiring notes). Signals of pins 4, 5, 7 and 8: published, second hand; of the others: from memory (IEEE 802.3
// clauses 25 and 40).

/// Joins 1-3 and 2-6: published, a router maker's interface manual.
pub(super) const EIGHT_PIN_TWO_PAIR: Wiring = Wiring {
    kind: WiringKind::EightPinTwoPair,
    title: "8P8C loopback plug, two pairs, for 10 and 100 Mb/s Ethernet",
    contacts: &[
        coloured("1", "transmit +", "W-G", "W-O"),
        coloured("2", "transmit -", "G", "O"),
        coloured("3", "receive +", "W-O", "W-G"),
        coloured("6", "receive -", "O", "G"),
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
pub(super) const EIGHT_PIN_FOUR_PAIR: Wiring = Wiring {
    kind: WiringKind::EightPinFourPair,
    title: "8P8C loopback plug, four pairs, for Ethernet over copper",
    contacts: &[
        coloured("1", "BI_DA+", "W-G", "W-O"),
        coloured("2", "BI_DA-", "G", "O"),
        coloured("3", "BI_DB+", "W-O", "W-G"),
        coloured("4", "BI_DC+", "Bl", "Bl"),
        coloured("5", "BI_DC-", "W-Bl", "W-Bl"),
        coloured("6", "BI_DB-", "O", "G"),
        coloured("7", "BI_DD+", "W-Br", "W-Br"),
        coloured("8", "BI_DD-", "Br", "Br"),
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

/// Joins 1-5 and 2-4, and the clock rule: published, a T1 CSU manual. Either polarity, ring and tip: from memory.
pub(super) const RJ48C: Wiring = Wiring {
    kind: WiringKind::Rj48c,
    title: "RJ-48C loopback plug, for a T1 line",
    contacts: &[
        plain("1", "receive ring"),
        plain("2", "receive tip"),
        plain("4", "transmit ring"),
        plain("5", "transmit tip"),
    ],
    joins: &[&["5", "1"], &["4", "2"]],
    optional: &[],
    view: EIGHT_PIN_VIEW,
    drawing: r"
  pin 1
    v
  +---------------------------------+
  | 1   2   .   4   5   .   .   .   |
  | |   |       |   |               |
  +-|---|-------|---|---------------+
    |   |       |   |
    |   +-------+   |
    |               |
    +---------------+
",
    tests: &[
        "The line side of T1 equipment, through the equipment's own loop test: this program opens no T1 port.",
        "At the far end of the line: both pairs of the line. Either polarity will do, the line code has none.",
    ],
    cannot_show: &[
        "Anything, while the port takes its clock from the line: the looped frequency drifts. Set the port to its own \
         clock first.",
        LEVEL,
        CLOCK,
        CROSSTALK,
    ],
    cautions: &[SpanPower, RingingVoltage],
};

const RING_OPEN: &str = "Ring indicator, where the plug leaves it open: plugs are wired both ways, so know yours.";

/// Joins 2-3, 7-8(-9) and 4-6-1: published, a serial hardware maker's support note. Signals and pin order of the face:
/// from memory (TIA-574).
pub(super) const DE9: Wiring = Wiring {
    kind: WiringKind::De9,
    title: "DE-9 loopback plug, for an RS-232 port",
    contacts: &[
        plain("1", "data carrier detect"),
        plain("2", "receive data"),
        plain("3", "transmit data"),
        plain("4", "data terminal ready"),
        plain("6", "data set ready"),
        plain("7", "request to send"),
        plain("8", "clear to send"),
        plain("9", "ring indicator"),
    ],
    joins: &[&["3", "2"], &["7", "8", "9"], &["4", "6", "1"]],
    optional: &["9"],
    view: "The pins of the port, face on, wide row up: pin 1 is at the upper left. The solder side of the plug that \
           fits it has the same order. Below, the wires. A dot is a contact that stays open.",
    drawing: r"
     pin 1
       v
   +-----------------------+
    \  1   2   3   4   .  /
     \   6   7   8   9   /
      +-----------------+

       3 -------- 2

       7 ----+--- 8
             |
             +--- 9   optional

       4 ----+--- 6
             |
             +--- 1
",
    tests: SERIAL_TESTS,
    cannot_show: &[BAUD_RATE, RING_OPEN, LEVEL, SIGNAL_GROUND],
    cautions: &[SerialLevels, GroundPotential],
};

const SERIAL_TESTS: &[&str] = &[
    "Transmit and receive data, at any speed and framing that the port can do.",
    "Modem lines: request to send drives clear to send (and ring indicator if wired), data terminal ready drives data \
     set ready and carrier detect.",
    "At the far end of a cable: each of these wires end to end.",
];
// Computed: sender and receiver are the same chip and share their ground.
const SIGNAL_GROUND: &str =
    "A broken signal ground: the port hears itself without it, whatever is at the far end would not.";

/// Joins 2-3, 4-5(-22) and 20-6-8: published, the same support note as for [`DE9`]. Signals and pin order of the face:
/// from memory (TIA-232).
pub(super) const DB25: Wiring = Wiring {
    kind: WiringKind::Db25,
    title: "DB-25 loopback plug, for an RS-232 port",
    contacts: &[
        plain("2", "transmit data"),
        plain("3", "receive data"),
        plain("4", "request to send"),
        plain("5", "clear to send"),
        plain("6", "data set ready"),
        plain("8", "data carrier detect"),
        plain("20", "data terminal ready"),
        plain("22", "ring indicator"),
    ],
    joins: &[&["2", "3"], &["4", "5", "22"], &["20", "6", "8"]],
    optional: &["22"],
    view: "The pins of the port, face on, wide row up: pin 1, an open one here, is at the upper left. The solder side \
           of the plug that fits it has the same order. Below, the wires. A dot is a contact that stays open.",
    drawing: r"
    pin 1
      v
  +---------------------------------------------------------+
   \  .   2   3   4   5   6   .   8   .   .   .   .   .    /
    \   .   .   .   .   .   .   20  .   22  .   .   .     /
     +---------------------------------------------------+

       2 --------- 3

       4 -----+--- 5
              |
              +--- 22   optional

      20 -----+--- 6
              |
              +--- 8
",
    tests: SERIAL_TESTS,
    cannot_show: &[BAUD_RATE, RING_OPEN, LEVEL, SIGNAL_GROUND],
    cautions: &[SerialLevels, GroundPotential],
};

/// Joins by signal name: from memory, no pin numbering is standard. The receiver that must stay on is the kernel's
/// `SER_RS485_RX_DURING_TX` (`linux/serial.h`).
pub(super) const RS422: Wiring = Wiring {
    kind: WiringKind::Rs422,
    title: "Loop on the terminals of an RS-422 or four-wire RS-485 port",
    contacts: &[
        plain("TX+", "transmit +"),
        plain("TX-", "transmit -"),
        plain("RX+", "receive +"),
        plain("RX-", "receive -"),
    ],
    joins: &[&["TX+", "RX+"], &["TX-", "RX-"]],
    optional: &[],
    view: "Terminals by name, since no pin numbering is standard and makers differ in which wire they call A and B: \
           follow the + and - of the port's own manual.",
    drawing: r"
  +--------+
  |    TX+ |------+
  |        |      |
  |    TX- |---+  |
  |        |   |  |
  |    RX+ |---|--+
  |        |   |
  |    RX- |---+
  +--------+
",
    tests: &[
        "Transmitter and receiver of the port, at any speed and framing that it can do.",
        "At the far end of a cable: both pairs end to end.",
        "Two-wire RS-485 needs no plug: it is half duplex and one pair carries both directions. The port hears itself \
         if its receiver stays on while it sends.",
    ],
    cannot_show: &[
        BAUD_RATE,
        "On two-wire RS-485, the cable: the port hears itself whether or not anything is connected.",
        "Termination and bias: a short loop works without them, a long line may not.",
        LEVEL,
    ],
    cautions: &[SerialLevels, GroundPotential],
};

/// Duplex lead from transmitter to receiver, single-mode on single-mode ports and multimode on multimode: published,
/// the same manual as for [`EIGHT_PIN_TWO_PAIR`]. Power readings good to 3 dB: published, AN-2030.
pub(super) const FIBRE: Wiring = Wiring {
    kind: WiringKind::Fibre,
    title: "Fibre loop, from transmitter to receiver of one duplex optical port",
    contacts: &[plain("Tx", "light out"), plain("Rx", "light in")],
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

const fn plain(label: &'static str, signal: &'static str) -> Contact {
    Contact { label, signal, colours: None }
}

const fn coloured(label: &'static str, signal: &'static str, t568a: &'static str, t568b: &'static str) -> Contact {
    Contact { label, signal, colours: Some(Colours { t568a, t568b }) }
}
