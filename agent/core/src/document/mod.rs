//! Documents: what is kept and shown. A run makes a report; a case joins several runs into one answer; a card test
//! grades a card, and a lot joins the card tests of a batch.
//!
//! [`Document`] lists the kinds. [`read`] is the only place that finds out what kind a stored text is; everybody else
//! asks the document.

pub mod card_test;
pub mod case;
pub mod chart;
pub mod difference;
pub mod lot;
pub mod read;
pub mod run;

use serde::{Deserialize, Serialize, Serializer};

use crate::judge::{Location, Outcome, Verdict};
use card_test::CardTest;
use case::Case;
use lot::Lot;
use run::Report;

pub use read::ReadError;

/// What a document is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DocumentKind {
    /// The report of one run.
    Run,
    /// A case: several runs, one answer.
    Case,
    /// A card test: one card on the bench.
    CardTest,
    /// A lot of cards.
    Lot,
}

impl DocumentKind {
    /// The word in the document's own field `document`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Run => "run",
            Self::Case => "case",
            Self::CardTest => "card-test",
            Self::Lot => "lot",
        }
    }

    /// The newest format of this kind that this program knows, and the one it writes.
    pub fn format(self) -> u32 {
        match self {
            Self::Run => run::FORMAT,
            Self::Case => case::FORMAT,
            Self::CardTest => card_test::FORMAT,
            Self::Lot => lot::FORMAT,
        }
    }
}

/// A document of any kind. It serializes as the document itself.
#[derive(Clone, Debug)]
pub enum Document {
    /// The report of one run.
    Run(Box<Report>),
    /// A case.
    Case(Box<Case>),
    /// A card test.
    CardTest(Box<CardTest>),
    /// A lot.
    Lot(Box<Lot>),
}

impl Document {
    /// Reads a document of any kind and of any format up to today's.
    ///
    /// # Errors
    /// [`ReadError`]: no JSON, no document, or one of a newer program.
    pub fn read(json: &str) -> Result<Self, ReadError> {
        read::read(json)
    }

    /// What it is.
    pub fn kind(&self) -> DocumentKind {
        match self {
            Self::Run(_) => DocumentKind::Run,
            Self::Case(_) => DocumentKind::Case,
            Self::CardTest(_) => DocumentKind::CardTest,
            Self::Lot(_) => DocumentKind::Lot,
        }
    }

    /// Its id, a UUID.
    pub fn id(&self) -> &str {
        match self {
            Self::Run(report) => &report.run,
            Self::Case(case) => &case.case,
            Self::CardTest(test) => &test.test,
            Self::Lot(lot) => &lot.lot,
        }
    }

    /// What it says.
    pub fn verdict(&self) -> &Verdict {
        match self {
            Self::Run(report) => &report.verdict,
            Self::Case(case) => &case.verdict,
            Self::CardTest(test) => &test.verdict,
            Self::Lot(lot) => &lot.verdict,
        }
    }

    /// What a line in a list of documents needs.
    pub fn summary(&self) -> Summary {
        let (at, port, cable, plug) = match self {
            Self::Run(report) => {
                (&report.started_at, report.port.name.as_str(), report.cable.as_ref(), report.labels.plug.as_ref())
            }
            Self::Case(case) => (&case.changed_at, case.port.name.as_str(), Some(&case.cable), case.plug.as_ref()),
            Self::CardTest(test) => (&test.changed_at, test.label.as_str(), None, None),
            Self::Lot(lot) => (&lot.changed_at, lot.label.as_str(), None, None),
        };
        let verdict = self.verdict();
        Summary {
            kind: self.kind(),
            id: self.id().to_owned(),
            at: at.clone(),
            port: port.to_owned(),
            cable: cable.cloned(),
            plug: plug.cloned(),
            outcome: verdict.outcome,
            location: verdict.location.clone(),
            segment: verdict.segment.clone(),
        }
    }
}

impl Serialize for Document {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Run(report) => report.serialize(serializer),
            Self::Case(case) => case.serialize(serializer),
            Self::CardTest(test) => test.serialize(serializer),
            Self::Lot(lot) => lot.serialize(serializer),
        }
    }
}

impl From<Report> for Document {
    fn from(report: Report) -> Self {
        Self::Run(Box::new(report))
    }
}

impl From<Case> for Document {
    fn from(case: Case) -> Self {
        Self::Case(Box::new(case))
    }
}

impl From<CardTest> for Document {
    fn from(test: CardTest) -> Self {
        Self::CardTest(Box::new(test))
    }
}

impl From<Lot> for Document {
    fn from(lot: Lot) -> Self {
        Self::Lot(Box::new(lot))
    }
}

/// A document in a line of a list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Summary {
    /// What it is.
    pub kind: DocumentKind,
    /// Its id.
    pub id: String,
    /// When a run began, or when another document was changed last. RFC 3339 with zone.
    pub at: String,
    /// Port under test by name, or the label of a card or lot.
    pub port: String,
    /// Label of the cable.
    pub cable: Option<String>,
    /// Label of the plug.
    pub plug: Option<String>,
    /// Outcome.
    pub outcome: Outcome,
    /// The things among which a fault lies.
    pub location: Vec<Location>,
    /// The segment, where a case has narrowed a fault down to one.
    pub segment: Option<String>,
}

impl Summary {
    /// Outcome and location in a few words: `fault: port or plug`, `fault: cable, quay-duct`.
    pub fn says(&self) -> String {
        let places: Vec<_> = self.location.iter().map(|place| place.name()).collect();
        let segment = self.segment.as_ref().map_or(String::new(), |segment| format!(", {segment}"));
        match places.as_slice() {
            [] => self.outcome.name().to_owned(),
            places => format!("{}: {}{segment}", self.outcome.name(), places.join(" or ")),
        }
    }
}
