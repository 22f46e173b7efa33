//! Loopback plugs of serial ports: nine and twenty-five pins for RS-232, terminals for RS-422.
//!
//! The source of each fact stands beside it. `docs/from-memory.md` lists the facts that no document was at hand to
//! check. What these joins do to the modem lines is in `plug.rs`.

use crate::base::caution::Caution::{GroundPotential, SerialLevels};
use crate::kind::wiring::drawing::{Contact, LEVEL, Wiring};

// Computed: transmitter and receiver of one port count by one oscillator.
const BAUD_RATE: &str = "A wrong baud rate: the port sends and receives by one clock, so it always agrees with itself.";
const RING_OPEN: &str = "Ring indicator, where the plug leaves it open: plugs are wired both ways, so know yours.";

/// Joins 2-3, 7-8(-9) and 4-6-1: published, a serial hardware maker's support note. Signals and pin order of the face:
/// from memory (TIA-574).
pub const DE9: Wiring = Wiring {
    name: "de9",
    title: "DE-9 loopback plug, for an RS-232 port",
    contacts: &[
        Contact::plain("1", "data carrier detect"),
        Contact::plain("2", "receive data"),
        Contact::plain("3", "transmit data"),
        Contact::plain("4", "data terminal ready"),
        Contact::plain("6", "data set ready"),
        Contact::plain("7", "request to send"),
        Contact::plain("8", "clear to send"),
        Contact::plain("9", "ring indicator"),
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
pub const DB25: Wiring = Wiring {
    name: "db25",
    title: "DB-25 loopback plug, for an RS-232 port",
    contacts: &[
        Contact::plain("2", "transmit data"),
        Contact::plain("3", "receive data"),
        Contact::plain("4", "request to send"),
        Contact::plain("5", "clear to send"),
        Contact::plain("6", "data set ready"),
        Contact::plain("8", "data carrier detect"),
        Contact::plain("20", "data terminal ready"),
        Contact::plain("22", "ring indicator"),
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
pub const RS422: Wiring = Wiring {
    name: "rs422",
    title: "Loop on the terminals of an RS-422 or four-wire RS-485 port",
    contacts: &[
        Contact::plain("TX+", "transmit +"),
        Contact::plain("TX-", "transmit -"),
        Contact::plain("RX+", "receive +"),
        Contact::plain("RX-", "receive -"),
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
