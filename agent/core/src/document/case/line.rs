//! The stages of a case, laid out along the line: place 0 is the port, place 1 the far end of the first segment, and so
//! on.

use super::Case;
use super::name::{Spot, StageName};
use super::stage::{Ended, Showing, Stage, StageResult};
use crate::judge::RuleId;

/// A stage whose plug was the case's own, in the case's own port, somewhere outside the chip.
#[derive(Clone, Copy, Debug)]
pub(super) struct Visit<'a> {
    /// Place along the line.
    pub place: usize,
    /// It was a soak.
    pub long: bool,
    /// What it says, with what the speeds tell.
    pub shows: Showing,
    /// It failed by speed alone: a nearer place linked at the port's own speed, this one at a forced one only.
    pub slower_only: bool,
    /// What it found.
    pub result: &'a StageResult,
}

impl Visit<'_> {
    /// Its failed units among those tried mean something: not without a link, nor where the link itself came and went,
    /// nor where what failed is none of them, such as a modem line.
    pub fn counts(&self) -> bool {
        let r = self.result;
        r.tried.units > 0 && r.link_flaps == 0 && !self.slower_only && r.rule.is_counted_in_units()
    }

    /// It failed for a part of its time only: the link came and went, or what failed came crowded into fewer seconds
    /// than chance would spread it over.
    pub fn sporadic(&self) -> bool {
        let r = self.result;
        if self.slower_only || !matches!(self.shows, Showing::Fails | Showing::Neither) {
            return false;
        }
        // Of `s` seconds, `n` failures spread by chance (Poisson) leave `s exp(-n/s)` without one.
        let spread = r.seconds as f64 * -(-(r.tried.failed as f64) / r.seconds.max(1) as f64).exp_m1();
        r.link_flaps > 0 || ((r.seconds_errored as f64) < CROWDED * spread - 1.0)
    }

    /// It showed spells, too few of them to be a failure: no pass either, whatever passes later.
    pub fn spells(&self) -> bool {
        self.shows == Showing::Neither && self.result.rule == RuleId::ComesAndGoes
    }

    /// Times trouble began.
    pub fn groups(&self) -> u64 {
        self.result.error_groups.max(self.result.link_flaps)
    }
}

/// How a place has fared.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct History {
    /// Visits that passed.
    pub passes: u32,
    /// Visits that failed.
    pub fails: u32,
    /// Visits that did neither.
    pub unclear: u32,
    /// Passes since the last failure; a soak counts as two.
    pub passes_since: u32,
    /// A soak was among the visits.
    pub long: bool,
}

/// A case, seen along its line.
pub(super) struct Line<'a> {
    /// The case.
    pub case: &'a Case,
    /// Place of the cable's far end.
    pub far: usize,
    /// Visits in order.
    pub visits: Vec<Visit<'a>>,
}

