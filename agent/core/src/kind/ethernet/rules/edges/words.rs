//! What rules say: the figures and the words that a reader acts on, one below, at and one above where they change.

use super::*;
use crate::judge::facts::Trouble;
use crate::kind::ethernet::stream::tally::FrameCounts;

/// What the rule that decides says.
fn told(e: &EthernetFacts) -> String {
    let verdict = judge(e);
    verdict.assert_reads_well();
    verdict.reasons[0].text.clone()
}

/// Wrong bits in a thousand frames, of which the check of half was hit: what is proved of bits is the nearer edge.
#[test]
fn a_ratio_proved_to_be_just_the_limit_is_not_above_it() {
    let at = |factor: f64| {
        decided_by(&with(|e| {
            wrong_bits(e, 1000);
            e.counts.bit_errors = 500;
            e.common.limit.bit_error_ratio = factor * e.error_ratio().unwrap().proved_above;
        }))
    };
    assert_eq!([0.999, 1.0, 1.001].map(at), [RuleId::BitErrors, RuleId::TooFewBits, RuleId::TooFewBits]);
}

/// On the basis of frames the lost ones are among those that failed; beside wrong bits they are told.
#[test]
fn frames_lost_beside_wrong_bits_are_told() {
    let text = |delivered, lost| {
        told(&with(|e| {
            lost_on_wire(e, lost);
            wrong_bits(e, 5000);
            e.bad_frames_delivered = delivered;
            (e.counts.damaged, e.counts.failed_check_delivered) = if delivered { (5000, 5000) } else { (0, 0) };
        }))
    };
    let also = |text: String| text.split_once(" is allowed.").map(|(_, also)| also.to_owned()).unwrap();
    assert_eq!(also(text(true, 0)), "");
    assert_eq!(also(text(true, 1)), " Also, 1 of 1 000 000 frames did not come back.");
    assert_eq!(also(text(true, 2)), " Also, 2 of 1 000 000 frames did not come back.");
    assert_eq!(also(text(false, 1000)), "");
    assert!(text(false, 1000).starts_with("1 000 of 1 000 000 frames failed. "), "{}", text(false, 1000));
}

/// One damaged frame, where frames that were lost refute the limit: its head may look like a copy.
#[test]
fn a_copy_beside_losses_is_a_copy_unless_a_frame_was_damaged() {
    let run = |damaged, lost| {
        with_limit(STRICT, |e| {
            lost_on_wire(e, lost);
            wrong_bits(e, damaged);
            e.bad_frames_delivered = true;
            e.counts.duplicated = 1;
        })
    };
    assert_rules([
        ("none damaged", run(0, 1000), RuleId::NotAPlainLoop),
        ("one damaged", run(1, 1000), RuleId::FramesLost),
        ("one damaged and too few lost to blame", run(1, 2), RuleId::NotAPlainLoop),
    ]);
    for (damaged, lost, failed) in
        [(0, 0, ""), (1, 0, " Lost or damaged: 1 frame."), (0, 2, " Lost or damaged: 2 frames.")]
    {
        let text = told(&run(damaged, lost));
        let (copies, rest) = text.split_once(" came twice.").unwrap();
        assert_eq!(copies, format!("Of {} frames that came back, 1", if lost == 0 { "1 000 000" } else { "999 998" }));
        assert_eq!(rest, failed);
    }
}

#[test]
fn bad_seconds_are_told_with_their_figures() {
    for (count, figures) in [
        (1, "9 408 of 81 274 frames failed within 1 s, in 1 spell. "),
        (2, "18 816 of 162 548 frames failed within 2 s, in 2 spells. "),
    ] {
        let verdict = judge(&with(|e| e.spells = spells(count)));
        assert!(verdict.reasons[0].text.starts_with(figures), "{}", verdict.reasons[0].text);
        assert_eq!(verdict.sureness, "95 % that a line at its limit shows no such second in the whole run");
    }
}

/// Where nothing but this computer is in the loop, no device there is looked for.
#[test]
fn damage_behind_the_check_asks_for_a_device_only_where_there_can_be_one() {
    for (placement, device) in [(Placement::Internal, false), (Placement::AtPort, true), (Placement::FarEnd, true)] {
        let e = with(|e| (e.common.placement, e.counts.damaged) = (placement, 5));
        let verdict = judge(&e);
        assert_eq!(told(&e).contains("a device in the loop"), device, "{placement:?}");
        assert_eq!(verdict.next.starts_with("Make sure that nothing but a plug is in the loop"), device);
        assert_eq!(verdict.sureness.ends_with("nothing but this computer is in this loop"), !device);
    }
}

