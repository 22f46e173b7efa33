//! The bench as it is shown, and what people answer to it.

use serde::{Deserialize, Serialize};
use turnback_core::{bench::procedure::TestName, document::card_test::Grade};

/// A bench, its slots, and the lot whose cards are tested there.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct BenchView {
    /// Name: that of the machine, or of the simulated bench.
    pub bench: String,
    /// The lot; none while there is none to test.
    pub lot: Option<LotView>,
    /// Its slots, that of the reference card last.
    pub slots: Vec<SlotView>,
    /// What keeps the bench from its work, with the way out; none if nothing does.
    pub trouble: Option<String>,
}

/// How far a lot is.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct LotView {
    /// Its label.
    pub label: String,
    /// What its cards are tested with.
    pub procedure: String,
    /// Cards that are to be tested.
    pub to_test: u32,
    /// Cards that have a grade.
    pub tested: u32,
    /// Cards that are fit.
    pub accepted: u32,
    /// Cards that are fit for a named use.
    pub limited: u32,
    /// Cards that are not fit.
    pub rejected: u32,
    /// Cards that were begun and have no grade yet.
    pub unfinished: u32,
    /// What is decided about it, in words.
    pub decided: String,
    /// Its cards, the one changed last first.
    pub cards: Vec<CardLine>,
}

/// A card of the lot.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CardLine {
    /// Its label.
    pub card: String,
    /// Its grade.
    pub grade: Grade,
    /// Why, unless it is accepted.
    pub why: String,
}

/// What goes on in a slot.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SlotState {
    /// No card is in it.
    #[default]
    Empty,
    /// A test is on.
    Testing,
    /// Somebody has to do something with the hands.
    Hands,
    /// The card waits for its turn, for a plug, or for hands that are busy elsewhere.
    Waits,
    /// Nobody could do what was asked for; the card is left until somebody asks again.
    Left,
    /// The card has a grade: it can be taken out.
    Graded,
    /// The card cannot get a grade now.
    Unfinished,
    /// The card is left alone: it is in service, watched by a round, or cannot be tested.
    LeftAlone,
}

impl SlotState {
    /// All.
    pub const ALL: [Self; 8] = [
        Self::Empty,
        Self::Testing,
        Self::Hands,
        Self::Waits,
        Self::Left,
        Self::Graded,
        Self::Unfinished,
        Self::LeftAlone,
    ];

    /// The word used in documents.
    pub fn name(self) -> &'static str {
        match self {
            Self::Empty => "empty",
            Self::Testing => "testing",
            Self::Hands => "hands",
            Self::Waits => "waits",
            Self::Left => "left",
            Self::Graded => "graded",
            Self::Unfinished => "unfinished",
            Self::LeftAlone => "left-alone",
        }
    }
}

/// A slot and the card in it.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct SlotView {
    /// Label of the slot.
    pub slot: String,
    /// What goes on.
    pub state: SlotState,
    /// Label of the card; none for one that has no number yet.
    pub card: Option<String>,
    /// What kind of card it is.
    pub kind: Option<String>,
    /// It is the reference card.
    pub is_reference: bool,
    /// The test that is on.
    pub testing: Option<Testing>,
    /// Share of the procedure that is done, `0.0..=1.0`.
    pub done: f64,
    /// The grade.
    pub grade: Option<Grade>,
    /// Why it has that grade, waits, or is left alone, in words.
    pub why: String,
    /// When the test that it waits for ends, ms since 1970-01-01 UTC; none where it waits for none, or nobody knows.
    pub until_ms: Option<i64>,
    /// What to do with the hands.
    pub hands: Option<HandsView>,
}

/// A test that is on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Testing {
    /// The test.
    pub test: TestName,
    /// Its number in the procedure, from 1.
    pub number: u32,
    /// How many tests the procedure has.
    pub of: u32,
    /// When it began, ms since 1970-01-01 UTC.
    pub began_ms: i64,
    /// How long it takes at about, seconds; none where nobody knows yet.
    pub takes_s: Option<f64>,
    /// How long the tests after it take at about, seconds.
    pub then_s: f64,
}

impl Testing {
    /// Share of this test that is done, `0.0..1.0`; none where nobody knows.
    pub fn share(&self, now_ms: i64) -> Option<f64> {
        let takes_s = self.takes_s.filter(|takes_s| *takes_s > 0.0)?;
        // What takes longer than it did before is nearly done, and nobody knows more.
        Some(((now_ms - self.began_ms) as f64 / 1e3 / takes_s).clamp(0.0, 0.99))
    }

    /// How long this test and those after it take from now on, at about, seconds; none where nobody knows.
    pub fn left_s(&self, now_ms: i64) -> Option<f64> {
        let left = self.takes_s? - (now_ms - self.began_ms) as f64 / 1e3;
        Some(left.max(0.0) + self.then_s)
    }
}

/// What somebody is asked to do with the hands.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct HandsView {
    /// Id of the request, as an answer takes it.
    pub request: String,
    /// What to do.
    pub act: String,
    /// What that shows.
    pub why: String,
    /// Cautions that belong to it; the line that local codes come first closes them.
    pub cautions: Vec<String>,
    /// It asks for the address on the card's sticker.
    pub sticker: bool,
    /// It asks which of so many ports' lights blinks; none if it asks for something else.
    pub light: Option<u32>,
    /// Since when it is asked for, ms since 1970-01-01 UTC.
    pub since_ms: i64,
}

/// What somebody answers to a request of the bench.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BenchOrder {
    /// The request.
    pub request: String,
    /// What was done.
    pub answer: BenchAnswer,
    /// The address on the sticker, where it was asked for and the card has one.
    #[serde(default)]
    pub sticker: Option<String>,
    /// Which port's light blinks, or `none`, where that was asked for.
    #[serde(default)]
    pub light: Option<String>,
}

/// What was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BenchAnswer {
    /// It is done.
    Done,
    /// Nobody can do it now: the card is left as it is.
    Nobody,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_state_has_the_word_of_its_document() {
        for state in SlotState::ALL {
            assert_eq!(serde_json::to_value(state).unwrap(), state.name());
        }
    }

    #[test]
    fn progress_follows_the_clock_and_never_claims_to_be_over() {
        let testing =
            |takes_s| Testing { test: TestName::Load, number: 3, of: 4, began_ms: 10_000, takes_s, then_s: 30.0 };
        let known = testing(Some(60.0));
        assert_eq!((known.share(25_000), known.left_s(25_000)), (Some(0.25), Some(75.0)));
        assert_eq!((known.share(500_000), known.left_s(500_000)), (Some(0.99), Some(30.0)));
        assert_eq!(known.share(0), Some(0.0), "a clock that was set back");
        assert_eq!((testing(None).share(25_000), testing(None).left_s(25_000)), (None, None));
        assert_eq!(testing(Some(0.0)).share(25_000), None);
    }
}
