//! Port and plug: edges of the exchanges, and what is told of them.

use super::*;

/// A run that decided nothing, for this reason.
fn spoilt(rule: RuleId) -> StageResult {
    StageResult { rule, ..result(false, Showing::Neither, 0) }
}

fn text(case: &Case) -> &str {
    &case.verdict.reasons[0].text
}

/// How sure it is that the port is silent depends on who says so.
#[test]
fn a_port_that_does_not_transmit_is_told_by_the_adapter() {
    for (rule, sure) in
        [(RuleId::NotTransmitted, "the adapter's own count says so"), (RuleId::NoLink, "nothing else takes part")]
    {
        let mut case = with(&[], &["internal+"]);
        let silent = StageResult { rule, location: vec![Location::Port], ..result(false, Showing::Fails, 5000) };
        add(&mut case, "at-port", silent);
        assert!(case.verdict.sureness.contains(sure), "{}", case.verdict.sureness);
    }
}

/// Something that is no plug answered at the port, and something failed there: its doing, unless it passed too.
#[test]
fn an_active_device_at_the_port_blames_neither_port_nor_plug() {
    let active = || spoilt(RuleId::EchoesLate);
    let mut case = with(&[], &["internal+"]);
    add(&mut case, "at-port", active());
    assert_eq!((next(&case).as_str(), case.state), ("at-port", CaseState::Open));
    add(&mut case, "at-port", result(false, Showing::Fails, 500));
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    assert!(case.verdict.next.contains("really plugged in"), "{}", case.verdict.next);
    let mut passed = with(&[], &["internal+", "at-port+"]);
    add(&mut passed, "at-port", active());
    add(&mut passed, "at-port", result(false, Showing::Fails, 500));
    assert_eq!(passed.state, CaseState::Open);
}

/// What failed and then passed is asked again, and nobody is blamed meanwhile; what fails again is suspected.
#[test]
fn a_pass_after_a_failure_is_soaked() {
    let case = with(&[], &["internal+", "at-port-", "at-port+"]);
    assert_eq!((next(&case).as_str(), case.verdict.location.as_slice()), ("soak:at-port", &[][..]));
    assert!(text(&case).contains("failed and then passed with the same plug"), "{}", text(&case));
    let both = [Location::Port, Location::Plug];
    for (stages, then) in [
        (&["internal+", "at-port+", "at-port-"][..], "soak:at-port"),
        (&["internal+", "soak:at-port+", "at-port-"], "soak:at-port"),
        (&["internal+", "at-port+", "soak:at-port-"], "other-plug"),
    ] {
        let case = with(&[], stages);
        assert_eq!((next(&case).as_str(), case.verdict.location.as_slice()), (then, &both[..]), "{stages:?}");
    }
}

/// What is to be done about each kind of run that decided nothing, once it was tried three times.
#[test]
fn what_decides_nothing_says_what_to_do_first() {
    for (rule, told) in [
        (RuleId::NotAPlainLoop, "Find out what is really plugged in"),
        (RuleId::EchoesLate, "Find out what is really plugged in"),
        (RuleId::HostLimited, "Stop other work on this computer. Then"),
        (RuleId::PlugJoinsDataOnly, "Look at the plug."),
        (RuleId::NoBytesReturned, "Keep the receiver on while sending"),
        (RuleId::PortGone, "Check that the adapter is seated"),
        (RuleId::LinkLost, "Seat plug and connector"),
    ] {
        let mut case = with(&[], &["internal+"]);
        add(&mut case, "at-port", spoilt(rule.clone()));
        let busy = rule == RuleId::HostLimited;
        let why = &case.next.as_ref().unwrap().why;
        assert!(why.contains(if busy { "Stop other work" } else { "Seat the plug again" }), "{rule}: {why}");
        if rule != RuleId::LinkLost {
            (0..2).for_each(|_| add(&mut case, "at-port", spoilt(rule.clone())));
            assert!(case.verdict.next.starts_with(told), "{rule}: {}", case.verdict.next);
        }
    }
    let mut case = with(&[], &["internal+"]);
    add(&mut case, "at-port", spoilt(RuleId::LostAtFullPace));
    assert!(case.next.unwrap().why.contains("Stop other work"));
}

