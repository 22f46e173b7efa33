//! Remarks that only serial ports have.

use super::modem::{self, Behaviour};
use crate::base::figure::{count, counted};
use crate::judge::RuleId;
use crate::judge::rule::Remark;
use crate::kind::serial::facts::{SerialFacts, highest_clean, lowest_failing};
use crate::kind::serial::plug::{LinePlug, ModemLine};

pub(super) const REMARKS: &[Remark<SerialFacts>] = &[
    Remark { id: RuleId::LostInHost, say: lost_in_host },
    Remark { id: RuleId::LineInverted, say: line_inverted },
    Remark { id: RuleId::LinesNotJudged, say: lines_not_judged },
    Remark { id: RuleId::HalfDuplex, say: half_duplex },
    Remark { id: RuleId::NoModemLines, say: no_modem_lines },
    Remark { id: RuleId::NoCounts, say: no_counts },
    Remark { id: RuleId::RingWired, say: ring_wired },
    Remark { id: RuleId::FlowControl, say: flow_control },
    Remark { id: RuleId::Break, say: no_break },
    Remark { id: RuleId::HighestSpeed, say: highest_speed },
];

fn lost_in_host(e: &SerialFacts) -> Option<String> {
    let inside = e.lost_in_host();
    (e.common.slowdowns == 0 && inside > 0).then(|| {
        format!(
            "This computer or its adapter lost {}, by the port's own counts. That does not count against the line.",
            counted(inside, "byte")
        )
    })
}

fn line_inverted(e: &SerialFacts) -> Option<String> {
    e.rests_at_break().then(|| {
        format!(
            "The line read as a break {} times, though none was sent, and next to no block came back whole. A line \
             looks like this whose two levels are exchanged: it rests at the wrong one.",
            count(e.errors.unwrap_or_default().breaks)
        )
    })
}

fn lines_not_judged(e: &SerialFacts) -> Option<String> {
    let known = e.plug.has_modem_lines();
    (e.capabilities.modem_lines && !known && !e.modem.is_empty()).then(|| {
        format!(
            "The modem lines are shown but not judged, because plug {} says nothing about them. To judge them, name a \
             full plug with --wiring.",
            e.plug
        )
    })
}

fn half_duplex(e: &SerialFacts) -> Option<String> {
    (e.plug == LinePlug::Rs485 && e.counts.returned > 0).then(|| {
        let how = if e.capabilities.half_duplex {
            "The driver's RS-485 setting kept the receiver on while sending"
        } else {
            "The driver has no RS-485 setting, and the receiver was on while sending"
        };
        format!(
            "{how}. The port heard {} of the {} bytes that it sent.",
            count(e.counts.returned),
            count(e.counts.sent)
        )
    })
}

fn no_modem_lines(e: &SerialFacts) -> Option<String> {
    (e.counts.sent > 0 && !e.capabilities.modem_lines)
        .then(|| "This port has no modem lines to test. That does not count against it.".into())
}

fn no_counts(e: &SerialFacts) -> Option<String> {
    (e.counts.sent > 0 && !e.capabilities.counts_errors).then(|| {
        let told = "This port's driver counts no line errors. That does not count against it.";
        match e.capabilities.hides_overruns() {
            true => format!(
                "{told} A byte lost in this computer can be told from one lost on the line only by sending fewer at \
                 once."
            ),
            false => told.to_owned(),
        }
    })
}

fn ring_wired(e: &SerialFacts) -> Option<String> {
    let ring = modem::state(e, ModemLine::Ri);
    (!e.modem.is_empty() && ring.expected == Some(Behaviour::Off) && ring.seen == Behaviour::FollowsRts)
        .then(|| "RI follows RTS, so this plug has the ring indicator wired (--wiring de9-ri or db25-ri).".into())
}

fn flow_control(e: &SerialFacts) -> Option<String> {
    let flow = e.flow.filter(|flow| !flow.stops() || !flow.starts())?;
    let what = if flow.stops() { "does not start the sender again" } else { "does not stop the sender" };
    Some(format!(
        "CTS {what}: {} of {} bytes came back while it was off, {} in all. Do not use this port for equipment with \
         hardware flow control.",
        count(flow.came_while_off),
        count(flow.sent),
        count(flow.came_in_all)
    ))
}

fn no_break(e: &SerialFacts) -> Option<String> {
    (e.break_returned == Some(false))
        .then(|| "A break was sent and none came back. Some drivers and adapters pass none.".into())
}

fn highest_speed(e: &SerialFacts) -> Option<String> {
    let clean = highest_clean(&e.speeds)?;
    Some(match lowest_failing(&e.speeds) {
        Some(failing) => {
            format!("Without error up to {} b/s, with errors from {} b/s.", count(clean.into()), count(failing.into()))
        }
        None => format!("Without error up to {} b/s, the highest speed that this port accepts.", count(clean.into())),
    })
}
