//! Which failures of a test beside other cards are not put on the card: the test is repeated alone then.

use turnback_core::{
    bench::{
        facts::{DataRun, Facts},
        findings::{RestsOn, findings},
        procedure::TestName,
    },
    document::card_test::CardTest,
    judge::RuleId,
};

use crate::work::bench::seam::{Came, Measured};

/// Kept in the records: it says that the next try at the test is made alone.
pub(super) const BESIDE: &str = "it failed beside other cards, and is repeated alone";

/// What came of a test beside others. What fails there may be due to them: the test is repeated alone then.
pub(super) fn unless_due_to_others(test: &CardTest, came: Came) -> Came {
    match came {
        Came::Measured(measured) if may_be_due_to_others(test, &measured) => Came::Repeat(measured),
        other => other,
    }
}

fn may_be_due_to_others(test: &CardTest, measured: &Measured) -> bool {
    let found = findings(&measured.facts, &test.procedure, &test.card, &test.claim);
    // A port that failed an earlier test for good is known to be bad.
    let is_known = |port| {
        let last = TestName::ALL.into_iter().filter_map(|name| test.last(name));
        port > 0 && last.into_iter().any(|attempt| attempt.failures(RestsOn::Transceiver, Some(port)).next().is_some())
    };
    let mut failed = found.iter().filter(|finding| !finding.met && !is_known(finding.port.unwrap_or(0)));
    match &measured.facts {
        // Others take throughput. Hours are not repeated for what they cannot do.
        Facts::BurnIn { .. } => failed.any(|finding| matches!(finding.rule, RuleId::CardSlow | RuleId::CardSlows)),
        Facts::Data { runs, .. } => {
            let says = |run: &DataRun| run.is_open() || run.fails_on_line() || run.fails_in_host();
            runs.iter().any(|run| says(run) && !is_known(run.port))
        }
        // The bus between card and slot is the card's alone.
        Facts::Bus(_) => false,
        _ => failed.next().is_some(),
    }
}

/// The last try at this test failed beside others.
pub(super) fn is_to_be_alone(test: &CardTest, name: TestName) -> bool {
    let last = test.attempts.iter().rfind(|attempt| attempt.test == name);
    last.is_some_and(|attempt| attempt.cut_off.as_deref() == Some(BESIDE))
}
