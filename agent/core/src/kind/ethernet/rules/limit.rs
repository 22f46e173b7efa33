//! The rule on failures beyond the limit that are too few to blame anybody.

use crate::base::figure::{count, counted};
use crate::judge::RuleId;
use crate::judge::rule::{Finding, Rule};
use crate::judge::{facts::Facts, ratio::Basis};
use crate::kind::ethernet::facts::EthernetFacts;

pub(super) const RULES: &[Rule<EthernetFacts>] = &[Rule { id: RuleId::FewHits, decide: few_hits }];

/// More of the same run dilutes a burst slowly; whether it comes back is what decides.
fn few_hits(e: &EthernetFacts) -> Option<Finding> {
    let ratio = e.error_ratio()?;
    if ratio.proved_above <= ratio.limit {
        return None;
    }
    let hits = match ratio.basis {
        Basis::Bits => format!("{} wrong bits in {}", count(ratio.errors), counted(e.counts.damaged, "frame")),
        Basis::Frames => format!("{} failed", counted(ratio.errors, "frame")),
    };
    Some(
        Finding::undecided(format!(
            "{hits}, of {} frames. That is above the limit, but a single disturbance from outside can cause it.",
            count(e.frames_tried())
        ))
        .sure("certain that it happened; not that it will happen again")
        .then(
            "Test again. A disturbance from outside, such as a motor nearby, does not come back. If the errors come \
             back, run --profile soak --for 1h and move plug and cable meanwhile.",
        ),
    )
}

#[cfg(test)]
pub(super) fn examples() -> Vec<super::fixture::Example> {
    use super::fixture::with;
    use crate::judge::Outcome;
    vec![(
        RuleId::FewHits,
        // One burst: as bits far over the limit, as frames one in a million.
        with(|e| {
            e.capabilities.checks_frames = false;
            (e.counts.bit_errors, e.counts.damaged) = (500, 1);
        }),
        Outcome::Undecided,
        vec![],
    )]
}
