//! What rules and remarks that every kind of port has say on facts of frames: their edges, whom they blame, and what
//! they tell to do.

use super::*;
use crate::judge::ratio::Loss;
use crate::judge::suspects::{NEXT_FOR_PORT, POLARITY_FIRST};
use crate::signal::compare::DamageKind;
use crate::signal::when::{Gap, Stretch, When};

/// A second that had only begun is part of the plan, if it is no more than a twentieth of it.
#[test]
fn a_plan_is_carried_out_but_for_a_second_or_a_twentieth() {
    for (asked_s, done_s, complete) in [
        (3600.0, 3599.0, true),
        (3600.0, 3598.95, false),
        (10.0, 9.5, true),
        (10.0, 9.49, false),
        (10.0, 9.0, false),
        (10.0, 11.0, true),
    ] {
        assert_eq!(PlanDone { asked_s, done_s }.is_complete(), complete, "{done_s} of {asked_s}");
    }
}

/// Whoever reads the outcome of a run that somebody ended knows that the plan was not carried out.
#[test]
fn only_what_was_ended_by_hand_is_said_to_be() {
    let scope = |change: fn(&mut EthernetFacts)| {
        judge(&with(|e| {
            end_by_hand(e, 4.0);
            change(e);
        }))
        .scope
    };
    assert_eq!(scope(|e| wrong_bits(e, 5000)).as_deref(), Some("ended by hand, 4 s of 1 h"));
    assert_eq!(scope(|_| ()).as_deref(), Some("pass so far, 4 s of 1 h"));
    // Nothing was tested: there is no part of it.
    assert_eq!(scope(|e| e.common.in_service = vec!["it has a route".into()]), None);
    assert_eq!(scope(|e| e.common.stopped = Some(Stopped::PortGone)), None);
    let complete = |e: &mut EthernetFacts| {
        wrong_bits(e, 5000);
        end_by_hand(e, 3600.0);
    };
    assert_eq!(judge(&with(complete)).scope, None);
}

/// When it failed is told beside what was found, but where that says so itself. Only after a gap somebody may have moved
/// something, and of a pass nobody is asked.
#[test]
fn a_gap_is_told_once_and_asks_whether_plug_or_cable_were_moved() {
    let gap = When { gaps: vec![Gap { from_s: 3, until_s: 6 }], failed_elsewhere: 100, ..When::default() };
    let crowded = When { crowded: vec![Stretch { first_s: 3, last_s: 6 }], failed_elsewhere: 100, ..When::default() };
    let silent = |e: &mut EthernetFacts| {
        lost_on_wire(e, SENT / 2);
        e.silent_from_s = Some(8);
    };
    let few_bits = |e: &mut EthernetFacts| e.common.limit.bit_error_ratio = 1e-12;
    let gone = |e: &mut EthernetFacts| e.common.stopped = Some(Stopped::PortGone);
    let used = |e: &mut EthernetFacts| e.common.in_service = vec!["it has a route".into()];
    type Change = fn(&mut EthernetFacts);
    let table: [(Change, &When, bool, bool); 7] = [
        (|_| (), &gap, true, false),
        (|e| wrong_bits(e, 5000), &gap, true, true),
        (|e| wrong_bits(e, 5000), &crowded, true, false),
        (few_bits, &gap, true, true),
        (gone, &gap, false, false),
        (used, &gap, false, false),
        (silent, &gap, false, false),
    ];
    for (change, when, told, asked) in table {
        let verdict = judge(&with(|e| {
            change(e);
            e.when = when.clone();
        }));
        let text = verdict.reasons[0].text.ends_with(&when.in_words().unwrap());
        let next = verdict.next.starts_with("If somebody moved plug or cable then, test again without. ");
        assert_eq!((text, next), (told, asked), "{verdict:#?}");
    }
    for (link_flaps, asked) in [(1, false), (2, true)] {
        let next = judge(&with(|e| e.link_flaps = link_flaps)).next;
        assert_eq!(next.starts_with("If somebody moved plug or cable then"), asked, "{next}");
    }
    // A single silence says when it was, once.
    let once = judge(&with(|e| {
        lost_on_wire(e, 1000);
        e.when = When { failed_elsewhere: 0, ..gap };
    }));
    assert_eq!(once.reasons[0].rule, RuleId::SilentOnce);
    assert_eq!(once.reasons[0].text.matches("Nothing came back").count(), 1);
}

