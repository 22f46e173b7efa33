//! Rules on the cable: find the segment between the last place that passes and the first that fails.

use super::first::needs_longer;
use super::near::{advice, repeat};
use super::{CaseRule, Conclusion};
use crate::base::figure::count;
use crate::document::case::line::{Line, Visit};
use crate::document::case::name::{Spot, StageName};
use crate::document::case::stage::Showing;
use crate::judge::{Location, Outcome, RuleId};
use crate::stats::compare_rates::{ErrorCount, RateComparison};
use crate::stats::fisher;

pub(super) const RULES: &[CaseRule] = &[
    CaseRule { id: RuleId::PlacesDisagree, decide: places_disagree },
    CaseRule { id: RuleId::SegmentFails, decide: segment_fails },
    CaseRule { id: RuleId::AllPass, decide: all_pass },
];

/// A nearer place fails, time and again, though a farther one passes.
fn places_disagree(line: &Line) -> Option<Conclusion> {
    if comes_and_goes(line) {
        return None;
    }
    let bad = (1..=line.far).find(|k| line.history(*k).fails > 0 && line.history(*k).passes == 0)?;
    let good = (bad + 1..=line.far).find(|k| line.history(*k).passes > 0 && line.history(*k).fails == 0)?;
    let (near, far) = (line.spot(bad), line.spot(good));
    let conclusion = Conclusion::undecided(format!("{near} fails though {far}, behind it, passes"))
        .sure("contradictory: an average of the two would say nothing")
        .then(format!(
            "look at the connector at {near}: it carries the plug there and nothing in use; clean or replace it, then \
             repeat {near} and {far}"
        ))
        .again(StageName::At(near.clone()));
    Some(if line.history(bad).fails < 2 {
        conclusion.want(StageName::At(near), "the evidence disagrees: seat the plug again and repeat")
    } else if line.history(good).passes < 2 {
        conclusion.want(StageName::At(far), "the evidence disagrees: the farther place is repeated too")
    } else {
        conclusion
    })
}

/// A failure that is not always there: some place both passed and failed, or failed for a part of its time.
fn comes_and_goes(line: &Line) -> bool {
    (1..=line.far).any(|k| line.history(k).passes > 0 && line.history(k).fails > 0)
        || line.visits.iter().any(|v| v.place > 0 && v.sporadic())
}

/// What a search along the line knows.
struct Search<'l, 'a> {
    line: &'l Line<'a>,
    /// The failure comes and goes: a short pass says nothing.
    sporadic: bool,
}

impl Search<'_, '_> {
    fn counts_as_pass(&self, v: &Visit) -> bool {
        v.shows == Showing::Passes && (v.long || !self.sporadic)
    }

    fn fails(&self, place: usize) -> bool {
        place > 0 && self.line.at(place).any(|v| v.shows == Showing::Fails)
    }

    fn passes(&self, place: usize) -> bool {
        !self.fails(place) && self.line.at(place).any(|v| self.counts_as_pass(v))
    }

    /// The port itself: passed; or left undecided by its own few failures, which the counts then settle; or skipped.
    fn port_known(&self) -> bool {
        self.passes(0) || (!self.sporadic && self.line.last(0).is_some_and(|v| v.long && needs_longer(v.result)))
    }

    fn stage(&self, place: usize) -> StageName {
        let spot = self.line.spot(place);
        if self.sporadic { StageName::Soak(spot) } else { StageName::At(spot) }
    }

