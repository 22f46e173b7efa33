//! Each constant of the tests on two sides: one below, and at it.

use super::*;
use crate::document::case::line::Gear;
use crate::document::case::stage::StageResult;
use crate::document::run::Tried;
use crate::judge::RuleId;

/// A minute of a thousand units a second: so many failed, in so many seconds, in so many groups.
fn run(failed: u64, seconds_errored: u64, error_groups: u64) -> StageResult {
    StageResult {
        rule: RuleId::BitErrors,
        tried: Tried { units: 60_000, failed },
        seconds: 60,
        seconds_errored,
        error_groups,
        ..StageResult::answered(if failed == 0 { Showing::Passes } else { Showing::Fails })
    }
}

/// Whether runs in this order blame the suspect: `true` for one with it in the loop.
fn blamed(runs: &[(bool, StageResult)], sporadic: bool) -> bool {
    let visit =
        |result| Visit { place: 0, gear: Gear::Own, long: true, shows: showing(result), slower_only: false, result };
    Sides::new(runs.iter().map(|(with, result)| (*with, visit(result))), sporadic).weigh().proved
}

fn showing(result: &StageResult) -> Showing {
    result.showing
}

/// Without and with in turn: five clean runs, and five with so many failures and errored seconds in all.
fn in_turns(failed: u64, errored: u64) -> Vec<(bool, StageResult)> {
    let share = |all: u64, n: u64| all / 5 + u64::from(n < all % 5);
    (0..5).flat_map(|n| [(false, run(0, 0, 0)), (true, run(share(failed, n), share(errored, n), 1))]).collect()
}

/// All of `n` errors on one of two equal sides is `2^-n` by chance: 2^-19 is 1.9e-6, 2^-20 is 9.5e-7.
#[test]
fn units_must_differ_beyond_one_in_a_million() {
    assert!(!blamed(&in_turns(19, 19), false));
    assert!(blamed(&in_turns(20, 20), false));
}

/// Twelve errored seconds of 300 against none of 300 are `C(300,12) / C(600,12)`, 2.2e-4; thirteen are 1.07e-4;
/// fourteen 5.2e-5 (computed with whole numbers).
#[test]
fn seconds_must_differ_beyond_one_in_ten_thousand() {
    assert!(!blamed(&in_turns(4000, 13), false));
    assert!(blamed(&in_turns(4000, 14), false));
}

#[test]
fn five_runs_against_five_in_four_turns_are_needed() {
    let all = in_turns(5000, 300);
    assert!(blamed(&all, false));
    // Five against four are 1 in 126.
    assert!(!blamed(&all[1..], false));
    // Enough runs, but in two turns only: a port that went bad once.
    let mut sorted = all.clone();
    sorted.sort_by_key(|(with, _)| *with);
    assert!(!blamed(&sorted, false));
    // Three turns: pass, fail, pass.
    let mut three: Vec<_> = all.iter().filter(|(with, _)| !with).take(3).cloned().collect();
    three.extend(all.iter().filter(|(with, _)| *with).cloned());
    three.push((false, run(0, 0, 0)));
    assert!(!blamed(&three, false));
    // One failure without the suspect: 5 of 5 against 1 of 6 are 6 in 462.
    let mut hit = all.clone();
    hit.push((false, run(900, 60, 1)));
    assert!(!blamed(&hit, false));
}

/// Nothing at all goes through, run after run: four turns are enough.
#[test]
fn a_dead_line_needs_its_turns_only() {
    let dead = || run(60_000, 60, 1);
    let runs = [(false, run(0, 0, 0)), (true, dead()), (false, run(0, 0, 0)), (true, dead())];
    assert!(blamed(&runs, false));
    assert!(!blamed(&runs[..3], false));
}

/// A line that let something through before comes and goes by itself: then its runs must be told apart as well. Nothing
/// that was tried in vain, and no link that drops, is like a dead line.
#[test]
fn a_line_that_let_something_through_needs_more_than_its_turns() {
    let dead = || run(60_000, 60, 1);
    let after = |first: &[StageResult]| {
        let turns = [(false, run(0, 0, 0)), (true, dead()), (false, run(0, 0, 0)), (true, dead())];
        let first = first.iter().map(|result| (true, result.clone()));
        blamed(&first.chain(turns).collect::<Vec<_>>(), false)
    };
    let silent = |failed| StageResult { rule: RuleId::WentSilent, showing: Showing::Neither, ..run(failed, 30, 1) };
    assert!(after(&[]) && after(&[silent(60_000)]));
    assert!(!after(&[silent(59_999)]) && !after(&[silent(30_000), silent(30_000)]));
    assert!(!after(&[run(0, 0, 0)]), "it passed");
    let flaps = || StageResult { rule: RuleId::LinkFlapped, link_flaps: 3, ..run(60_000, 60, 1) };
    assert!(!blamed(&[(false, run(0, 0, 0)), (true, flaps()), (false, run(0, 0, 0)), (true, flaps())], false));
}

