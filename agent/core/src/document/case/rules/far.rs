//! Rules on the cable: find the segment between the last place that passes and the first that fails.

use super::near::{advice, repeat};
use super::sides::{Sides, TURNS_MAX, TURNS_MIN, Weight};
use super::{CaseRule, Conclusion};
use crate::base::figure::{count, listed};
use crate::document::case::length;
use crate::document::case::line::{Line, Visit};
use crate::document::case::name::{Spot, StageName};
use crate::document::case::stage::{Ended, Showing};
use crate::judge::{Location, Outcome, RuleId};

pub(super) const RULES: &[CaseRule] = &[
    CaseRule { id: RuleId::PlacesDisagree, decide: places_disagree },
    CaseRule { id: RuleId::SegmentFails, decide: segment_fails },
    CaseRule { id: RuleId::CableUnclear, decide: cable_unclear },
    CaseRule { id: RuleId::CableNext, decide: cable_next },
    CaseRule { id: RuleId::AllPass, decide: all_pass },
];

/// A nearer place fails, time and again, though a farther one passes.
fn places_disagree(line: &Line) -> Option<Conclusion> {
    if comes_and_goes(line) {
        return None;
    }
    let bad = (1..=line.far).find(|k| line.history(*k).fails > 0 && line.history(*k).passes == 0)?;
    let good = (bad..=line.far).find(|k| line.history(*k).passes > 0 && line.history(*k).fails == 0)?;
    let (near, far) = (line.spot(bad), line.spot(good));
    let conclusion = Conclusion::undecided(format!("{near} fails, though {far}, which is farther away, passes."))
        .sure("certain that both cannot be true of one unchanged cable")
        .then(format!(
            "Look at the connector at {near}: only the plug uses it. Clean or replace it. Then repeat {near} and {far}."
        ))
        .again(StageName::At(near.clone()));
    Some(if line.history(bad).fails < 2 {
        conclusion.want(StageName::At(near), "The stages contradict each other. Seat the plug again first.")
    } else if line.history(good).passes < 2 {
        conclusion.want(StageName::At(far), "The stages contradict each other. The farther place is repeated too.")
    } else {
        conclusion
    })
}

/// A failure that is not always there: some place fails now and passes then, or failed for a part of its time.
fn comes_and_goes(line: &Line) -> bool {
    (1..=line.far).any(|k| line.changes(k)) || line.visits.iter().any(|v| v.place > 0 && v.sporadic())
}