    /// Tried here, and neither passed nor failed: what to do about it.
    fn unclear(&self, place: usize) -> Option<Conclusion> {
        if self.fails(place) || self.passes(place) {
            return None;
        }
        let last = self.line.last(place).filter(|v| v.shows != Showing::Passes)?;
        let (spot, result) = (self.line.spot(place), last.result);
        let conclusion = Conclusion::undecided(format!("{spot}: {}", result.text));
        let again = self.line.history(place).unclear < 3;
        Some(match &result.rule {
            _ if needs_longer(result) && !self.line.history(place).long => {
                conclusion.want(StageName::Soak(spot), "only a longer run can decide")
            }
            RuleId::ComesAndGoes => conclusion.want(StageName::Soak(spot), "a longer run shows whether it comes back"),
            _ if last.sporadic() => conclusion
                .then(format!(
                    "the errors came in few of the seconds: look at the connectors, and soak at {spot} for some hours"
                ))
                .again(StageName::Soak(spot)),
            _ if needs_longer(result) => conclusion
                .then(format!(
                    "the error ratio is at the limit itself: soak at {spot} for an hour or more, or accept it as it is"
                ))
                .again(StageName::Soak(spot)),
            RuleId::NothingReturned | RuleId::NotAPlainLoop => {
                let conclusion = conclusion.then(format!(
                    "the port is good: see that the plug is really on cable {}, not on another; something else holds \
                     the link",
                    self.line.case.cable
                ));
                if again {
                    conclusion.want(self.stage(place), "see that the plug is on this cable, then repeat")
                } else {
                    conclusion
                }
            }
            _ => {
                let conclusion = conclusion.then(advice(&result.rule)).again(self.stage(place));
                if again { conclusion.want(self.stage(place), repeat(&result.rule)) } else { conclusion }
            }
        })
    }
}

/// Finds the segment, and makes sure that the failure follows the plug and not the clock.
fn segment_fails(line: &Line) -> Option<Conclusion> {
    let search = Search { line, sporadic: comes_and_goes(line) };
    let high = (1..=line.far).find(|k| search.fails(*k));
    let Some(high) = high else { return walk_out(&search) };
    let low = if search.port_known() { (0..high).rev().find(|k| *k == 0 || search.passes(*k)).unwrap_or(0) } else { 0 };
    if !search.port_known() {
        let conclusion = Conclusion::fault(
            &[Location::Cable, Location::Port, Location::Plug],
            format!("{}: {}", line.spot(high), failure(line, high)),
        )
        .sure("the port has not been seen to pass with this plug")
        .then("put the same plug into the port itself and repeat: a pass there leaves only the cable");
        return Some(
            conclusion
                .want(search.stage(0), "the failure may come from port, plug or cable: the port is tried for as long"),
        );
    }
    // Halve what is left; with few places in between go outward in turn.
    let between: Vec<usize> =
        (low + 1..high).filter(|k| !line.skipped(&search.stage(*k)) && !given_up(&search, *k)).collect();
    if let Some(middle) = between.get(between.len() / 2) {
        let open = located(&search, low, high).sure("the segment is not yet known");
        if let Some(unclear) = search.unclear(*middle) {
            return Some(Conclusion { wants: unclear.wants, ..open });
        }
        return Some(open.want(search.stage(*middle), "it halves what is left of the cable"));
    }
    Some(prove(&search, low, high))
}

/// A place between that attempts have not decided.
fn given_up(search: &Search, place: usize) -> bool {
    search.unclear(place).is_some_and(|conclusion| conclusion.wants.is_empty())
}

fn failure<'a>(line: &Line<'a>, place: usize) -> &'a str {
    let last = line.visits.iter().rfind(|v| v.place == place && v.shows == Showing::Fails);
    match last {
        Some(v) if v.slower_only => "links at 100 Mb/s only, though the port by itself links at its own speed",
        Some(v) => v.result.text.as_str(),
        None => "",
    }
}

/// No place fails so far.
fn walk_out(search: &Search) -> Option<Conclusion> {
    let line = search.line;
    let visited = |k: &usize| line.at(*k).next().is_some();
    let next = if line.far > IN_TURN_MAX {
        [line.far].into_iter().find(|k| !visited(k))
    } else {
        (1..=line.far).find(|k| !visited(k) && !line.skipped(&StageName::At(line.spot(*k))))
    };
    if let Some(unclear) = (1..=line.far).find_map(|k| search.unclear(k)) {
        return Some(unclear);
    }
    let next = next?;
    let stage = StageName::At(line.spot(next));
    let known = match search.port_known() {
        true => "the port passes with this plug; the cable is not yet known",
        false => "nothing fails so far",
    };
    (!line.skipped(&stage))
        .then(|| Conclusion::undecided(known).want(stage, "a failure here, after a pass at the port, is the cable's"))
}

