//! A card test: everything that was done to one card, and its grade.
//!
//! [`CardTest`] is the document that is kept. [`settle`] grades it and chooses the next [`step`].

pub mod settle;
pub mod step;
#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

use crate::bench::attempt::Attempt;
use crate::bench::card::Card;
use crate::bench::claim::Claim;
use crate::bench::facts::Facts;
use crate::bench::guilt::{Use, uses};
use crate::bench::procedure::{Procedure, TestName};
use crate::judge::{RuleId, Verdict};
use step::Step;

/// Version of the document. It grows by one when a field changes its meaning or goes; new fields do not change it.
pub const FORMAT: u32 = 1;

/// The whole card test. Its JSON says `"document": "card-test"`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "document", rename = "card-test")]
pub struct CardTest {
    /// Version of this document.
    pub format: u32,
    /// Program and its version that wrote it last.
    pub program: String,
    /// Unique id of the card test.
    pub test: String,
    /// Label of the card: that of its lot with its number, `stores-bench-03`.
    pub label: String,
    /// Label of its lot; none for the reference card.
    pub lot: Option<String>,
    /// The bench: name of the machine, or of the simulated bench. Plugs and slots belong to it.
    pub bench: String,
    /// When it was begun, RFC 3339 with zone.
    pub started_at: String,
    /// When an attempt was added last.
    pub changed_at: String,
    /// The card is the bench's own, known to be good: it proves the bench.
    #[serde(default)]
    pub is_reference: bool,
    /// Who the card is.
    pub card: Card,
    /// What it is said to be.
    pub claim: Claim,
    /// What it is tested with.
    pub procedure: Procedure,
    /// Label of the slot that it is in.
    pub slot: String,
    /// Label of the plug in each port; none for a port without one.
    pub plugs: Vec<Option<String>>,
    /// Label of the transceiver in each port; none for a port that has none which can be taken out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub transceivers: Vec<Option<String>>,
    /// The plug, slot or transceiver that is tried in the reference card, where that is all that this test is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tried: Option<String>,
    /// Every try at a test, in their order.
    pub attempts: Vec<Attempt>,
    /// How the bench was proved when the card was graded; none if it was not.
    pub proof: Option<Proof>,
    /// The grade so far.
    pub grade: Grade,
    /// The same as a verdict, with its reasons.
    pub verdict: Verdict,
    /// What comes next; none when nothing is left to do.
    pub next: Option<Step>,
}

impl CardTest {
    /// A card test without an attempt yet, and without a slot: who did what where and when is for the caller to say.
    pub fn of(label: String, card: Card, claim: Claim, procedure: Procedure) -> Self {
        Self {
            format: FORMAT,
            program: String::new(),
            test: String::new(),
            label,
            lot: None,
            bench: String::new(),
            started_at: String::new(),
            changed_at: String::new(),
            is_reference: false,
            card,
            claim,
            procedure,
            slot: String::new(),
            plugs: Vec::new(),
            transceivers: Vec::new(),
            tried: None,
            attempts: Vec::new(),
            proof: None,
            grade: Grade::Unfinished,
            verdict: Verdict::unjudged(),
            next: None,
        }
    }
}

/// What these tests cannot show of a card.
pub const CANNOT_SHOW: [&str; 4] = [
    "how far a port's transmit level and receiver are from their limits: a plug is the easiest line there is",
    "faults that did not appear during the test, such as those from other heat, movement or wear",
    "negotiation with real partners, and clock accuracy: a port with a plug receives its own clock",
    "who made the card: an identity can be copied whole",
];

/// A test of the reference card that proved the bench.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Proof {
    /// Id of the card test of the reference card.
    pub test: String,
    /// When it ended.
    pub at: String,
    /// When it ended, milliseconds since 1970 UTC.
    pub at_ms: i64,
}

/// What a card is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// Fit.
    Accepted,
    /// Fit for a named use only.
    Limited,
    /// Not fit.
    Rejected,
    /// Something is left to do.
    Unfinished,
}

impl Grade {
    /// Every grade.
    pub const ALL: [Self; 4] = [Self::Accepted, Self::Limited, Self::Rejected, Self::Unfinished];

    /// The word used in documents.
    pub fn name(self) -> &'static str {
        match self {
            Self::Accepted => "accepted",
            Self::Limited => "limited",
            Self::Rejected => "rejected",
            Self::Unfinished => "unfinished",
        }
    }
}

impl CardTest {
    /// The card as a person calls it.
    pub fn named(&self) -> String {
        if self.is_reference { "the reference card".to_owned() } else { format!("card {}", self.label) }
    }

    /// The uses of plugs, slots and transceivers in this card test.
    pub fn uses(&self) -> Vec<Use> {
        uses(&self.test, self.is_reference, self.tried.as_deref(), &self.attempts)
    }

    /// The last attempt at a test that ran to its end.
    pub fn last(&self, test: TestName) -> Option<&Attempt> {
        self.attempts.iter().rfind(|attempt| attempt.test == test && attempt.is_done())
    }

    /// How often a test was made to its end.
    pub fn tries(&self, test: TestName) -> usize {
        self.attempts.iter().filter(|attempt| attempt.test == test && attempt.is_done()).count()
    }

    /// The reason of the grade that people look for first: a failure before what follows from it.
    pub fn why(&self) -> String {
        let follows = |rule: &RuleId| {
            matches!(rule, RuleId::BenchSetAside | RuleId::BenchUnproved | RuleId::CardAccepted | RuleId::CardLimited)
        };
        let first = self.verdict.reasons.iter().find(|reason| !follows(&reason.rule));
        first.map_or(String::new(), |reason| format!("{}: {}", reason.rule, reason.text))
    }

    /// Share of the procedure that is done, `0.0..=1.0`.
    pub fn done(&self) -> f64 {
        let tests = self.procedure.tests();
        let done = tests.iter().filter(|test| self.last(**test).is_some()).count();
        done as f64 / tests.len().max(1) as f64
    }

    /// The throughput that the card reached, as a share of what its line and bus allow; none where it was not measured.
    pub fn throughput_share(&self) -> Option<f64> {
        match &self.last(TestName::Load)?.facts {
            Some(Facts::Load(load)) => load.share(),
            _ => None,
        }
    }
}
