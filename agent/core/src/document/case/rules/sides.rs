//! Does a failure follow what is suspected? Runs with the suspect in the loop are held against runs without it.
//!
//! A port that goes bad between two runs, or a disturbance from outside, also shows a pass followed by a failure. So
//! the failure must come and go with the suspect, and three exact tests must tell the sides apart: on units, on
//! seconds, and on whole runs. Segment, plug and port are judged alike.

use crate::base::figure::count;
use crate::document::case::line::{PAUSES_MIN, Visit, sum};
use crate::document::case::stage::Showing;
use crate::stats::compare_rates::{ErrorCount, RateComparison};
use crate::stats::fisher;

/// Runs with a suspect in the loop and runs without it.
#[derive(Debug, Default)]
pub(super) struct Sides<'a> {
    with: Vec<Visit<'a>>,
    without: Vec<Visit<'a>>,
    /// Whether each run in turn failed with the suspect in the loop (true) or passed without it (false); equal ones in
    /// a row are one.
    turns: Vec<bool>,
    sporadic: bool,
    /// Something came back in a run with the suspect in the loop, whatever became of that run.
    was_alive: bool,
}

/// What the tests make of both sides.
pub(super) struct Weight {
    /// The failure follows the suspect, beyond chance and often enough.
    pub proved: bool,
    /// The counts behind it, in words.
    pub what: String,
    /// The next run is with the suspect in the loop.
    pub next_with: bool,
    /// And nothing has to be moved for it.
    pub next_still: bool,
    /// The units tell the sides apart, and the seconds of runs so short do not.
    pub too_short: bool,
}

/// What counts say of failures that are there all the time.
struct Counts {
    /// Probability that both sides fail alike, by units and by seconds, as strict as [`P_COUNTS_MAX`] is.
    p: f64,
    /// The same by units alone.
    p_units: f64,
    what: String,
}

impl Counts {
    /// Nothing to count speaks against the suspect.
    fn none(what: String) -> Self {
        Self { p: 0.0, p_units: 0.0, what }
    }
}

