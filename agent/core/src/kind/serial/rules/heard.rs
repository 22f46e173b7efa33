//! Rules on what the port hears: somebody else, nothing, or itself.

use super::modem;
use crate::base::figure::count;
use crate::base::placement::Placement;
use crate::judge::RuleId;
use crate::judge::facts::Stopped;
use crate::judge::rule::{Finding, Rule};
use crate::judge::shared::is_limit_proved;
use crate::judge::suspects::{blame, blame_open_loop};
use crate::kind::serial::facts::{SerialFacts, Silence};
use crate::kind::serial::plug::LinePlug;

pub(super) const RULES: &[Rule<SerialFacts>] = &[
    Rule { id: RuleId::ForeignBytes, decide: foreign_bytes },
    Rule { id: RuleId::Reconfigured, decide: reconfigured },
    Rule { id: RuleId::WentSilent, decide: went_silent },
    Rule { id: RuleId::NoBytesReturned, decide: no_bytes_returned },
    Rule { id: RuleId::HearsItself, decide: hears_itself },
];

fn foreign_bytes(e: &SerialFacts) -> Option<Finding> {
    if e.foreign == 0 {
        return None;
    }
    Some(
        Finding::not_tested(format!(
            "{} bytes came in before anything was sent. A console or another device is connected, not a plug.",
            count(e.foreign)
        ))
        .sure("certain: something else talks")
        .then("Find out what the other end is connected to. Fit the plug, then test again."),
    )
}

fn reconfigured(e: &SerialFacts) -> Option<Finding> {
    (e.common.stopped == Some(Stopped::Reconfigured)).then(|| {
        Finding::undecided(format!(
            "another program on this computer changed the settings of this line after {} bytes; what failed meanwhile \
             says nothing of port, plug or cable",
            count(e.counts.sent)
        ))
        .sure("certain: the line no longer has the settings of this run")
        .then("find out which program looks after this line, have it leave the line alone, then repeat")
    })
}

/// Somebody may have pulled the plug, so nothing is blamed: the next run says whether the line is dead.
fn went_silent(e: &SerialFacts) -> Option<Finding> {
    let Silence { from_s, noise } = e.silence?;
    let noise = match noise {
        0 => String::new(),
        n => format!(" ({} bytes of something else came in)", count(n)),
    };
    Some(
        Finding::undecided(format!(
            "nothing came back from second {:.0} on: plug pulled, or contact lost{noise}",
            from_s.ceil().max(1.0)
        ))
        .sure("certain that the line went silent; not why")
        .then("see that plug and cable are seated, then repeat: if nothing comes back then, the line is open"),
    )
}

fn no_bytes_returned(e: &SerialFacts) -> Option<Finding> {
    if e.counts.returned > 0 || e.counts.sent == 0 {
        return None;
    }
    let text = format!("{} bytes left and none came back", count(e.counts.sent));
    if e.common.placement == Placement::Internal {
        return Some(
            Finding::undecided(format!(
                "{text}: a dead chip does this, and so does a good one whose OUT2 output lets the interrupt through, \
                 since its loop holds that output"
            ))
            .sure("certain that nothing came; not whose doing it is")
            .then("Fit a plug and test again without --placement internal: that decides."),
        );
    }
    if e.plug == LinePlug::Rs485 {
        return Some(
            Finding::undecided(format!("{text}: many RS-485 ports and adapters close their receiver while they send"))
                .sure("certain that the port did not hear itself; not that it cannot send")
                .then(
                    "switch the receiver on while sending, where port or adapter has a jumper or setting for it; else \
                     test with a second RS-485 port on the pair",
                ),
        );
    }
    let lines_move = e.plug.has_modem_lines() && !modem::none_moved(e) && !e.modem.is_empty();
    if lines_move {
        let text = format!("{text}, though the modem lines do: a plug is fitted, and the data path is open");
        return Some(blame(e, "certain that the data path is open", text));
    }
    let two_wires =
        if e.capabilities.half_duplex { "; or it is a two-wire RS-485 port: say so with --wiring rs485" } else { "" };
    let text = format!("{text}: no plug is fitted, the plug is open, or the port's line side is dead{two_wires}");
    Some(blame_open_loop(e, text))
}

/// On two wires the port hears itself whether or not a cable is there.
fn hears_itself(e: &SerialFacts) -> Option<Finding> {
    if e.plug != LinePlug::Rs485 || e.common.placement != Placement::FarEnd || !is_limit_proved(e) {
        return None;
    }
    Some(
        Finding::undecided(
            "the port is good, and on two-wire RS-485 it hears itself whether or not anything is connected: the cable \
             was not tested",
        )
        .sure("certain that the port hears itself; nothing is known of the cable")
        .then(
            "to test the cable, join the pair at its far end to a second RS-485 port and exchange data between the two",
        ),
    )
}
