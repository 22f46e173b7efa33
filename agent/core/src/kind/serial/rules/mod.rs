//! Evidence of a serial run to verdict: named rules in order ([`list::LINE_RULES`]) and remarks ([`remarks::LINE_REMARKS`]),
//! as for frames.

pub mod list;
pub mod modem;
pub mod remarks;
#[cfg(test)]
mod tests;

use crate::judge::facts::Basis;
use crate::judge::ratio::ErrorRatio;
use crate::judge::{Location, Outcome, Verdict, rule};
use crate::kind::serial::facts::LineEvidence;
use crate::stats::ratio::Bounds;

/// Judges a run on a serial port.
pub fn judge_line(evidence: &LineEvidence) -> Verdict {
    rule::judge_by(list::LINE_RULES, remarks::LINE_REMARKS, evidence)
}

/// Bit error ratio of the data bits, `None` when nothing was compared.
pub fn line_error_ratio(e: &LineEvidence) -> Option<ErrorRatio> {
    let (errors, trials) = (e.counts.bit_errors, e.counts.bits_compared);
    let bounds = Bounds::new(errors, trials, e.limit.confidence).ok()?;
    Some(ErrorRatio::new(Basis::Bits, errors, trials, &bounds, &e.limit))
}

/// What a plug on a serial line cannot show, whatever the result (common practice, no source; the clock is computed: both
/// directions share it).
pub fn line_cannot_show(e: &LineEvidence) -> Vec<String> {
    let mut list = vec![
        "a wrong speed or clock: what is sent and what is received run from the same clock, so both are wrong alike"
            .to_owned(),
        "levels: over a plug's short path a weak line driver still reaches".to_owned(),
        "slew: edges too slow or too steep for a long cable look right on a plug".to_owned(),
    ];
    if !e.capabilities.modem_lines {
        list.push("modem lines: this port has none, or its driver does not show them".to_owned());
    }
    if !e.capabilities.counts_errors {
        list.push("framing, parity and overrun counts: this port's driver keeps none".to_owned());
    }
    if !e.capabilities.paced {
        list.push("anything about a line: bytes do not take their time here, so there is none".to_owned());
    }
    list
}
