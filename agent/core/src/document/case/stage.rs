//! One stage of a case, and what a case keeps of its run.

use serde::{Deserialize, Serialize};

use super::name::StageName;
use crate::document::run::{Latency, LossRatio, Report, Tried};
use crate::judge::facts::Stopped;
use crate::judge::ratio::ErrorRatio;
use crate::judge::{Location, Outcome, RuleId};
use crate::kind::ethernet::cable_test::CableTest;
use crate::kind::ethernet::detail::StepReport;
use crate::signal::compare::DamageKind;
use crate::signal::seconds::{Spread, seconds_hit};
use crate::{base::placement::Placement, kind::ethernet::link::LinkState};

/// One stage: tried, skipped, or taken from a record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stage {
    /// Which stage.
    pub name: StageName,
    /// Which attempt at it, from 1.
    pub attempt: u32,
    /// Where the signal was turned back.
    pub placement: Option<Placement>,
    /// Segment at whose far end the plug was.
    pub segment: Option<String>,
    /// Label of the plug, where one was given.
    pub plug: Option<String>,
    /// Another port than the case's: the known-good one.
    pub on_port: Option<String>,
    /// Id of the run.
    pub run: Option<String>,
    /// When it began, RFC 3339 with zone.
    pub started_at: String,
    /// Where its result comes from.
    pub source: Source,
    /// How it ended.
    pub ended: Ended,
    /// Why it was skipped or cut off.
    pub why: Option<String>,
    /// What its run found; none unless it is done, nor for a cable test, which has no run.
    pub result: Option<StageResult>,
    /// What a cable test found on each pair.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pairs: Option<CableTest>,
}

/// Where a stage's result comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// A run made for this case.
    Run,
    /// A record of the same port, made earlier.
    Record,
    /// The technician said so.
    Answer,
}

/// How a stage ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ended {
    /// It has begun: noted before the run, so that a case cut off within a stage knows it.
    Begun,
    /// It has a result.
    Done,
    /// The technician left it out.
    Skipped,
    /// The program ended before the run did.
    CutOff,
    /// It has a result that the technician does not stand by: the plug was not in, the cable was another.
    SetAside,
}

/// What a stage says of the line as far as its loop goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Showing {
    /// Proved at least as good as the limit.
    Passes,
    /// Something between host and loop is at fault.
    Fails,
    /// This computer is at fault, behind the adapter's frame check: nothing is said of the line.
    HostFails,
    /// Neither proved nor refuted.
    Neither,
    /// Nothing was tested.
    NotTested,
}

impl Showing {
    /// In a word or two.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Passes => "passes",
            Self::Fails => "fails",
            Self::HostFails => "this computer fails",
            Self::Neither => "undecided",
            Self::NotTested => "not tested",
        }
    }
}

/// The part of a run's report that its case keeps.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StageResult {
    /// What follows for the case.
    pub showing: Showing,
    /// The run's own outcome.
    pub outcome: Outcome,
    /// The run's own location.
    pub location: Vec<Location>,
    /// Rule that decided the run.
    pub rule: RuleId,
    /// Its reason, with the figure.
    pub text: String,
    /// What its verdict is limited to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scope: Option<String>,
    /// Units tried and failed: what stages are compared by.
    pub tried: Tried,
    /// Bits compared.
    pub bits_compared: u64,
    /// Of those, wrong.
    pub bit_errors: u64,
    /// Bit error ratio with bounds.
    pub error_ratio: Option<ErrorRatio>,
    /// Loss on the wire with bounds.
    pub loss_ratio: Option<LossRatio>,
    /// Round trips of single probes.
    pub latency_ns: Latency,
    /// Smallest frame size of the plan, bytes with FCS: the shortest round trip is one of these. None without frames.
    pub size_bytes_min: Option<u32>,
    /// Link before the first probe.
    pub link: LinkState,
    /// Speed forced because the port could not link at its own, Mb/s.
    pub fallback_mbps: Option<u32>,
    /// Highest load as a share of the line rate, where that was a light one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub light_load: Option<f64>,
    /// Times the link dropped and came back.
    pub link_flaps: u64,
    /// Seconds in which probes were sent, those with few of them left out.
    pub seconds: u64,
    /// Of those, with something lost or damaged.
    pub seconds_errored: u64,
    /// Groups of errored seconds with clean ones between them.
    pub error_groups: u64,
    /// Of the seconds, as many as chance would make errored, with what failed of each size spread over the time that
    /// frames of this size were sent: large ones meet more errors than small ones. None on a serial line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seconds_by_chance: Option<f64>,
    /// Why the run ended early, if it did.
    pub stopped: Option<Stopped>,
    /// What failed came back inverted: every bit, or the line rested at the wrong level.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub inverted: bool,
    /// What a pass had to prove: bit error ratio.
    pub limit: f64,
    /// And how sure.
    pub confidence: f64,
}

impl StageResult {
    /// Whether only a longer run can decide what this one left open.
    pub fn needs_longer(&self) -> bool {
        self.showing == Showing::Neither && self.rule.asks_longer()
    }

