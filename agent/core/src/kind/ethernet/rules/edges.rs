//! Tables of cases at the edge of each threshold: one below, at, one above.

use super::fixture::*;
use crate::base::placement::Placement;
use crate::judge::facts::{Facts, PlanDone, Stopped};
use crate::judge::ratio::{LOSS_ALLOWED, Limit};
use crate::judge::suspects::suspects;
use crate::judge::{Location, Outcome, RuleId, judge};
use crate::kind::ethernet::link::Medium;
use crate::kind::ethernet::{facts::EthernetFacts, losses::Losses};
use crate::signal::compare::DamageKind;
use crate::stats::looks::Looks;

mod words;

fn decided_by(e: &EthernetFacts) -> RuleId {
    judge(e).reasons[0].rule.clone()
}

/// Facts, and the rule that decides on them.
fn assert_rules<const N: usize>(cases: [(&str, EthernetFacts, RuleId); N]) {
    for (name, e, rule) in cases {
        assert_eq!(decided_by(&e), rule, "{name}");
    }
}

/// A limit so strict that one error in the run would refute it.
const STRICT: f64 = 1e-15;

fn with_limit(bit_error_ratio: f64, change: impl FnOnce(&mut EthernetFacts)) -> EthernetFacts {
    with(|e| {
        e.common.limit.bit_error_ratio = bit_error_ratio;
        change(e);
    })
}

/// A run of so few frames, all of which came back.
fn short_run(e: &mut EthernetFacts, sent: u64) {
    (e.counts.sent, e.transmitted) = (sent, Some(sent));
    lose(e, Losses::default());
}

#[test]
fn fewer_than_three_hits_blame_nobody() {
    let damaged = |frames: u64, bits: u64| {
        with_limit(STRICT, |e| {
            wrong_bits(e, frames);
            e.counts.bit_errors = bits;
        })
    };
    let lost_among_bits = |frames| {
        with_limit(STRICT, |e| {
            e.bad_frames_delivered = true;
            lost_on_wire(e, frames);
        })
    };
    assert_rules([
        ("2 frames lost", with_limit(STRICT, |e| lost_on_wire(e, 2)), RuleId::FewHits),
        ("3 frames lost", with_limit(STRICT, |e| lost_on_wire(e, 3)), RuleId::BitErrors),
        ("2 frames with many wrong bits", damaged(2, 1000), RuleId::FewHits),
        ("3 frames with many wrong bits", damaged(3, 1000), RuleId::BitErrors),
        ("2 wrong bits, and a third frame with a hit in its check", damaged(3, 2), RuleId::FewHits),
        ("2 frames lost where bits are counted", lost_among_bits(2), RuleId::TooFewBits),
        ("3 frames lost where bits are counted", lost_among_bits(3), RuleId::FramesLost),
        ("2 frames cut", with(|e| e.counts.truncated = 2), RuleId::TooFewBits),
        ("3 frames cut", with(|e| e.counts.truncated = 3), RuleId::FramesCut),
        ("2 cut, 1 lengthened", with(|e| (e.counts.truncated, e.counts.lengthened) = (2, 1)), RuleId::FramesCut),
    ]);
    for (spells_seen, outcome) in [(1, Outcome::Undecided), (2, Outcome::Undecided), (3, Outcome::Fault)] {
        let verdict = judge(&with(|e| e.spells = spells(spells_seen)));
        assert_eq!(
            (verdict.outcome, decided_by(&with(|e| e.spells = spells(spells_seen)))),
            (outcome, RuleId::ComesAndGoes)
        );
    }
}

/// With 5 errors the upper bound at 95 % is 10.513035 by the number of trials (Poisson factors: half of the chi-square
/// quantile with 12 degrees of freedom, tables of the distribution).
#[test]
fn a_pass_needs_the_loss_of_frames_proved_too() {
    let lost_at = |allowed: f64| {
        with_limit(allowed / SENT as f64 / FRAME_BITS, |e| {
            e.bad_frames_delivered = true;
            lost_on_wire(e, 5);
        })
    };
    assert_eq!(judge(&lost_at(10.52)).outcome, Outcome::Pass);
    assert_eq!(decided_by(&lost_at(10.50)), RuleId::TooFewBits);
    assert!(judge(&lost_at(10.50)).reasons[0].text.contains("too many for a pass"));
}

#[test]
fn one_frame_of_another_length_bars_a_pass() {
    for e in [with(|e| e.counts.truncated = 1), with(|e| e.counts.lengthened = 1)] {
        assert_eq!((judge(&e).outcome, decided_by(&e)), (Outcome::Undecided, RuleId::TooFewBits));
    }
}

