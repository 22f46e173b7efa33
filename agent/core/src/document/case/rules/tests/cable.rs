//! The cable: edges of the search along the line, and what is told of it.

use super::*;

const TWO: &[&str] = &["riser", "duct"];
const THREE: &[&str] = &["riser", "duct", "tail"];

/// A failure in a few of its seconds, while the link dropped twice.
fn drops(long: bool) -> StageResult {
    StageResult { link_flaps: 2, seconds_errored: 2, error_groups: 2, ..result(long, Showing::Fails, 500) }
}

fn spoilt(rule: RuleId, long: bool) -> StageResult {
    StageResult { rule, ..result(long, Showing::Neither, 0) }
}

fn rule(case: &Case) -> RuleId {
    case.verdict.reasons[0].rule.clone()
}

fn text(case: &Case) -> &str {
    &case.verdict.reasons[0].text
}

/// A failure that comes and goes was away at the farther place: that contradicts nothing.
#[test]
fn places_disagree_only_about_what_is_always_there() {
    let mut case = with(TWO, &["internal+", "at-port+"]);
    add(&mut case, "far-end:riser", drops(false));
    add(&mut case, "far-end", result(false, Showing::Passes, 0));
    assert_eq!(rule(&case), RuleId::SegmentFails);
    // What is always there is repeated at both places before nobody is blamed.
    let mut stages = vec!["internal+", "at-port+", "far-end:riser-", "far-end+"];
    for (then, shown) in [("far-end:riser", "far-end:riser-"), ("far-end", "far-end+"), ("-", "")] {
        let case = with(TWO, &stages);
        assert_eq!((rule(&case), next(&case).as_str()), (RuleId::PlacesDisagree, then), "{stages:?}");
        stages.push(shown);
    }
}

/// A port that failed and was seated says nothing of the cable behind it: its failures there are taken as steady.
#[test]
fn a_port_that_came_and_went_does_not_make_the_cable_come_and_go() {
    let seated = ["internal+", "at-port-", "at-port+", "at-port+", "far-end-"];
    assert_eq!(next(&with(&[], &seated)), "soak:at-port");
    let all = [&seated[..], &["soak:at-port+", "soak-"]].concat();
    assert_eq!(next(&with(&[], &all)), "far-end");
    let mut flapped = with(&[], &["internal+"]);
    add(&mut flapped, "at-port", drops(false));
    for stage in &all[2..] {
        let (name, shows) = stage.split_at(stage.len() - 1);
        let long = name.starts_with("soak");
        let fails = shows == "-";
        let showing = if fails { Showing::Fails } else { Showing::Passes };
        add(&mut flapped, name, result(long, showing, if fails { if long { 6000 } else { 500 } } else { 0 }));
    }
    assert_eq!(next(&flapped), "far-end");
    // Where the far end itself passes and fails, only soaks tell.
    let case = with(&[], &["internal+", "at-port+", "far-end-", "far-end+"]);
    assert_eq!((next(&case).as_str(), case.verdict.location.len()), ("soak:at-port", 3));
    // A short pass in between is no pass then, and nothing to be asked about either.
    let mut case = with(TWO, &["internal+", "at-port+", "far-end:riser+"]);
    add(&mut case, "far-end", drops(false));
    add(&mut case, "soak:at-port", result(true, Showing::Passes, 0));
    assert_eq!(next(&case), "soak:far-end:riser");
    assert_eq!(case.next.unwrap().why, "It halves what is left of the cable.");
}

#[test]
fn an_active_device_is_looked_for_twice_at_its_place() {
    let active = || spoilt(RuleId::NotAPlainLoop, false);
    for place in ["far-end:riser", "far-end"] {
        let before: &[&str] =
            if place == "far-end" { &["internal+", "at-port+", "far-end:riser+"] } else { &["internal+", "at-port+"] };
        let mut case = with(TWO, before);
        for then in [place, "-"] {
            add(&mut case, place, active());
            assert_eq!(next(&case), then);
            assert!(text(&case).starts_with(place), "{}", text(&case));
        }
        assert_eq!(case.again, Some(place.parse().unwrap()));
        assert!(case.verdict.next.contains("really on cable"), "{}", case.verdict.next);
        // What failed before anybody answered is not its doing.
        let mut case = with(TWO, before);
        add(&mut case, place, result(false, Showing::Fails, 500));
        add(&mut case, place, active());
        assert_eq!(next(&case), place);
    }
}

