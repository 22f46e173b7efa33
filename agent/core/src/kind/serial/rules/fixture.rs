//! Facts to test rules on: a good run, and ways to change it.

use crate::base::placement::Placement;
use crate::judge::{RuleId, Verdict, judge};
use crate::judge::{
    facts::{Common, Reference, Trouble},
    ratio::Limit,
};
use crate::kind::serial::facts::{FlowCheck, FormatTrial, ModemReading, SerialFacts};
use crate::kind::serial::format::{LineCapabilities, LineErrors, LineFormat, ModemInputs, ModemOutputs};
use crate::kind::serial::plug::LinePlug;
use crate::kind::serial::stream::LineCounts;
use crate::signal::compare::DamageKind;
use crate::signal::when::When;
use crate::stats::looks::Looks;

/// A good run at a port with a full plug: enough bits for the limit.
pub(in crate::kind::serial) fn good() -> SerialFacts {
    SerialFacts {
        common: Common {
            placement: Placement::AtPort,
            in_service: Vec::new(),
            damage: DamageKind::None,
            slowdowns: 0,
            limit: Limit { bit_error_ratio: 1e-5, confidence: 0.95, looks: Looks::Once },
            stopped: None,
            references: Vec::new(),
            plan_done: None,
            is_proof: false,
        },
        capabilities: LineCapabilities {
            modem_lines: true,
            counts_errors: true,
            counts_all_overruns: true,
            marks_errors: true,
            sends_break: true,
            paced: true,
            buffer_bytes: 4096,
            ..LineCapabilities::default()
        },
        plug: LinePlug::De9,
        format: LineFormat::default(),
        foreign: 0,
        counts: LineCounts {
            sent: 1_000_000,
            returned: 1_000_000,
            bits_compared: 8_000_000,
            pieces: 4000,
            ..LineCounts::default()
        },
        errors: Some(LineErrors::default()),
        since_slowed: LineCounts::default(),
        lost_at_slowest: 0,
        modem: readings(|o| ModemInputs { cts: o.rts, dsr: o.dtr, dcd: o.dtr, ri: false }),
        flow: Some(FlowCheck { sent: 512, came_while_off: 16, came_in_all: 512 }),
        break_returned: Some(true),
        speeds: Vec::new(),
        formats: Vec::new(),
        silence: None,
        when: When::default(),
    }
}

pub(super) fn readings(read: impl Fn(ModemOutputs) -> ModemInputs) -> Vec<ModemReading> {
    [(false, false), (true, false), (false, true), (true, true)]
        .map(|(rts, dtr)| {
            let outputs = ModemOutputs { rts, dtr, ..ModemOutputs::default() };
            ModemReading { outputs, inputs: read(outputs) }
        })
        .into()
}

/// A format or speed at which so many of 2000 bytes were lost.
pub(super) fn trial(text: &str, lost: u64) -> FormatTrial {
    FormatTrial {
        asked: text.parse().unwrap(),
        taken: text.parse().ok(),
        counts: LineCounts { sent: 2000, returned: 2000 - lost, lost, ..LineCounts::default() },
        errors: None,
        share_of_line: None,
    }
}

pub(super) fn with(change: impl FnOnce(&mut SerialFacts)) -> Verdict {
    let mut evidence = good();
    change(&mut evidence);
    let verdict = judge(&evidence);
    verdict.assert_reads_well();
    verdict
}

pub(super) fn rule(verdict: &Verdict) -> RuleId {
    verdict.reasons[0].rule.clone()
}

pub(super) fn at(placement: Placement, failures: u64, trials: u64) -> Reference {
    let trouble = Trouble { tried: trials, failed: failures, ..Trouble::default() };
    Reference { placement, trials, failures, link_up: true, returned_any: trials > 0, trouble }
}
