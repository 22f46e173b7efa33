//! A rule of a verdict, whatever kind of port its evidence is of.

use super::{Location, Outcome, Reason, RuleId, Verdict};

/// One verdict rule over facts `F`.
pub struct Rule<F> {
    /// Its name, which also says when it is asked.
    pub id: RuleId,
    /// Says what it finds, or nothing.
    pub decide: fn(&F) -> Option<Finding>,
}

impl<F> Rule<F> {
    /// The rule's verdict, if it has one.
    pub fn judge(&self, facts: &F) -> Option<Verdict> {
        let finding = (self.decide)(facts)?;
        Some(Verdict {
            outcome: finding.outcome,
            location: finding.location,
            segment: None,
            scope: finding.scope,
            sureness: finding.sureness,
            reasons: vec![Reason { rule: self.id.clone(), text: finding.text }],
            next: finding.next,
        })
    }
}

/// Something said beside any verdict, which decides nothing.
pub struct Remark<F> {
    /// Its name, which also says where it stands among others.
    pub id: RuleId,
    /// Says what there is to say, or nothing.
    pub say: fn(&F) -> Option<String>,
}

/// What a rule concludes from the facts of a run.
pub struct Finding {
    /// Pass, fault, undecided or not tested.
    pub outcome: Outcome,
    /// For a fault: the things among which it lies.
    pub location: Vec<Location>,
    /// How sure, in words.
    pub sureness: String,
    /// What was found, with its figure.
    pub text: String,
    /// What the outcome covers, where that is less than was planned or than the port can do.
    pub scope: Option<String>,
    /// What to do now.
    pub next: String,
}

impl Finding {
    /// Blames nobody.
    pub fn new(outcome: Outcome, text: impl Into<String>) -> Self {
        let (sureness, next) = (String::new(), String::new());
        Self { outcome, location: Vec::new(), sureness, text: text.into(), scope: None, next }
    }

    /// This evidence decides nothing.
    pub fn undecided(text: impl Into<String>) -> Self {
        Self::new(Outcome::Undecided, text)
    }

    /// Nothing was tested.
    pub fn not_tested(text: impl Into<String>) -> Self {
        Self::new(Outcome::NotTested, text)
    }

    /// A fault among these.
    pub fn fault(location: Vec<Location>, text: impl Into<String>) -> Self {
        Self { location, ..Self::new(Outcome::Fault, text) }
    }

    /// Says how sure that is.
    pub fn sure(self, how: impl Into<String>) -> Self {
        Self { sureness: how.into(), ..self }
    }

    /// Says what the outcome covers, where that is not everything.
    pub fn covering(self, scope: Option<String>) -> Self {
        Self { scope, ..self }
    }

    /// Says what to do now.
    pub fn then(self, next: impl Into<String>) -> Self {
        Self { next: next.into(), ..self }
    }
}
