//! The rule on formats and speeds that fail where others do not.

use crate::base::figure::count;
use crate::judge::RuleId;
use crate::judge::ratio::ERRORS_MIN;
use crate::judge::rule::{Finding, Rule};
use crate::judge::suspects::blame;
use crate::kind::serial::facts::{FormatTrial, SerialFacts};

pub(super) const RULES: &[Rule<SerialFacts>] = &[Rule { id: RuleId::FormatFails, decide: format_fails }];

fn format_fails(e: &SerialFacts) -> Option<Finding> {
    let slower =
        |trial: &&FormatTrial| trial.taken.is_some_and(|taken| taken.bits_per_second <= e.format.bits_per_second);
    let failing: Vec<String> = e
        .formats
        .iter()
        .chain(e.speeds.iter().filter(slower))
        .filter(|trial| trial.failures() >= ERRORS_MIN)
        .filter_map(|trial| {
            trial
                .taken
                .map(|taken| format!("{taken} ({} of {} bytes)", count(trial.failures()), count(trial.counts.sent)))
        })
        .collect();
    if failing.is_empty() {
        return None;
    }
    Some(blame(
        e,
        "certain: each was tried twice and failed, and others did not",
        format!("Fails at {}. {} works.", failing.join(", "), e.format),
    ))
}
