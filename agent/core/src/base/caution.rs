//! Cautions: where a person can be hurt or a part destroyed, and what to do about it.
//!
//! Plug drawings, commands and reports print the same short texts at the point of use. This file holds the texts only;
//! who prints which is decided by the caller, for plugs in [`crate::kind::wiring::drawing`].

use std::fmt;

use serde::{Deserialize, Serialize};

/// Printed once after any list of cautions: this program's advice never outranks the rules of the place.
pub const LOCAL_CODES_FIRST: &str =
    "Local codes and licensed practice come first; what is said here does not replace them.";

/// One danger that a technician can meet while fitting a plug or handling a card.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Caution {
    /// Power over Ethernet on the pairs that an 8P8C plug joins.
    PowerOverEthernet,
    /// Direct current that a T1 span carries to feed its repeaters.
    SpanPower,
    /// Ringing voltage of a telephone line found in a data jack.
    RingingVoltage,
    /// Infrared light from an optical port or fibre.
    LaserLight,
    /// A long-reach optical transmitter looped to its own receiver without an attenuator.
    ReceiverOverload,
    /// RS-232 line voltages on pins made for logic or differential levels.
    SerialLevels,
    /// Different ground potential at the two ends of a copper cable between buildings.
    GroundPotential,
    /// A card fitted or removed in an open chassis that still has power.
    LiveChassis,
    /// Static discharge into a bare card, module or connector.
    StaticDischarge,
}

impl Caution {
    /// Every caution, in the order in which lists print them.
    pub const ALL: [Self; 9] = [
        Self::PowerOverEthernet,
        Self::SpanPower,
        Self::RingingVoltage,
        Self::LaserLight,
        Self::ReceiverOverload,
        Self::SerialLevels,
        Self::GroundPotential,
        Self::LiveChassis,
        Self::StaticDischarge,
    ];

    /// A few words to head the caution with, starting with a capital.
    pub fn title(self) -> &'static str {
        match self {
            Self::PowerOverEthernet => "Power over Ethernet",
            Self::SpanPower => "Span power",
            Self::RingingVoltage => "Ringing voltage",
            Self::LaserLight => "Laser light",
            Self::ReceiverOverload => "Receiver overload",
            Self::SerialLevels => "RS-232 levels",
            Self::GroundPotential => "Ground potential",
            Self::LiveChassis => "Live chassis",
            Self::StaticDischarge => "Static",
        }
    }

    /// What can happen: who is hurt or what is destroyed, and how. One or two sentences.
    pub fn harm(self) -> &'static str {
        match self {
            // From memory (IEEE 802.3 clauses 33 and 145); that a source reports a detected short is in the kernel's
            // ethtool specification, `c33-pse-ext-state`.
            Self::PowerOverEthernet => {
                "A plug shorts powered pairs, and a cable test sends pulses into them. A standard source stays off; a \
                 passive injector does not, and burns plug, port or itself."
            }
            // From memory.
            Self::SpanPower => {
                "A T1 span may carry direct current at a voltage that can hurt a person, and a plug across it can \
                 destroy the port."
            }
            // From memory.
            Self::RingingVoltage => {
                "A telephone line uses the same kind of jack. Its ringing voltage can hurt a person and destroy a data \
                 port."
            }
            // From memory (IEC 60825-1): most pluggable modules are Class 1, long-reach and amplified ones may be
            // higher.
            Self::LaserLight => "The light is infrared: it cannot be seen, and it can damage an eye.",
            // Common practice, no source; 10GBASE-ER, launch up to +4.0 dBm into a receiver limit of -1.0 dBm, is the
            // published (second hand) example.
            Self::ReceiverOverload => {
                "A long-reach transmitter on a short loop can overload or destroy the receiver of its own module."
            }
            // Drivers swing 5 to 15 V either way: TI SLLA607.
            Self::SerialLevels => {
                "RS-232 drives up to 15 V in either direction: pins made for logic or RS-422/485 levels are destroyed \
                 by it."
            }
            // Common practice, no source.
            Self::GroundPotential => {
                "Between buildings the two ends of a copper cable can differ in ground potential by enough to hurt a \
                 person and destroy ports."
            }
            // Common practice, no source.
            Self::LiveChassis => {
                "An open chassis with power on can hurt a person, and a card that slips in its slot destroys itself or \
                 the board."
            }
            // Common practice, no source.
            Self::StaticDischarge => {
                "A discharge too small to feel can destroy a card or module, or leave it to fail weeks later."
            }
        }
    }

    /// What to do to be safe from it. One or two sentences.
    pub fn action(self) -> &'static str {
        match self {
            Self::PowerOverEthernet => {
                "Make sure that nothing on the cable gives power, above all no passive injector."
            }
            Self::SpanPower => "Leave the plug off until whoever runs the span says that its power is off.",
            Self::RingingVoltage => "Make sure that the jack is no telephone line before fitting the plug.",
            Self::LaserLight => {
                "Never look into a fibre or an optical port, with or without a lens. Cap what is not in use."
            }
            Self::ReceiverOverload => {
                "Take the highest launch power and the highest receive power from the module's data; fit an attenuator \
                 of at least the difference."
            }
            Self::SerialLevels => {
                "Know the port's levels before connecting anything; the connector does not tell them."
            }
            Self::GroundPotential => {
                "Do not hold the cable and local metal at once; prefer fibre or isolated ports there."
            }
            Self::LiveChassis => {
                "Power off and unplug before opening, unless slot and card are made for live exchange."
            }
            Self::StaticDischarge => "Wear an earthed wrist strap, work on an earthed mat, keep spares in their bags.",
        }
    }
}

impl fmt::Display for Caution {
    /// Writes the whole caution as one line: title, harm, action.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {} {}", self.title(), self.harm(), self.action())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_caution_names_a_harm_and_an_action_briefly() {
        for caution in Caution::ALL {
            let harmed = ["hurt", "destroy", "burns", "eye"];
            assert!(harmed.iter().any(|word| caution.harm().contains(word)), "{caution:?} does not say what is harmed");
            assert!(caution.action().ends_with('.'), "{caution:?} has no sentence to act on");
            assert!(caution.to_string().len() <= 260, "{caution:?} is too long to be read at the point of use");
        }
    }

    #[test]
    fn the_order_of_the_list_is_the_order_of_the_type() {
        assert!(Caution::ALL.windows(2).all(|pair| pair[0] < pair[1]));
    }

    #[test]
    fn local_codes_are_left_to_the_one_closing_line() {
        for caution in Caution::ALL {
            assert!(
                !caution.to_string().to_lowercase().contains("local codes"),
                "{caution:?} repeats the closing line"
            );
        }
    }

    #[test]
    fn a_report_names_a_caution_by_a_stable_word() {
        let word = serde_json::to_string(&Caution::PowerOverEthernet).unwrap();
        assert_eq!(word, "\"power-over-ethernet\"");
        assert_eq!(serde_json::from_str::<Caution>(&word).unwrap(), Caution::PowerOverEthernet);
    }
}
