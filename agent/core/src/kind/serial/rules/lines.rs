//! Rules on modem lines and flow control.

use super::modem;
use crate::base::figure::count;
use crate::base::placement::Placement;
use crate::judge::RuleId;
use crate::judge::ratio::ERRORS_MIN;
use crate::judge::rule::{Finding, Rule};
use crate::judge::suspects::{blame, blame_port};
use crate::kind::serial::facts::SerialFacts;
use crate::kind::serial::format::FlowControl;

pub(super) const RULES: &[Rule<SerialFacts>] = &[
    Rule { id: RuleId::PlugJoinsDataOnly, decide: plug_joins_data_only },
    Rule { id: RuleId::ModemLines, decide: modem_lines },
    Rule { id: RuleId::FlowControl, decide: flow_control },
];

fn plug_joins_data_only(e: &SerialFacts) -> Option<Finding> {
    if e.common.placement == Placement::Internal || !modem::none_moved(e) {
        return None;
    }
    Some(
        Finding::undecided(format!(
            "Data comes back, but no modem line responds, as with a plug that joins only the data wires. The plug was \
             given as {}.",
            e.plug
        ))
        .sure("certain that no modem line responds; not whether this plug has the wires")
        .then(
            "Look at the plug. If it joins only the data wires, test with --wiring data-only. If it has all wires, try \
             it in a port that works.",
        ),
    )
}

fn modem_lines(e: &SerialFacts) -> Option<Finding> {
    let faults = modem::faults(e);
    if faults.is_empty() {
        return None;
    }
    let rounds = e.modem.len();
    Some(blame(e, &format!("certain: read {rounds} times, in all states of the outputs"), faults.join("; ") + "."))
}

fn flow_control(e: &SerialFacts) -> Option<Finding> {
    // Only who needs it is told that it is a fault; the remark tells everybody.
    let flow = e.flow.filter(|_| e.format.flow == FlowControl::RtsCts)?;
    if flow.stops() && flow.starts() {
        // Lost on the way, by a slow computer whose driver counts short, or by the sender when it was let go: not told
        // apart.
        return (flow.missing() >= ERRORS_MIN).then(|| {
            Finding::undecided(format!(
                "CTS stops and starts the sender, but {} of {} bytes did not come back when it started again.",
                count(flow.missing()),
                count(flow.sent)
            ))
            .sure("certain that they are missing; not where they were lost")
            .then(
                "Stop other work on this computer and test again. If bytes still get lost, try a lower speed with \
                 --line.",
            )
        });
    }
    Some(blame_port(
        "near certain: CTS itself follows RTS",
        format!(
            "Hardware flow control does not stop the sender: {} of {} bytes came back while CTS was off, {} in all.",
            count(flow.came_while_off),
            count(flow.sent),
            count(flow.came_in_all)
        ),
    ))
}
