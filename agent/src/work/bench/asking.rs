//! What a bench tells while it is at work, and what it asks of a person.

use serde::Serialize;
use turnback_core::{
    bench::{findings::Finding, guilt::SetAside, procedure::TestName},
    document::card_test::{CardTest, Grade, step::Hands},
};

use super::{BenchError, expected::Expected, seam::Occasion};

/// What happens on the bench.
#[derive(Clone, Debug, Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum BenchEvent {
    /// A test begins.
    TestBegan {
        /// Label of the card.
        card: String,
        /// The test.
        test: TestName,
        /// Label of the slot.
        slot: String,
        /// Label of the plug in each port.
        plugs: Vec<Option<String>>,
        /// Label of the transceiver in each port; empty where none can be taken out.
        #[serde(skip_serializing_if = "Vec::is_empty")]
        transceivers: Vec<Option<String>>,
        /// How far the card is with it, and how long it takes.
        #[serde(flatten)]
        expected: Expected,
    },
    /// A test ended.
    TestEnded {
        /// Label of the card.
        card: String,
        /// The test.
        test: TestName,
        /// What did not meet its limit.
        failed: Vec<Finding>,
        /// The last try at it failed, and since then something was exchanged.
        again: bool,
        /// How long it took, seconds.
        took_s: f64,
    },
    /// A plug, slot or transceiver is at fault, and not used any more.
    SetAside {
        /// Label of the card that showed it.
        card: String,
        /// The thing.
        #[serde(flatten)]
        aside: SetAside,
    },
    /// A test failed beside other cards, and is repeated alone before anything is said of the card.
    Repeated {
        /// Label of the card.
        card: String,
        /// The test.
        test: TestName,
    },
    /// A test was cut off, and the card is left for another time.
    CutOff {
        /// Label of the card.
        card: String,
        /// The test; none if it had not begun.
        test: Option<TestName>,
        /// Why.
        why: String,
    },
    /// A card has a grade, or cannot get one now.
    Graded {
        /// Label of the card.
        card: String,
        /// The grade.
        grade: Grade,
    },
}

impl BenchEvent {
    /// Label of the card that it is about.
    pub fn card(&self) -> &str {
        match self {
            Self::TestBegan { card, .. }
            | Self::TestEnded { card, .. }
            | Self::SetAside { card, .. }
            | Self::Repeated { card, .. }
            | Self::CutOff { card, .. }
            | Self::Graded { card, .. } => card,
        }
    }
}

/// What a person is asked to move, and for which card.
#[derive(Clone, Copy, Debug)]
pub struct Request<'a> {
    /// What to do, and why.
    pub hands: &'a Hands,
    /// What it is for.
    pub occasion: Occasion,
    /// The card test that it belongs to.
    pub test: &'a CardTest,
}

/// What a person answers to a request to move something.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wish {
    /// It is done.
    Go,
    /// This is what the sticker says, or which port's light blinks.
    Read(String),
    /// Nobody is there to do it: this card is left as it is, and the next one tested.
    Nobody,
    /// Nobody has answered yet: the card keeps its slot and plugs, and others have their turn meanwhile.
    Later,
    /// Go on another time.
    Leave,
}

impl Wish {
    /// What it means when nobody is to be asked. `moves_itself`: the bench exchanges cards and plugs itself.
    pub fn unasked(occasion: Occasion, moves_itself: bool) -> Self {
        match occasion {
            Occasion::Sticker | Occasion::Light(_) => Self::Nobody,
            // A failure that "stays" although nobody moved anything would be put on a card that may be healthy.
            Occasion::Exchange if !moves_itself => Self::Nobody,
            Occasion::Exchange | Occasion::Fitting => Self::Go,
        }
    }
}

/// Asks a person to move something.
pub type Ask<'a> = &'a mut dyn FnMut(Request<'_>) -> Result<Wish, BenchError>;
/// Tells what happens.
pub type Say<'a> = &'a mut dyn FnMut(BenchEvent);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn where_nobody_is_asked_only_a_bench_that_moves_its_plugs_itself_exchanges_them() {
        for (occasion, moves_itself, wish) in [
            (Occasion::Fitting, false, Wish::Go),
            (Occasion::Exchange, false, Wish::Nobody),
            (Occasion::Exchange, true, Wish::Go),
            (Occasion::Sticker, true, Wish::Nobody),
            (Occasion::Light(1), true, Wish::Nobody),
        ] {
            assert_eq!(Wish::unasked(occasion, moves_itself), wish, "{occasion:?} {moves_itself}");
        }
    }
}