/// The fault lies between these places.
fn located(search: &Search, low: usize, high: usize) -> Conclusion {
    let line = search.line;
    let text = format!(
        "{} passes and {} fails{}: {}",
        line.spot(low),
        line.spot(high),
        if search.sporadic { ", now and then" } else { "" },
        failure(line, high)
    );
    let mut conclusion = Conclusion::fault(&[Location::Cable], text);
    conclusion.segment = line.segment(low, high);
    let what = line.stretch(low, high);
    conclusion.next = if search.sporadic {
        format!("look for a loose or worn connector and a bent or crushed run in {what}; re-terminate or replace it")
    } else {
        format!("re-terminate or replace {what}; if a new end does not mend it, replace it")
    };
    conclusion
}

/// Whether the failure follows the plug: it must come and go with it, and the counts must differ beyond chance.
fn prove(search: &Search, low: usize, high: usize) -> Conclusion {
    let line = search.line;
    // Spells on the nearer side are no pass, but they speak against the cable.
    let counted = |v: &&Visit| v.place <= low && (!contrary(search, v) || v.spells());
    let near: Vec<&Visit> = line.visits.iter().filter(counted).collect();
    let far: Vec<&Visit> = line.visits.iter().filter(|v| v.place >= high && v.shows == Showing::Fails).collect();
    let turns = turns(search, low, high);
    let soaks: Vec<&Visit> = far.iter().filter(|v| v.long).copied().collect();
    // What began as coming and going may be there all the time in every soak: then its units and seconds speak.
    let steady = !search.sporadic || (!soaks.is_empty() && soaks.iter().all(|v| !v.sporadic()));
    let (p, what) = match (search.sporadic, steady) {
        (false, _) => p_counts(&near, &far),
        (true, true) => p_counts(&near, &soaks),
        (true, false) => p_groups(&near, &far),
    };
    let conclusion = located(search, low, high);
    let enough = p <= if steady { P_COUNTS_MAX } else { P_GROUPS_MAX };
    if enough && turns.len() >= TURNS_MIN {
        return conclusion.sure(format!(
            "near certain: the failure came and went with the plug {} times, and {what}",
            turns.len() - 1
        ));
    }
    let last_failed = turns.last() == Some(&false);
    let gone = line.history(high).passes_since >= GONE_AFTER;
    if turns.len() >= TURNS_MAX || gone {
        let why = if gone {
            "it has not come back".to_owned()
        } else {
            format!("not beyond chance after {} turns", turns.len())
        };
        return too_rare(search, low, high, format!("{}; {why}: {what}", conclusion.text));
    }
    // Back and forth, and longer the second time: a port that goes bad and good for tens of seconds must not look like
    // a cable.
    let long = search.sporadic || turns.len() >= TURNS_MIN - 2;
    let (place, why) = if last_failed {
        (low, "back to the last place that passed: it must pass again, or the failure has nothing to do with the cable")
    } else {
        (high, "and out again: the failure must come back")
    };
    let spot = line.spot(place);
    let stage = if long { StageName::Soak(spot) } else { StageName::At(spot) };
    conclusion
        .sure(format!("not yet repeated: a port that began to fail meanwhile would look the same ({what})"))
        .want(stage, why)
}

/// Nobody is blamed for what came once.
fn too_rare(search: &Search, low: usize, high: usize, text: String) -> Conclusion {
    let (near, far) = (search.line.spot(low), search.line.spot(high));
    let next = format!(
        "soak for hours with the plug at {far} and then at {near}, and compare; until then look at the connectors and \
         use a spare port or cable"
    );
    Conclusion::undecided(text).sure("seen, and too rare to be placed").then(next).again(StageName::Soak(far))
}