/// Nothing came back with one plug in this port: it may not be fitted, so nobody is blamed. With another plug too, or
/// with wrong bits, something is there.
#[test]
fn an_open_loop_blames_nobody_until_another_plug_shows_it() {
    let open = || StageResult {
        rule: RuleId::LoopOpen,
        tried: Tried { units: 5000, failed: 5000 },
        ..result(false, Showing::Fails, 5000)
    };
    let mut case = with(&[], &["internal+"]);
    for then in ["at-port", "other-plug"] {
        add(&mut case, "at-port", open());
        assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::Undecided, then));
    }
    add(&mut case, "other-plug", open());
    assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::Fault, "known-good-port"));
    assert_eq!(with(&[], &["internal+", "at-port-"]).verdict.location, [Location::Port, Location::Plug]);
}

/// What comes and goes at the far end says nothing of a port that fails each time: short runs are exchanged.
#[test]
fn the_far_end_does_not_make_the_port_come_and_go() {
    let case = with(&[], &["internal+", "far-end+", "far-end-", "at-port-", "at-port-"]);
    assert_eq!(next(&case), "other-plug");
    let told = text(&case);
    assert!(told.starts_with("at-port: 2 of 2 runs fail. As counted."), "{told}");
    let failing = |text: &str| StageResult { text: text.into(), ..result(false, Showing::Fails, 500) };
    let mut case = with(&[], &["internal+"]);
    add(&mut case, "at-port", failing("Near."));
    add(&mut case, "far-end", failing("Far."));
    assert!(text(&case).ends_with("Near."), "{}", text(&case));
}

/// As often good as bad with the plug of the case: what is exchanged proves nothing against either.
#[test]
fn what_passes_as_often_as_it_fails_blames_neither() {
    let mut case = with(&[], &["internal+"]);
    for _ in 0..3 {
        add(&mut case, "soak:at-port", result(true, Showing::Passes, 0));
        add(&mut case, "soak:at-port", result(true, Showing::Fails, 6000));
    }
    add(&mut case, "other-plug", result(true, Showing::Passes, 0));
    add(&mut case, "known-good-port", result(true, Showing::Fails, 6000));
    assert_eq!((case.verdict.outcome, case.verdict.location.as_slice()), (Outcome::Undecided, &[][..]));
}

/// An exchange that cannot be made is not asked for again, and nothing is known of it: port and plug stay both.
#[test]
fn an_exchange_that_was_left_out_leaves_both() {
    for (made, left_out) in [("other-plug", "known-good-port"), ("known-good-port", "other-plug")] {
        let mut case = with(&[], &["internal+", "at-port-", "at-port-"]);
        skip(&mut case, left_out);
        assert_eq!(next(&case), made);
        add(&mut case, made, result(false, Showing::Passes, 0));
        assert_eq!(case.verdict.location, [Location::Port, Location::Plug], "{made}");
        lead_with(&mut case, |next| {
            assert_ne!(next.stage.to_string(), left_out);
            let own = next.stage.to_string() != made;
            if own { result(false, Showing::Fails, 500) } else { result(false, Showing::Passes, 0) }
        });
        assert_eq!(says(&case), (Outcome::Fault, vec![Location::Port, Location::Plug], None, CaseState::Exhausted));
    }
}

/// An exchange that never decides anything is made twice, one that did once more often.
#[test]
fn an_exchange_that_decides_nothing_is_made_twice() {
    let mut case = with(&[], &["internal+", "at-port-", "at-port-"]);
    for then in ["other-plug", "known-good-port"] {
        add(&mut case, "other-plug", spoilt(RuleId::HostLimited));
        assert_eq!(next(&case), then);
    }
    let mut case = with(&[], &["internal+", "at-port-", "at-port-", "other-plug+"]);
    for then in ["known-good-port", "known-good-port"] {
        assert_eq!(next(&case), then);
        add(&mut case, "known-good-port", spoilt(RuleId::HostLimited));
    }
    assert_ne!(next(&case), "known-good-port");
}

