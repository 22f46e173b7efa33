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
    Some(
        Finding::not_tested(format!(
            "{} frames of other stations were heard {when}: this port is on a live network, not on a plug",
            count(heard)
        ))
        .sure("certain: frames of another station were heard")
        .then("find out what the other end is connected to; fit the plug, then repeat"),
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
        (RuleId::Reconfigured, with(|e| e.common.stopped = Some(Stopped::Reconfigured)), Outcome::Undecided, vec![]),
    ]
}
