//! A case: the runs that together find whether a port, a plug or a cable is at fault, and which segment.
//!
//! [`Case`] is the document that is kept. A [`stage`] is one run of it, and its [`name`] says where it turns the signal
//! back. The [`rules`] conclude from the stages and choose the next one. They work alike for frames and bytes.

pub mod ahead;
pub mod length;
mod line;
mod moves;
pub mod name;
pub mod rules;
pub mod stage;

use serde::{Deserialize, Serialize};

use crate::base::caution::Caution;
use crate::judge::Verdict;
use crate::kind::ethernet::link::{Capabilities, Medium};
use crate::kind::port::PortIdentity;
use crate::kind::serial::format::{LineCapabilities, LineFormat};
use crate::plan::Profile;

pub use name::{Spot, StageName};
pub use stage::{Ended, Showing, Source, Stage, StageResult};

/// Version of the document. It grows by one when a field changes its meaning or goes; new fields do not change it.
pub const FORMAT: u32 = 1;

/// The whole case. Its JSON says `"document": "case"`; read one with [`Document::read`](super::Document::read).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "document", rename = "case")]
pub struct Case {
    /// Version of this document.
    pub format: u32,
    /// Program and its version that wrote it last.
    pub program: String,
    /// Unique id of the case.
    pub case: String,
    /// When it was opened, RFC 3339 with zone.
    pub opened_at: String,
    /// When a stage was added last.
    pub changed_at: String,
    /// Port under test.
    pub port: PortIdentity,
    /// Label of the cable.
    pub cable: String,
    /// Labels of its segments in order from the port; empty when the cable is taken as one piece.
    pub segments: Vec<String>,
    /// Label of the plug the case began with.
    pub plug: Option<String>,
    /// What the port can do and show.
    pub capabilities: Capabilities,
    /// What carries the bits, as the port said when the case was opened.
    #[serde(default)]
    pub medium: Medium,
    /// The adapter offers the kernel's cable test.
    #[serde(default)]
    pub offers_cable_test: bool,
    /// What a serial line can do, from which the time of its stages follows; none of an Ethernet port, and in a case of
    /// an older program.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<CaseLine>,
    /// Every stage in the order in which it was done or skipped.
    pub stages: Vec<Stage>,
    /// Whether anything is left to do.
    pub state: CaseState,
    /// What is known so far.
    pub verdict: Verdict,
    /// What to do next; none when nothing is left to do.
    pub next: Option<Move>,
    /// Once nothing is left to do: the stage worth doing again, for longer.
    #[serde(default)]
    pub again: Option<StageName>,
    /// What its stages are run with.
    #[serde(default)]
    pub options: CaseOptions,
    /// Why somebody closed the case before it was decided.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed: Option<String>,
    /// Somebody has laid it down since its last stage: nothing is known any more to be where that stage had it.
    #[serde(skip)]
    pub laid_down: bool,
}

/// A serial line as its case found it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CaseLine {
    /// Format that is used where nobody names one.
    pub format: LineFormat,
    /// What the port can show and do.
    pub capabilities: LineCapabilities,
}

/// What the stages of a case are run with. They belong to the case, so that whoever takes it up again need not repeat
/// them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct CaseOptions {
    /// Profile of a stage; none in a case of an older program.
    pub profile: Option<Profile>,
    /// Least length of a soak, seconds.
    pub soak_s: u64,
    /// Speed and format of a serial line, as the technician gave them.
    pub line: Option<String>,
    /// Wiring of the plug of a serial line, as the technician gave it.
    pub wiring: Option<String>,
    /// A port of this machine that is known to be good.
    pub known_good: Option<String>,
    /// A second port of this machine that takes the place of the plug: with its cord it is what the case calls the
    /// plug.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub return_port: Option<String>,
}

impl Default for CaseOptions {
    fn default() -> Self {
        Self { profile: None, soak_s: SOAK_S, line: None, wiring: None, known_good: None, return_port: None }
    }
}

impl Case {
    /// Whether a stage needs a second port that is known to be good, and that somebody has to name: in place of the one
    /// under test, or of the return port. A rig has such a port, and other plugs, in itself.
    pub fn needs_another_port(&self, stage: &StageName) -> bool {
        match stage {
            _ if self.capabilities.moves_plug => false,
            StageName::KnownGoodPort => true,
            StageName::OtherPlug => self.options.return_port.is_some(),
            StageName::At(_) | StageName::Soak(_) | StageName::TwoPairs(_) | StageName::CableTest => false,
        }
    }

