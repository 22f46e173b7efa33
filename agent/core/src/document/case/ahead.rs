//! What is left to do in a case, if its next stages show what these places showed so far.

use super::name::StageName;
use super::stage::{Ended, Showing, Source, Stage, StageResult};
use super::{Case, Move};

/// Stages left and the time that their runs take.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ahead {
    /// Stages.
    pub stages: u32,
    /// Time of their runs, seconds; the hand's own time comes on top.
    pub time_s: u64,
}

impl Case {
    /// What is left to do if nothing changes: places that passed pass again, places that failed fail again, and new
    /// ones pass.
    pub fn ahead(&self) -> Ahead {
        self.project(false)
    }

    /// The same if the next stage fails, where nothing has failed yet: a failure is repeated before anything is blamed.
    pub fn ahead_if_next_fails(&self) -> Option<Ahead> {
        let failed = |s: &Stage| s.result.as_ref().is_some_and(|r| r.showing == Showing::Fails);
        let measures = self.next.as_ref().is_some_and(|next| next.stage != StageName::CableTest);
        (measures && !self.stages.iter().any(|s| s.ended == Ended::Done && failed(s))).then(|| self.project(true))
    }

    /// Plays the case to its end; its next stage may fail, whatever was seen before.
    fn project(&self, mut fails: bool) -> Ahead {
        let mut case = self.clone();
        let mut ahead = Ahead::default();
        while let Some(next) = case.next.clone().filter(|_| ahead.stages < STAGES_MAX) {
            ahead.stages += 1;
            ahead.time_s += next.time_s;
            let mut stage = expected(&case, &next);
            if std::mem::take(&mut fails)
                && let Some(result) = &mut stage.result
            {
                // Some of its frames fail, in every second: what lets nothing through needs fewer runs.
                (result.showing, result.error_groups) = (Showing::Fails, 1);
                (result.tried.failed, result.seconds_errored) = (result.tried.units / 2, result.seconds);
            }
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
    let result = match done().find(alike).or_else(|| done().next()).and_then(|s| s.result.clone()) {
        Some(like) if done().any(|s| alike(&s)) => like,
        // A place that nobody has tried passes; the counts are those of any other.
        Some(like) => {
            let pass = StageResult::answered(Showing::Passes);
            let tried = crate::document::run::Tried { failed: 0, ..like.tried };
            StageResult { seconds_errored: 0, error_groups: 0, link_flaps: 0, tried, seconds: like.seconds, ..pass }
        }
        None => StageResult::answered(Showing::Passes),
    };
    let longer = (next.time_s / result.seconds.max(1)).max(1);
    let tried = crate::document::run::Tried {
        units: result.tried.units.saturating_mul(longer),
        failed: result.tried.failed.saturating_mul(longer),
    };
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

/// More stages than any case takes.
const STAGES_MAX: u32 = 40;
