//! Evidence to verdict: a pure function, written as named rules in one list ([`rules::RULES`]).
//!
//! The first rule that speaks decides the outcome. Rules that only add to the picture ([`rules::REMARKS`]) come after it.
//! `docs/verdict.md` explains each.

pub mod facts;
pub mod ratio;
pub mod rule;

use serde::{Deserialize, Serialize};

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
}

/// Why, in a rule's words.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// Name of the rule, as in `docs/verdict.md`.
    pub rule: String,
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
    /// How sure, in words with the figure it rests on.
    pub sureness: String,
    /// Every rule that had something to say, the deciding one first.
    pub reasons: Vec<Reason>,
    /// What to do now.
    pub next: String,
}

impl Verdict {
    /// Of a run that the host did not let begin, or go on: there is no evidence to judge.
    pub fn refused(text: String, next: String) -> Self {
        Self {
            outcome: Outcome::NotTested,
            location: Vec::new(),
            segment: None,
            sureness: "certain: this is what the host says".into(),
            reasons: vec![Reason { rule: "refused".into(), text }],
            next,
        }
    }
}