/// The port left undecided by its own few failures is as good as passed, held against a place that fails; a port that
/// nobody tried is not.
#[test]
fn only_what_was_tried_clears_what_is_nearer() {
    let mut case = with(TWO, &["internal+"]);
    add(&mut case, "at-port", spoilt(RuleId::TooFewBits, false));
    assert_eq!(next(&case), "soak:at-port");
    add(&mut case, "soak:at-port", StageResult { rule: RuleId::FewHits, ..result(true, Showing::Neither, 2) });
    assert_eq!(next(&case), "far-end:riser");
    let mut near = case.clone();
    add(&mut near, "far-end:riser", result(false, Showing::Fails, 500));
    assert_eq!((near.verdict.location.as_slice(), next(&near).as_str()), (&[Location::Cable][..], "soak:at-port"));
    add(&mut case, "far-end", result(false, Showing::Fails, 500));
    assert_eq!((case.verdict.location.as_slice(), next(&case).as_str()), (&[Location::Cable][..], "far-end:riser"));
    let mut untried = with(&[], &[]);
    skip(&mut untried, "internal");
    skip(&mut untried, "at-port");
    add(&mut untried, "far-end", result(false, Showing::Fails, 500));
    assert_eq!(untried.verdict.location, [Location::Cable, Location::Port, Location::Plug]);
}

/// What a run at a place left open, what is done about it, and how often.
#[test]
fn what_a_place_leaves_open_is_asked_as_often_as_it_may_tell_something() {
    let crowded = StageResult { seconds_errored: 2, ..result(true, Showing::Neither, 900) };
    let at_limit = StageResult { seconds_errored: 50, ..result(true, Showing::Neither, 100) };
    let gone = spoilt(RuleId::PortGone, false);
    for (shown, then, told) in [
        (vec![spoilt(RuleId::HostLimited, false)], "far-end", "Stop other work"),
        (vec![spoilt(RuleId::HostLimited, false); 2], "far-end", "Stop other work"),
        (vec![spoilt(RuleId::HostLimited, false); 3], "-", "Stop other work"),
        (vec![gone; 3], "-", "Check that the adapter is seated"),
        (vec![spoilt(RuleId::NothingReturned, false); 2], "far-end", "really on cable Q-12"),
        (vec![spoilt(RuleId::NothingReturned, false); 3], "-", "really on cable Q-12"),
        (vec![spoilt(RuleId::TooFewBits, false)], "soak", ""),
        (vec![spoilt(RuleId::ComesAndGoes, false)], "soak", ""),
        (vec![at_limit], "-", "just at the limit"),
        (vec![crowded], "-", "only a few of the seconds"),
    ] {
        let mut case = with(&[], &["internal+", "at-port+"]);
        for result in &shown {
            let name = if result.seconds == 60 { "soak" } else { "far-end" };
            add(&mut case, name, result.clone());
        }
        assert_eq!(next(&case), then, "{shown:#?}");
        let open = case.next.is_some();
        assert!(open || case.verdict.next.contains(told), "{}", case.verdict.next);
    }
}

/// A place in between that was skipped, or that decides nothing, leaves a longer stretch to be proved.
#[test]
fn a_place_that_cannot_be_tried_is_left_out_of_the_search() {
    let mut case = with(THREE, &["internal+", "at-port+", "far-end-"]);
    assert_eq!(next(&case), "far-end:duct");
    skip(&mut case, "far-end:duct");
    assert_eq!(next(&case), "far-end:riser");
    skip(&mut case, "far-end:riser");
    assert_eq!(next(&case), "soak:at-port");
    assert!(case.verdict.segment.is_none() && text(&case).contains("far-end fails. As counted."), "{}", text(&case));
    let mut case = with(TWO, &["internal+", "at-port+", "far-end-"]);
    for then in ["far-end:riser", "far-end:riser", "soak:at-port"] {
        add(&mut case, "far-end:riser", spoilt(RuleId::HostLimited, false));
        assert_eq!(next(&case), then);
    }
}

/// The text is that of the place which is named, whatever else failed.
#[test]
fn a_place_is_told_with_its_own_failure() {
    let failing = |text: &str| StageResult { text: text.into(), ..result(false, Showing::Fails, 500) };
    let mut case = with(TWO, &["internal+", "at-port+"]);
    add(&mut case, "far-end:riser", failing("Near."));
    add(&mut case, "far-end", failing("Far."));
    assert!(text(&case).contains("far-end:riser fails. Near."), "{}", text(&case));
    let mut case = with(&[], &["internal+", "at-port+"]);
    add(&mut case, "far-end", StageResult { fallback_mbps: Some(100), ..result(false, Showing::Passes, 0) });
    let told = "far-end passes at 100 Mb/s only. The port by itself links at its own speed.";
    assert!(text(&case).ends_with(told), "{}", text(&case));
}

