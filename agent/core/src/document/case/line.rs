//! The stages of a case, laid out along the line: place 0 is the port, place 1 the far end of the first segment, and so
//! on.

use super::Case;
use super::name::{Spot, StageName};
use super::stage::{Ended, Showing, Source, Stage, StageResult};
use crate::document::run::Tried;
use crate::judge::RuleId;
use crate::signal::seconds::Spread;
use crate::stats::compare_rates::{ErrorCount, RateComparison};

/// A stage outside the chip.
#[derive(Clone, Copy, Debug)]
pub(super) struct Visit<'a> {
    /// Place along the line.
    pub place: usize,
    /// Which plug was in which port.
    pub gear: Gear,
    /// It was a soak, or as long as one.
    pub long: bool,
    /// What it says, with what the speeds tell.
    pub shows: Showing,
    /// It failed by speed alone: a nearer place linked at the port's own speed, this one at a forced one only.
    pub slower_only: bool,
    /// What it found.
    pub result: &'a StageResult,
}

/// Which plug was in which port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Gear {
    /// The plug of the case in the port of the case.
    Own,
    /// Another plug in the port of the case.
    OtherPlug,
    /// The plug of the case in a port known to be good.
    KnownGoodPort,
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
        !self.slower_only
            && matches!(self.shows, Showing::Fails | Showing::Neither)
            && (self.result.link_flaps > 0 || self.crowded())
    }

    /// What failed came crowded into fewer seconds than chance would spread it over.
    fn crowded(&self) -> bool {
        let StageResult { seconds, seconds_errored, error_groups, tried, .. } = *self.result;
        let spread = Spread { seconds, errored: seconds_errored, groups: error_groups, lasted: seconds };
        // A second of small frames, which seldom meet an error, is no pause: where sizes are known, both must say so.
        let by_size = self.result.seconds_by_chance.is_none_or(|by_chance| spread.has_fewer_than(by_chance));
        by_size && spread.has_pauses(tried.failed)
    }

    /// It passed, though what failed in it came crowded: the mean of the run hides a bad moment.
    pub fn restless(&self) -> bool {
        self.shows == Showing::Passes && self.crowded()
    }

    /// Something that is no plug turned the signal back.
    pub fn active(&self) -> bool {
        matches!(self.result.rule, RuleId::NotAPlainLoop | RuleId::EchoesLate)
    }

    /// Bytes were missing that this computer may have dropped uncounted. At the slowest pace, the only one that says
    /// anything of the line then, none were, and nothing else was wrong.
    pub fn loses_here(&self) -> bool {
        let Tried { units, failed } = self.result.tried;
        self.result.rule == RuleId::LostAtFullPace && units > 0 && failed == 0
    }

    /// A run of this length decided nothing, and only a longer one can.
    pub fn too_short(&self) -> bool {
        !self.long && self.shows == Showing::Neither && self.result.needs_longer()
    }

    /// Nothing went through, or what failed is not counted in units, such as a missing link or a modem line.
    pub fn dead(&self) -> bool {
        let tried = self.result.tried;
        !self.sporadic() && (!self.counts() || tried.failed >= tried.units)
    }

    /// Something went through.
    pub fn let_some_through(&self) -> bool {
        let Tried { units, failed } = self.result.tried;
        self.shows == Showing::Passes || (self.counts() && failed < units)
    }

    /// Units tried, and those that failed.
    pub fn count(&self) -> ErrorCount {
        ErrorCount { errors: self.result.tried.failed, bits: self.result.tried.units }
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

/// Units of several visits.
pub(super) fn sum<'v, 'a: 'v>(visits: impl Iterator<Item = &'v Visit<'a>>) -> ErrorCount {
    visits.map(Visit::count).fold(ErrorCount { errors: 0, bits: 0 }, |all, one| ErrorCount {
        errors: all.errors + one.errors,
        bits: all.bits + one.bits,
    })
}

/// A case, seen along its line.
pub(super) struct Line<'a> {
    /// The case.
    pub case: &'a Case,
    /// Place of the cable's far end.
    pub far: usize,
    /// Visits with the plug of the case in the port of the case, in order.
    pub visits: Vec<Visit<'a>>,
    /// Visits with a plug in a port itself, in order: whichever plug, whichever port.
    pub bench: Vec<Visit<'a>>,
}