/// No loss in `n` frames proves `1 - 0.05^(1/n)`, which is 1.0002 % for 298 and 0.9969 % for 299 (closed form).
#[test]
fn a_lax_limit_passes_no_short_run_and_no_lossy_one() {
    for delivered in [false, true] {
        let outcome = |sent, lost| {
            let e = with_limit(1e-3, |e| {
                e.bad_frames_delivered = delivered;
                e.counts.sent = sent;
                lost_on_wire(e, lost);
            });
            (judge(&e).outcome, decided_by(&e))
        };
        assert_eq!(outcome(298, 0), (Outcome::Undecided, RuleId::TooFewBits));
        assert_eq!(outcome(299, 0), (Outcome::Pass, RuleId::LimitProved));
        for (sent, lost) in [(10, 3), (16, 5), (1000, 30), (SENT, SENT / 50)] {
            assert_eq!(outcome(sent, lost), (Outcome::Fault, RuleId::FramesLost), "{lost} of {sent}");
        }
        assert_eq!(outcome(SENT, SENT / 100).0, Outcome::Undecided, "as many as may be are not proved to be no more");
        assert_eq!(outcome(SENT, SENT / 125).0, Outcome::Pass);
    }
    let few = judge(&with_limit(1e-3, |e| short_run(e, 298)));
    assert!(
        few.reasons[0].text.contains("None of 298 frames was lost. That proves only a loss below 1.0002e-2"),
        "{few:?}"
    );
    let limit = Limit { bit_error_ratio: 1e-3, confidence: 0.95, looks: Looks::Once };
    assert_eq!(
        (limit.losses_allowed(512.0), limit.losses_allowed(1.0)),
        (Some(LOSS_ALLOWED), limit.units_allowed(1.0))
    );
}

#[test]
fn an_adapter_that_sends_nothing_is_told_by_ten_frames_and_a_tenth() {
    let sent = |sent, transmitted, never_left| {
        with(|e| {
            e.counts.sent = sent;
            lose(e, Losses { never_left, on_wire: sent - never_left, ..Losses::default() });
            e.transmitted = Some(transmitted);
        })
    };
    assert_rules([
        ("9 frames", sent(9, 0, 0), RuleId::NothingReturned),
        ("10 frames", sent(10, 0, 0), RuleId::NotTransmitted),
        ("10 besides those dropped here", sent(12, 0, 2), RuleId::NotTransmitted),
        ("9 besides those dropped here", sent(12, 0, 3), RuleId::NothingReturned),
        ("a tenth", sent(100, 10, 0), RuleId::NotTransmitted),
        ("more than a tenth", sent(100, 11, 0), RuleId::NothingReturned),
        ("a third", sent(99, 33, 0), RuleId::NothingReturned),
    ]);
    let mut one_back = sent(100, 0, 0);
    (one_back.counts.returned, one_back.counts.lost, one_back.losses.on_wire) = (1, 99, 99);
    assert_ne!(decided_by(&one_back), RuleId::NotTransmitted);
    let all_bad = |sent, failed_check| {
        with(|e| {
            e.counts.sent = sent;
            lose(e, Losses { failed_check, on_wire: sent - failed_check, ..Losses::default() });
        })
    };
    assert_rules([
        ("9 damaged", all_bad(9, 9), RuleId::NothingReturned),
        ("10 damaged", all_bad(10, 10), RuleId::NothingIntact),
        ("all but one damaged", all_bad(10, 9), RuleId::NothingReturned),
    ]);
}

/// Each counter of the host alone, and where it puts 7 of 100 missing frames.
#[test]
fn frames_cut_count_when_places_are_compared() {
    let cut = |truncated, nearer| {
        suspects(&with(|e| {
            e.common.placement = Placement::FarEnd;
            e.common.references = vec![found(Placement::AtPort, nearer)];
            e.counts.truncated = truncated;
        }))
    };
    assert_eq!(cut(1000, 20), [Location::Cable]);
    assert_eq!(cut(1000, 990), [Location::Port, Location::Plug]);
}