/// How each combination fared is told with its counts, and whose word some of them are.
#[test]
fn each_combination_is_told_with_its_runs() {
    let mut case = with(&[], &["internal+", "at-port-", "at-port-", "other-plug+"]);
    let told = "With this plug in this port 2 of 2 runs fail, with another plug in this port 0 of 1 runs fail";
    skip(&mut case, "known-good-port");
    assert!(text(&case).ends_with(&format!("{told}.")), "{}", text(&case));
    add(&mut case, "known-good-port", StageResult::answered(Showing::Fails));
    let word = format!("{told}, with this plug in a port that works 1 of 1 runs fail (1 of these by your word).");
    assert!(text(&case).ends_with(&word), "{}", text(&case));
    let case = with(&[], &["internal+", "at-port-", "at-port-", "other-plug+", "known-good-port-"]);
    assert!(text(&case).ends_with("with this plug in a port that works 1 of 1 runs fail."), "{}", text(&case));
}

/// Whatever is exchanged it fails alike, or now and then: other things to look for.
#[test]
fn what_follows_nothing_is_told_from_what_always_fails() {
    let mut alike = with(&[], &["internal+"]);
    lead(&mut alike, |_| true);
    assert!(alike.verdict.sureness.contains("fails alike"), "{}", alike.verdict.sureness);
    // One pass among the exchanges, and it is no longer alike.
    let mut turns = 0;
    let mut mixed = with(&[], &["internal+"]);
    lead(&mut mixed, |stage| {
        turns += u32::from(*stage == StageName::OtherPlug);
        *stage != StageName::OtherPlug || turns > 1
    });
    assert_eq!(mixed.verdict.location, []);
    assert!(mixed.verdict.sureness.contains("now and then"), "{}", mixed.verdict.sureness);
}

/// So few failures that chance explains them after eight turns: the exchanges end, and nobody is blamed.
#[test]
fn exchanges_end_after_eight_turns_that_chance_explains() {
    let mut case = with(&[], &["internal+"]);
    lead_with(&mut case, |next| match next.stage {
        StageName::OtherPlug => result(false, Showing::Passes, 0),
        _ => StageResult { seconds_errored: 3, ..result(false, Showing::Fails, 3) },
    });
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    let mut turns: Vec<bool> = case.stages[1..].iter().map(|stage| stage.name == StageName::OtherPlug).collect();
    turns.dedup();
    assert_eq!(turns.len(), 8, "{turns:?}");
}

/// Nothing comes back through a plug in the port: it has failed, since other plugs and ports will tell which. Farther
/// out something else may hold the link up.
#[test]
fn nothing_returned_is_a_failure_at_the_port_only() {
    let nothing = || spoilt(RuleId::NothingReturned);
    let mut case = with(&[], &["internal+"]);
    for then in ["at-port", "other-plug"] {
        add(&mut case, "at-port", nothing());
        assert_eq!((case.verdict.outcome, next(&case).as_str()), (Outcome::Fault, then));
    }
    let mut far = with(&[], &["internal+", "at-port+"]);
    add(&mut far, "far-end", nothing());
    assert_eq!((far.verdict.outcome, next(&far).as_str()), (Outcome::Undecided, "far-end"));
}

/// A hand on the plug takes the link away once; a second time with the same plug in the same port it is a failure.
#[test]
fn what_is_excused_once_is_a_failure_the_second_time() {
    for rule in [RuleId::LinkLost, RuleId::LinkFlapped, RuleId::SilentOnce, RuleId::ComesAndGoes] {
        let once = || StageResult { link_flaps: 1, ..spoilt(rule.clone()) };
        let mut case = with(&[], &["internal+"]);
        add(&mut case, "at-port", once());
        assert_eq!((case.verdict.outcome, case.verdict.location.len()), (Outcome::Undecided, 0), "{rule}");
        add(&mut case, "at-port", once());
        assert_eq!((case.verdict.outcome, case.verdict.location.len()), (Outcome::Fault, 2), "{rule}");
        // Each exchange by itself: once with each is no failure of any.
        let start = &["internal+", "at-port-", "at-port-"];
        for (name, other) in [("other-plug", "known-good-port"), ("known-good-port", "other-plug")] {
            let mut case = with(&[], start);
            add(&mut case, name, once());
            add(&mut case, other, result(false, Showing::Passes, 0));
            assert!(
                !text(&case).contains("port that works 1 of 1")
                    && !text(&case).contains("another plug in this port 1 of 1")
            );
            add(&mut case, name, once());
            let told =
                if name == "other-plug" { "with another plug in this port 2 of 2" } else { "port that works 2 of 2" };
            assert!(text(&case).contains(told), "{rule} {name}: {}", text(&case));
        }
        let mut far = with(&[], &["internal+", "at-port+"]);
        add(&mut far, "far-end", once());
        assert_eq!(far.verdict.outcome, Outcome::Undecided);
        add(&mut far, "far-end", once());
        assert_eq!(far.verdict.outcome, Outcome::Fault, "{rule}");
    }
}