#[test]
fn what_came_back_inverted_is_mended_before_anything_is_replaced() {
    let next = |damage| {
        judge(&with(|e| {
            wrong_bits(e, 5000);
            e.common.damage = damage;
        }))
        .next
    };
    assert_eq!(next(DamageKind::Inverted), POLARITY_FIRST);
    assert!(next(DamageKind::Scattered).starts_with("Try another plug."));
}

/// One thing left: it is named, and mended. Several: they cannot be told apart, and what is asked for would do that.
#[test]
fn what_is_asked_for_tells_apart_what_is_blamed() {
    use Placement::{AtPort, FarEnd, Internal, ReturnPort};
    let far = "Put the same plug into the port itself";
    for (placement, references, apart, next) in [
        (Internal, vec![], None, NEXT_FOR_PORT),
        (AtPort, vec![], Some("port and plug"), "Try another plug."),
        (FarEnd, vec![found(AtPort, 0)], None, "Replace the cable or its connectors."),
        (FarEnd, vec![], Some("port and plug and cable"), far),
        (FarEnd, vec![found(AtPort, 990)], Some("port and plug"), "Try another plug."),
        (ReturnPort, vec![], Some("port and return port and cable"), "Try another cable."),
        (ReturnPort, vec![found(AtPort, 0)], Some("return port and cable"), "Try another cable."),
        // The return port fails no worse than the port with a plug of its own.
        (ReturnPort, vec![found(AtPort, 990)], Some("port and return port and cable"), "Try another cable."),
    ] {
        let verdict = judge(&with(|e| {
            e.common.placement = placement;
            e.common.references = references.clone();
            lost_on_wire(e, 1000);
        }));
        assert_eq!(verdict.outcome, Outcome::Fault);
        let told = verdict.sureness.split_once("; this run cannot tell ").map(|(_, names)| names);
        assert_eq!(told, apart.map(|names| format!("{names} apart")).as_deref(), "{placement:?} {references:?}");
        assert!(verdict.next.starts_with(next), "{placement:?} {references:?}: {}", verdict.next);
    }
}

/// Nothing came back at all, or nothing was counted: then a pass nearer to the port is enough, however short. One
/// echo, or one failure, and the counts have the word.
#[test]
fn a_short_pass_nearer_clears_only_where_nothing_was_counted() {
    let all = vec![Location::Cable, Location::Port, Location::Plug];
    let passed = found(Placement::AtPort, 0);
    let short = Reference { trials: 1, trouble: Trouble { tried: 1, ..passed.trouble }, ..passed };
    let blamed = |nearer: Reference, lost: u64| {
        suspects(&with(|e| {
            e.common.placement = Placement::FarEnd;
            e.common.references = vec![nearer];
            lost_on_wire(e, lost);
        }))
    };
    assert_eq!(blamed(short, SENT), [Location::Cable]);
    assert_eq!(blamed(short, SENT - 1), all);
    assert_eq!(blamed(short, 0), [Location::Cable]);
    assert_eq!(blamed(passed, 1), all);
    // No pass: nothing was tried there, or something failed that is kept in one of the two counts only.
    let untried = Reference { trials: 0, trouble: Trouble::default(), ..passed };
    let by_bits = Reference { failures: 1, ..passed };
    let by_units = Reference { trouble: Trouble { failed: 1, ..passed.trouble }, ..passed };
    for nearer in [untried, by_bits, by_units] {
        assert_eq!(blamed(nearer, SENT), all, "{nearer:?}");
    }
}

