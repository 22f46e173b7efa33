//! Rules on what the port hears: somebody else, nothing, or itself.

use super::modem;
use crate::base::figure::counted;
use crate::base::placement::Placement;
use crate::judge::RuleId;
use crate::judge::rule::{Finding, Rule};
use crate::judge::shared::is_limit_proved;
use crate::judge::suspects::{blame, blame_open_loop, loop_open};
use crate::kind::serial::facts::SerialFacts;
use crate::kind::serial::plug::LinePlug;

pub(super) const RULES: &[Rule<SerialFacts>] = &[
    Rule { id: RuleId::ForeignBytes, decide: foreign_bytes },
    Rule { id: RuleId::LoopOpen, decide: |e| loop_open(e, open_text(e)?) },
    Rule { id: RuleId::NoBytesReturned, decide: no_bytes_returned },
    Rule { id: RuleId::HearsItself, decide: hears_itself },
];

fn foreign_bytes(e: &SerialFacts) -> Option<Finding> {
    if e.foreign == 0 {
        return None;
    }
    Some(
        Finding::not_tested(format!(
            "{} came in before anything was sent. A console or another device is connected, not a plug.",
            counted(e.foreign, "byte")
        ))
        .sure("certain: something else talks")
        .then("Find out what the other end is connected to. Fit the plug, then test again."),
    )
}

fn is_silent(e: &SerialFacts) -> bool {
    e.counts.returned == 0 && e.counts.sent > 0
}

fn none_came(e: &SerialFacts) -> String {
    format!("{} left and none came back", counted(e.counts.sent, "byte"))
}

/// The modem lines respond: a full plug is fitted.
fn lines_move(e: &SerialFacts) -> bool {
    e.plug.has_modem_lines() && !modem::none_moved(e) && !e.modem.is_empty()
}

/// What is said of a line that returned nothing, where nothing shows that a plug is fitted.
fn open_text(e: &SerialFacts) -> Option<String> {
    if !is_silent(e) || e.common.placement == Placement::Internal || e.plug == LinePlug::Rs485 || lines_move(e) {
        return None;
    }
    let two_wires =
        if e.capabilities.half_duplex { " If this is a two-wire RS-485 port, say so with --wiring rs485." } else { "" };
    let none = none_came(e);
    Some(format!("{none}. Either no plug is fitted, the plug is open, or the port's line side is dead.{two_wires}"))
}

fn no_bytes_returned(e: &SerialFacts) -> Option<Finding> {
    if !is_silent(e) {
        return None;
    }
    let none = none_came(e);
    if e.common.placement == Placement::Internal {
        return Some(
            Finding::undecided(format!(
                "{none}. A dead chip does this. So does a good one whose OUT2 output lets the interrupt through, since \
                 the loop inside the chip holds that output."
            ))
            .sure("certain that nothing came back; not why")
            .then("Fit a plug and test again without --placement internal: that decides."),
        );
    }
    if e.plug == LinePlug::Rs485 {
        return Some(
            Finding::undecided(format!(
                "{none}. Many RS-485 ports and adapters switch their receiver off while they send."
            ))
            .sure("certain that the port did not hear itself; not that it cannot send")
            .then(
                "Keep the receiver on while sending, if the port or adapter has a jumper or a setting for that. If \
                     it has none, test with a second RS-485 port on the pair.",
            ),
        );
    }
    if lines_move(e) {
        let text =
            format!("{none}, though the modem lines follow each other. A plug is fitted, and the data path is open.");
        return Some(blame(e, "certain that the data path is open", text));
    }
    blame_open_loop(e, open_text(e)?)
}

/// On two wires the port hears itself whether or not a cable is there.
fn hears_itself(e: &SerialFacts) -> Option<Finding> {
    if e.plug != LinePlug::Rs485 || e.common.placement != Placement::FarEnd || !is_limit_proved(e) {
        return None;
    }
    Some(
        Finding::undecided(
            "The port is good. On two-wire RS-485 it hears itself whether or not anything is connected, so the cable \
             was not tested.",
        )
        .sure("certain that the port hears itself; nothing is known of the cable")
        .then(
            "To test the cable, connect the pair at its far end to a second RS-485 port and exchange data between the \
             two.",
        ),
    )
}