/// A link that drops in a run makes its failure one that comes and goes, even a single time.
#[test]
fn a_single_drop_of_the_link_is_soaked() {
    for (link_flaps, then) in [(0, "other-plug"), (1, "soak:at-port")] {
        let mut case = with(&[], &["internal+"]);
        (0..2)
            .for_each(|_| add(&mut case, "at-port", StageResult { link_flaps, ..result(false, Showing::Fails, 500) }));
        assert_eq!(next(&case), then);
    }
}

/// A run of the case's own plug is a soak only where it was made as one, however long it took.
#[test]
fn a_short_run_with_the_own_plug_is_no_soak() {
    let mut case = with(&[], &["internal+"]);
    add(
        &mut case,
        "soak:at-port",
        StageResult { seconds_errored: 5, error_groups: 3, ..result(true, Showing::Fails, 5000) },
    );
    add(&mut case, "at-port", StageResult { seconds: 40, ..result(false, Showing::Passes, 0) });
    assert_eq!(next(&case), "soak:at-port", "{}", text(&case));
    // Soaks that decide nothing are not asked for again and again.
    let mut case = with(&[], &["internal+"]);
    add(&mut case, "at-port", spoilt(RuleId::TooFewBits));
    for _ in 0..2 {
        add(&mut case, "soak:at-port", StageResult { rule: RuleId::FewHits, ..result(true, Showing::Neither, 2) });
        assert_eq!(next(&case), "far-end");
    }
    let told = with(&[], &["internal+", "at-port+", "at-port-"]);
    assert!(text(&told).contains("comes and goes: 1 runs fail and 1 pass with the same plug"), "{}", text(&told));
}

/// Inside the chip: repeated, then left to the other stages, or soaked where only a longer run can decide.
#[test]
fn what_fails_once_inside_the_chip_is_followed_up() {
    for (stages, then) in [
        (&["internal-"][..], "internal"),
        (&["internal-", "internal+"], "internal"),
        (&["internal-", "internal+", "internal+"], "soak:internal"),
        (&["internal-", "internal+", "internal+", "soak:internal+"], "at-port"),
    ] {
        assert_eq!(next(&with(&[], stages)), then, "{stages:?}");
    }
    let mut case = with(&[], &[]);
    add(&mut case, "internal", spoilt(RuleId::TooFewBits));
    assert_eq!(next(&case), "soak:internal");
    // A port whose chip cannot loop is not judged by that.
    let mut case = with(&[], &["internal-", "internal-"]);
    case.capabilities.internal_loop = false;
    case.settle();
    assert_ne!(case.verdict.location, [Location::Port]);
}

/// Ten attempts and no second failure: seen once, and not blamed for it.
#[test]
fn what_cannot_be_repeated_is_not_blamed() {
    let silent = StageResult {
        rule: RuleId::NotTransmitted,
        location: vec![Location::Port],
        ..result(false, Showing::Fails, 5000)
    };
    let mut case = with(&[], &["internal+"]);
    add(&mut case, "at-port", silent);
    for attempt in 2..=10 {
        assert_eq!((case.verdict.outcome, case.state), (Outcome::Fault, CaseState::Open), "before attempt {attempt}");
        add(&mut case, "at-port", spoilt(RuleId::HostLimited));
    }
    assert_eq!(says(&case), (Outcome::Undecided, vec![], None, CaseState::Exhausted));
    assert_eq!(case.verdict.sureness, "seen, but not often enough to be sure");
    // Where an attempt is left and was declined, it only points there.
    let mut declined = with(&[], &["internal-"]);
    skip(&mut declined, "internal");
    assert_eq!(declined.verdict.outcome, Outcome::Undecided);
    assert!(text(&declined).starts_with("It points to the port, which is not proved."), "{}", text(&declined));
}