/// So many sent, late, and back in time; the rest never came. Three late ones count, if they are more than those in
/// time or a hundredth of all. Where the loss refutes the limit, one late for nine that never came counts too.
#[test]
fn late_echoes_decide_by_three_by_more_than_half_and_by_a_tenth_of_the_missing() {
    let run = |sent, late, in_time| {
        with(|e| {
            (e.counts.sent, e.transmitted) = (sent, Some(sent));
            lose(e, Losses { late, on_wire: sent - late - in_time, ..Losses::default() });
        })
    };
    assert_rules([
        ("2 of 200", run(200, 2, 198), RuleId::TooFewBits),
        ("3 of 300", run(300, 3, 297), RuleId::EchoesLate),
        ("3 late, 2 in time", run(1000, 3, 2), RuleId::EchoesLate),
        ("3 late, 3 in time", run(1000, 3, 3), RuleId::BitErrors),
        ("2 late, 1 in time", run(1000, 2, 1), RuleId::BitErrors),
        ("1 late, none in time", run(SENT, 1, 0), RuleId::EchoesLate),
        ("1 late, 1 in time", run(SENT, 1, 1), RuleId::BitErrors),
        ("100 late for 900 that never came", run(SENT, 100, SENT - 1000), RuleId::EchoesLate),
        ("100 late for 901", run(SENT, 100, SENT - 1001), RuleId::BitErrors),
    ]);
}

#[test]
fn what_is_late_and_what_never_came_are_told_with_their_figures() {
    let run = |shortest_s: u64, late, never| {
        told(&with(|e| {
            lose(e, Losses { late, on_wire: never, ..Losses::default() });
            e.shortest_trip_ns = Some(shortest_s * 1_000_000_000);
        }))
    };
    let slow = "The shortest round trip took 3.00 s. No plug or cable is that long.";
    let given_up = "of 1 000 000 frames came back after they had been given up: they are late, not lost.";
    let held = "No plug or cable holds a frame for that long.";
    let never = "more never came, and may be later still.";
    assert_eq!(run(3, 0, 0), slow);
    assert_eq!(run(3, 0, 5), slow);
    assert_eq!(run(3, 1, 0), format!("1 {given_up} {slow}"));
    assert_eq!(run(0, 10_000, 0), format!("10 000 {given_up} {held}"));
    assert_eq!(run(0, 10_000, 1), format!("10 000 {given_up} {held} 1 {never}"));
    // What decides nothing is told beside the verdict: the longest trip, and how many were late.
    let beside = |longest_s: u64, late| {
        let verdict = judge(&with(|e| {
            lose(e, Losses { late, ..Losses::default() });
            e.longest_trip_ns = Some(longest_s * 1_000_000_000);
        }));
        verdict.reasons.get(1).map(|reason| reason.text.clone())
    };
    let still = "This computer stood still, or something in the loop held frames back. A plug or a cable does not do \
                 that.";
    let one = "1 of 1 000 000 frames came back after they had been given up.";
    assert_eq!(beside(0, 0), None);
    assert_eq!(beside(3, 0), Some(format!("The longest round trip took 3.00 s. {still}")));
    assert_eq!(beside(0, 1), Some(format!("{one} {still}")));
    assert_eq!(beside(3, 1), Some(format!("{one} The longest round trip took 3.00 s. {still}")));
}

/// What is said of a missing link fits the place of the plug and the medium; after a frame was sent there was a link.
#[test]
fn a_missing_link_is_told_by_place_and_medium() {
    let inside = "There is no link, even with the loop inside the chip.";
    let at_port = "There is no link. Either no plug is fitted, the plug is open, or the port's line side is dead.";
    let beyond = "There is no link. Either the loop is open somewhere, or the port's line side is dead.";
    for (placement, medium, says) in [
        (Placement::Internal, Medium::Copper, inside),
        (Placement::Internal, Medium::Fibre, inside),
        (Placement::AtPort, Medium::Copper, at_port),
        (Placement::FarEnd, Medium::Copper, beyond),
        (Placement::ReturnPort, Medium::Copper, beyond),
        (Placement::AtPort, Medium::Fibre, "There is no link: no light comes back."),
        (Placement::FarEnd, Medium::Fibre, "There is no link: no light comes back."),
    ] {
        let text = told(&with(|e| {
            no_link_at(e, placement);
            e.link.medium = medium;
        }));
        assert!(text.starts_with(says), "{placement:?} {medium:?}: {text}");
    }
    let sent = |sent| {
        with(|e| {
            no_link_at(e, Placement::AtPort);
            e.counts.sent = sent;
            lost_on_wire(e, sent);
        })
    };
    assert_rules([("none sent", sent(0), RuleId::LoopOpen), ("one sent", sent(1), RuleId::NothingReturned)]);
}