impl<'a> Sides<'a> {
    /// Sorts runs in their order: `true` for one with the suspect in the loop. A `sporadic` failure may be away for
    /// the time of a short run, whose pass then says nothing.
    pub fn new(runs: impl Iterator<Item = (bool, Visit<'a>)>, sporadic: bool) -> Self {
        let mut sides = Self { sporadic, ..Self::default() };
        for (with, visit) in runs {
            sides.was_alive |= with && visit.let_some_through();
            let passes = visit.shows == Showing::Passes && (visit.long || !sporadic);
            // Too few bits to pass, and too few failures to fail: its counts tell the sides apart all the same.
            let between = visit.shows == Showing::Neither && visit.result.needs_longer();
            let fails = visit.shows == Showing::Fails;
            match with {
                true if fails || passes => sides.with.push(visit),
                false if fails || passes || between || visit.spells() => sides.without.push(visit),
                _ => continue,
            }
            let turn = match with {
                true if fails => true,
                false if passes || between => false,
                _ => continue,
            };
            if sides.turns.last() != Some(&turn) {
                sides.turns.push(turn);
            }
        }
        sides
    }

    /// Times the failure came or went with the suspect, the first run counted.
    pub fn turns(&self) -> usize {
        self.turns.len()
    }

    /// Whether the failure follows the suspect.
    pub fn weigh(&self) -> Weight {
        let fails: Vec<&Visit> = self.with.iter().filter(|v| v.shows == Showing::Fails).collect();
        // What began as coming and going may be there all the time in every soak: then its units and seconds speak.
        let mut soaks = fails.iter().filter(|v| v.long).peekable();
        let steady = !self.sporadic || (soaks.peek().is_some() && soaks.all(|v| !v.sporadic()));
        let mut too_short = false;
        let (p, what, most, runs_most) = if steady {
            let Counts { p, p_units, what } = self.counts(self.sporadic);
            too_short = p > P_COUNTS_MAX && p_units <= P_COUNTS_MAX;
            (p, what, P_COUNTS_MAX, P_RUNS_MAX)
        } else {
            // Each of these soaks holds many beginnings and pauses, so fewer of them say as much.
            let (p, what) = self.p_groups();
            (p, what, P_GROUPS_MAX, P_SOAKS_MAX)
        };
        let repeated = !fails.is_empty() && p <= most && self.turns() >= TURNS_MIN;
        let proved = repeated && self.p_runs() <= runs_most;
        // What only lacks runs is repeated in place, where nobody has to walk.
        let last = self.turns.last() == Some(&true);
        let next_still = repeated && self.runs(if last { &self.with } else { &self.without }).count() < RUNS_EACH;
        Weight { proved, what, next_with: last == next_still, next_still, too_short }
    }

    /// Runs that tell one whole run from another: short ones do not where the failure comes and goes.
    fn runs<'s>(&self, side: &'s [Visit<'a>]) -> impl Iterator<Item = &'s Visit<'a>> {
        let long_only = self.sporadic;
        side.iter().filter(move |v| v.long || !long_only)
    }

    /// Probability that whole runs fail alike on both sides: a disturbance may hit every unit of one run and none of
    /// the next, which looks like a difference to any test on units.
    ///
    /// A run is hit if it failed, or if its ratio comes near that of the mildest failure with the suspect in the loop.
    /// So a steady ratio at the limit, which passes and fails by chance, is the same on one side.
    fn p_runs(&self) -> f64 {
        let fails: Vec<&Visit> = self.with.iter().filter(|v| v.shows == Showing::Fails).collect();
        // What let some through and then nothing comes and goes by itself: then its runs must be told apart as well.
        let silent = !self.was_alive && fails.iter().all(|v| v.dead());
        if silent && self.without.iter().all(|v| v.shows == Showing::Passes) {
            return 0.0;
        }
        let ratio = |v: &Visit| v.result.tried.failed as f64 / v.result.tried.units.max(1) as f64;
        let mildest = fails.iter().filter(|v| v.counts()).map(|v| ratio(v)).fold(f64::INFINITY, f64::min);
        let hit = |v: &&Visit| v.shows == Showing::Fails || v.spells() || (v.counts() && ratio(v) * NEAR >= mildest);
        let of = |side: &[Visit<'a>]| (self.runs(side).filter(hit).count() as u64, self.runs(side).count() as u64);
        fisher::p_a_higher(of(&self.with), of(&self.without)).unwrap_or(1.0)
    }

    /// Probability that failures so steady are the same on both sides: of units, and of seconds.
    fn counts(&self, soaks_only: bool) -> Counts {
        let counted: Vec<&Visit> = self.with.iter().filter(|v| v.counts() && (v.long || !soaks_only)).collect();
        if counted.is_empty() {
            let what = match self.with.iter().any(|v| v.result.tried.units > 0) {
                true => "what failed is there all the time",
                false => "nothing went through at all",
            };
            return Counts::none(what.to_owned());
        }
        let (here, there) = (sum(counted.iter().copied()), sum(self.without.iter()));
        let units = counted.first().map_or("units", |v| v.result.units());
        // The word of a technician has no counts: then the runs alone tell the sides apart.
        if there.bits == 0 && !self.without.is_empty() {
            let what =
                format!("{} of {} {units} failed with the suspect in the loop", count(here.errors), count(here.bits));
            return Counts::none(what);
        }
        let p_units = RateComparison::new(here, there).map_or(1.0, |c| c.p_a_higher);
        let seconds = |visits: &mut dyn Iterator<Item = &Visit>| {
            visits.fold((0, 0), |(e, s), v| (e + v.result.seconds_errored, s + v.result.seconds))
        };
        let with_s = seconds(&mut counted.iter().copied());
        let without_s = seconds(&mut self.without.iter());
        // Units of one bad second fail together; so whole seconds must tell the sides apart as well, unless the side
        // without the suspect has errors in its seconds too, where only the rates differ. Where every second failed, no
        // single bad one explains the units.
        let p_seconds = if without_s.0 > 0 || with_s.0 == with_s.1 {
            0.0
        } else {
            fisher::p_a_higher(with_s, without_s).unwrap_or(1.0)
        };
        let what = format!(
            "with the suspect in the loop {} of {} {units} failed, without it {} of {}; with it {} of {} seconds, \
             without it {} of {}",
            count(here.errors),
            count(here.bits),
            count(there.errors),
            count(there.bits),
            with_s.0,
            with_s.1,
            without_s.0,
            without_s.1
        );
        Counts { p: p_units.max(p_seconds * P_COUNTS_MAX / P_SECONDS_MAX), p_units, what }
    }

    /// Probability that trouble begins as often on both sides; or, where it has begun often enough to know the pauses
    /// between, that such pauses would fill all the time without the suspect.
    ///
    /// Pauses are taken as exponential, and twice as long as they were on average: a process that pauses for `g`
    /// seconds stays away for `t` with the probability `exp(-t/g)`.
    fn p_groups(&self) -> (f64, String) {
        let of = |visits: &mut dyn Iterator<Item = &Visit>| {
            let (groups, seconds) =
                visits.fold((0, 0), |(g, s), v| (g + v.groups(), s + v.result.seconds.max(v.groups())));
            ErrorCount { errors: groups, bits: seconds }
        };
        let (here, there) = (of(&mut self.with.iter()), of(&mut self.without.iter()));
        let mut p = RateComparison::new(here, there).map_or(1.0, |c| c.p_a_higher);
        if here.errors >= PAUSES_MIN && there.errors == 0 {
            let clean = |v: &Visit| v.result.seconds.saturating_sub(v.result.seconds_errored);
            let clean: u64 = self.with.iter().map(clean).sum();
            let pause = 2.0 * (clean + 1) as f64 / here.errors as f64;
            p = p.min((-(there.bits as f64) / pause).exp());
        }
        let what = format!(
            "with the suspect in the loop trouble began {} times in {} s, without it {} times in {} s",
            here.errors, here.bits, there.errors, there.bits
        );
        (p, what)
    }
}

/// Fail, pass, fail, pass: fewer turns may be the port's own coming and going. Our own choice, see `docs/verdict.md`.
pub(super) const TURNS_MIN: usize = 4;
/// After so many turns more of the same tell nothing new.
pub(super) const TURNS_MAX: usize = 8;
/// Largest probability that both sides fail alike, by units.
const P_COUNTS_MAX: f64 = 1e-6;
/// The same by seconds.
const P_SECONDS_MAX: f64 = 1e-4;
/// The same by how often trouble begins.
const P_GROUPS_MAX: f64 = 1e-4;
/// The same by whole runs. Five that fail against five that pass are 1 in 252.
const P_RUNS_MAX: f64 = 0.004;
/// The same by soaks of a failure that comes and goes. Three against three are 1 in 20.
const P_SOAKS_MAX: f64 = 0.055;
/// So many runs on a side are enough for that. Our own choice.
const RUNS_EACH: usize = 5;
/// A ratio this many times below the mildest failure is as bad as that failure. Our own choice.
const NEAR: f64 = 3.0;
#[cfg(test)]
mod tests;