/// Only what came back inverted sends anybody to the polarity.
#[test]
fn bits_that_are_not_inverted_say_nothing_of_the_polarity() {
    let mut case = with(&[], &["internal+"]);
    lead(&mut case, |stage| *stage != StageName::KnownGoodPort);
    assert!(
        case.verdict.location == [Location::Port] && !case.verdict.next.contains("inverted"),
        "{}",
        case.verdict.next
    );
}

/// The own plug is tried again as it was: short where the failure is steady, as a soak where it comes and goes or where
/// a short run decided nothing.
#[test]
fn the_own_plug_is_tried_again_as_it_failed() {
    let names = |start: &[(&str, StageResult)], fails: &StageResult| {
        let mut case = with(&[], &["internal+"]);
        for (name, result) in start {
            add(&mut case, name, result.clone());
        }
        let before = case.stages.len();
        lead_with(&mut case, |next| match next.stage {
            StageName::OtherPlug | StageName::KnownGoodPort => result(next.time_s >= 30, Showing::Passes, 0),
            _ => StageResult { seconds: if next.time_s >= 30 { 60 } else { 5 }, ..fails.clone() },
        });
        assert_eq!(case.verdict.location, [Location::Port, Location::Plug]);
        let own = |stage: &&Stage| matches!(stage.name, StageName::At(Spot::AtPort) | StageName::Soak(Spot::AtPort));
        case.stages[before..].iter().filter(own).map(|stage| stage.name.to_string()).collect::<Vec<_>>()
    };
    let steady = result(false, Showing::Fails, 500);
    let start = [("at-port", steady.clone()), ("at-port", steady.clone())];
    let own = names(&start, &steady);
    assert!(!own.is_empty() && own.iter().all(|name| name == "at-port"), "{own:?}");
    let drops = StageResult { link_flaps: 20, ..result(true, Showing::Fails, 500) };
    let own = names(&[("at-port", drops.clone()), ("soak:at-port", drops.clone())], &drops);
    assert!(!own.is_empty() && own.iter().all(|name| name == "soak:at-port"), "{own:?}");
    let long = result(true, Showing::Fails, 6000);
    let start = [("at-port", spoilt(RuleId::TooFewBits)), ("soak:at-port", long.clone()), ("at-port", steady)];
    let own = names(&start, &long);
    assert!(!own.is_empty() && own.iter().all(|name| name == "soak:at-port"), "{own:?}");
}

/// An exchange that once decided something is made again, though a later one was spoilt.
#[test]
fn an_exchange_that_was_spoilt_once_is_made_again() {
    let mut case = with(&[], &["internal+", "at-port-", "at-port-", "other-plug+", "known-good-port-"]);
    add(&mut case, "other-plug", spoilt(RuleId::HostLimited));
    lead(&mut case, |stage| *stage != StageName::OtherPlug);
    assert_eq!(says(&case), (Outcome::Fault, vec![Location::Plug], None, CaseState::Decided));
}

/// A plug that is bad for a second of every four hits each short run, and too few of its seconds to tell: units do,
/// seconds do not, so longer runs follow, and they decide.
#[test]
fn a_failure_in_few_seconds_of_short_runs_is_soaked_and_then_told_apart() {
    let bad = |long: bool| {
        let (seconds_errored, by_chance) = if long { (15, 59.0) } else { (2, 2.5) };
        let failed = 60 * seconds_errored;
        let error_groups = if long { 15 } else { 1 };
        let seconds_by_chance = Some(by_chance);
        StageResult { seconds_errored, error_groups, seconds_by_chance, ..result(long, Showing::Fails, failed) }
    };
    let good = |long: bool| result(long, Showing::Passes, 0);
    let mut case = with(&[], &["internal+"]);
    let mut asked = Vec::new();
    while let Some(next) = case.next.clone() {
        let name = next.stage.to_string();
        let long = case.stages.iter().any(|stage| stage.name == StageName::Soak(Spot::AtPort));
        let result = if name == "other-plug" { good(long) } else { bad(long || name == "soak:at-port") };
        add(&mut case, &name, result);
        asked.push(name);
    }
    let plug = (Outcome::Fault, vec![Location::Plug], None, CaseState::Decided);
    assert_eq!(says(&case), plug, "{asked:?}");
    let short = ["at-port", "at-port", "other-plug", "known-good-port", "other-plug", "soak:at-port"];
    assert_eq!(asked[..6], short, "{asked:?}");
    assert!(asked.len() <= 12, "{asked:?}");
    // Passes of the short runs before are told, and count for nothing.
    assert!(text(&case).contains("0 of 5 runs fail (2 more passed, short enough to miss it)"), "{}", text(&case));
    assert!(case.verdict.sureness.starts_with("near certain: "), "{}", case.verdict.sureness);
    // A soak at the far end says nothing of how often it comes here.
    let mut case = with(&[], &["internal+", "soak+"]);
    for name in &short[..5] {
        add(&mut case, name, if *name == "other-plug" { good(false) } else { bad(false) });
    }
    assert_eq!(next(&case), "soak:at-port");
}

