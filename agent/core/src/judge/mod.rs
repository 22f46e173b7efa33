//! From the facts of a run to its verdict: a pure function, written as rules.
//!
//! [`judge`] asks the rules in the order of their ids ([`id`]); the first that speaks decides. Remarks add to the
//! picture and decide nothing. [`shared`] and `remarks` hold those that every kind of port has, over the trait of
//! [`facts`]; each kind brings its own. `docs/verdict.md` explains every one.

pub mod facts;
pub mod id;
pub mod ratio;
mod remarks;
pub mod rule;
pub mod shared;
pub mod suspects;

pub use id::RuleId;
use serde::{Deserialize, Serialize};

use facts::Facts;
use remarks::Remarks;
use rule::{Remark, Rule};
use shared::Shared;

/// Every rule over facts `F`, in the order in which they are asked.
pub fn rules<F: Facts>() -> Vec<&'static Rule<F>> {
    let mut rules: Vec<_> = Shared::<F>::RULES.iter().chain(F::RULES.iter().copied().flatten()).collect();
    rules.sort_by(|a, b| a.id.cmp(&b.id));
    rules
}

/// Every remark over facts `F`, in the order in which they follow a verdict.
pub fn remarks<F: Facts>() -> Vec<&'static Remark<F>> {
    let mut remarks: Vec<_> = Remarks::<F>::ALL.iter().chain(F::REMARKS).collect();
    remarks.sort_by(|a, b| a.id.cmp(&b.id));
    remarks
}

/// The verdict on a run: the first rule that speaks decides; remarks follow.
pub fn judge<F: Facts>(facts: &F) -> Verdict {
    let deciding = rules().into_iter().find_map(|rule| rule.judge(facts));
    let mut verdict = deciding.unwrap_or_else(|| Verdict {
        outcome: Outcome::Undecided,
        location: Vec::new(),
        segment: None,
        scope: None,
        sureness: "no rule fits this evidence".into(),
        reasons: Vec::new(),
        next: "Test again. If this comes back, keep the report and tell the maintainers.".into(),
    });
    // What was found, was found; but whoever reads the answer knows that the plan was not carried out.
    if verdict.scope.is_none() && verdict.outcome != Outcome::NotTested {
        let ended = facts.common().ended_by_hand();
        verdict.scope = ended.map(|done| format!("ended by hand, {}", done.in_words()));
    }
    // When it failed says more than how much: a hand on the plug looks like that.
    let when = facts.when();
    let says_itself =
        matches!(verdict.rule(), Some(RuleId::WentSilent | RuleId::SilentOnce | RuleId::PortGone | RuleId::InService));
    if let (false, Some(told), Some(reason)) = (says_itself, when.in_words(), verdict.reasons.first_mut()) {
        reason.text = format!("{} {told}", reason.text);
    }
    let may_be_a_hand = match verdict.rule() {
        Some(RuleId::LinkFlapped) => verdict.outcome == Outcome::Fault,
        _ => !says_itself && verdict.outcome != Outcome::Pass && !when.gaps.is_empty(),
    };
    if may_be_a_hand {
        verdict.next = format!("If somebody moved plug or cable then, test again without. {}", verdict.next);
    }
    let said = |remark: &Remark<F>| Some(Reason { rule: remark.id.clone(), text: (remark.say)(facts)? });
    verdict.reasons.extend(remarks().into_iter().filter_map(said));
    verdict
}

/// What a run found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Proved at least as good as the limit.
    Pass,
    /// Something is at fault.
    Fault,
    /// This evidence decides nothing; `next` says what would.
    Undecided,
    /// Nothing was tested.
    NotTested,
}

impl Outcome {
    /// The word used in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fault => "fault",
            Self::Undecided => "undecided",
            Self::NotTested => "not-tested",
        }
    }

    /// Exit status of the program.
    pub fn exit_status(self) -> u8 {
        match self {
            Self::Pass => 0,
            Self::Fault => 1,
            Self::Undecided => 3,
            Self::NotTested => 4,
        }
    }
}

/// An outcome in a list, with the place of a fault or what a pass is limited to. `outcome` is its word for people.
pub fn in_list(outcome: &str, place: &str, scope: Option<&str>) -> String {
    match scope {
        _ if !place.is_empty() => format!("{outcome}: {place}"),
        Some(scope) if outcome == Outcome::Pass.name() => format!("{outcome} {scope}"),
        _ => outcome.to_owned(),
    }
}

