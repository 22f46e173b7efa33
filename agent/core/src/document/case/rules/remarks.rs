//! Remarks on a case: what adds to the picture and decides nothing.

use super::pairs;
use crate::base::figure::listed;
use crate::document::case::length;
use crate::document::case::line::Line;
use crate::document::case::name::StageName;
use crate::document::case::stage::{Ended, Source};
use crate::judge::{Location, Reason, RuleId};
use crate::kind::ethernet::cable_test::{ALSO_100, ONLY_1000};

/// A remark on a case: its name, and what it says, if anything.
type Remark = (RuleId, fn(&Line) -> Option<String>);

/// Every remark on a case, in the order in which they follow the verdict.
pub(super) const REMARKS: &[Remark] = &[
    (RuleId::ComesAndGoes, comes_and_goes),
    (RuleId::TwoPairs, two_pairs),
    (RuleId::PairsLost, pairs_lost),
    (RuleId::WhichPairs, pairs::which_pairs),
    (RuleId::CableTest, pairs::cable_test),
    (RuleId::CableLength, length::remark),
    (RuleId::FromRecords, from_records),
    (RuleId::LeftOut, left_out),
    (RuleId::ReturnPort, return_port),
];

/// What the remarks say beside a verdict with this location.
pub(super) fn all(line: &Line, location: &[Location]) -> Vec<Reason> {
    let beside_it =
        |id: &RuleId| *id == RuleId::CableLength && !location.is_empty() && !location.contains(&Location::Cable);
    let said = |(id, say): &Remark| Some(Reason { rule: id.clone(), text: say(line)? });
    REMARKS.iter().filter(|(id, _)| !beside_it(id)).filter_map(said).collect()
}

/// A failure that is not there all the time.
fn comes_and_goes(line: &Line) -> Option<String> {
    let sporadic: Vec<_> = line.visits.iter().filter(|v| v.sporadic()).collect();
    let mixed = (0..=line.far).any(|place| line.changes(place));
    let (seconds, errored) = sporadic
        .iter()
        .fold((0, 0), |(s, e), v| (s + v.result.seconds, e + v.result.seconds_errored.max(v.result.link_flaps)));
    match (sporadic.is_empty(), mixed) {
        (false, _) => Some(format!(
            "The failure comes and goes. It was there in {errored} of {seconds} s of the runs that showed it."
        )),
        (true, true) => Some("The failure comes and goes: one place both passed and failed.".to_owned()),
        (true, false) => None,
    }
}

/// A port that cannot link to itself at its own speed is no worse for it, but half of the pairs stay untested.
fn two_pairs(line: &Line) -> Option<String> {
    let slow = line.at(0).any(|v| v.result.fallback_mbps == Some(100));
    slow.then(|| {
        format!(
            "This port cannot link to itself at its own speed, as gigabit copper usually cannot. That does not count \
             against it. The stages ran at 100 Mb/s, so {ONLY_1000} were not tested."
        )
    })
}

fn pairs_lost(line: &Line) -> Option<String> {
    line.visits
        .iter()
        .any(|v| v.slower_only)
        .then(|| format!("100 Mb/s passes where 1000 Mb/s finds no link, so {ALSO_100} are good. Look at {ONLY_1000}."))
}

/// What stands in the plug's place. Without this, a fault of the plug could not be found.
fn return_port(line: &Line) -> Option<String> {
    let back = line.case.options.return_port.as_ref()?;
    Some(format!("{back} and the cord to it take the place of the plug: a fault of the plug is one of these two."))
}

fn from_records(line: &Line) -> Option<String> {
    let taken: Vec<String> = line
        .case
        .stages
        .iter()
        .filter(|s| s.source == Source::Record)
        .map(|s| format!("{} of {}", s.name, s.started_at))
        .collect();
    (!taken.is_empty()).then(|| format!("Taken from records: {}.", listed(&taken)))
}

fn left_out(line: &Line) -> Option<String> {
    let ended = |how: Ended| {
        let mut names: Vec<&StageName> = line.case.stages.iter().filter(|s| s.ended == how).map(|s| &s.name).collect();
        names.dedup();
        names
    };
    let mut skipped = ended(Ended::Skipped);
    skipped.retain(|name| line.skipped(name));
    let all_done = ended(Ended::Done);
    let (done, open): (Vec<_>, Vec<_>) = ended(Ended::SetAside).into_iter().partition(|name| all_done.contains(name));
    let told = [
        ("Skipped by the technician", skipped),
        ("Set aside by the technician and done again", done),
        ("Set aside by the technician and not done again", open),
    ];
    let told: Vec<String> = told
        .into_iter()
        .filter(|(_, names)| !names.is_empty())
        .map(|(what, names)| {
            format!("{what}: {}.", listed(&names.into_iter().map(ToString::to_string).collect::<Vec<_>>()))
        })
        .collect();
    (!told.is_empty()).then(|| told.join(" "))
}