/// A serial line on which no byte comes back is given up after three blocks, of which one is missed: that is dead too.
#[test]
fn a_line_without_a_byte_is_dead_however_few_blocks_were_tried() {
    let none = |rule| StageResult { rule, tried: Tried { units: 3, failed: 1 }, seconds: 1, ..run(1, 1, 1) };
    let turns = |rule: RuleId| {
        blamed(&[(false, run(0, 0, 0)), (true, none(rule.clone())), (false, run(0, 0, 0)), (true, none(rule))], false)
    };
    // Nor does a modem line, flow control or a format fail in blocks.
    for rule in [RuleId::NoBytesReturned, RuleId::ModemLines, RuleId::FlowControl, RuleId::FormatFails] {
        assert!(turns(rule.clone()), "{rule}");
    }
    assert!(!turns(RuleId::BitErrors));
}

/// A run whose ratio comes within three times of the mildest failure is hit as well, though it passes.
#[test]
fn a_steady_ratio_near_the_failures_is_the_same() {
    let beside = |errors: u64| {
        let mut runs = in_turns(5000, 300);
        for (with, result) in &mut runs {
            if !*with {
                result.tried.failed = errors;
                result.seconds_errored = 60.min(errors);
            }
        }
        blamed(&runs, false)
    };
    assert!(!beside(334), "3 * 334 is 1002, over 1000");
    assert!(beside(333));
}

/// Three soaks of 60 s each side. Eight beginnings with 30 clean seconds between are known pauses of 4 s, and 180 s
/// without one are beyond chance; seven are not enough to know them, and 2^-7 is 8e-3.
#[test]
fn pauses_are_known_after_eight_beginnings() {
    let of = |groups: [u64; 3]| {
        let runs: Vec<_> =
            groups.into_iter().flat_map(|n| [(false, run(0, 0, 0)), (true, flickering(50, n))]).collect();
        blamed(&runs, true)
    };
    assert!(of([3, 3, 2]));
    assert!(!of([3, 2, 2]));
}

/// Eight beginnings in 180 s. With 77 clean seconds a pause counts as 19.5 s, and `exp(-180 / 19.5)` is 9.8e-5; with 78
/// it is 1.1e-4.
#[test]
fn pauses_count_twice() {
    let of = |errored: [u64; 3]| {
        let with = errored.into_iter().zip([3, 3, 2]).map(|(errored, groups)| (true, flickering(errored, groups)));
        blamed(&with.flat_map(|with| [(false, run(0, 0, 0)), with]).collect::<Vec<_>>(), true)
    };
    assert!(of([35, 34, 34]));
    assert!(!of([34, 34, 34]));
}

/// Where the other side has errors in its seconds too, or every second of the suspect's failed, the units alone decide:
/// 100 and 100 errored seconds of 300 are alike, as are four of five and none of five (1 in 42).
#[test]
fn seconds_say_nothing_where_both_sides_have_errors_or_all_of_one_failed() {
    let mut runs = in_turns(5000, 100);
    for (_, result) in runs.iter_mut().filter(|(with, _)| !with) {
        (result.tried.failed, result.seconds_errored) = (25, 20);
    }
    assert!(blamed(&runs, false));
    let short = |failed: u64, seconds_errored| StageResult {
        tried: Tried { units: 1000, failed },
        seconds: 1,
        seconds_errored,
        ..run(failed, 0, 1)
    };
    let mut runs: Vec<_> = (0..5).flat_map(|_| [(false, short(0, 0)), (true, short(500, 1))]).collect();
    assert!(blamed(&runs, false));
    runs[1].1.seconds = 2;
    assert!(!blamed(&runs, false));
}

/// 2^-13 is 1.2e-4 and 2^-14 is 6.1e-5. Pauses of a minute and more say nothing here.
#[test]
fn beginnings_must_differ_beyond_one_in_ten_thousand() {
    let of = |groups: [u64; 3]| {
        let runs: Vec<_> = groups.into_iter().flat_map(|n| [(false, run(0, 0, 0)), (true, flickering(n, n))]).collect();
        blamed(&runs, true)
    };
    assert!(!of([5, 4, 4]));
    assert!(of([5, 5, 4]));
}

/// Three soaks against three are 1 in 20, three against two 1 in 10.
#[test]
fn three_soaks_against_three_are_needed() {
    let of = |runs: &[bool]| {
        let shown = |with: &bool| (*with, if *with { flickering(50, 9) } else { run(0, 0, 0) });
        blamed(&runs.iter().map(shown).collect::<Vec<_>>(), true)
    };
    assert!(of(&[false, true, false, true, false, true]));
    assert!(!of(&[true, false, true, false, true]));
}