#[test]
fn echoes_are_late_from_a_tenth_of_a_second_and_from_a_hundredth_of_all() {
    let late = |late| {
        with(|e| {
            lose(e, Losses { late, ..Losses::default() });
        })
    };
    let half_late = |change: fn(&mut EthernetFacts)| {
        let mut e = late(SENT / 2);
        change(&mut e);
        e
    };
    let trip = |ns| with(|e| e.shortest_trip_ns = Some(ns));
    assert_rules([
        ("a hundredth", late(SENT / 100), RuleId::EchoesLate),
        ("less than a hundredth", late(SENT / 100 - 1), RuleId::LimitProved),
        ("just under 0.1 s", trip(99_999_999), RuleId::LimitProved),
        ("0.1 s", trip(100_000_000), RuleId::EchoesLate),
        ("0.8 s", trip(800_000_000), RuleId::EchoesLate),
        ("a link that drops", half_late(|e| e.link_flaps = 1), RuleId::LinkFlapped),
        (
            "slow, on a link that drops",
            with(|e| (e.shortest_trip_ns, e.link_flaps) = (Some(900_000_000), 2)),
            RuleId::LinkFlapped,
        ),
        ("2 damaged", half_late(|e| wrong_bits(e, 2)), RuleId::EchoesLate),
        ("3 cut", half_late(|e| e.counts.truncated = 3), RuleId::FramesCut),
    ]);
}

#[test]
fn a_single_silence_blames_nobody_unless_more_failed_or_it_came_again() {
    let silent = |gaps: u64, failed_elsewhere, change: fn(&mut EthernetFacts)| {
        let mut e = silent_for_a_while(gaps, failed_elsewhere);
        change(&mut e);
        e
    };
    let fails_inside = |e: &mut EthernetFacts| e.common.references = vec![found(Placement::Internal, 1000)];
    let moment = |change: fn(&mut EthernetFacts)| {
        let mut e = lost_in(3, 3);
        change(&mut e);
        e
    };
    assert_rules([
        ("one silence", silent(1, 0, |_| {}), RuleId::SilentOnce),
        ("2 frames failed elsewhere", silent(1, 2, |_| {}), RuleId::SilentOnce),
        ("3 frames failed elsewhere", silent(1, 3, |_| {}), RuleId::BitErrors),
        ("lost in a second", lost_in(3, 3), RuleId::SilentOnce),
        ("lost in two", lost_in(3, 4), RuleId::SilentOnce),
        ("lost in three", lost_in(3, 5), RuleId::BitErrors),
        ("and bits wrong", moment(|e| wrong_bits(e, 10_000)), RuleId::BitErrors),
        ("and frames cut", moment(|e| e.counts.truncated = 3000), RuleId::BitErrors),
        ("damaged alike", moment(|e| e.common.damage = DamageKind::Inverted), RuleId::BitErrors),
        (
            "few enough to pass",
            moment(|e| (lost_on_wire(e, 100), e.common.limit.bit_error_ratio = 1e-3).0),
            RuleId::LimitProved,
        ),
        ("two silences", silent(2, 0, |_| {}), RuleId::BitErrors),
        ("none", silent(0, 0, |_| {}), RuleId::BitErrors),
        ("the loop inside the chip", silent(1, 0, |e| e.common.placement = Placement::Internal), RuleId::BitErrors),
        ("that loop fails too", silent(1, 0, fails_inside), RuleId::BitErrors),
        ("the link dropped twice", silent(1, 0, |e| e.link_flaps = 2), RuleId::LinkFlapped),
    ]);
    let verdict = judge(&silent(1, 0, |_| {}));
    assert_eq!((verdict.outcome, verdict.location.len()), (Outcome::Undecided, 0));
    assert_eq!(
        verdict.reasons[0].text,
        "Nothing came back from second 0 to 2, and then it did again. Nothing else failed."
    );
    let lost = judge(&lost_in(3, 3)).reasons[0].text.clone();
    assert!(lost.starts_with("10 000 of ") && lost.ends_with(" All that failed was sent in second 3."), "{lost}");
}

#[test]
fn a_host_that_lost_a_tenth_of_all_and_half_of_the_missing_limits_the_run() {
    let lost = |in_host, on_wire| {
        with_limit(1e-12, |e| lose(e, Losses { in_host, on_wire, ..Losses::default() })).is_host_limited()
    };
    for (in_host, on_wire, limits) in [
        (SENT / 10, 0, true),
        (SENT / 10 - 1, 0, false),
        (200_000, 200_000, true),
        (199_999, 200_001, false),
        (0, SENT / 2, false),
    ] {
        assert_eq!(lost(in_host, on_wire), limits, "{in_host} here, {on_wire} on the wire");
    }
    assert!(!with(|e| lost_in_host(e, SENT / 2)).is_host_limited(), "what came back proves the limit all the same");
}

