//! The rule on a port that somebody else uses.

use crate::base::figure::{count, counted};
use crate::judge::RuleId;
use crate::judge::rule::{Finding, Rule};
use crate::kind::ethernet::facts::EthernetFacts;

pub(super) const RULES: &[Rule<EthernetFacts>] = &[Rule { id: RuleId::ForeignTraffic, decide: foreign_traffic }];

fn foreign_traffic(e: &EthernetFacts) -> Option<Finding> {
    let heard = e.heard.foreign_before.saturating_add(e.heard.foreign_during);
    if heard == 0 {
        return None;
    }
    let when = if e.heard.foreign_before > 0 { "before anything was sent" } else { "during the run, which stopped" };
    if e.heard.testers > 0 {
        return Some(
            Finding::not_tested(format!(
                "Another turnback runs at the other end: {} of its frames came in {when}.",
                count(e.heard.testers)
            ))
            .sure("certain: frames of another run came in from another address")
            .then(
                "End the other run. For a cable between two ports of one computer use --return-port; otherwise fit a \
                 plug. Then test again.",
            ),
        );
    }
    // A loop turns this computer's own frames round too, and a program may send from any address.
    if e.heard.sent_by_host.is_some_and(|sent| sent >= heard) {
        return Some(
            Finding::not_tested(format!(
                "{} from other addresses came in {when}, and programs on this computer sent as many out of this port. \
                 They may be its own, turned back by the plug.",
                counted(heard, "frame")
            ))
            .sure("certain that they came in; not whether another station or a program here sent them")
            .then("Find the program that sends on this port and end it. If there is none, look at the other end."),
        );
    }
    Some(
        Finding::not_tested(format!(
            "{} of other stations came in {when}. This port is connected to a live network, not to a plug.",
            counted(heard, "frame")
        ))
        .sure("certain: frames of another station came in")
        .then("Find out what the other end is connected to. Fit the plug, then test again."),
    )
}

#[cfg(test)]
pub(super) fn examples() -> Vec<super::fixture::Example> {
    use super::fixture::with;
    use crate::judge::Outcome;
    use crate::judge::facts::Stopped;
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