/// Steady or not: other words, and another cause to look for.
#[test]
fn what_comes_and_goes_is_looked_for_in_the_connectors() {
    let case = proved(&[], &["internal+", "at-port+", "far-end-"], "at-port", "far-end");
    assert!(!text(&case).contains("now and then") && case.verdict.next.starts_with("Fit new connectors to cable"));
    assert!(case.verdict.sureness.contains("went with the plug 4 times"), "{}", case.verdict.sureness);
    let mut case = with(&[], &["internal+", "at-port+"]);
    lead_with(&mut case, |next| {
        let long = next.time_s >= 30;
        match next.stage.spot() {
            Some(Spot::FarEnd(None)) => {
                StageResult { seconds_errored: 20, error_groups: 10, ..result(long, Showing::Fails, 6000) }
            }
            _ => result(long, Showing::Passes, 0),
        }
    });
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Cable], None, CaseState::Decided));
    assert!(
        text(&case).contains("now and then") && case.verdict.next.starts_with("Look for a loose or worn connector")
    );
}

#[test]
fn what_did_not_come_back_is_told_from_what_chance_explains() {
    let mut case = with(&[], &["internal+", "at-port+", "far-end-", "soak:at-port+", "soak+", "far-end+", "far-end+"]);
    assert!(text(&case).contains("It has not come back"), "{}", text(&case));
    case.stages.pop();
    case.settle();
    assert_eq!(case.state, CaseState::Open);
}

/// Without the far end nothing is passed: what passes is told, and what is left.
#[test]
fn what_was_not_tried_is_told() {
    let of = |stages: &[&str], skipped: &[&str]| {
        let mut case = with(TWO, stages);
        for name in skipped {
            skip(&mut case, name);
        }
        assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
        (text(&case).to_owned(), case.verdict.next)
    };
    let all = ["internal", "at-port", "far-end:riser", "far-end"];
    let (text, next) = of(&[], &all);
    assert!(text == "No stage was done." && next.ends_with("the cable has not been tested."), "{text} {next}");
    let (text, next) = of(&["internal+", "at-port+"], &all[2..]);
    assert!(
        text == "These stages pass: internal and at-port." && next.ends_with("the cable has not been tested."),
        "{text}"
    );
    let (text, next) = of(&["internal+", "at-port+", "far-end:riser+"], &all[3..]);
    assert_eq!(text, "These stages pass: internal, at-port and far-end:riser.");
    assert!(next.contains("what follows far-end:riser has not been tested"), "{next}");
}

/// A pass names the places it rests on; a soak whose errors came crowded gives its figures.
#[test]
fn a_pass_rests_on_the_places_that_passed() {
    let case = with(TWO, &["internal+", "at-port+", "far-end+"]);
    let sure = &case.verdict.sureness;
    assert!(sure.starts_with("the limit is proved at the port and the far end; "), "{sure}");
    let case = with(TWO, &["internal+", "at-port+", "far-end:riser+", "far-end+"]);
    let sure = &case.verdict.sureness;
    assert!(sure.starts_with("the limit is proved at the port, the end of riser and the far end; "), "{sure}");
    let mut case = with(&[], &["internal+", "at-port+", "far-end+"]);
    add(&mut case, "soak", StageResult { seconds_errored: 5, ..result(true, Showing::Passes, 33) });
    let told = "soak: 33 of 60 000 blocks failed. That is below the limit on average, but all failed within 5 of 60 s.";
    assert_eq!(text(&case), told);
}

/// A place that once linked at full speed and once at a forced one is no worse than itself.
#[test]
fn a_speed_is_lost_only_behind_a_nearer_place_that_had_it() {
    let mut case = with(&[], &["internal+"]);
    skip(&mut case, "at-port");
    add(&mut case, "far-end", result(false, Showing::Passes, 0));
    add(&mut case, "far-end", StageResult { fallback_mbps: Some(100), ..result(false, Showing::Passes, 0) });
    assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::Pass, "soak"));
}