#[test]
fn a_run_ended_by_hand_says_how_far_it_came_and_passes_only_at_its_end() {
    let ended = |asked_s, done_s| {
        with(|e| {
            e.common.stopped = Some(Stopped::ByUser);
            e.common.plan_done = Some(PlanDone { asked_s, done_s });
        })
    };
    assert_rules([
        ("an hour but for two seconds", ended(3600.0, 3598.0), RuleId::CutShort),
        ("an hour but for one", ended(3600.0, 3599.0), RuleId::LimitProved),
        ("a short plan but for a second", ended(3.9, 3.0), RuleId::CutShort),
        ("a short plan", ended(3.9, 4.0), RuleId::LimitProved),
    ]);
    let verdict = judge(&ended(90.0, 4.0));
    assert_eq!((verdict.outcome, verdict.scope.as_deref()), (Outcome::Undecided, Some("pass so far, 4 s of 90 s")));
    // So does one that was too short to prove anything: who ended it needs no advice to run longer.
    let mut short = ended(3600.0, 4.0);
    short.common.limit.bit_error_ratio = 1e-15;
    let verdict = judge(&short);
    assert_eq!(verdict.reasons[0].rule, RuleId::TooFewBits);
    assert_eq!(verdict.scope.as_deref(), Some("no error so far, 4 s of 1 h"));
    assert!(verdict.next.contains("to its end"), "{}", verdict.next);
    let mut untested = ended(3600.0, 3600.0);
    untested.sizes_not_returned = vec![1518];
    assert_eq!(decided_by(&untested), RuleId::CutShort);
    let mut search = ended(1.0, 1.0);
    search.common.plan_done = None;
    assert_eq!(decided_by(&search), RuleId::CutShort);
    let mut failing = ended(90.0, 4.0);
    lost_on_wire(&mut failing, 1000);
    assert_eq!(decided_by(&failing), RuleId::BitErrors, "what is proved against the line stays proved");
}

#[test]
fn a_size_that_never_came_back_bars_a_pass_and_one_the_port_does_not_take_is_named() {
    let never = with(|e| e.sizes_not_returned = vec![1280, 1518]);
    let verdict = judge(&never);
    assert_eq!((verdict.outcome, decided_by(&never)), (Outcome::Undecided, RuleId::SizeNotTested));
    assert_eq!(verdict.scope.as_deref(), Some("without frames of 1280 and 1518 bytes"));
    let left_out = judge(&with(|e| e.sizes_not_taken = vec![9018]));
    assert_eq!(left_out.outcome, Outcome::Pass);
    assert!(left_out.scope.unwrap().starts_with("without frames of 9018 bytes, which this port does not take"));
    assert_eq!(judge(&healthy()).scope, None);
}

#[test]
fn a_pass_at_a_lower_speed_names_the_pairs_it_covers() {
    let scope = |mbps, medium, placement| {
        let e = with(|e| {
            (e.link.speed_mbps, e.link.medium, e.common.placement) = (Some(mbps), medium, placement);
        });
        judge(&e).scope
    };
    let two_pairs = |mbps: u32| Some(format!("at {mbps} Mb/s: pairs 2 and 3 only"));
    assert_eq!(scope(100, Medium::Copper, Placement::AtPort), two_pairs(100));
    assert_eq!(scope(10, Medium::Copper, Placement::FarEnd), two_pairs(10));
    // Where the adapter may be able to test the other pairs, that is offered, wherever the loop is.
    for place in [Placement::AtPort, Placement::FarEnd, Placement::ReturnPort] {
        let next = |offers_cable_test| {
            judge(&with(|e| {
                (e.link.speed_mbps, e.common.placement) = (Some(100), place);
                e.offers_cable_test = offers_cable_test;
            }))
            .next
        };
        assert!(next(true).contains("`turnback cable-test`"), "{place:?}: {}", next(true));
        assert!(!next(false).contains("cable-test"), "{place:?}: {}", next(false));
    }
    assert_eq!(scope(100, Medium::Copper, Placement::Internal), None, "no pair is used inside the chip");
    assert_eq!(scope(1000, Medium::Copper, Placement::AtPort), None);
    assert_eq!(scope(100, Medium::Fibre, Placement::AtPort), None);
}

#[test]
fn counts_that_contradict_each_other_are_said_and_change_no_verdict() {
    let says = |e: &EthernetFacts| judge(e).reasons.iter().any(|reason| reason.rule == RuleId::CountsDoNotBalance);
    let spoilt: [fn(&mut EthernetFacts); 4] =
        [|e| e.counts.returned += 1, |e| e.counts.returned -= 1, |e| e.counts.lost += 1, |e| e.losses.on_wire += 1];
    assert!(!says(&healthy()) && !says(&with(|e| lost_on_wire(e, 9))));
    for spoil in spoilt {
        let mut e = with(|e| lost_in_host(e, 9));
        let before = judge(&e).outcome;
        spoil(&mut e);
        assert!(says(&e), "{:?} {:?}", e.counts, e.losses);
        assert_eq!(judge(&e).outcome, before);
    }
}
