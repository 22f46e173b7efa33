//! What is left to do in a case, if its next stages show what these places showed so far.

use super::name::StageName;
use super::stage::{Ended, Showing, Source, Stage, StageResult};
use super::{Case, Move};
use crate::document::run::Tried;
use crate::judge::RuleId;
use crate::kind::ethernet::link::LinkState;

/// Stages left and the time that their runs take.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ahead {
    /// Stages.
    pub stages: u32,
    /// Time of their runs, seconds; the hand's own time comes on top.
    pub time_s: u64,
}

/// What is left to do: how long a case becomes depends on what its stages show.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outlook {
    /// If nothing changes: places that passed pass again, places that failed fail again, and new ones pass.
    pub steady: Ahead,
    /// At most, if one of the stages to come fails that way.
    pub most: Ahead,
}

impl Case {
    /// What is left to do.
    pub fn outlook(&self) -> Outlook {
        let steady = self.project(None);
        let mut most = steady;
        for number in 0..steady.stages {
            let ahead = self.project(Some(number));
            most.stages = most.stages.max(ahead.stages);
            most.time_s = most.time_s.max(ahead.time_s);
        }
        Outlook { steady, most }
    }

    /// Plays the case to its end; the stage with this number from now, from 0, fails whatever was seen before.
    fn project(&self, fails: Option<u32>) -> Ahead {
        let mut case = self.clone();
        let mut ahead = Ahead::default();
        while let Some(next) = case.next.clone().filter(|_| ahead.stages < STAGES_MAX) {
            let mut stage = expected(&case, &next);
            if fails == Some(ahead.stages)
                && let Some(result) = &mut stage.result
            {
                // Some of its frames fail, in every second: what lets nothing through needs fewer runs.
                (result.showing, result.rule, result.error_groups) = (Showing::Fails, RuleId::BitErrors, 1);
                (result.tried.failed, result.seconds_errored) = (result.tried.units / 2, result.seconds);
            }
            ahead.stages += 1;
            ahead.time_s += next.time_s;
            case.stages.push(stage);
            case.settle();
        }
        ahead
    }
}

fn expected(case: &Case, next: &Move) -> Stage {
    let alike = |s: &&Stage| {
        let exchanged = |name: &StageName| matches!(name, StageName::OtherPlug | StageName::KnownGoodPort);
        match exchanged(&next.stage) {
            true => s.name == next.stage,
            false => !exchanged(&s.name) && s.name.spot() == next.stage.spot(),
        }
    };
    let decided = |s: &&Stage| s.result.as_ref().is_some_and(|r| matches!(r.showing, Showing::Passes | Showing::Fails));
    let done = || case.stages.iter().rev().filter(|s| s.ended == Ended::Done).filter(decided);
    let result = match done().find(alike).and_then(|s| s.result.clone()) {
        Some(shown) => shown,
        None => passing(case, done().next().and_then(|s| s.result.as_ref())),
    };
    let longer = (next.time_s / result.seconds.max(1)).max(1);
    let tried =
        Tried { units: result.tried.units.saturating_mul(longer), failed: result.tried.failed.saturating_mul(longer) };
    let (seconds, seconds_errored) = (result.seconds * longer, result.seconds_errored * longer);
    // A cable test measures pairs; what it will find nobody knows.
    let ended = if next.stage == StageName::CableTest { Ended::Skipped } else { Ended::Done };
    Stage {
        name: next.stage.clone(),
        attempt: next.attempt,
        placement: None,
        segment: None,
        plug: None,
        on_port: None,
        run: None,
        started_at: case.changed_at.clone(),
        source: Source::Run,
        ended,
        why: None,
        result: Some(StageResult { tried, seconds, seconds_errored, ..result }),
        pairs: None,
    }
}

/// What a place that nobody has tried is expected to show: it passes, with the counts and the link of any other.
fn passing(case: &Case, other: Option<&StageResult>) -> StageResult {
    let (tried, seconds, link) = match other {
        Some(other) => (other.tried, other.seconds, other.link),
        None => {
            let speed_mbps = case.capabilities.speed_max_mbps;
            let link = LinkState { up: true, speed_mbps, medium: case.medium, ..LinkState::default() };
            (Tried { units: UNITS_A_SECOND, failed: 0 }, 1, link)
        }
    };
    StageResult { tried: Tried { failed: 0, ..tried }, seconds, link, ..StageResult::answered(Showing::Passes) }
}

/// As many frames or bytes as any line carries in a second; of more or fewer, the same stages follow.
const UNITS_A_SECOND: u64 = 1000;
/// More stages than any case takes.
const STAGES_MAX: u32 = 40;