/// A nearer visit that passes, or failed before a seating mended it, is not held against the port twice.
fn contrary(search: &Search, visit: &Visit) -> bool {
    match visit.shows {
        Showing::Passes => search.sporadic && !visit.long,
        Showing::Neither => !needs_longer(visit.result),
        Showing::Fails | Showing::HostFails | Showing::NotTested => true,
    }
}

/// The visits to the two places in order, those of one place in a row taken as one: true for a pass at the nearer.
///
/// Only the two places themselves count: a search along the line always ends between some pass and some failure, even
/// if both were chance; what proves them is that they come again.
fn turns(search: &Search, low: usize, high: usize) -> Vec<bool> {
    let mut turns: Vec<bool> = Vec::new();
    for visit in &search.line.visits {
        let side = match visit.shows {
            Showing::Fails if visit.place == high => false,
            _ if visit.place == low && !contrary(search, visit) => true,
            _ => continue,
        };
        if turns.last() != Some(&side) {
            turns.push(side);
        }
    }
    turns
}

/// Probability that failures so steady are the same on both sides: of units, and of seconds.
fn p_counts(near: &[&Visit], far: &[&Visit]) -> (f64, String) {
    let counted: Vec<&&Visit> = far.iter().filter(|v| v.counts()).collect();
    if counted.is_empty() {
        let what = match far.iter().any(|v| v.result.tried.units > 0) {
            true => "what failed is there all the time",
            false => "there is no way through at all",
        };
        return (0.0, what.to_owned());
    }
    let sum = |visits: &[&Visit], f: fn(&Visit) -> u64| visits.iter().map(|v| f(v)).sum::<u64>();
    let of = |visits: &[&Visit]| ErrorCount {
        errors: sum(visits, |v| v.result.tried.failed),
        bits: sum(visits, |v| v.result.tried.units),
    };
    let counted: Vec<&Visit> = counted.into_iter().copied().collect();
    let (here, there) = (of(&counted), of(near));
    let p_units = RateComparison::new(here, there).map_or(1.0, |c| c.p_a_higher);
    let seconds = |visits: &[&Visit]| (sum(visits, |v| v.result.seconds_errored), sum(visits, |v| v.result.seconds));
    // Units of one bad second fail together; so whole seconds must tell the sides apart as well, unless the nearer one
    // has errors in its seconds too, where only the rates differ.
    let (far_s, near_s) = (seconds(&counted), seconds(near));
    let p_seconds = if near_s.0 > 0 { 0.0 } else { fisher::p_a_higher(far_s, near_s).unwrap_or(1.0) };
    let what = format!(
        "{} of {} units failed beyond it against {} of {} before it, {} of {} seconds against {} of {}",
        count(here.errors),
        count(here.bits),
        count(there.errors),
        count(there.bits),
        far_s.0,
        far_s.1,
        near_s.0,
        near_s.1
    );
    (p_units.max(p_seconds * P_COUNTS_MAX / P_SECONDS_MAX), what)
}

/// Probability that trouble begins as often on both sides; or, where it has begun often enough to know the pauses
/// between, that such pauses would fill all the time on the nearer side.
///
/// Pauses are taken as exponential, and twice as long as they were on average: a process that pauses for `g` seconds
/// stays away for `t` with the probability `exp(-t/g)`.
fn p_groups(near: &[&Visit], far: &[&Visit]) -> (f64, String) {
    let of = |visits: &[&Visit]| {
        let (groups, seconds) =
            visits.iter().fold((0, 0), |(g, s), v| (g + v.groups(), s + v.result.seconds.max(v.groups())));
        ErrorCount { errors: groups, bits: seconds }
    };
    let (here, there) = (of(far), of(near));
    let mut p = RateComparison::new(here, there).map_or(1.0, |c| c.p_a_higher);
    if here.errors >= PAUSES_MIN && there.errors == 0 {
        let clean: u64 = far.iter().map(|v| v.result.seconds - v.result.seconds_errored.min(v.result.seconds)).sum();
        let pause = 2.0 * (clean + 1) as f64 / here.errors as f64;
        p = p.min((-(there.bits as f64) / pause).exp());
    }
    let what = format!(
        "trouble began {} times in {} s beyond it and {} times in {} s before it",
        here.errors, here.bits, there.errors, there.bits
    );
    (p, what)
}

