//! Outcomes and places as programs and people read them, and what a limit takes.

use super::ratio::{Basis, ErrorRatio, Limit, sure_that};
use super::*;
use crate::stats::looks::Looks;
use crate::stats::ratio::Bounds;

/// A script tells outcomes apart by these (`docs/cli.md`); 2 is a wrong command line.
#[test]
fn each_outcome_has_its_exit_status() {
    let outcomes = [Outcome::Pass, Outcome::Fault, Outcome::Undecided, Outcome::NotTested];
    assert_eq!(outcomes.map(Outcome::exit_status), [0, 1, 3, 4]);
}

/// A list has little room: a pass that is no whole pass must be told from one all the same.
#[test]
fn a_list_shows_the_place_of_a_fault_and_what_a_pass_is_limited_to() {
    for (outcome, place, scope, shown) in [
        ("fault", "plug", Some("ended by hand"), "fault: plug"),
        ("pass", "", Some("at 100 Mb/s"), "pass at 100 Mb/s"),
        ("pass", "", None, "pass"),
        ("undecided", "", Some("4 s of 1 h"), "undecided"),
    ] {
        assert_eq!(in_list(outcome, place, scope), shown);
    }
}

#[test]
fn each_thing_that_can_be_at_fault_is_named() {
    for (location, words) in [
        (Location::Port, "the port"),
        (Location::ReturnPort, "the return port"),
        (Location::Plug, "the plug"),
        (Location::Cable, "the cable"),
    ] {
        assert_eq!(location.in_words(), words);
    }
    assert!(Location::Host.in_words().starts_with("this computer"));
}

/// Where somebody says that a plug is fitted, nothing through an open loop is a failure.
#[test]
fn an_open_loop_fails_only_with_a_plug_in_it() {
    let verdict = |rule| Verdict { reasons: vec![Reason { rule, text: String::new() }], ..Verdict::unjudged() };
    let open = verdict(RuleId::LoopOpen);
    assert_eq!((open.rule(), open.outcome_if_plugged()), (Some(&RuleId::LoopOpen), Outcome::Fault));
    assert_eq!(verdict(RuleId::NothingReturned).outcome_if_plugged(), Outcome::Undecided);
    assert_eq!((Verdict::unjudged().rule(), Verdict::unjudged().outcome_if_plugged()), (None, Outcome::Undecided));
}

fn limit(bit_error_ratio: f64) -> Limit {
    Limit { bit_error_ratio, confidence: 0.95, looks: Looks::Once }
}

/// `ln(0.05) / ln(1 - 0.001)` is 2994.2 (computed by hand).
#[test]
fn what_is_still_needed_is_what_proves_the_limit_less_what_was_tried() {
    let needed = |tried| limit(1e-3).units_needed(0, tried, 1.0);
    assert_eq!((needed(0), needed(1000), needed(2994), needed(5000)), (Some(2995), Some(1995), Some(1), Some(0)));
    assert_eq!(limit(f64::NAN).units_needed(0, 0, 1.0), None);
}

/// What holds however often one looks is weaker than one look, and no more than a tenth weaker without errors.
#[test]
fn what_is_proved_at_all_times_is_a_little_more_than_at_one() {
    let once = 1.0 - 0.05_f64.powf(1.0 / 1000.0);
    let proved = limit(1e-3).proved_at_all_times(0, 1000).unwrap();
    assert!(proved > once && proved < 1.1 * once, "{proved} beside {once}");
    assert!(limit(1e-3).proved_at_all_times(1, 1000).unwrap() > proved);
    // More failed than were tried is all of them.
    assert_eq!(limit(1e-3).proved_at_all_times(7, 5), limit(1e-3).proved_at_all_times(5, 5));
    assert_eq!(limit(1e-3).proved_at_all_times(0, 0), None);
}

#[test]
fn how_sure_a_statement_is_comes_in_percent() {
    for (confidence, told) in [(0.95, "95 % that it is"), (0.99, "99 % that it is"), (0.999, "99.9 % that it is")] {
        assert_eq!(sure_that(confidence, "it is"), told);
    }
}

/// Where not a single bit was right a ratio says nothing that "all" does not.
#[test]
fn all_wrong_is_told_from_some_wrong() {
    let told = |errors, trials| {
        let limit = limit(1e-6);
        let bounds = Bounds::new(errors, trials, limit.confidence, limit.looks).unwrap();
        let ratio = ErrorRatio::new(Basis::Bits, errors, trials, &bounds, &limit);
        (ratio.failed("bits came back wrong"), ratio.beside_limit(), ratio.how_sure_above())
    };
    let (failed, beside, _) = told(4000, 4000);
    assert_eq!(failed, "All 4 000 bits came back wrong");
    assert!(beside.starts_with("; ") && !beside.contains("bit error ratio is"), "{beside}");
    let (failed, beside, sure) = told(40, 4000);
    assert_eq!(failed, "40 of 4 000 bits came back wrong");
    assert!(beside.starts_with(". The bit error ratio is 1e-2; "), "{beside}");
    assert!(sure.starts_with("95 % that the bit error ratio is at least "), "{sure}");
}