    /// Why a plug with this label cannot be the one that a stage asks for; none where it can.
    pub fn wrong_plug(&self, stage: &StageName, label: &str) -> Option<String> {
        match (stage, self.plug.as_deref()) {
            (StageName::OtherPlug, Some(own)) if own == label => {
                Some(format!("{label} is the plug of this case. This stage needs another plug."))
            }
            (StageName::OtherPlug, _) => None,
            (_, Some(own)) if own != label => Some(format!(
                "This case is about plug {own}, and {label} is another. Fit {own}, or open another case for {label}."
            )),
            _ => None,
        }
    }

    /// The highest load of the stages that passed as a share of the line rate, where all of them sent far less than
    /// the line carries: what fails under load alone was not tested.
    pub fn light_load(&self) -> Option<f64> {
        let passed = |s: &&Stage| s.ended == Ended::Done && s.source != Source::Answer;
        let results = self.stages.iter().filter(passed).filter_map(|s| s.result.as_ref());
        let loads: Option<Vec<f64>> = results.filter(|r| r.showing == Showing::Passes).map(|r| r.light_load).collect();
        loads?.into_iter().reduce(f64::max)
    }

    /// What one of its stages shows, in a few words, seen together with the others; none until it is done.
    pub fn shows(&self, stage: &Stage) -> Option<String> {
        let result = stage.result.as_ref().filter(|_| stage.ended == Ended::Done)?;
        let line = line::Line::new(self);
        let seen = line.bench.iter().chain(&line.visits).find(|visit| std::ptr::eq(visit.result, result));
        Some(match seen.map_or((result.showing, false), |visit| (visit.shows, visit.slower_only)) {
            (_, true) => format!("passes at {} Mb/s only", result.fallback_mbps.unwrap_or_default()),
            (showing, false) => showing.in_words().to_owned(),
        })
    }
}

/// As long as a person moves a cable, seconds. Our own choice.
pub const SOAK_S: u64 = 60;

/// Whether anything is left to do in a case.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CaseState {
    /// Another stage can tell more.
    Open,
    /// The verdict stands.
    Decided,
    /// Undecided, and no further stage would tell more.
    Exhausted,
    /// Somebody closed it before it was decided.
    Closed,
}

impl CaseState {
    /// The word used in documents.
    pub fn name(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Decided => "decided",
            Self::Exhausted => "exhausted",
            Self::Closed => "closed",
        }
    }

    /// For people, in a word or two.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Open | Self::Decided | Self::Closed => self.name(),
            Self::Exhausted => "undecided, no stage left",
        }
    }

    /// The same for a stored name; one that is not known stays as it is.
    pub fn said(name: &str) -> &str {
        let all = [Self::Open, Self::Decided, Self::Exhausted, Self::Closed];
        all.into_iter().find(|state| state.name() == name).map_or(name, |state| state.in_words())
    }
}

/// Who makes a move.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Who {
    /// The program itself: nothing has to be moved, or a rig moves its own plug.
    Program,
    /// Somebody must move plug or cable first. Also what an older document, which does not say, is taken to mean.
    #[default]
    Person,
}

/// What the technician does next.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Move {
    /// The stage that follows.
    pub stage: StageName,
    /// Which attempt at it this is, from 1.
    pub attempt: u32,
    /// Who makes the move. Without a person, only the program's own moves may be made.
    #[serde(default)]
    pub who: Who,
    /// What to do with the hands.
    pub hands: String,
    /// What to look at before going on.
    pub look: String,
    /// Why this stage: what it tells.
    pub why: String,
    /// Dangers of this move.
    pub cautions: Vec<Caution>,
    /// Nothing is moved: everything is in place from the stage before.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub still: bool,
    /// How long the run takes, seconds; 0 in a case of an older program.
    #[serde(default)]
    pub time_s: u64,
    /// How long it takes if no link comes up, seconds: slower speeds are tried first. None where nothing waits for a
    /// link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub no_link_s: Option<u64>,
}