/// A soak with so many errored seconds in so many groups, the failures crowded into them.
fn flickering(errored: u64, groups: u64) -> StageResult {
    run(20_000, errored, groups)
}

/// Whether runs in this order blame the suspect, each a soak or not, and the counts in words.
fn weighed(runs: &[(bool, bool, StageResult)], sporadic: bool) -> (bool, String) {
    let visit =
        |long, result| Visit { place: 0, gear: Gear::Own, long, shows: showing(result), slower_only: false, result };
    let Weight { proved, what, .. } =
        Sides::new(runs.iter().map(|(with, long, result)| (*with, visit(*long, result))), sporadic).weigh();
    (proved, what)
}

/// Too few bits to pass, and too few failures to fail: without the suspect that is as good as a pass. What decided
/// nothing for another reason is no run at all, and a spell is a run that was hit.
#[test]
fn a_run_without_the_suspect_counts_by_what_it_left_open() {
    let neither = |rule, failed| StageResult { rule, showing: Showing::Neither, ..run(failed, 1, 1) };
    let mut runs = in_turns(5000, 300);
    runs.iter_mut().filter(|(with, _)| !with).for_each(|(_, result)| *result = neither(RuleId::TooFewBits, 2));
    assert!(blamed(&runs, false));
    let mut more = in_turns(5000, 300);
    more.push((false, neither(RuleId::HostLimited, 50_000)));
    assert!(blamed(&more, false));
    more.push((false, neither(RuleId::ComesAndGoes, 900)));
    assert!(!blamed(&more, false));
}

/// A pass with the suspect in the loop is no turn: the failure did not come back with it.
#[test]
fn a_pass_with_the_suspect_makes_no_turn() {
    let dead = || run(60_000, 60, 1);
    assert!(!blamed(&[(false, run(0, 0, 0)), (true, dead()), (false, run(0, 0, 0)), (true, run(0, 0, 0))], false));
    // Nor where the runs alone would be enough.
    let mut runs: Vec<_> = (0..16).map(|n| (n >= 8, run(if n >= 8 { 9000 } else { 0 }, 60 * (n / 8), n / 8))).collect();
    runs.extend([(false, run(0, 0, 0)), (true, run(0, 0, 0))]);
    assert!(!blamed(&runs, false));
}

/// A short run with a ratio near the failures is hit like a long one: ratios are compared, not counts.
#[test]
fn runs_of_different_lengths_are_compared_by_their_ratio() {
    let beside = |failed| {
        let mut runs = in_turns(5000, 300);
        for (_, result) in runs.iter_mut().filter(|(with, _)| !with) {
            (result.tried, result.seconds, result.seconds_errored) = (Tried { units: 6000, failed }, 6, 6);
        }
        blamed(&runs, false)
    };
    // One in sixty fails with the suspect; 34 of 6000 is more than a third of that, 33 is less.
    assert!(!beside(34) && beside(33));
}

/// Where the other side has an error in its seconds too, only the rates differ.
#[test]
fn one_errored_second_without_the_suspect_leaves_the_units() {
    let mut runs = in_turns(4000, 13);
    assert!(!blamed(&runs, false));
    (runs[0].1.tried.failed, runs[0].1.seconds_errored) = (1, 1);
    assert!(blamed(&runs, false));
}

/// Short runs count where the failure is steady; where it was seen to come and go, only soaks do.
#[test]
fn only_soaks_count_where_the_failure_came_and_went() {
    let steady = |failed: u64| {
        let share = |n: u64| failed / 5 + u64::from(n < failed % 5);
        (0..5).flat_map(|n| [(false, false, run(0, 0, 0)), (true, false, run(share(n), 60, 1))]).collect::<Vec<_>>()
    };
    assert!(!weighed(&steady(19), false).0 && weighed(&steady(20), false).0);
    // Six failures in each of three soaks, in six seconds: 18 are not beyond one in a million, whatever short runs add.
    let mut soaks: Vec<_> = (0..3).flat_map(|_| [(false, true, run(0, 0, 0)), (true, true, run(6, 6, 6))]).collect();
    soaks.extend((0..3).map(|_| (true, false, run(900, 60, 1))));
    assert!(!weighed(&soaks, true).0);
}

/// Where nothing was counted the words say which it was.
#[test]
fn a_failure_without_counts_is_told_as_it_is() {
    let of = |units| {
        let rule = RuleId::ModemLines;
        let result = || StageResult { rule: rule.clone(), tried: Tried { units, failed: 0 }, ..run(1, 0, 0) };
        weighed(&[(false, true, run(0, 0, 0)), (true, true, result())], false).1
    };
    assert_eq!((of(0), of(1)), ("nothing went through at all".into(), "what failed is there all the time".into()));
}
