//! A rule of a verdict, whatever kind of port its evidence is of.

use super::{Location, Outcome, Reason, Verdict};

/// A rule that can decide a run with evidence `E`.
pub struct Rule<E> {
    /// Its name, as in reports and `docs/verdict.md`.
    pub name: &'static str,
    /// Speaks or stays silent.
    pub decide: fn(&E) -> Option<Finding>,
}

impl<E> Rule<E> {
    /// The rule's verdict, if it has one.
    pub fn judge(&self, evidence: &E) -> Option<Verdict> {
        let finding = (self.decide)(evidence)?;
        Some(Verdict {
            outcome: finding.outcome,
            location: finding.location,
            segment: None,
            sureness: finding.sureness,
            reasons: vec![Reason { rule: self.name.to_owned(), text: finding.text }],
            next: finding.next,
        })
    }
}

/// What a rule says when it speaks.
pub struct Finding {
    /// Pass, fault, undecided or not tested.
    pub outcome: Outcome,
    /// For a fault: the things among which it lies.
    pub location: Vec<Location>,
    /// How sure, in words.
    pub sureness: String,
    /// What was found, with its figure.
    pub text: String,
    /// What to do now.
    pub next: String,
}

/// What is said beside any verdict: a name, and the words where there are any.
pub type Remark<E> = (&'static str, fn(&E) -> Option<String>);

/// The first rule that speaks decides; remarks follow.
pub fn judge_by<E>(rules: &[Rule<E>], remarks: &[Remark<E>], evidence: &E) -> Verdict {
    let deciding = rules.iter().find_map(|rule| rule.judge(evidence));
    let mut verdict = deciding.unwrap_or_else(|| Verdict {
        outcome: Outcome::Undecided,
        location: Vec::new(),
        segment: None,
        sureness: "no rule fits this evidence".into(),
        reasons: Vec::new(),
        next: "repeat the run; if this persists, keep the report and tell the maintainers".into(),
    });
    verdict.reasons.extend(
        remarks
            .iter()
            .filter_map(|(name, remark)| remark(evidence).map(|text| Reason { rule: (*name).to_owned(), text })),
    );
    verdict
}
