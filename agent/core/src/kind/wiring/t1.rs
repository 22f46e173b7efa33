//! The loopback plug of a T1 line. No port of this program's kinds takes it: it serves the loop test of the T1
//! equipment.

use super::drawing::{CLOCK, CROSSTALK, Contact, EIGHT_PIN_VIEW, LEVEL, Wiring};
use crate::base::caution::Caution::{RingingVoltage, SpanPower};

/// Joins 1-5 and 2-4, and the clock rule: published, a T1 CSU manual. Either polarity, ring and tip: from memory.
pub const RJ48C: Wiring = Wiring {
    name: "rj48c",
    title: "RJ-48C loopback plug, for a T1 line",
    contacts: &[
        Contact::plain("1", "receive ring"),
        Contact::plain("2", "receive tip"),
        Contact::plain("4", "transmit ring"),
        Contact::plain("5", "transmit tip"),
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
