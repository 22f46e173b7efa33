//! Rules on a port that is not ours to test: somebody uses it.

use super::{Finding, finding};
use crate::base::figure::count;
use crate::judge::Outcome;
use crate::kind::ethernet::facts::Evidence;

pub(super) fn in_service(e: &Evidence) -> Option<Finding> {
    if e.in_service.is_empty() {
        return None;
    }
    finding(
        Outcome::NotTested,
        vec![],
        "certain: this is what the host says",
        format!("the port is in service: {}", e.in_service.join("; ")),
        "free the port, or test a spare one",
    )
}

pub(super) fn foreign_traffic(e: &Evidence) -> Option<Finding> {
    let heard = e.heard.foreign_before.saturating_add(e.heard.foreign_during);
    if heard == 0 {
        return None;
    }
    let when = if e.heard.foreign_before > 0 { "before anything was sent" } else { "during the run, which stopped" };
    finding(
        Outcome::NotTested,
        vec![],
        "certain: frames of another station were heard",
        format!(
            "{} frames of other stations were heard {when}: this port is on a live network, not on a plug",
            count(heard)
        ),
        "find out what the other end is connected to; fit the plug, then repeat",
    )
}