impl<'a> Line<'a> {
    pub fn new(case: &'a Case) -> Self {
        let mut line = Self { case, far: case.segments.len().max(1), visits: Vec::new(), bench: Vec::new() };
        let soak_s = |spot: &Spot| {
            let soak = StageName::Soak(spot.clone());
            case.stages.iter().filter(|s| s.name == soak).filter_map(done).map(|r| r.seconds).max()
        };
        let visit = |stage: &'a Stage| {
            let result = done(stage)?;
            let (spot, gear) = match &stage.name {
                StageName::At(spot) | StageName::Soak(spot) => (spot, Gear::Own),
                StageName::OtherPlug => (&Spot::AtPort, Gear::OtherPlug),
                StageName::KnownGoodPort => (&Spot::AtPort, Gear::KnownGoodPort),
                StageName::TwoPairs(_) | StageName::CableTest => return None,
            };
            let long = match (&stage.name, gear) {
                (StageName::Soak(_), _) => true,
                (_, Gear::Own) => false,
                // As long as the soak with the case's own plug; the technician's word knows no length.
                _ => stage.source == Source::Answer || soak_s(spot).is_some_and(|s| result.seconds * 2 >= s),
            };
            let place = line.place(spot)?;
            // One run alone cannot know what holds the link up. In a case the same plug is tried in another port, and
            // another plug in this one: what is plugged in is told apart by that, so a port that returns nothing has
            // failed.
            let shows = if place == 0 { showing_at_port(result) } else { result.showing };
            Some(Visit { place, gear, long, shows, slower_only: false, result })
        };
        let mut visits: Vec<Visit> = case.stages.iter().filter_map(visit).collect();
        // A place that is clean but for what this computer may drop is good, held against one that fails.
        if visits.iter().any(|v| v.shows == Showing::Fails) {
            visits.iter_mut().filter(|v| v.loses_here()).for_each(|v| v.shows = Showing::Passes);
        }
        // A port that links to itself at its own speed next to the chip, and at a forced one only with cable between,
        // has lost pairs on the way. One that cannot link to itself anywhere is no worse for it.
        let at_own_speed = |v: &Visit| v.result.link.up && v.result.fallback_mbps.is_none();
        let fast = visits.iter().filter(|v| v.gear == Gear::Own && at_own_speed(v));
        let fast: Vec<usize> = fast.map(|v| v.place).collect();
        for visit in &mut visits {
            let nearer = fast.iter().any(|place| *place < visit.place);
            if visit.result.fallback_mbps.is_some() && nearer && visit.shows == Showing::Passes {
                visit.shows = Showing::Fails;
                visit.slower_only = true;
            }
        }
        // A hand on the plug takes the link away once, and something from outside may make one spell; a second time at
        // the same place it is the place.
        let trouble =
            |v: &Visit| v.shows == Showing::Fails || v.shows == Showing::Neither && v.result.rule.is_excused_once();
        let places = (0..=line.far).map(|place| (place, Gear::Own));
        for (place, gear) in places.chain([(0, Gear::OtherPlug), (0, Gear::KnownGoodPort)]) {
            let here = |v: &Visit| v.place == place && v.gear == gear && trouble(v);
            if visits.iter().filter(|v| here(v)).count() >= 2 {
                visits.iter_mut().filter(|v| here(v)).for_each(|v| v.shows = Showing::Fails);
            }
        }
        line.bench = visits.iter().filter(|v| v.place == 0).copied().collect();
        line.visits = visits.into_iter().filter(|v| v.gear == Gear::Own).collect();
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

    /// A place both passed and failed, and its failures are worse than its passes beyond chance. Steady errors at a low
    /// rate pass and fail by chance, and do not come and go.
    pub fn changes(&self, place: usize) -> bool {
        let shows = |wanted: Showing| self.at(place).filter(move |v| v.shows == wanted);
        let (fails, passes) = (sum(shows(Showing::Fails)), sum(shows(Showing::Passes)));
        let History { passes: passed, fails: failed, .. } = self.history(place);
        if passed == 0 || failed == 0 {
            return false;
        }
        shows(Showing::Fails).any(|v| !v.counts())
            || RateComparison::new(fails, passes).map_or(true, |compared| compared.p_a_higher <= P_CHANGES_MAX)
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
fn showing_at_port(result: &StageResult) -> Showing {
    if result.showing == Showing::Neither && result.rule == RuleId::NothingReturned {
        Showing::Fails
    } else {
        result.showing
    }
}

/// What a stage found, if it counts.
pub(super) fn done(stage: &Stage) -> Option<&StageResult> {
    stage.result.as_ref().filter(|_| stage.ended == Ended::Done)
}

/// Failures and passes of one place differ beyond chance at this probability. Our own choice.
const P_CHANGES_MAX: f64 = 0.01;
/// So often trouble must have begun before its pauses are known. Our own choice.
pub(super) const PAUSES_MIN: u64 = 8;