/// What a run is compared by with the plug elsewhere: its frames, its time, how often trouble began and paused.
#[test]
fn trouble_is_what_failed_and_when() {
    for (link_flaps, begun, pauses) in [(0, 0, false), (1, 1, true), (2, 2, true)] {
        let e = with(|e| {
            lost_on_wire(e, 1000);
            e.link_flaps = link_flaps;
        });
        assert_eq!(e.trouble(), Trouble { tried: SENT, failed: 1000, time_ms: 10_000, begun, pauses });
    }
}

#[test]
fn an_end_that_was_silent_holds_no_noise() {
    let text = told(&with(|e| {
        lost_on_wire(e, SENT / 2);
        e.silent_from_s = Some(4);
    }));
    assert_eq!(text, "Nothing came back from second 4 on: plug pulled, or contact lost.");
}

/// One frame that this computer lost, and none.
#[test]
fn a_host_that_lost_nothing_limits_nothing() {
    let mut one = with(|e| short_run(e, 1));
    lost_in_host(&mut one, 1);
    assert_eq!(decided_by(&one), RuleId::HostLimited);
    assert!(!with(|e| e.counts = FrameCounts::default()).is_host_limited());
}

#[test]
fn what_is_odd_and_what_was_damaged_are_counted_in_frames() {
    let few = |lost| {
        told(&with_limit(5e-10, |e| {
            e.bad_frames_delivered = true;
            lost_on_wire(e, lost);
            e.counts.truncated = 1;
        }))
    };
    let too_many = "too many for a pass, too few to say where the fault is.";
    assert_eq!(few(0), format!("1 frame lost or odd, of 1 000 000: {too_many}"));
    assert_eq!(few(1), format!("2 frames lost or odd, of 1 000 000: {too_many}"));
    // Of 5 lost, 10.513035 by the number of frames is proved (half of the chi-square quantile with 12 degrees of
    // freedom at 95 %, tables of the distribution): just more than is allowed, so that is told.
    let lossy = told(&with_limit(10.5 / SENT as f64 / FRAME_BITS, |e| {
        e.bad_frames_delivered = true;
        lost_on_wire(e, 5);
    }));
    let proves = format!("5 frames lost or odd, of 1 000 000: {too_many} That proves only a share below 1.1e-5; ");
    assert!(lossy.starts_with(&proves) && lossy.ends_with(" is allowed."), "{lossy}");
    let verdict = judge(&with(|e| wrong_bits(e, 5000)));
    let kind = verdict.reasons.iter().find(|reason| reason.rule == RuleId::DamageKind).unwrap();
    assert_eq!(kind.text, "5 000 wrong bits in 5 000 frames, scattered.");
}

/// A pass by bits tells of every frame that was lost; by frames, the ratio has them.
#[test]
fn a_pass_tells_of_each_frame_lost_beside_its_bits() {
    let passes = |delivered, lost| {
        let e = with_limit(1e-3, |e| {
            e.bad_frames_delivered = delivered;
            lost_on_wire(e, lost);
        });
        assert_eq!(decided_by(&e), RuleId::LimitProved);
        told(&e).split_once(" is allowed").unwrap().1.to_owned()
    };
    assert_eq!(passes(true, 0), ".");
    assert_eq!(passes(true, 1), "; 1 of 1 000 000 frames lost on the way, no more than that allows.");
    assert_eq!(passes(true, 2), "; 2 of 1 000 000 frames lost on the way, no more than that allows.");
    assert_eq!(passes(false, 1), ".");
}

