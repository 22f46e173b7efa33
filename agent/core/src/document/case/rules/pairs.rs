//! Which pairs of a condemned cable are bad, and whether the adapter's own cable test agrees with the stages.

use super::Conclusion;
use crate::base::figure::upper;
use crate::document::case::line::{Line, Visit};
use crate::document::case::name::StageName;
use crate::document::case::stage::{Ended, Showing, Stage, StageResult};
use crate::judge::{Location, Outcome, RuleId};
use crate::kind::ethernet::cable_test::{ALSO_100, ONLY_1000, Reading, at_two_pairs, read};
use crate::kind::ethernet::link::Medium;

/// Asks for what tells the pairs of a condemned cable apart, and holds the cable test against the stages.
pub(super) fn weigh(line: &Line, rule: RuleId, conclusion: Conclusion) -> (RuleId, Conclusion) {
    if !conclusion.wants.is_empty() {
        return (rule, conclusion);
    }
    let cable = conclusion.location == [Location::Cable];
    if let Some((why, exclude)) = contradiction(line, &conclusion) {
        let (sure, first) = match exclude {
            Exclude::EachOther => ("certain that both cannot be true of one unchanged cable", ""),
            // No stage went over those pairs: the test of one adapter alone condemns no cable.
            Exclude::Nothing => (
                "the stages say nothing of these pairs, and a cable test alone is no proof",
                "Run this cable between two ports at 1000 Mb/s: that uses every pair. ",
            ),
        };
        let contradicts = match exclude {
            Exclude::EachOther => "The cable test contradicts that",
            Exclude::Nothing => "The cable test finds what no stage could see",
        };
        let mut contrary = Conclusion::undecided(format!("{} {contradicts}: {why}.", conclusion.text))
            .sure(sure)
            .then(format!(
                "{first}Check that it was this cable and that nothing was at its far end. Then repeat the cable test. \
                 If it says the same, look at the connectors at both ends: a plug can make contact where the cable \
                 test sees a break."
            ))
            .again(StageName::CableTest);
        if tests(line).count() < 2 {
            contrary = contrary.want(
                StageName::CableTest,
                "The cable test and the stages do not agree, so the cable test is repeated.",
            );
        }
        return (RuleId::CableTestContradicts, contrary);
    }
    let copper = line.visits.iter().any(|v| v.result.link.medium == Medium::Copper);
    let measures = copper && line.case.offers_cable_test && tests(line).next().is_none();
    if conclusion.outcome == Outcome::Pass && passed_on_two_pairs(line) {
        let other = format!("{} were not tested: that needs this cable between two ports", upper(ONLY_1000));
        let next = format!("{other} that run at 1000 Mb/s. {}", conclusion.next);
        let conclusion = conclusion.then(next);
        let why = "The stages went over two of the four pairs. The adapter can measure each of them.";
        return (rule, if measures { conclusion.want(StageName::CableTest, why) } else { conclusion });
    }
    if !cable {
        return (rule, conclusion);
    }
    let conclusion = match agreement(line) {
        Some(told) => Conclusion {
            text: format!("{} The cable test agrees: {told}.", conclusion.text),
            sureness: format!("{}; the adapter's own test of the pairs agrees", conclusion.sureness),
            ..conclusion
        },
        None => conclusion,
    };
    let four = line.visits.iter().find(|v| with_four_pairs(v)).map(|v| StageName::TwoPairs(line.spot(v.place)));
    let conclusion = match four.filter(|stage| line.case.capabilities.forces_speed && line.results(stage).is_empty()) {
        Some(stage) => conclusion.want(
            stage,
            "It fails at a speed that uses all four pairs. At 100 Mb/s, which uses two, it shows which ones.",
        ),
        None => conclusion,
    };
    if measures {
        let why = "The adapter can measure each pair, and how far away it ends.";
        return (rule, conclusion.want(StageName::CableTest, why));
    }
    match first_pairs(line).filter(|_| agreement(line).is_none() && conclusion.wants.is_empty()) {
        Some(look) => {
            let next = format!("{look} {}", conclusion.next);
            (rule, conclusion.then(next))
        }
        None => (rule, conclusion),
    }
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

/// Whether the far end passed, and at no speed that uses all four pairs.
fn passed_on_two_pairs(line: &Line) -> bool {
    let mut passed = line.at(line.far).filter(|v| v.shows == Showing::Passes).peekable();
    let place = line.spot(line.far).placement();
    passed.peek().is_some() && passed.all(|v| v.result.link.uses_two_pairs(place))
}

/// What a pass of the far end is limited to: the pairs, where no run went over all four, and whatever else its last run
/// did not cover.
pub(super) fn scope(line: &Line) -> Option<String> {
    let speed = line.at(line.far).filter_map(|v| v.result.link.speed_mbps).max();
    let pairs = speed.filter(|_| passed_on_two_pairs(line)).map(at_two_pairs);
    let last = line.at(line.far).filter(|v| v.shows == Showing::Passes).last()?.result;
    let on_all = !last.link.uses_two_pairs(line.spot(line.far).placement());
    last.scope.clone().filter(|_| pairs.is_some() || on_all).or(pairs)
}

/// What a cable test and the stages leave of each other.
#[derive(Clone, Copy)]
enum Exclude {
    /// Both cannot be true.
    EachOther,
    /// The cable test speaks of pairs that no stage used.
    Nothing,
}

/// How the cable test and what the stages say do not agree.
fn contradiction(line: &Line, conclusion: &Conclusion) -> Option<(String, Exclude)> {
    let slower_only = line.visits.iter().any(|v| v.slower_only);
    let told = |pairs: &[crate::kind::ethernet::cable_test::PairResult]| {
        pairs.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
    };
    match (latest(line)?, conclusion.outcome, conclusion.location.as_slice()) {
        (Reading::Broken(pairs), Outcome::Pass, _) => {
            let unused = passed_on_two_pairs(line) && pairs.iter().all(|p| !p.pair.carries_100());
            Some((told(&pairs), if unused { Exclude::Nothing } else { Exclude::EachOther }))
        }
        (Reading::Broken(pairs), Outcome::Fault, [Location::Cable]) => {
            // The connector of the first lead is there too.
            let farther = conclusion.segment.as_ref().is_some_and(|label| line.case.segments.first() != Some(label));
            let in_port = farther && pairs.iter().all(|p| p.fault_distance_m.is_some_and(|m| m < NEAR_M));
            let carried = slower_only && pairs.iter().all(|p| p.pair.carries_100());
            if in_port {
                let why = "at the port itself, and segments pass that are nearer than this one";
                Some((format!("{}, {why}", told(&pairs)), Exclude::EachOther))
            } else {
                carried.then(|| (format!("{}, but these pairs carry 100 Mb/s", told(&pairs)), Exclude::EachOther))
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
        Reading::Broken(_) => "A pair that ends or touches nearer than the others is at fault there.".to_owned(),
        Reading::Alike(Some(m)) => format!(
            "All pairs end at about {m:.0} m. If the cable is longer, it is cut there. If not, look at the far \
             connector first: a break in the last metres looks the same, and this test cannot see noise or a loose \
             contact."
        ),
        Reading::Alike(None) => "No pair is open or shorted. This test cannot see noise or a loose contact.".to_owned(),
        Reading::Unclear => "That says nothing clear. Take off whatever is at the far end, a plug too.".to_owned(),
    };
    Some(format!("{}. {read}", upper(&test.to_string())))
}

/// The last run at 100 Mb/s over a cable that fails at a higher speed.
fn at_100<'a>(line: &Line<'a>) -> Option<&'a StageResult> {
    let slow = |s: &&Stage| matches!(s.name, StageName::TwoPairs(_)) && s.ended == Ended::Done;
    line.case.stages.iter().rev().find(slow)?.result.as_ref()
}

/// The pairs that it speaks against.
fn first_pairs(line: &Line) -> Option<String> {
    match at_100(line)?.showing {
        Showing::Fails => Some(format!("Look at {ALSO_100} first; the others may be bad too.")),
        Showing::Passes => Some(format!("Look at {ONLY_1000} first.")),
        Showing::Neither | Showing::NotTested | Showing::HostFails => None,
    }
}

/// What the run at 100 Mb/s says of the pairs.
pub(super) fn which_pairs(line: &Line) -> Option<String> {
    let result = at_100(line)?;
    Some(match result.showing {
        Showing::Fails => {
            format!(
                "At 100 Mb/s it fails too, so one or both of {ALSO_100} are bad. Nothing is known about {ONLY_1000}."
            )
        }
        Showing::Passes => {
            format!(
                "At 100 Mb/s it passes, so {ALSO_100} are good at that speed. Look at {ONLY_1000} first. Or the whole \
                 cable is too poor for 1000 Mb/s, which asks more of every pair."
            )
        }
        Showing::Neither | Showing::NotTested | Showing::HostFails => {
            format!("The run at 100 Mb/s does not tell which pairs. {}", result.text)
        }
    })
}