/// Nothing fails anywhere.
fn all_pass(line: &Line) -> Option<Conclusion> {
    let far = line.history(line.far);
    let cured = line.visits.iter().find(|v| v.shows == Showing::Fails).map(|v| v.result.text.as_str());
    let inside = line.results(&StageName::At(Spot::Internal));
    let inside = inside.iter().find(|r| r.showing == Showing::Fails).map(|r| r.text.as_str());
    if let Some(before) = cured.or(inside) {
        return Some(
            Conclusion::undecided(format!("everything passes now, though it failed before: {before}"))
                .sure("certain that it failed and that it passes now; not what mended it")
                .then(
                    "clean the contacts of port and plug, note the labels, and look again in a few days: a contact \
                     that seating mends fails again",
                ),
        );
    }
    if let Some(seen) = line.visits.iter().find(|v| v.spells()) {
        let spot = line.spot(seen.place);
        return Some(
            Conclusion::undecided(format!("{spot}: {}; it did not come back in the runs after", seen.result.text))
                .sure("certain that it was bad for a moment; not where it came from")
                .then(format!(
                    "soak at {spot} for some hours, nobody touching it; if it comes back, go on with this case"
                ))
                .again(StageName::Soak(spot)),
        );
    }
    if far.passes == 0 {
        let passed = line.visits.iter().filter(|v| v.shows == Showing::Passes).map(|v| line.spot(v.place).to_string());
        let passed: Vec<String> = passed.collect();
        let text =
            if passed.is_empty() { "no stage was done".to_owned() } else { format!("passes: {}", passed.join(", ")) };
        return Some(
            Conclusion::undecided(text)
                .sure("the far end was not tried")
                .then("put the plug on the far end: the cable has not been tested")
                .again(StageName::At(Spot::FarEnd(None))),
        );
    }
    let conclusion = Conclusion::new(Outcome::Pass, &[], "every stage passes: no fault now".to_owned())
        .sure(format!(
            "the limit is proved at each place{}",
            if far.long {
                ", also while the cable was moved"
            } else {
                "; a fault that comes and goes may have been away"
            }
        ))
        .then("look at the equipment at the far end; if the trouble comes back, soak at the far end for some hours")
        .again(StageName::Soak(Spot::FarEnd(None)));
    Some(if far.long {
        conclusion
    } else {
        conclusion
            .want(StageName::Soak(Spot::FarEnd(None)), "a fault that comes and goes shows when the cable is moved")
    })
}

/// Up to so many segments are walked outward in turn; more are halved. Our own choice.
const IN_TURN_MAX: usize = 3;
/// Pass, fail, pass, fail: fewer turns may be the port's own coming and going. Our own choice, see `docs/verdict.md`.
const TURNS_MIN: usize = 4;
/// So many passes since the last failure, a soak counting as two: it does not come back.
const GONE_AFTER: u32 = 4;
/// After so many turns more of the same tell nothing new.
const TURNS_MAX: usize = 8;
/// Largest probability that both sides fail alike, by units.
const P_COUNTS_MAX: f64 = 1e-6;
/// The same by seconds.
const P_SECONDS_MAX: f64 = 1e-4;
/// So often trouble must have begun before its pauses are known.
const PAUSES_MIN: u64 = 8;
/// The same by how often trouble begins.
const P_GROUPS_MAX: f64 = 1e-4;
