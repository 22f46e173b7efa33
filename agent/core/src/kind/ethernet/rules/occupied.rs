//! Rules on a port that somebody else uses or changes.

use crate::base::figure::count;
use crate::judge::RuleId;
use crate::judge::facts::Stopped;
use crate::judge::rule::{Finding, Rule};
use crate::kind::ethernet::facts::EthernetFacts;

pub(super) const RULES: &[Rule<EthernetFacts>] = &[
    Rule { id: RuleId::ForeignTraffic, decide: foreign_traffic },
    Rule { id: RuleId::Reconfigured, decide: reconfigured },
];

fn foreign_traffic(e: &EthernetFacts) -> Option<Finding> {
    let heard = e.heard.foreign_before.saturating_add(e.heard.foreign_during);
    if heard == 0 {
        return None;
    }
    let when = if e.heard.foreign_before > 0 { "before anything was sent" } else { "during the run, which stopped" };
    if e.heard.testers > 0 {
        return Some(
            Finding::not_tested(format!(
                "another turnback is at the other end: {} of its probes were heard {when}",
                count(e.heard.testers)
            ))
            .sure("certain: probes of another run came in from another address")
            .then(
                "end the other run; for a cable between two ports of one computer use --return-port, else fit a plug, \
                 then repeat",
            ),
        );
    }
    // A loop turns this computer's own frames round too, and a program may send from any address.
    if e.heard.sent_by_host.is_some_and(|sent| sent >= heard) {
        return Some(
            Finding::not_tested(format!(
                "{} frames from other addresses were heard {when}, and programs of this computer sent as many out of \
                 this port: they may be its own, turned round by the plug",
                count(heard)
            ))
            .sure("certain that they were heard; not whether another station or a program here sent them")
            .then("find the program that sends on this port and end it; if there is none, look at the other end"),
        );
    }
    Some(
        Finding::not_tested(format!(
            "{} frames of other stations were heard {when}. This port is connected to a live network, not to a plug.",
            count(heard)
        ))
        .sure("certain: frames of another station were heard")
        .then("Find out what the other end is connected to. Fit the plug, then test again."),
    )
}

fn reconfigured(e: &EthernetFacts) -> Option<Finding> {
    (e.common.stopped == Some(Stopped::Reconfigured)).then(|| {
        Finding::undecided(format!(
            "somebody on this computer switched the port off or changed its MTU or address after {} probes; what \
             failed meanwhile says nothing of port, plug or cable",
            count(e.counts.sent)
        ))
        .sure("certain: this is what the host says")
        .then("find out which program looks after this port, have it leave the port alone, then repeat")
    })
}

#[cfg(test)]
pub(super) fn examples() -> Vec<super::fixture::Example> {
    use super::fixture::with;
    use crate::judge::Outcome;
    vec![
        (RuleId::ForeignTraffic, with(|e| e.heard.foreign_before = 1), Outcome::NotTested, vec![]),
        (
            RuleId::ForeignTraffic,
            with(|e| (e.heard.foreign_during, e.heard.testers) = (7, 7)),
            Outcome::NotTested,
            vec![],
        ),
        (RuleId::Reconfigured, with(|e| e.common.stopped = Some(Stopped::Reconfigured)), Outcome::Undecided, vec![]),
    ]
}