    /// What its units are called: frames, or the blocks of a serial line.
    pub fn units(&self) -> &'static str {
        if self.size_bytes_min.is_some() { "frames" } else { "blocks" }
    }

    /// What a technician says a stage showed, without any figure.
    pub fn answered(showing: Showing) -> Self {
        let outcome = if showing == Showing::Passes { Outcome::Pass } else { Outcome::Fault };
        Self {
            showing,
            outcome,
            location: Vec::new(),
            rule: RuleId::Answered,
            text: format!(
                "the technician says that it {}",
                if showing == Showing::Passes { "passes" } else { "fails" }
            ),
            scope: None,
            tried: Tried::default(),
            bits_compared: 0,
            bit_errors: 0,
            error_ratio: None,
            loss_ratio: None,
            latency_ns: Latency::default(),
            size_bytes_min: None,
            link: LinkState::default(),
            fallback_mbps: None,
            light_load: None,
            link_flaps: 0,
            seconds: 0,
            seconds_errored: 0,
            error_groups: 0,
            seconds_by_chance: None,
            stopped: None,
            inverted: false,
            limit: 0.0,
            confidence: 0.0,
        }
    }

    /// From the report of the stage's run.
    pub fn new(report: &Report) -> Self {
        let verdict = &report.verdict;
        let deciding = verdict.reasons.first();
        let frames = report.ethernet();
        let spread = Spread::of(&report.seconds, 0);
        Self {
            // Whoever does a stage was told to fit the plug.
            showing: match verdict.outcome_if_plugged() {
                Outcome::Pass => Showing::Passes,
                Outcome::Fault if verdict.location == [Location::Host] => Showing::HostFails,
                // Where this computer may be to blame as well, every port, plug and cable would fail here alike.
                Outcome::Fault if verdict.location.contains(&Location::Host) => Showing::Neither,
                Outcome::Fault => Showing::Fails,
                Outcome::Undecided => Showing::Neither,
                Outcome::NotTested => Showing::NotTested,
            },
            outcome: verdict.outcome,
            location: verdict.location.clone(),
            rule: verdict.rule().cloned().unwrap_or(RuleId::NoRule),
            text: deciding.map(|reason| reason.text.clone()).unwrap_or_default(),
            scope: verdict.scope.clone(),
            tried: report.tried,
            bits_compared: report.totals.bits_compared(),
            bit_errors: report.totals.bit_errors(),
            error_ratio: report.error_ratio,
            loss_ratio: frames.and_then(|detail| detail.loss_ratio),
            latency_ns: report.latency_ns.clone(),
            size_bytes_min: report.steps.iter().map(|step| step.size_bytes).min(),
            link: frames.map(|detail| detail.link).unwrap_or_default(),
            fallback_mbps: frames.and_then(|detail| detail.fallback_mbps),
            light_load: report.light_load(),
            link_flaps: frames.map_or(0, |detail| detail.link_flaps),
            seconds: spread.seconds,
            seconds_errored: spread.errored,
            error_groups: spread.groups,
            seconds_by_chance: seconds_by_chance(&report.steps, &spread),
            stopped: report.stopped,
            inverted: report.damage.kind() == DamageKind::Inverted
                || verdict.reasons.iter().any(|reason| reason.rule == RuleId::LineInverted),
            limit: report.limit.bit_error_ratio,
            confidence: report.limit.confidence,
        }
    }
}

/// How many of the seconds chance would make errored, size by size.
fn seconds_by_chance(steps: &[StepReport], spread: &Spread) -> Option<f64> {
    let all: f64 = steps.iter().map(|step| step.seconds).sum();
    let of = |step: &StepReport| {
        let failed = step.frames_lost.saturating_sub(step.frames_lost_in_host) + step.frames_damaged;
        seconds_hit(spread.seconds as f64 * step.seconds / all, failed)
    };
    (all > 0.0).then(|| steps.iter().map(of).sum())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chance_makes_seconds_errored_size_by_size() {
        let step = |seconds, frames_lost, frames_lost_in_host, frames_damaged| StepReport {
            seconds,
            frames_lost,
            frames_lost_in_host,
            frames_damaged,
            ..StepReport::default()
        };
        let spread = Spread { seconds: 60, errored: 18, groups: 3, lasted: 60 };
        let by_chance = |steps: &[StepReport]| seconds_by_chance(steps, &spread);
        let near = |found: Option<f64>, seconds: f64| found.is_some_and(|found| (found - seconds).abs() < 0.01);
        // By hand: 20 seconds each, and 20 (1 - exp(-failed / 20)) of them hit.
        let (good, bad) = (step(20.0, 3, 3, 0), step(20.0, 400, 0, 0));
        assert!(near(by_chance(&[good.clone(), good.clone(), bad.clone()]), 20.0));
        assert!(near(by_chance(&[good.clone(), step(20.0, 0, 0, 20), bad]), 20.0 + 12.64));
        assert!(near(by_chance(&[step(0.5, 0, 0, 0)]), 0.0));
        assert!(near(by_chance(&[good]), 0.0) && by_chance(&[]).is_none());
    }
}