/// What was not tried here is as sure as the word of whoever tried it.
#[test]
fn a_blame_that_rests_on_a_word_says_so() {
    let mut case = with(&[], &["internal+"]);
    while let Some(next) = case.next.clone() {
        let result = match next.stage {
            StageName::KnownGoodPort => StageResult::answered(Showing::Passes),
            _ => result(false, Showing::Fails, 500),
        };
        add(&mut case, &next.stage.to_string(), result);
    }
    assert_eq!(case.verdict.location, [Location::Port]);
    assert!(case.verdict.sureness.starts_with("as sure as your word for a part"), "{}", case.verdict.sureness);
    assert!(text(&case).contains("with this plug in a port that works 0 of 5 runs fail ("), "{}", text(&case));
}

/// Which plug is meant, where one has failed in the port and another has not.
#[test]
fn the_plug_that_goes_into_the_good_port_is_the_one_that_failed() {
    let hands = |stages: &[&str]| with(&[], stages).move_to(&StageName::KnownGoodPort).hands;
    for (stages, named) in [
        (&["internal+", "at-port-"][..], true),
        (&["internal+", "at-port+"], false),
        (&["internal+", "at-port+", "far-end-"], false),
    ] {
        assert_eq!(hands(stages).contains(", the one that failed,"), named, "{stages:?}: {}", hands(stages));
    }
}

/// A plug that was seen to let frames through and then nothing comes and goes by itself: only as many runs as for any
/// other failure tell it from an outage of something else. One that lets nothing through each time needs its turns alone.
#[test]
fn what_let_frames_through_once_is_not_told_by_its_turns_alone() {
    let runs_with_it = |first: &[&str]| {
        let mut case = with(&[], first);
        let mut runs = 0;
        while let Some(next) = case.next.clone() {
            let name = next.stage.to_string();
            let long = case.stages.iter().any(|stage| stage.name == StageName::Soak(Spot::AtPort));
            let is_other = name == "other-plug";
            let (long, units) = if long || name == "soak:at-port" { (true, 60_000) } else { (false, 5000) };
            let shows = if is_other { (Showing::Passes, 0) } else { (Showing::Fails, units) };
            add(&mut case, &name, result(long, shows.0, shows.1));
            runs += usize::from(!is_other);
        }
        assert_eq!(case.verdict.location, [Location::Plug], "{first:?}");
        let told = text(&case).contains("(1 more passed, short enough to miss it)");
        assert_eq!(told, first.contains(&"at-port+"), "{}", text(&case));
        runs
    };
    assert_eq!(runs_with_it(&["internal+"]), 3);
    assert!(runs_with_it(&["internal+", "at-port-", "at-port+"]) >= 5);
    let case = with(&[], &["internal+", "at-port-", "at-port+", "soak:at-port-", "other-plug+"]);
    assert_eq!(case.verdict.outcome, Outcome::Fault);
}

/// What was exchanged failed too, though less: then nothing follows port and plug. An exchange that was merely too short
/// leaves both.
#[test]
fn an_exchange_that_was_no_better_blames_neither_port_nor_plug() {
    for (failed, outcome) in [(1, Outcome::Undecided), (0, Outcome::Fault)] {
        let mut case = with(&[], &["internal+", "at-port-", "at-port-"]);
        while let Some(next) = case.next.clone() {
            add(&mut case, &next.stage.to_string(), result(false, Showing::Neither, failed));
        }
        assert_eq!(case.verdict.outcome, outcome, "{:#?}", case.verdict);
        if failed > 0 {
            assert!(text(&case).contains("with another plug in this port 2 runs decided nothing"), "{}", text(&case));
        }
    }
}