/// What no run went over is part of the verdict, of a pass only; what a run at 100 Mb/s tells is in what is to be done.
#[test]
fn a_pass_over_two_pairs_is_limited_to_them() {
    let mut case = case(&[]);
    for name in ["internal", "at-port", "far-end", "soak"] {
        let mut passes = result(name == "soak", Showing::Passes, 0);
        (passes.link.speed_mbps, passes.fallback_mbps) = (Some(100), Some(100));
        add(&mut case, name, passes);
    }
    let scope = case.verdict.scope.as_deref();
    assert!(scope.is_some_and(|scope| scope.contains("100 Mb/s")), "{scope:?}");
    add(&mut case, "at-port", result(false, Showing::Fails, 500));
    assert_eq!((case.verdict.scope, case.verdict.outcome == Outcome::Pass), (None, false));
    assert_eq!(with(&[], &["internal+", "at-port+", "far-end+", "soak+"]).verdict.scope, None);
    // What the last run at the far end did not cover; at two pairs it tells these by itself.
    let limited = |speed_mbps, scope: &str| {
        let mut case = with(&[], &["internal+", "at-port+", "far-end+"]);
        let passes = result(true, Showing::Passes, 0);
        let link = LinkState { speed_mbps: Some(speed_mbps), ..passes.link };
        add(&mut case, "soak", StageResult { scope: Some(scope.to_owned()), link, ..passes });
        case.verdict.scope
    };
    assert_eq!(limited(1000, "without frames of 1518 bytes").as_deref(), Some("without frames of 1518 bytes"));
    assert_eq!(limited(100, "at 100 Mb/s"), None, "all pairs passed before");
    for (showing, look) in [(Showing::Passes, "Look at pairs 1 and 4"), (Showing::Fails, "Look at pairs 2 and 3")] {
        let mut case = with_cable_test(&result(true, Showing::Fails, 6000));
        case.offers_cable_test = false;
        add(&mut case, "two-pairs", result(true, showing, 900));
        assert!(case.verdict.next.starts_with(look), "{}", case.verdict.next);
        // A run that was set aside tells nothing.
        case.stages.last_mut().unwrap().ended = Ended::SetAside;
        case.settle();
        assert!(case.verdict.reasons.iter().all(|reason| reason.rule != RuleId::WhichPairs));
    }
    let mut measured = with_cable_test(&slow());
    measure(&mut measured, [65.0; 4]);
    let told = measured.verdict.reasons.iter().find(|reason| reason.rule == RuleId::CableTest).unwrap();
    assert!(told.text.contains("All pairs end at about 65 m."), "{}", told.text);
    assert!(!measured.verdict.next.starts_with("Look at pairs"), "no run at 100 Mb/s was made for it");
}

/// The cable test is held against the stages only once these have decided; where it names the pair, nobody is sent to
/// others first.
#[test]
fn a_cable_test_waits_for_the_stages() {
    let mut early = with(&[], &["internal+", "at-port+"]);
    early.offers_cable_test = true;
    add(&mut early, "far-end", StageResult { fallback_mbps: Some(100), ..result(false, Showing::Passes, 0) });
    measure(&mut early, [20.0, 65.0, 65.0, 65.0]);
    assert_eq!((rule(&early), next(&early).as_str()), (RuleId::SegmentFails, "soak:at-port"));
    let mut agreed = with_cable_test(&result(true, Showing::Fails, 6000));
    add(&mut agreed, "two-pairs", result(true, Showing::Passes, 0));
    measure(&mut agreed, [65.0, 65.0, 65.0, 36.0]);
    assert_eq!(agreed.verdict.location, [Location::Cable]);
    assert!(!agreed.verdict.next.starts_with("Look at pairs"), "{}", agreed.verdict.next);
}

/// What is known of the cable before its own stages.
#[test]
fn a_cable_that_was_tried_at_another_speed_is_not_unknown() {
    let known = |name: &str, ended| {
        let mut case = with(&[], &["internal+", "at-port+"]);
        add(&mut case, name, result(false, Showing::Passes, 0));
        case.stages.last_mut().unwrap().ended = ended;
        case.settle();
        case.verdict.reasons[0].text.clone()
    };
    let at_own_speed = "The port passes with this plug. The cable has not been tried at its own speed yet.";
    let unknown = "The port passes with this plug. Nothing is known yet about the cable.";
    for name in ["two-pairs", "cable-test"] {
        assert_eq!(known(name, Ended::Done), at_own_speed, "{name}");
        assert_eq!(known(name, Ended::Skipped), unknown, "{name}");
    }
    let segments = with(&["riser", "duct"], &["internal+", "at-port+", "far-end:riser+"]);
    assert!(segments.verdict.reasons[0].text.ends_with("Nothing is known yet about the rest of the cable."));
    assert_eq!(with(&[], &["internal+", "at-port+"]).verdict.reasons[0].text, unknown);
}
