//! Which pairs of a condemned cable are bad, and whether the adapter's own cable test agrees with the stages.

use super::Conclusion;
use crate::document::case::line::{Line, Visit};
use crate::document::case::name::StageName;
use crate::document::case::stage::{Ended, Showing, Stage, StageResult};
use crate::judge::{Location, Outcome, RuleId};
use crate::kind::ethernet::cable_test::{Reading, read};
use crate::kind::ethernet::link::Medium;

/// Asks for what tells the pairs of a condemned cable apart, and holds the cable test against the stages.
pub(super) fn weigh(line: &Line, rule: RuleId, conclusion: Conclusion) -> (RuleId, Conclusion) {
    if !conclusion.wants.is_empty() {
        return (rule, conclusion);
    }
    let cable = conclusion.location == [Location::Cable];
    if let Some(why) = contradiction(line, &conclusion) {
        let mut contrary = Conclusion::undecided(format!("{}; the cable test contradicts it: {why}", conclusion.text))
            .sure("contradictory: an average of the two would say nothing")
            .then(
                "see that it was this cable and that nothing was at its far end, then repeat the cable test; if it \
                 says the same, look at the connectors at both ends, where a plug makes contact and a pulse does not \
                 see it",
            )
            .again(StageName::CableTest);
        if tests(line).count() < 2 {
            contrary = contrary.want(StageName::CableTest, "the evidence disagrees: the cable test is repeated");
        }
        return (RuleId::CableTestContradicts, contrary);
    }
    if !cable {
        return (rule, conclusion);
    }
    let conclusion = match agreement(line) {
        Some(told) => {
            let sureness = format!("{}; the adapter's own test of the pairs agrees: {told}", conclusion.sureness);
            conclusion.sure(sureness)
        }
        None => conclusion,
    };
    let four = line.visits.iter().find(|v| with_four_pairs(v)).map(|v| StageName::TwoPairs(line.spot(v.place)));
    let conclusion = match four.filter(|stage| line.case.capabilities.forces_speed && line.results(stage).is_empty()) {
        Some(stage) => conclusion.want(
            stage,
            "it fails at a speed that uses all four pairs: at 100 Mb/s, which uses two, it shows which ones",
        ),
        None => conclusion,
    };
    let copper = line.visits.iter().any(|v| v.result.link.medium == Medium::Copper);
    if copper && line.case.offers_cable_test && tests(line).next().is_none() {
        let why = "the adapter can measure each pair, and how far away it ends";
        return (rule, conclusion.want(StageName::CableTest, why));
    }
    (rule, conclusion)
}

/// Failed with link and counts on copper at a speed that uses all four pairs.
fn with_four_pairs(v: &Visit) -> bool {
    let link = &v.result.link;
    v.place > 0
        && v.shows == Showing::Fails
        && v.counts()
        && v.result.fallback_mbps.is_none()
        && link.medium == Medium::Copper
        && link.speed_mbps.is_some_and(|mbps| mbps >= 1000)
}

fn tests<'a>(line: &Line<'a>) -> impl Iterator<Item = &'a Stage> {
    line.case.stages.iter().filter(|s| s.ended == Ended::Done && s.pairs.is_some())
}

/// The latest cable test, read.
fn latest(line: &Line) -> Option<Reading> {
    tests(line).last().and_then(|stage| stage.pairs.as_ref()).map(read)
}

/// What reads so near is at the port's connector.
const NEAR_M: f64 = 1.0;

/// How the cable test and what the stages say exclude each other.
fn contradiction(line: &Line, conclusion: &Conclusion) -> Option<String> {
    let slower_only = line.visits.iter().any(|v| v.slower_only);
    let told = |pairs: &[crate::kind::ethernet::cable_test::PairResult]| {
        pairs.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
    };
    match (latest(line)?, conclusion.outcome, conclusion.location.as_slice()) {
        (Reading::Broken(pairs), Outcome::Pass, _) => {
            let fast = line.visits.iter().any(|v| v.place > 0 && v.result.fallback_mbps.is_none());
            Some(if fast || pairs.iter().any(|p| p.pair.carries_100()) {
                told(&pairs)
            } else {
                format!("{}, of the pairs that no stage could use", told(&pairs))
            })
        }
        (Reading::Broken(pairs), Outcome::Fault, [Location::Cable]) => {
            // The connector of the first lead is there too.
            let farther = conclusion.segment.as_ref().is_some_and(|label| line.case.segments.first() != Some(label));
            let in_port = farther && pairs.iter().all(|p| p.fault_distance_m.is_some_and(|m| m < NEAR_M));
            let carried = slower_only && pairs.iter().all(|p| p.pair.carries_100());
            if in_port {
                Some(format!("{}, at the port itself, and segments pass that are nearer than this one", told(&pairs)))
            } else {
                carried.then(|| format!("{}, which carry 100 Mb/s", told(&pairs)))
            }
        }
        _ => None,
    }
}

/// What a cable test adds to a condemned cable.
fn agreement(line: &Line) -> Option<String> {
    match latest(line)? {
        Reading::Broken(pairs) => Some(pairs.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")),
        Reading::Alike(_) | Reading::Unclear => None,
    }
}

/// The cable test in words.
pub(super) fn cable_test(line: &Line) -> Option<String> {
    let test = tests(line).last()?.pairs.as_ref()?;
    let read = match read(test) {
        Reading::Broken(_) => "a pair that ends or touches nearer than the others is at fault there".to_owned(),
        Reading::Alike(Some(m)) => format!(
            "all pairs end at about {m:.0} m: if the cable is longer, it is cut there; else look at the far connector \
             first, for a break in the last metres reads the same, and noise or a loose contact throws nothing back"
        ),
        Reading::Alike(None) => {
            "no pair is open or shorted, which does not clear the cable of noise or a loose contact".to_owned()
        }
        Reading::Unclear => {
            "nothing can be read from that: see that the plug is off and nothing else is at the far end".to_owned()
        }
    };
    Some(format!("{test}: {read}"))
}

/// What the run at 100 Mb/s says of the pairs.
pub(super) fn which_pairs(line: &Line) -> Option<String> {
    let slow = |s: &&Stage| matches!(s.name, StageName::TwoPairs(_)) && s.ended == Ended::Done;
    let result: &StageResult = line.case.stages.iter().rev().find(slow)?.result.as_ref()?;
    Some(match result.showing {
        Showing::Fails => {
            "at 100 Mb/s it fails as well: pair 2 or 3 (orange or green) is bad, or both; 1 and 4 are not \
             cleared"
                .into()
        }
        Showing::Passes => {
            "at 100 Mb/s it passes: pairs 2 and 3 (orange and green) are good for that speed; look at pairs 1 and 4 \
             (blue and brown) first, or the cable as a whole is too poor for 1000 Mb/s, which asks more of every pair"
                .into()
        }
        Showing::Neither | Showing::NotTested | Showing::HostFails => {
            format!("the run at 100 Mb/s does not tell which pairs: {}", result.text)
        }
    })
}