/// A thing that can be at fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Location {
    /// The port under test.
    Port,
    /// The second port of a return-port run.
    ReturnPort,
    /// The loopback plug.
    Plug,
    /// The cable between them.
    Cable,
    /// Everything behind the adapter's frame check: bus, memory, this computer.
    Host,
}

impl Location {
    /// All, in the order in which they are named.
    pub const ALL: [Self; 5] = [Self::Port, Self::ReturnPort, Self::Plug, Self::Cable, Self::Host];

    /// The word used in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Port => "port",
            Self::ReturnPort => "return-port",
            Self::Plug => "plug",
            Self::Cable => "cable",
            Self::Host => "host",
        }
    }

    /// For people, within a sentence.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Port => "the port",
            Self::ReturnPort => "the return port",
            Self::Plug => "the plug",
            Self::Cable => "the cable",
            Self::Host => "this computer (host side of the adapter)",
        }
    }
}

/// Why, in a rule's words.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// The rule; `docs/verdict.md` explains each.
    pub rule: RuleId,
    /// What was found, with its figure.
    pub text: String,
}

/// What a run says in the end.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Verdict {
    /// Pass, fault, undecided or not tested.
    pub outcome: Outcome,
    /// For a fault: the things among which it lies, which this evidence cannot tell apart.
    pub location: Vec<Location>,
    /// The segment of the cable, where a case has narrowed it down to one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub segment: Option<String>,
    /// What the outcome covers, where that is less than was planned or than the port can do: it belongs beside the
    /// outcome wherever that is shown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scope: Option<String>,
    /// How sure, in words with the figure it rests on.
    pub sureness: String,
    /// Every rule that had something to say, the deciding one first.
    pub reasons: Vec<Reason>,
    /// What to do now.
    pub next: String,
}

impl Verdict {
    /// The rule that decided; none where no rule fits.
    pub fn rule(&self) -> Option<&RuleId> {
        self.reasons.first().map(|reason| &reason.rule)
    }

    /// The outcome where somebody says that a plug is fitted: nothing through an open loop is a failure then.
    pub fn outcome_if_plugged(&self) -> Outcome {
        match self.rule() {
            Some(RuleId::LoopOpen) => Outcome::Fault,
            _ => self.outcome,
        }
    }

    /// Before anything was judged: undecided, without a word.
    pub fn unjudged() -> Self {
        Self {
            outcome: Outcome::Undecided,
            location: Vec::new(),
            segment: None,
            scope: None,
            sureness: String::new(),
            reasons: Vec::new(),
            next: String::new(),
        }
    }

    /// Of a run that the host did not let begin, or go on: there is no evidence to judge.
    pub fn refused(text: String, next: String) -> Self {
        Self {
            outcome: Outcome::NotTested,
            location: Vec::new(),
            segment: None,
            scope: None,
            sureness: "certain: this computer says so".into(),
            reasons: vec![Reason { rule: RuleId::Refused, text }],
            next,
        }
    }
}

#[cfg(test)]
impl Verdict {
    /// Holds every text to the manner in which people are told things: whole sentences, no riddles, numbers as people
    /// write them. `--nocapture` prints them.
    pub(crate) fn assert_reads_well(&self) {
        println!("{} / {}", self.sureness, self.next);
        assert!(!self.sureness.is_empty() && !self.sureness.ends_with('.'), "{self:?}");
        let texts = self.reasons.iter().inspect(|reason| println!("    {}: {}", reason.rule, reason.text));
        for text in texts.map(|reason| &reason.text).chain([&self.next]) {
            let sentences = text.split_inclusive(". ");
            let begun = sentences.skip(1).all(|s| !s.starts_with(char::is_lowercase) || s.contains("-"));
            assert!(text.ends_with('.') && begun, "not in sentences: {text}");
            for word in ["condemn", "known-good port", "prove the", "put back", "e0", " ;", "..", ". ;", ". :", "; ;"] {
                assert!(!text.contains(word), "{word:?} in {text}");
            }
        }
    }
}

#[cfg(test)]
mod tests;