/// A missing link blames only where one thing is left; else a plug that nobody fitted looks the same.
#[test]
fn a_missing_link_blames_nobody_among_two() {
    let no_link = |placement, references: Vec<Reference>| {
        let e = with(|e| {
            no_link_at(e, placement);
            e.common.references = references;
        });
        rule(&RuleId::NoLink).judge(&e).map(|verdict| verdict.location)
    };
    assert_eq!(no_link(Placement::AtPort, vec![]), None);
    assert_eq!(no_link(Placement::ReturnPort, vec![found(Placement::AtPort, 0)]), None);
    assert_eq!(no_link(Placement::Internal, vec![]), Some(vec![Location::Port]));
}

/// One frame left: it was tested, if little. Without one, the person hears whether it was they who ended it, and what
/// the run waited for.
#[test]
fn nothing_sent_is_not_one_frame_sent() {
    let run = |placement, stopped, link_up: bool, sent| {
        with(|e| {
            e.common.placement = placement;
            e.common.stopped = stopped;
            e.link.up = link_up;
            e.counts = FrameCounts { sent, ..FrameCounts::default() };
        })
    };
    let by_hand = Some(Stopped::ByUser);
    assert!(rule(&RuleId::NothingSent).judge(&run(Placement::AtPort, None, true, 1)).is_none());
    for (placement, stopped, link_up, text, next) in [
        (Placement::AtPort, None, true, "No frame was sent.", "Test again. "),
        (Placement::AtPort, by_hand, true, "The run was ended by hand before a frame was sent.", "Test again."),
        (
            Placement::AtPort,
            by_hand,
            false,
            "The run was ended by hand while it waited for a link.",
            "Is a plug fitted?",
        ),
        (Placement::ReturnPort, by_hand, false, "The run was ended by hand while it waited", "Is the cable in both"),
        (Placement::Internal, by_hand, false, "The run was ended by hand while it waited", "Test again and let it"),
    ] {
        let verdict = judge(&run(placement, stopped, link_up, 0));
        assert_eq!(verdict.reasons[0].rule, RuleId::NothingSent);
        let told = &verdict.reasons[0].text;
        assert!(told.starts_with(text) && verdict.next.starts_with(next), "{told} {}", verdict.next);
    }
}

/// Figures of a pass and of what is not enough for one: errors, bits, what is proved, what is allowed, how sure.
#[test]
fn a_pass_and_what_is_no_pass_give_their_figures() {
    let judged = |change: fn(&mut EthernetFacts)| {
        let verdict = judge(&with(change));
        (verdict.outcome, verdict.reasons[0].text.clone(), verdict.sureness)
    };
    // -ln(0.05) / 12 112 000 000 is 2.47e-10, rounded up.
    let (outcome, text, sure) = judged(|_| ());
    assert_eq!(outcome, Outcome::Pass);
    assert!(text.starts_with("0 errors in 12 112 000 000 bits. The bit error ratio is below 2.5e-10; "), "{text}");
    assert_eq!(sure, "95 % that the bit error ratio is below 2.5e-10");
    let (outcome, text, _) = judged(|e| e.common.limit.bit_error_ratio = 1e-12);
    assert_eq!(outcome, Outcome::Undecided);
    assert!(text.starts_with("0 errors in 12 112 000 000 bits. That proves only a bit error ratio below 2.5e-10; "));
    // A limit as lax as this is proved, but a hundredth of the frames may be lost and two hundred prove no such thing.
    let few = |e: &mut EthernetFacts| {
        e.counts = FrameCounts { sent: 200, returned: 200, bits_compared: 200 * 12_112, ..FrameCounts::default() };
        e.common.limit.bit_error_ratio = 1e-3;
    };
    let (outcome, text, _) = judged(few);
    assert_eq!(outcome, Outcome::Undecided);
    assert!(text.starts_with("None of 200 frames was lost. That proves only a loss below "), "{text}");
    let (_, _, sure) = judged(|e| wrong_bits(e, 5000));
    assert!(sure.starts_with("95 % that the bit error ratio is at least "), "{sure}");
}