/// Something that is no plug answers at a place beyond the port: what else fails there is its doing, and says nothing
/// of the cable.
fn active_device(line: &Line) -> Option<Conclusion> {
    let since = |k: usize| line.at(k).skip_while(|v| !v.active());
    let answers = |k: &usize| since(*k).next().is_some() && since(*k).all(|v| v.shows != Showing::Passes);
    let place = (1..=line.far).find(answers)?;
    let (spot, seen) = (line.spot(place), line.at(place).filter(|v| v.active()).last()?);
    let conclusion = Conclusion::undecided(format!("{spot}: {}", seen.result.text))
        .sure("certain that more than a plug is at the end of the cable there; nothing is known of the cable")
        .then(format!(
            "Find out what is really on cable {} at {spot}. A plug returns each frame once, unchanged, at once and in \
             order; an active device does not. Fit the plug there, then do this stage again.",
            line.case.cable
        ))
        .again(StageName::At(spot.clone()));
    let tried = since(place).count();
    Some(if tried < 2 {
        conclusion
            .want(StageName::At(spot), "Something other than a plug answered. See what is really connected there.")
    } else {
        conclusion
    })
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

    /// The farthest place before `high` that clears what is nearer than it: it passed; or it is the port itself, left
    /// undecided by its own few failures, which the counts then settle.
    fn cleared(&self, high: usize) -> Option<usize> {
        let undecided = || !self.sporadic && self.line.last(0).is_some_and(|v| v.long && v.result.needs_longer());
        (0..high).rev().find(|k| self.passes(*k) || (*k == 0 && undecided()))
    }

    fn stage(&self, place: usize) -> StageName {
        let spot = self.line.spot(place);
        let long = self.sporadic || self.line.at(place).any(Visit::too_short);
        if long { StageName::Soak(spot) } else { StageName::At(spot) }
    }

    /// Tried here, and neither passed nor failed: what to do about it.
    fn unclear(&self, place: usize) -> Option<Conclusion> {
        if self.fails(place) || self.passes(place) {
            return None;
        }
        let last = self.line.last(place).filter(|v| v.shows != Showing::Passes && !v.loses_here())?;
        let (spot, result) = (self.line.spot(place), last.result);
        let conclusion = Conclusion::undecided(format!("{spot}: {}", result.text));
        let again = self.line.history(place).unclear < 3;
        Some(match &result.rule {
            _ if result.needs_longer() && !self.line.history(place).long => {
                conclusion.want(StageName::Soak(spot), "Only a longer run can decide.")
            }
            RuleId::ComesAndGoes => conclusion.want(StageName::Soak(spot), "A longer run shows whether it comes back."),
            rule if rule.is_excused_once() => {
                let stage = self.stage(place);
                // The second time it is the place, so this is asked for once.
                conclusion
                    .then(
                        "Was plug or cable taken out then? If not, a contact is bad: look at the connectors, and soak \
                         for some hours.",
                    )
                    .again(stage.clone())
                    .want(stage, ONCE_MORE)
            }
            _ if last.sporadic() && result.rule != RuleId::DamagedAfterCheck => conclusion
                .then(format!(
                    "The errors came in only a few of the seconds. Look at the connectors, and soak at {spot} for \
                     some hours."
                ))
                .again(StageName::Soak(spot)),
            _ if result.needs_longer() => conclusion
                .then(format!(
                    "The error ratio is just at the limit. Soak at {spot} for an hour or more, or accept it as it is."
                ))
                .again(StageName::Soak(spot)),
            RuleId::NothingReturned => {
                let conclusion = conclusion.then(format!(
                    "The port is good. Check that the plug is really on cable {} and not on another one: something \
                     else holds the link up.",
                    self.line.case.cable
                ));
                if again {
                    conclusion.want(self.stage(place), "Something else may hold the link up.")
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
    if let Some(active) = active_device(line) {
        return Some(active);
    }
    let search = Search { line, sporadic: comes_and_goes(line) };
    let high = (1..=line.far).find(|k| search.fails(*k))?;
    let Some(low) = search.cleared(high) else {
        let conclusion = Conclusion::fault(
            &[Location::Cable, Location::Port, Location::Plug],
            format!("{}: {}", line.spot(high), failure(line, high)),
        )
        .sure("no nearer place has passed a run that could show this failure")
        .then("Put the same plug into the port itself and repeat. If it passes there, only the cable is left.");
        return Some(conclusion.want(
            search.stage(0),
            "The failure may come from port, plug or cable. A pass at the port itself leaves only the cable.",
        ));
    };
    // Halve what is left; with few places in between go outward in turn.
    let between: Vec<usize> =
        (low + 1..high).filter(|k| !line.skipped(&search.stage(*k)) && !given_up(&search, *k)).collect();
    if let Some(middle) = between.get(between.len() / 2) {
        let open = located(&search, low, high).sure("the segment is not yet known");
        if let Some(unclear) = search.unclear(*middle) {
            return Some(Conclusion { wants: unclear.wants, ..open });
        }
        return Some(open.want(search.stage(*middle), "It halves what is left of the cable."));
    }
    Some(prove(&search, low, high))
}

/// A place between that attempts have not decided.
fn given_up(search: &Search, place: usize) -> bool {
    search.unclear(place).is_some_and(|conclusion| conclusion.wants.is_empty())
}

fn failure<'a>(line: &Line<'a>, place: usize) -> &'a str {
    match last_failure(line, place) {
        Some(v) if v.slower_only => "The port by itself links at its own speed.",
        Some(v) => v.result.text.as_str(),
        None => "",
    }
}

/// The speed, where nothing else is wrong there.
fn slower_only(line: &Line, place: usize) -> Option<u32> {
    last_failure(line, place).filter(|v| v.slower_only)?.result.fallback_mbps
}

fn last_failure<'l, 'a>(line: &'l Line<'a>, place: usize) -> Option<&'l Visit<'a>> {
    line.visits.iter().rfind(|v| v.place == place && v.shows == Showing::Fails)
}

/// No place fails, and one on the cable does not pass either.
fn cable_unclear(line: &Line) -> Option<Conclusion> {
    let search = Search { line, sporadic: comes_and_goes(line) };
    (1..=line.far).find_map(|place| search.unclear(place))
}

/// No place fails so far.
fn cable_next(line: &Line) -> Option<Conclusion> {
    let search = Search { line, sporadic: comes_and_goes(line) };
    let visited = |k: &usize| line.at(*k).next().is_some();
    let next = if line.far > IN_TURN_MAX {
        [line.far].into_iter().find(|k| !visited(k))
    } else {
        (1..=line.far).find(|k| !visited(k) && !line.skipped(&StageName::At(line.spot(*k))))
    };
    // A pass of the far end covers every place before it.
    if search.passes(line.far) {
        return None;
    }
    let next = next?;
    let stage = StageName::At(line.spot(next));
    let tried_in_part =
        line.case.stages.iter().any(|stage| {
            matches!(stage.name, StageName::TwoPairs(_) | StageName::CableTest) && stage.ended == Ended::Done
        });
    let known = match search.cleared(line.far) {
        Some(0) if tried_in_part => {
            "The port passes with this plug. The cable has not been tried at its own speed yet.".to_owned()
        }
        Some(0) => "The port passes with this plug. Nothing is known yet about the cable.".to_owned(),
        Some(place) => format!("{} passes. Nothing is known yet about the rest of the cable.", line.spot(place)),
        None => "Nothing fails so far.".to_owned(),
    };
    let why = match search.cleared(line.far) {
        Some(_) => "A failure here, after a pass nearer to the port, is in the cable.",
        None => "A pass here clears the port, the plug and the cable up to here.",
    };
    (!line.skipped(&stage)).then(|| Conclusion::undecided(known).want(stage, why))
}

/// The fault lies between these places.
fn located(search: &Search, low: usize, high: usize) -> Conclusion {
    let line = search.line;
    let text = format!(
        "{} passes and {} {}{}. {}",
        line.spot(low),
        line.spot(high),
        slower_only(line, high).map_or("fails".to_owned(), |mbps| format!("passes at {mbps} Mb/s only")),
        if search.sporadic { ", now and then" } else { "" },
        failure(line, high)
    );
    let mut conclusion = Conclusion::fault(&[Location::Cable], text);
    conclusion.segment = line.segment(low, high);
    let what = line.stretch(low, high);
    conclusion.next = if search.sporadic {
        format!(
            "Look for a loose or worn connector and a bent or crushed run in {what}. Fit new connectors or replace it."
        )
    } else {
        format!("Fit new connectors to {what}. If that does not help, replace it.")
    };
    conclusion
}

/// Whether the failure follows the plug: it must come and go with it, and the counts must differ beyond chance.
///
/// Only the two places themselves make turns: a search along the line always ends between some pass and some failure,
/// even if both were chance; what proves them is that they come again.
fn prove(search: &Search, low: usize, high: usize) -> Conclusion {
    let line = search.line;
    let on_a_side = |v: &&Visit| v.place == low || v.place == high;
    let sides = Sides::new(line.visits.iter().filter(on_a_side).map(|v| (v.place == high, *v)), search.sporadic);
    let Weight { proved, what, next_with, next_still, .. } = sides.weigh();
    let conclusion = located(search, low, high);
    if proved {
        return conclusion.sure(format!(
            "near certain: the failure came and went with the plug {} times; {what}",
            sides.turns() - 1
        ));
    }
    let gone = line.history(high).passes_since >= GONE_AFTER;
    if sides.turns() >= TURNS_MAX || gone {
        let why = if gone {
            "It has not come back".to_owned()
        } else {
            format!("Chance can still explain it after {} changes of place", sides.turns())
        };
        return too_rare(search, low, high, format!("{} {why} ({what}).", conclusion.text));
    }
    // Back and forth, and longer the second time: a port that goes bad and good for tens of seconds must not look like
    // a cable. What comes after that only counts runs.
    let place = if next_with { high } else { low };
    let long = (TURNS_MIN - 2..TURNS_MIN).contains(&sides.turns()) && !next_still;
    let stage = if long { StageName::Soak(line.spot(place)) } else { search.stage(place) };
    let conclusion = conclusion.sure(format!(
        "not yet repeated often enough: a port that began to fail meanwhile would look the same; {what}"
    ));
    match (next_still, next_with) {
        (true, _) => conclusion.want_still(stage),
        (false, true) => {
            conclusion.want(stage, "The plug goes back to the place that failed. The failure must come back too.")
        }
        (false, false) => conclusion.want(
            stage,
            "The plug goes back to the last place that passed. It must pass again; if not, the cable is not the cause.",
        ),
    }
}

/// Nobody is blamed for what came once.
fn too_rare(search: &Search, low: usize, high: usize, text: String) -> Conclusion {
    let (near, far) = (search.line.spot(low), search.line.spot(high));
    let next = format!(
        "Soak for hours with the plug at {near} and then at {far}, and compare. Until then look at the connectors, and \
         use a spare port or cable."
    );
    Conclusion::undecided(text)
        .sure("certain that it was seen; it is too rare to say where it comes from")
        .then(next)
        .again(StageName::Soak(far))
}

/// Nothing fails anywhere.
fn all_pass(line: &Line) -> Option<Conclusion> {
    let far = line.history(line.far);
    // Nothing came back there, and everything passes all the same: a contact that closed again looks like that.
    let was_open = |v: &Visit| v.result.rule == RuleId::NothingReturned;
    let cured = line.visits.iter().find(|v| v.shows == Showing::Fails || was_open(v));
    let cured = cured.map(|v| v.result.text.as_str());
    let inside = line.results(&StageName::At(Spot::Internal));
    let inside = inside.iter().find(|r| r.showing == Showing::Fails).map(|r| r.text.as_str());
    if let Some(before) = cured.or(inside) {
        return Some(
            Conclusion::undecided(format!("Everything passes now, though it failed before. {before}"))
                .sure("certain that it failed and that it passes now; not what mended it")
                .then(
                    "Clean the contacts of port and plug, note the labels, and test again in a few days: a contact \
                     that works again after seating will fail again.",
                ),
        );
    }
    if let Some(seen) = line.visits.iter().rfind(|v| v.loses_here()) {
        let spot = line.spot(seen.place);
        return Some(
            Conclusion::undecided(format!("{spot}: {}", seen.result.text))
                .then(advice(&seen.result.rule))
                .again(StageName::At(spot)),
        );
    }
    if let Some(seen) = line.visits.iter().find(|v| v.spells()) {
        let spot = line.spot(seen.place);
        return Some(
            Conclusion::undecided(format!("{spot}: {} It did not come back in later runs.", seen.result.text))
                .sure("certain that it was bad for a moment; not where it came from")
                .then(format!(
                    "Soak at {spot} for some hours, with nobody touching anything. If it comes back, go on with this \
                     case."
                ))
                .again(StageName::Soak(spot)),
        );
    }
    if far.passes == 0 {
        let is_passed = |showing: Showing| showing == Showing::Passes;
        let inside = line.results(&StageName::At(Spot::Internal)).iter().any(|result| is_passed(result.showing));
        let places = (0..=line.far).filter(|place| line.at(*place).any(|visit| is_passed(visit.shows)));
        let farthest = places.clone().next_back().filter(|place| *place > 0).map(|place| line.spot(place));
        let passed = inside.then_some(Spot::Internal).into_iter().chain(places.map(|place| line.spot(place)));
        let passed: Vec<String> = passed.map(|spot| spot.to_string()).collect();
        let text = if passed.is_empty() {
            "No stage was done.".to_owned()
        } else {
            format!("These stages pass: {}.", listed(&passed))
        };
        return Some(
            Conclusion::undecided(text)
                .sure("the far end was not tried")
                .then(match farthest {
                    Some(spot) => format!("Put the plug on the far end: what follows {spot} has not been tested."),
                    None => "Put the plug on the far end: the cable has not been tested.".to_owned(),
                })
                .again(StageName::At(Spot::FarEnd(None))),
        );
    }
    let soaks: Vec<&Visit> = line.at(line.far).filter(|v| v.long).collect();
    let soak = StageName::Soak(Spot::FarEnd(None));
    if let Some(last) = soaks.last().filter(|v| v.shows != Showing::Passes || v.restless()) {
        let text = match last.shows {
            Showing::Passes => format!(
                "soak: {} of {} {} failed. That is below the limit on average, but all failed within {} of {} s.",
                count(last.result.tried.failed),
                count(last.result.tried.units),
                last.result.units(),
                last.result.seconds_errored,
                last.result.seconds
            ),
            _ => format!("soak: {}", last.result.text),
        };
        let conclusion = Conclusion::undecided(text)
            .sure("certain that every place passed at rest; the soak decided nothing")
            .then(
                "Soak at the far end for an hour, and move the cable and its connectors meanwhile. If the errors come \
                 only then, look at the connectors.",
            )
            .again(soak.clone());
        return Some(if soaks.len() < SOAKS_MAX {
            conclusion.want(soak, "The last soak decided nothing, so this one is longer.")
        } else {
            conclusion
        });
    }
    let too_long = length::too_long(line).map_or(String::new(), |told| format!(" {told}"));
    let conclusion =
        Conclusion::new(Outcome::Pass, &[], format!("Every stage passes. There is no fault now.{too_long}"));
    let passed: Vec<String> =
        (0..=line.far).filter(|k| line.history(*k).passes > 0).map(|k| line.spot(k).in_words()).collect();
    let proved = format!("the limit is proved at {}", listed(&passed));
    let conclusion = match soaks.last() {
        Some(last) => conclusion
            .sure(format!("{proved}, also as the mean of {} s while the cable was moved", last.result.seconds)),
        None => conclusion.sure(format!("{proved}; a fault that comes and goes may have been away")),
    };
    let conclusion = conclusion
        .then("Look at the equipment at the far end. If the trouble comes back, soak at the far end for some hours.")
        .again(soak.clone());
    Some(match soaks.last() {
        Some(_) => conclusion,
        None => conclusion.want(soak, "A fault that comes and goes shows when the cable is moved."),
    })
}

/// Up to so many segments are walked outward in turn; more are halved. Our own choice.
const IN_TURN_MAX: usize = 3;
/// So many passes since the last failure, a soak counting as two: it does not come back.
const GONE_AFTER: u32 = 4;
/// So many soaks at the far end that decide nothing are enough.
const SOAKS_MAX: usize = 2;

/// Asked for after what a hand on the plug looks like.
const ONCE_MORE: &str = "Plug or cable may have been taken out for a moment. If it happens again, it is a bad contact.";