/// After a pass: what is good by it, and what is left to test with what this port offers.
#[test]
fn a_pass_says_what_is_good_and_what_is_left_to_test() {
    use Placement::{AtPort, FarEnd, Internal, ReturnPort};
    let next = |placement, speed_mbps, offers_cable_test| {
        judge(&with(|e| {
            (e.common.placement, e.link.speed_mbps) = (placement, Some(speed_mbps));
            e.fallback_mbps = Some(speed_mbps).filter(|mbps| *mbps < 1000);
            e.offers_cable_test = offers_cable_test;
        }))
        .next
    };
    let port = "The port is good as far as a plug can show. If the link still fails, test the cable with the plug at \
                its far end.";
    let cable = "Port and cable are good as far as a plug can show. If the link still fails, look at the equipment at \
                 the far end.";
    for offers in [false, true] {
        assert_eq!(next(AtPort, 1000, offers), port);
        assert_eq!(next(FarEnd, 1000, offers), cable);
        assert_eq!(next(ReturnPort, 1000, offers), "Both ports and the cable are good as far as this test can show.");
        assert!(next(Internal, 100, offers).starts_with("The host side of the port is good."));
    }
    let (second, both) = ("use a second port with --return-port", "connect two ports that run at 1000 Mb/s");
    let run = "run the cable to a second port of this computer and use --return-port";
    let (open, free) =
        ("fit an open cable and run `turnback cable-test`", "free the far end and run `turnback cable-test`");
    for (placement, offers, left) in [
        (AtPort, false, format!("{run}.")),
        (FarEnd, false, format!("{run}.")),
        (ReturnPort, false, format!("{both}.")),
        (AtPort, true, format!("{second}, or {open}.")),
        (FarEnd, true, format!("{second}, or {free}.")),
        (ReturnPort, true, format!("{both}, or {free}.")),
    ] {
        let next = next(placement, 100, offers);
        let told = next.split_once(" Pairs 1 and 4 (blue and brown, pins 4, 5, 7 and 8) were not tested: ");
        assert_eq!(told.map(|(_, left)| left), Some(left.as_str()), "{placement:?} {offers}: {next}");
    }
    // At its own speed it may know no higher one.
    let own = judge(&with(|e| e.link.speed_mbps = Some(100))).next;
    assert!(own.ends_with(&format!("were not tested: if this port can do 1000 Mb/s, {run}.")), "{own}");
}

/// What is heard before the first probe was not stopped by the run; one frame of another tester tells who is there.
#[test]
fn who_is_heard_is_told_with_when() {
    let (before, during) = ("before anything was sent", "during the run, which stopped");
    for (foreign_before, foreign_during, testers, says) in [
        (1, 0, 0, format!("1 frame of other stations came in {before}.")),
        (2, 5, 0, format!("7 frames of other stations came in {before}.")),
        (0, 5, 0, format!("5 frames of other stations came in {during}.")),
        (0, 5, 1, format!("Another turnback runs at the other end: 1 of its frames came in {during}.")),
        (5, 0, 5, format!("Another turnback runs at the other end: 5 of its frames came in {before}.")),
    ] {
        let text = told(&with(|e| {
            (e.heard.foreign_before, e.heard.foreign_during, e.heard.testers) =
                (foreign_before, foreign_during, testers);
        }));
        assert!(text.starts_with(&says), "{text}");
    }
}

/// Nothing came back, or something that is no probe; and a count of damaged frames that one whole frame contradicts.
#[test]
fn what_came_in_and_cannot_be_recognised_is_not_nothing() {
    let run = |unrecognised| {
        let e = with(|e| {
            lost_on_wire(e, SENT);
            e.counts.unrecognised = unrecognised;
        });
        (told(&e), judge(&e).sureness)
    };
    let (text, sure) = run(0);
    assert_eq!(text, "The link is up. 1 000 000 frames left, and none came back.");
    assert!(sure.starts_with("certain that nothing came back"), "{sure}");
    for (unrecognised, came) in [(1, "1 frame came"), (2, "2 frames came")] {
        let (text, sure) = run(unrecognised);
        let left = "The link is up. 1 000 000 frames left.";
        assert_eq!(text, format!("{left} {came} in that cannot be recognised as one of these."));
        assert!(sure.starts_with("certain that no frame came back whole enough to be recognised"), "{sure}");
    }
    let mut one_whole = with(|e| short_run(e, 10));
    lose(&mut one_whole, Losses { failed_check: 10, ..Losses::default() });
    assert_eq!(decided_by(&one_whole), RuleId::NothingIntact);
    one_whole.counts.returned = 1;
    assert_eq!(decided_by(&one_whole), RuleId::BitErrors);
}