/// Whoever ended a run hears what they have so far, and is not told of a clean run that lost something.
#[test]
fn no_error_so_far_is_said_of_none() {
    let ended = |change: fn(&mut EthernetFacts)| {
        let verdict = judge(&with(|e| {
            e.common.limit.bit_error_ratio = 1e-12;
            end_by_hand(e, 4.0);
            change(e);
        }));
        assert_eq!(verdict.reasons[0].rule, RuleId::TooFewBits);
        (verdict.scope.unwrap(), verdict.next)
    };
    let (scope, next) = ended(|_| ());
    assert_eq!(scope, "no error so far, 4 s of 1 h");
    assert!(next.contains("--for") && !next.contains("--target-ber"), "{next}");
    let (_, next) = ended(|e| e.common.is_proof = true);
    assert!(next.contains("--target-ber") && !next.contains("--for"), "{next}");
    assert_eq!(ended(|e| lost_in_host(e, 1)).0, "4 s of 1 h");
    let one_wrong = |e: &mut EthernetFacts| {
        wrong_bits(e, 1);
        e.common.limit.bit_error_ratio = 1e-10;
    };
    assert_eq!(ended(one_wrong).0, "4 s of 1 h");
}

#[test]
fn a_repeated_step_says_how_often_and_what_this_computer_lost() {
    let says = |slowdowns, in_host| {
        let told = remark(
            &RuleId::HostSlowed,
            &with(|e| {
                lost_in_host(e, in_host);
                e.common.slowdowns = slowdowns;
            }),
        );
        told.unwrap()
    };
    assert!(says(1, 0).starts_with("Some frames went missing, and this computer may have dropped them"));
    assert!(says(1, 0).contains("A step was repeated with "));
    assert!(says(2, 1).starts_with("This computer could not keep up and lost 1 frames. 2 times a step was repeated "));
}

/// What is known of the loop elsewhere, each in its own words.
#[test]
fn a_loop_elsewhere_is_told_as_it_fared() {
    let passed = found(Placement::AtPort, 0);
    for (reference, says) in [
        (Reference { link_up: false, ..silent(Placement::AtPort) }, "The plug in the port fails too: no link."),
        (silent(Placement::AtPort), "The plug in the port fails too: nothing comes back."),
        (found(Placement::AtPort, 20), "The plug in the port fails too: 20 of 1 000 000 frames failed."),
        (passed, "The plug in the port passes."),
        (found(Placement::Internal, 0), "The loop inside the chip passes, so the host side of the port is good."),
        (found(Placement::AtPort, 1), "The plug in the port neither passes nor fails: 1 of 1 000 000 frames failed."),
    ] {
        let e = with(|e| e.common.references = vec![reference]);
        assert_eq!(remark(&RuleId::ConfirmedElsewhere, &e).as_deref(), Some(says));
    }
    assert!(remark(&RuleId::DamageKind, &with(|e| wrong_bits(e, 1))).unwrap().starts_with("1 wrong bits in "));
}

/// What was kept of a nearer run is read back whole, and documents of before have none.
#[test]
fn a_reference_is_stored_with_its_trouble() {
    let reference = found(Placement::AtPort, 20);
    let stored = serde_json::to_value(reference).unwrap();
    assert_eq!(serde_json::from_value::<Reference>(stored).unwrap(), reference);
    let before = Reference { trouble: Trouble::default(), ..reference };
    assert!(serde_json::to_value(before).unwrap().get("trouble").is_none());
}

#[test]
fn a_loss_just_as_large_as_may_be_is_allowed() {
    let loss = |proved_below| Loss { lost: 0, tried: 299, proved_below, allowed: 0.01 };
    assert!(loss(0.01).is_allowed() && !loss(0.010_001).is_allowed());
}

/// What is lost of what could be, and what another tester sent, come into the report.
#[test]
fn losses_and_testers_reach_the_report() {
    let ratio = with(|e| lost_on_wire(e, 1000)).loss_ratio().unwrap();
    assert!((ratio.estimate - 0.001).abs() < 1e-9, "{ratio:?}");
    let heard = crate::kind::ethernet::facts::Heard { testers: 3, ..Default::default() };
    let stored = serde_json::to_value(heard).unwrap();
    assert_eq!(stored["testers"], 3);
}