impl<'a> Line<'a> {
    pub fn new(case: &'a Case) -> Self {
        let mut line = Self { case, far: case.segments.len().max(1), visits: Vec::new() };
        let visit = |stage: &'a Stage| {
            let (spot, long) = match &stage.name {
                StageName::At(spot) => (spot, false),
                StageName::Soak(spot) => (spot, true),
                _ => return None,
            };
            let result = done(stage)?;
            Some(Visit { place: line.place(spot)?, long, shows: result.showing, slower_only: false, result })
        };
        let mut visits: Vec<Visit> = case.stages.iter().filter_map(visit).collect();
        // A port that links to itself at its own speed next to the chip, and at a forced one only with cable between,
        // has lost pairs on the way. One that cannot link to itself anywhere is no worse for it.
        let at_own_speed = |v: &Visit| v.result.link.up && v.result.fallback_mbps.is_none();
        let fast: Vec<usize> = visits.iter().filter(|v| at_own_speed(v)).map(|v| v.place).collect();
        for visit in &mut visits {
            let nearer = fast.iter().any(|place| *place < visit.place);
            if visit.result.fallback_mbps.is_some() && nearer && visit.shows == Showing::Passes {
                visit.shows = Showing::Fails;
                visit.slower_only = true;
            }
        }
        // One run alone cannot know what holds the link up. In a case the same plug is tried in another port, and
        // another plug in this one: what is plugged in is told apart by that, so a port that returns nothing has
        // failed.
        for visit in visits.iter_mut().filter(|v| v.place == 0) {
            visit.shows = showing_at_port(visit.result);
        }
        // A hand on the plug takes the link away once, and something from outside may make one spell; a second time at
        // the same place it is the place.
        let trouble =
            |v: &Visit| v.shows == Showing::Fails || v.shows == Showing::Neither && v.result.rule.is_excused_once();
        for place in 0..=line.far {
            if visits.iter().filter(|v| v.place == place && trouble(v)).count() >= 2 {
                visits.iter_mut().filter(|v| v.place == place && trouble(v)).for_each(|v| v.shows = Showing::Fails);
            }
        }
        line.visits = visits;
        line
    }

    /// Place of a spot; none inside the chip, or for a segment the case does not have.
    pub fn place(&self, spot: &Spot) -> Option<usize> {
        match spot {
            Spot::Internal => None,
            Spot::AtPort => Some(0),
            Spot::FarEnd(None) => Some(self.far),
            Spot::FarEnd(Some(label)) => self.case.segments.iter().position(|known| known == label).map(|i| i + 1),
        }
    }

    /// The spot at a place.
    pub fn spot(&self, place: usize) -> Spot {
        match place {
            0 => Spot::AtPort,
            _ if place >= self.far => Spot::FarEnd(None),
            _ => Spot::FarEnd(self.case.segments.get(place - 1).cloned()),
        }
    }

    pub fn at(&self, place: usize) -> impl Iterator<Item = &Visit<'a>> {
        self.visits.iter().filter(move |v| v.place == place)
    }

    pub fn last(&self, place: usize) -> Option<&Visit<'a>> {
        self.visits.iter().rfind(|v| v.place == place)
    }

    pub fn history(&self, place: usize) -> History {
        let mut history = History::default();
        for visit in self.at(place) {
            history.long |= visit.long;
            match visit.shows {
                Showing::Passes => {
                    history.passes += 1;
                    history.passes_since += if visit.long { 2 } else { 1 };
                }
                Showing::Fails => {
                    history.fails += 1;
                    history.passes_since = 0;
                }
                Showing::Neither | Showing::NotTested | Showing::HostFails => history.unclear += 1,
            }
        }
        history
    }

    /// Results of every done attempt at a stage, oldest first.
    pub fn results(&self, name: &StageName) -> Vec<&'a StageResult> {
        self.case.stages.iter().filter(|stage| stage.name == *name).filter_map(done).collect()
    }

    /// Result of the stage done last.
    pub fn latest(&self) -> Option<(&'a Stage, &'a StageResult)> {
        self.case.stages.iter().rev().find_map(|stage| done(stage).map(|result| (stage, result)))
    }

    /// Attempts so far, those that were cut off left out.
    pub fn attempts(&self, name: &StageName) -> u32 {
        self.case.stages.iter().filter(|s| s.name == *name && s.ended == Ended::Done).count() as u32
    }

    /// The technician does not want it, and has not changed their mind since.
    pub fn skipped(&self, name: &StageName) -> bool {
        self.case
            .stages
            .iter()
            .rfind(|s| s.name == *name && matches!(s.ended, Ended::Skipped | Ended::Done))
            .is_some_and(|s| s.ended == Ended::Skipped)
    }

    /// The segment between two neighbouring places.
    pub fn segment(&self, low: usize, high: usize) -> Option<String> {
        if high == low + 1 { self.case.segments.get(low).cloned() } else { None }
    }

    /// Both ends of a stretch in words.
    pub fn stretch(&self, low: usize, high: usize) -> String {
        match (self.segment(low, high), self.case.segments.is_empty()) {
            (Some(label), _) => format!("segment {label} of cable {}", self.case.cable),
            (None, true) => format!("cable {}", self.case.cable),
            (None, false) => {
                let labels: Vec<&str> = self.case.segments[low..high].iter().map(String::as_str).collect();
                format!("one of the segments {} of cable {}", labels.join(", "), self.case.cable)
            }
        }
    }
}

/// What a run with the plug in a port says of port and plug.
pub(super) fn showing_at_port(result: &StageResult) -> Showing {
    if result.showing == Showing::Neither && result.rule == RuleId::NothingReturned {
        Showing::Fails
    } else {
        result.showing
    }
}

fn done(stage: &Stage) -> Option<&StageResult> {
    stage.result.as_ref().filter(|_| stage.ended == Ended::Done)
}

/// Errored seconds may be fewer than chance makes them by this share, and by one: beyond that they are crowded. Our own
/// choice: a slip costs a longer run and no wrong verdict.
const CROWDED: f64 = 0.9;
