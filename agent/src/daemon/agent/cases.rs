//! Cases as they are shown.

use serde::Serialize;
use turnback_core::judge::Verdict;

/// One stage of a case.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StageView {
    /// Name, as `turnback isolate --stage` takes it.
    pub stage: String,
    /// Which attempt, from 1.
    pub attempt: u32,
    /// The run that carried it out.
    pub run: Option<String>,
    /// Why it was skipped, if it was.
    pub skipped: Option<String>,
    /// What came of it, in words.
    pub result: String,
    /// It was done or skipped and not set aside since: setting aside can.
    pub counts: bool,
}

/// What to do next in a case.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct NextView {
    /// The stage, as an order takes it.
    pub stage: String,
    /// Which attempt at it this is, from 1.
    pub attempt: u32,
    /// Its number in the case, from 1.
    pub number: u32,
    /// How many stages the case will have at about: if each place shows again what it showed, and new ones pass.
    pub of: u32,
    /// How many it will have at most, if one of those to come fails.
    pub of_most: u32,
    /// How long its run takes, seconds.
    pub time_s: u64,
    /// How long it takes if no link comes up, seconds; null where nothing waits for a link.
    pub no_link_s: Option<u64>,
    /// How long the runs of all stages to come take at about, seconds; the hand's own time comes on top.
    pub time_left_s: u64,
    /// How long they take at most, if one of them fails.
    pub time_left_most_s: u64,
    /// What it tells.
    pub why: String,
    /// What to do with the hands.
    pub act: String,
    /// What to look at.
    pub look: String,
    /// Cautions that belong to it; the line that local codes come first closes them.
    pub cautions: Vec<String>,
    /// For a stage on a port known to be good, not the case's own: the free ports of that kind here. Null for any other
    /// stage.
    pub known_good: Option<Vec<String>>,
}

/// A guided isolation.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CaseView {
    /// Id.
    pub case: String,
    /// When it was opened, RFC 3339 with zone.
    pub opened_at: String,
    /// Port.
    pub port: String,
    /// Cable's label.
    pub cable: Option<String>,
    /// Labels of the cable's segments, from the port.
    pub segments: Vec<String>,
    /// Label of the plug it goes on with.
    pub plug: Option<String>,
    /// Profile of its stages.
    pub profile: Option<String>,
    /// `open`, `decided`, `exhausted` or `closed`.
    pub state: String,
    /// It has its port for itself: no scheduled run begins there.
    pub reserves: bool,
    /// The last stage was not carried out, and why: refused, cut off or impossible.
    pub not_done: Option<String>,
    /// Stages done, in order.
    pub stages: Vec<StageView>,
    /// What to do now; none when it is over.
    pub next: Option<NextView>,
    /// The run that carries out a stage now.
    pub running: Option<String>,
    /// What it says so far.
    pub verdict: Option<Verdict>,
}
