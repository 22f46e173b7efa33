//! Each rule speaks on its facts and is silent on a healthy port; the table of places; the order; what holds for any
//! facts.

use proptest::prelude::*;

use super::fixture::*;
use super::late::{LATE_NS, TRIP_NS};
use super::{damage, late, limit, link, occupied, silence};
use crate::base::placement::Placement;
use crate::judge::rule::Rule;
use crate::judge::suspects::suspects;
use crate::judge::{Location, Outcome, RuleId, judge, remarks, rules};
use crate::judge::{
    facts::{Facts, PlanDone, Reference, Stopped, Trouble},
    ratio::{ERRORS_MIN, Limit},
};
use crate::kind::ethernet::link::Medium;
use crate::kind::ethernet::stream::tally::FrameCounts;
use crate::kind::ethernet::{facts::EthernetFacts, losses::Losses};
use crate::signal::seconds::Spread;

mod for_all_kinds;

fn rule(id: &RuleId) -> &'static Rule<EthernetFacts> {
    rules().into_iter().find(|r| r.id == *id).unwrap_or_else(|| panic!("no rule {id}"))
}

fn remark(id: &RuleId, e: &EthernetFacts) -> Option<String> {
    let remark = remarks().into_iter().find(|r| r.id == *id).unwrap_or_else(|| panic!("no remark {id}"));
    (remark.say)(e)
}

/// Examples of the shared rules. `limit-proved` and `too-few-bits` are tested by themselves: one speaks on a healthy
/// port, the other would if nothing before it did.
fn shared() -> Vec<Example> {
    vec![
        (
            RuleId::InService,
            with(|e| e.common.in_service = vec!["it has an address".into()]),
            Outcome::NotTested,
            vec![],
        ),
        (RuleId::PortGone, with(|e| e.common.stopped = Some(Stopped::PortGone)), Outcome::Undecided, vec![]),
        (RuleId::TookTooLong, with(|e| e.common.stopped = Some(Stopped::TookTooLong)), Outcome::Undecided, vec![]),
        (RuleId::NothingSent, with(|e| e.counts = FrameCounts::default()), Outcome::NotTested, vec![]),
        (RuleId::SilentOnce, silent_for_a_while(1, 0), Outcome::Undecided, vec![]),
        (
            RuleId::PlacesDisagree,
            with(|e| e.common.references = vec![silent(Placement::Internal)]),
            Outcome::Undecided,
            vec![],
        ),
        (RuleId::HostLimited, with(|e| lost_in_host(e, SENT - 1)), Outcome::Undecided, vec![]),
        (RuleId::CutShort, with(|e| end_by_hand(e, 3598.0)), Outcome::Undecided, vec![]),
        (RuleId::SizeNotTested, with(|e| e.sizes_not_returned = vec![1518]), Outcome::Undecided, vec![]),
    ]
}

/// A soak of an hour that somebody ended.
fn end_by_hand(e: &mut EthernetFacts, done_s: f64) {
    e.common.stopped = Some(Stopped::ByUser);
    e.common.plan_done = Some(PlanDone { asked_s: 3600.0, done_s });
}

fn examples() -> Vec<Example> {
    let of_frames =
        [damage::examples, late::examples, limit::examples, link::examples, occupied::examples, silence::examples];
    of_frames.into_iter().flat_map(|of_matter| of_matter()).chain(shared()).collect()
}

#[test]
fn each_rule_speaks_on_its_evidence_and_is_silent_on_a_healthy_port() {
    let speaking = examples();
    for (name, evidence, outcome, location) in &speaking {
        let verdict = rule(name).judge(evidence).unwrap_or_else(|| panic!("{name} is silent"));
        assert_eq!((verdict.outcome, &verdict.location), (*outcome, location), "{name}");
        judge(evidence).assert_reads_well();
        assert!(rule(name).judge(&healthy()).is_none(), "{name} speaks on a healthy port");
        assert_eq!(&judge(evidence).reasons[0].rule, name, "another rule has the word");
    }
    for Rule { id, .. } in rules::<EthernetFacts>() {
        let elsewhere = [RuleId::LimitProved, RuleId::TooFewBits].contains(id);
        assert!(elsewhere != speaking.iter().any(|(n, ..)| n == id), "{id} is not tested, or twice");
    }
}

#[test]
fn a_healthy_port_passes_and_too_few_bits_do_not() {
    let verdict = judge(&healthy());
    assert_eq!((verdict.outcome, verdict.reasons[0].rule.clone()), (Outcome::Pass, RuleId::LimitProved));
    let few = with(|e| e.common.limit.bit_error_ratio = 1e-12);
    let verdict = judge(&few);
    assert_eq!((verdict.outcome, verdict.reasons[0].rule.clone()), (Outcome::Undecided, RuleId::TooFewBits));
    assert!(rule(&RuleId::LimitProved).judge(&few).is_none());
}

#[test]
fn a_soak_passes_only_at_its_end() {
    let ended = |done_s| judge(&with(|e| end_by_hand(e, done_s)));
    assert_eq!((ended(3599.0).outcome, ended(3598.0).outcome), (Outcome::Pass, Outcome::Undecided));
    assert!(ended(4.0).reasons[0].text.contains("4 s of 1 h"), "{:?}", ended(4.0));
    // A fault that was seen stays one, and so does what the soak did not prove.
    let fault = judge(&with(|e| {
        wrong_bits(e, 1000);
        end_by_hand(e, 4.0);
    }));
    assert_eq!(fault.outcome, Outcome::Fault);
}

#[test]
fn each_remark_speaks_on_its_evidence_and_is_silent_on_a_healthy_port() {
    let speaking = [
        (RuleId::ForcedSpeed, with(|e| e.fallback_mbps = Some(100)), "100 Mb/s"),
        (RuleId::CountsDoNotBalance, with(|e| e.counts.returned += 1), "do not balance"),
        (RuleId::HostSlowed, with(|e| e.common.slowdowns = 2), "2 times"),
        (RuleId::StoppedEarly, with(|e| e.common.stopped = Some(Stopped::ByUser)), "by hand"),
        (
            RuleId::ConfirmedElsewhere,
            with(|e| e.common.references = vec![found(Placement::Internal, 0)]),
            "The loop inside the chip passes",
        ),
        (RuleId::DamageKind, with(|e| wrong_bits(e, 7)), "7 wrong bits"),
        (RuleId::EchoesLate, with(|e| e.longest_trip_ns = Some(3_000_000_000)), "3.00 s"),
    ];
    for (name, evidence, says) in &speaking {
        let text = remark(name, evidence).unwrap_or_else(|| panic!("{name} is silent"));
        assert!(text.contains(says), "{name}: {text}");
        assert_eq!(remark(name, &healthy()), None, "{name} speaks on a healthy port");
    }
    let tested = |id: &RuleId| speaking.iter().any(|(tested, ..)| tested == id);
    assert!(remarks::<EthernetFacts>().iter().all(|remark| tested(&remark.id)), "a remark is not tested");
}

/// The table in `docs/verdict.md`, row by row.
#[test]
fn places_together_isolate_the_fault() {
    use Location::{Cable, Plug, Port, ReturnPort};
    use Placement::{AtPort, FarEnd, Internal};
    let blamed = |placement, references: Vec<Reference>| {
        judge(&with(|e| {
            e.common.placement = placement;
            e.common.references = references;
            lost_on_wire(e, 1000);
        }))
        .location
    };
    // Internal fails.
    assert_eq!(blamed(Internal, vec![]), [Port]);
    assert_eq!(blamed(AtPort, vec![found(Internal, 1000)]), [Port]);
    assert_eq!(blamed(FarEnd, vec![silent(Internal)]), [Port]);
    // Internal passes, at port fails.
    assert_eq!(blamed(AtPort, vec![found(Internal, 0)]), [Port, Plug]);
    // At port passes, far end fails.
    assert_eq!(blamed(FarEnd, vec![found(AtPort, 0)]), [Cable]);
    assert_eq!(blamed(FarEnd, vec![found(Internal, 0), found(AtPort, 0)]), [Cable]);
    // Nothing known from nearer.
    assert_eq!(blamed(FarEnd, vec![]), [Cable, Port, Plug]);
    // Both fail: cable only where the rates differ beyond chance.
    assert_eq!(blamed(FarEnd, vec![found(AtPort, 20)]), [Cable]);
    assert_eq!(blamed(FarEnd, vec![found(AtPort, 990)]), [Port, Plug]);
    assert_eq!(blamed(FarEnd, vec![silent(AtPort)]), [Port, Plug]);
    // The latest run counts.
    assert_eq!(blamed(FarEnd, vec![silent(AtPort), found(AtPort, 0)]), [Cable]);
    // A return port: no plug, two ports.
    assert_eq!(blamed(Placement::ReturnPort, vec![]), [Cable, Port, ReturnPort]);
    assert_eq!(blamed(Placement::ReturnPort, vec![found(AtPort, 0)]), [Cable, ReturnPort]);
}

#[test]
fn a_nearer_run_too_short_to_fail_clears_nobody() {
    // One frame in a thousand fails; ten good ones at the port are what a bad port would give too.
    let passed = found(Placement::AtPort, 0);
    let short = Reference { trials: 10, trouble: Trouble { tried: 10, ..passed.trouble }, ..passed };
    let e = with(|e| {
        e.common.placement = Placement::FarEnd;
        e.common.references = vec![short];
        lost_on_wire(e, 1000);
    });
    assert_eq!(suspects(&e), [Location::Cable, Location::Port, Location::Plug]);
}

/// A device in the loop that holds every frame longer than a run waits makes its end look silent.
#[test]
fn an_end_that_comes_back_late_is_not_silent() {
    let run = |late| {
        judge(&with(|e| {
            e.silent_from_s = Some(5);
            lost_on_wire(e, SENT / 2);
            e.counts.late = late;
        }))
    };
    assert_eq!(run(0).reasons[0].rule, RuleId::WentSilent);
    let late = run(SENT / 4);
    assert_eq!((late.outcome, &late.reasons[0].rule), (Outcome::Undecided, &RuleId::EchoesLate));
}

#[test]
fn a_nearer_run_that_may_have_fallen_into_a_pause_clears_nobody() {
    let blamed = |groups: u64, link_flaps: u64, nearer_ms: u64, nearer_begun: u64| {
        let passed = found(Placement::AtPort, 0);
        let trouble = Trouble { time_ms: nearer_ms, begun: nearer_begun, ..passed.trouble };
        suspects(&with(|e| {
            e.common.placement = Placement::FarEnd;
            e.common.references = vec![Reference { trouble, ..passed }];
            e.spread = Spread { seconds: 10, errored: groups, groups, lasted: 10 };
            e.link_flaps = link_flaps;
            if groups > 0 {
                lost_on_wire(e, 1000);
            }
        }))
    };
    let (all, cable) = (vec![Location::Cable, Location::Port, Location::Plug], vec![Location::Cable]);
    // Begun so often in 10 s here and never in 10 s there: by chance with probability 2^-4 and 2^-5.
    assert_eq!(blamed(4, 0, 10_000, 0), all);
    assert_eq!(blamed(5, 0, 10_000, 0), cable);
    // A shorter look proves less: (10 / 11)^5 is 0.62. So does one in which trouble began as well.
    assert_eq!(blamed(5, 0, 1_000, 0), all);
    assert_eq!(blamed(5, 0, 10_000, 3), all);
    // Flaps alone, without a lost frame.
    assert_eq!(blamed(0, 4, 10_000, 0), all);
    assert_eq!(blamed(0, 5, 10_000, 0), cable);
    assert_eq!(blamed(0, 5, 10_000, 3), all);
    // Failures in every second do not pause: their count alone decides.
    let steady = with(|e| {
        e.common.placement = Placement::FarEnd;
        e.common.references = vec![found(Placement::AtPort, 0)];
        e.spread = Spread { seconds: 10, errored: 10, groups: 1, lasted: 10 };
        lost_on_wire(e, 1000);
    });
    assert_eq!(suspects(&steady), cable);
}

#[test]
fn wrong_bits_of_one_frame_elsewhere_are_one_hit() {
    let passed = found(Placement::Internal, 0);
    let burst = Reference { failures: 500, trouble: Trouble { failed: 1, ..passed.trouble }, ..passed };
    assert!(!burst.failed() && !burst.passed());
    let of = |failed| Reference { trouble: Trouble { failed, ..burst.trouble }, ..burst };
    assert!(!of(ERRORS_MIN - 1).failed() && of(ERRORS_MIN).failed());
}

#[test]
fn a_stray_error_elsewhere_condemns_no_port() {
    for failures in [1, ERRORS_MIN - 1] {
        let e = with(|e| {
            e.common.references = vec![found(Placement::Internal, failures)];
            lost_on_wire(e, SENT);
        });
        assert_eq!(judge(&e).outcome, Outcome::Undecided, "the loop inside the chip did return");
    }
    let e = with(|e| {
        e.common.references = vec![silent(Placement::Internal)];
        lost_on_wire(e, SENT);
    });
    assert_eq!((judge(&e).outcome, judge(&e).location), (Outcome::Fault, vec![Location::Port]));
}

#[test]
fn a_pass_farther_out_than_a_failure_is_undecided() {
    let disagree = |placement, nearer| {
        let e = with(|e| {
            e.common.placement = placement;
            e.common.references = vec![silent(nearer)];
        });
        judge(&e).outcome
    };
    assert_eq!(disagree(Placement::FarEnd, Placement::AtPort), Outcome::Undecided);
    assert_eq!(disagree(Placement::AtPort, Placement::Internal), Outcome::Undecided);
    // What failed at the port may be the plug, which a return port does without.
    assert_eq!(disagree(Placement::ReturnPort, Placement::AtPort), Outcome::Pass);
    // A failure farther out says nothing against the port.
    assert_eq!(disagree(Placement::AtPort, Placement::FarEnd), Outcome::Pass);
}

#[test]
fn an_open_loop_never_passes_and_is_told_from_a_port_that_is_dead_inside() {
    // A plug or cable that nobody fitted looks like a broken one: nothing is blamed, and the plug is asked for.
    for placement in Placement::ALL {
        let verdict = judge(&with(|e| no_link_at(e, placement)));
        let expected = match placement {
            Placement::Internal => (Outcome::Fault, RuleId::NoLink, vec![Location::Port]),
            _ => (Outcome::Undecided, RuleId::LoopOpen, vec![]),
        };
        assert_eq!((verdict.outcome, verdict.reasons[0].rule.clone(), verdict.location.clone()), expected);
        let asks = verdict.next.contains("Check that a plug") || verdict.next.contains("Check that the cable");
        assert_eq!(asks, placement != Placement::Internal, "{}", verdict.next);
    }
    // A pass at the port with the plug that is now at the far end shows that there is one: only the cable is left.
    let cable = judge(&with(|e| {
        no_link_at(e, Placement::FarEnd);
        e.common.references = vec![found(Placement::AtPort, 0)];
    }));
    assert_eq!((cable.outcome, &cable.location[..]), (Outcome::Fault, &[Location::Cable][..]));
    let fibre = judge(&with(|e| {
        no_link_at(e, Placement::AtPort);
        e.link.medium = Medium::Fibre;
    }));
    assert!(fibre.reasons[0].text.contains("light"), "{}", fibre.reasons[0].text);
    let dead = judge(&with(|e| {
        no_link_at(e, Placement::AtPort);
        e.common.references = vec![Reference { link_up: false, ..silent(Placement::Internal) }];
    }));
    assert_eq!(dead.location, [Location::Port]);
}

#[test]
fn what_makes_later_figures_meaningless_comes_first() {
    assert_eq!(rules::<EthernetFacts>()[0].id, RuleId::InService);
    // Everything wrong at once, then one cause after another removed.
    let mut e = with(|e| {
        wrong_bits(e, 5000);
        e.counts.damaged_after_check = 5;
        e.link_flaps = 2;
        e.heard.foreign_during = 4;
        e.common.in_service = vec!["it has a route".into()];
    });
    let mut first = |change: fn(&mut EthernetFacts)| {
        change(&mut e);
        judge(&e).reasons[0].rule.clone()
    };
    assert_eq!(first(|_| ()), RuleId::InService);
    assert_eq!(first(|e| e.common.in_service.clear()), RuleId::ForeignTraffic);
    assert_eq!(first(|e| e.heard.foreign_during = 0), RuleId::DamagedAfterCheck);
    assert_eq!(first(|e| e.counts.damaged_after_check = 0), RuleId::LinkFlapped);
    assert_eq!(first(|e| e.link_flaps = 0), RuleId::BitErrors);
    assert_eq!(first(|e| wrong_bits(e, 0)), RuleId::LimitProved);
}

#[test]
fn one_burst_blames_nobody() {
    // A spark spoils one frame, with hundreds of wrong bits: one hit.
    let burst = |frames: u64| {
        judge(&with(|e| {
            wrong_bits(e, frames);
            e.counts.bit_errors = 500 * frames;
        }))
    };
    assert_eq!(burst(1).outcome, Outcome::Undecided);
    assert_eq!(burst(ERRORS_MIN - 1).outcome, Outcome::Undecided);
    assert_eq!(burst(1000).outcome, Outcome::Fault);
}

#[test]
fn frames_that_failed_the_check_are_not_damaged_behind_it() {
    // Ten unrecognised frames failed the check too; they must not hide the one damaged behind it.
    let e = with(|e| {
        wrong_bits(e, 3);
        e.counts.failed_check_delivered = 12;
        e.counts.damaged_after_check = 1;
    });
    assert_eq!(judge(&e).location, [Location::Host, Location::Plug]);
    // Without the sequence in sight nobody knows what failed: the line is asked, not the host.
    let e = with(|e| {
        wrong_bits(e, 5000);
        e.counts.failed_check_delivered = 0;
    });
    assert_eq!(judge(&e).reasons[0].rule, RuleId::BitErrors);
    // A port without a check vouches for nothing.
    let e = with(|e| {
        wrong_bits(e, 5000);
        e.capabilities.checks_frames = false;
    });
    assert_eq!(judge(&e).reasons[0].rule, RuleId::BitErrors);
}

#[test]
fn frames_this_computer_never_sent_do_not_condemn_the_adapter() {
    let e = with(|e| {
        lose(e, Losses { never_left: SENT, ..Losses::default() });
        e.transmitted = Some(0);
    });
    let verdict = judge(&e);
    assert_eq!((verdict.outcome, verdict.reasons[0].rule.clone()), (Outcome::Undecided, RuleId::HostLimited));
}

#[test]
fn a_few_frames_lost_in_this_computer_leave_bits_to_judge_by() {
    // So few bits that nothing is proved, and one frame in a hundred lost here: bits are missing, not frames.
    let at_limit = |bit_error_ratio| {
        judge(&with(|e| {
            lost_in_host(e, SENT / 100);
            e.common.limit.bit_error_ratio = bit_error_ratio;
        }))
    };
    assert_eq!(at_limit(1e-12).reasons[0].rule, RuleId::TooFewBits);
    assert_eq!(at_limit(1e-9).outcome, Outcome::Pass);
    let half = judge(&with(|e| {
        lost_in_host(e, SENT / 2);
        e.common.limit.bit_error_ratio = 1e-12;
    }));
    assert_eq!(half.reasons[0].rule, RuleId::HostLimited);
}

#[test]
fn a_pass_tells_of_frames_that_a_lax_limit_let_go() {
    let verdict = judge(&with(|e| {
        lost_on_wire(e, SENT / 1000);
        e.capabilities.checks_frames = false;
        e.common.limit.bit_error_ratio = 1e-3;
    }));
    assert_eq!(verdict.outcome, Outcome::Pass);
    assert!(verdict.reasons[0].text.contains("1 000 of 1 000 000 frames lost on the way"), "{:?}", verdict.reasons[0]);
}

#[test]
fn frames_that_came_in_unrecognisable_are_not_said_to_be_none() {
    let verdict = judge(&with(|e| {
        lost_on_wire(e, SENT);
        e.counts.unrecognised = SENT;
    }));
    assert_eq!((verdict.outcome, verdict.reasons[0].rule.clone()), (Outcome::Undecided, RuleId::NothingReturned));
    let text = &verdict.reasons[0].text;
    assert!(text.contains("frames came in that cannot be recognised") && !text.contains("none came back"), "{text}");
}

#[test]
fn a_limit_that_is_no_number_decides_nothing() {
    let e = with(|e| {
        wrong_bits(e, 5);
        e.common.limit.bit_error_ratio = f64::NAN;
    });
    assert_eq!(judge(&e).outcome, Outcome::Undecided);
    assert_eq!(judge(&with(|e| e.common.limit.bit_error_ratio = f64::NAN)).outcome, Outcome::Undecided);
    assert_eq!(judge(&with(|e| e.common.limit.confidence = 1.0)).outcome, Outcome::Undecided);
}

fn count() -> impl Strategy<Value = u64> {
    prop_oneof![3 => Just(0), 2 => 0_u64..20, 2 => 0_u64..10_000_000, 1 => any::<u64>()]
}

fn placement() -> impl Strategy<Value = Placement> {
    proptest::sample::select(&Placement::ALL[..])
}

fn a_reference() -> impl Strategy<Value = Reference> {
    (placement(), count(), count(), any::<bool>(), any::<bool>()).prop_map(
        |(placement, trials, failures, link_up, returned_any)| Reference {
            placement,
            trials,
            failures,
            link_up,
            returned_any,
            trouble: Trouble { tried: trials, failed: failures, ..Trouble::default() },
        },
    )
}

prop_compose! {
    fn any_evidence()(
        // Mostly a healthy port with something odd about it: evidence that is odd all over is decided by the first
        // rules.
        n in proptest::collection::vec(prop_oneof![4 => Just(None), 1 => count().prop_map(Some)], 23),
        placement in placement(),
        never_returned in proptest::bool::weighted(0.1),
        flags in proptest::collection::vec(any::<bool>(), 4),
        frame_bits in prop_oneof![Just(0.0), 480.0..80_000.0_f64],
        limit in prop_oneof![1 => Just(f64::NAN), 2 => 1e-15..0.1_f64, 2 => Just(1e-9)],
        confidence in prop_oneof![Just(0.95), Just(0.99), 0.0..=1.0_f64],
        stopped in proptest::option::weighted(0.2, proptest::sample::select(vec![
            Stopped::ByUser, Stopped::ForeignTraffic, Stopped::LinkLost, Stopped::PortGone, Stopped::TakenIntoService,
            Stopped::Reconfigured,
        ])),
        references in proptest::collection::vec(a_reference(), 0..4),
    ) -> EthernetFacts {
        with(|e| {
            let set = |value: &mut u64, to: Option<u64>| *value = to.unwrap_or(*value);
            e.common.placement = placement;
            (e.capabilities.checks_frames, e.bad_frames_delivered, e.link.up) = (flags[0], flags[1], flags[2]);
            e.transmitted = if flags[3] { n[0] } else { e.transmitted };
            let (losses, heard, counts) = (&mut e.losses, &mut e.heard, &mut e.counts);
            for (value, to) in [
                &mut losses.never_left, &mut losses.in_host, &mut losses.failed_check, &mut losses.on_wire,
                &mut losses.late,
                &mut heard.foreign_before, &mut heard.foreign_during, &mut heard.own_host, &mut e.link_flaps,
                &mut counts.sent, &mut counts.returned, &mut counts.lost, &mut counts.damaged, &mut counts.duplicated,
                &mut counts.reordered, &mut counts.truncated, &mut counts.lengthened, &mut counts.damaged_after_check,
                &mut counts.failed_check_delivered, &mut counts.bits_compared, &mut counts.bit_errors, &mut counts.late,
            ].into_iter().zip(&n[1..]) {
                set(value, *to);
            }
            e.frame_bits = frame_bits;
            e.sizes_not_returned = if never_returned { vec![1518] } else { vec![] };
            e.common.limit = Limit { bit_error_ratio: limit, confidence, ..e.common.limit };
            e.common.stopped = stopped;
            e.common.references = references;
        })
    }
}

proptest! {
    #[test]
    fn any_evidence_is_judged_and_a_pass_is_always_proved(e in any_evidence()) {
        let verdict = judge(&e);
        prop_assert!(verdict.outcome == Outcome::Fault || verdict.location.is_empty());
        prop_assert!(verdict.outcome != Outcome::Fault || !verdict.location.is_empty());
        if verdict.outcome == Outcome::Pass {
            let ratio = e.error_ratio().unwrap();
            prop_assert!(ratio.proved_below <= e.common.limit.bit_error_ratio);
            prop_assert!(e.counts.returned > 0 && e.counts.sent > 0);
            prop_assert!(e.loss().unwrap().is_allowed() && e.losses.wire() * 100 <= e.frames_tried());
            prop_assert!(e.lengths_changed() == 0 && e.sizes_not_returned.is_empty());
            prop_assert!(e.counts.duplicated == 0 && e.counts.reordered == 0 && e.spells.count == 0);
        }
    }

    #[test]
    fn nothing_returned_never_passes(mut e in any_evidence()) {
        e.counts.returned = 0;
        e.link.up = true;
        prop_assert_ne!(judge(&e).outcome, Outcome::Pass);
    }

    #[test]
    fn losses_in_this_computer_blame_no_port(
        in_host in 0..=SENT, left_share in 0.0..=1.0_f64, placement in placement(), delivered in any::<bool>(),
    ) {
        let e = with(|e| {
            e.common.placement = placement;
            e.bad_frames_delivered = delivered;
            let never_left = ((SENT - in_host) as f64 * left_share) as u64;
            lose(e, Losses { in_host, never_left, ..Losses::default() });
            e.transmitted = Some(SENT - never_left);
        });
        prop_assert_ne!(judge(&e).outcome, Outcome::Fault);
    }
}

/// Echoes that came back when they were not waited for any more: no fault of anything, and no pass either.
#[test]
fn late_echoes_blame_nobody_and_pass_nothing() {
    let late = |late: u64, never: u64| {
        with(|e| {
            lose(e, Losses { late, on_wire: never, ..Losses::default() });
        })
    };
    let rule = |e: &EthernetFacts| judge(e).reasons[0].rule.clone();
    for e in [
        late(SENT, 0),
        late(SENT - 5, 5),
        late(SENT / 100, 0),
        // As many as came late may be later still.
        late(50_000, 50_000),
        late(50_000, 400_000),
        // More came late than in time.
        with(|e| {
            lose(e, Losses { late: 5_000, on_wire: SENT - 5_030, ..Losses::default() });
        }),
        with(|e| e.shortest_trip_ns = Some(TRIP_NS)),
    ] {
        let verdict = judge(&e);
        assert_eq!((verdict.outcome, rule(&e)), (Outcome::Undecided, RuleId::EchoesLate), "{verdict:#?}");
    }
    // A standstill of a moment: nothing missing, but it is told.
    let away = judge(&late(SENT / 100 - 1, 0));
    assert_eq!((away.outcome, away.reasons[1].rule.clone()), (Outcome::Pass, RuleId::EchoesLate));
    assert!(away.reasons[1].text.contains("9 999 of 1 000 000 frames came back after"), "{:?}", away.reasons);
    // So is a standstill after which everything came back in time.
    let held = judge(&with(|e| e.longest_trip_ns = Some(LATE_NS)));
    assert_eq!((held.outcome, held.reasons[1].rule.clone()), (Outcome::Pass, RuleId::EchoesLate));
    assert_eq!(judge(&with(|e| e.longest_trip_ns = Some(LATE_NS - 1))).reasons.len(), 1);
    // A few late ones do not excuse what is lost.
    assert_eq!(rule(&late(100, 50_000)), RuleId::BitErrors);
    assert_eq!(judge(&with(|e| e.shortest_trip_ns = Some(TRIP_NS - 1))).outcome, Outcome::Pass);
    // A link that drops holds frames back too: that it drops is what counts.
    let mut drops = late(SENT / 10, 0);
    drops.link_flaps = 2;
    assert_eq!(rule(&drops), RuleId::LinkFlapped);
    // What came back wrong is wrong: three frames cut, damaged, or dropped for their check, not two.
    type Change = fn(&mut EthernetFacts, u64);
    let wrong: [Change; 3] =
        [|e, n| e.counts.truncated = n, |e, n| e.counts.damaged = n, |e, n| e.losses.failed_check = n];
    for change in wrong {
        let with_wrong = |n| {
            let mut e = late(SENT / 10, 0);
            e.capabilities.checks_frames = false;
            change(&mut e, n);
            rule(&e)
        };
        assert_eq!(with_wrong(ERRORS_MIN - 1), RuleId::EchoesLate);
        assert_ne!(with_wrong(ERRORS_MIN), RuleId::EchoesLate);
    }
    let mut damaged = late(SENT / 2, 0);
    wrong_bits(&mut damaged, 50_000);
    assert_eq!(rule(&damaged), RuleId::BitErrors);
}

/// Damage behind a right check is this computer's, or that of a device in the loop that makes a new check.
#[test]
fn only_the_loop_inside_the_chip_leaves_no_room_for_a_device_in_the_loop() {
    use Location::{Cable, Host, Plug};
    let blamed = |placement, references: Vec<Reference>| {
        let verdict = judge(&with(|e| {
            e.common.placement = placement;
            e.common.references = references;
            e.counts.damaged = 5;
        }));
        assert_eq!(verdict.reasons[0].rule, RuleId::DamagedAfterCheck);
        verdict.location
    };
    assert_eq!(blamed(Placement::Internal, vec![]), [Host]);
    assert_eq!(blamed(Placement::AtPort, vec![]), [Host, Plug]);
    assert_eq!(blamed(Placement::FarEnd, vec![]), [Host, Cable, Plug]);
    assert_eq!(blamed(Placement::ReturnPort, vec![]), [Host, Cable]);
    assert_eq!(blamed(Placement::AtPort, vec![found(Placement::Internal, 1)]), [Host]);
    assert_eq!(blamed(Placement::AtPort, vec![found(Placement::Internal, 0)]), [Host, Plug]);
}

/// Whatever copies frames or changes them all alike may lose and damage them too: it is named before port and plug.
#[test]
fn an_active_device_is_named_before_port_and_plug() {
    let rule = |change: fn(&mut EthernetFacts)| {
        judge(&with(|e| {
            lost_on_wire(e, SENT / 10);
            change(e);
        }))
        .reasons[0]
            .rule
            .clone()
    };
    assert_eq!(rule(|_| ()), RuleId::BitErrors);
    assert_eq!(rule(|e| e.counts.duplicated = 1), RuleId::NotAPlainLoop);
    assert_eq!(rule(|e| e.counts.reordered = 1), RuleId::NotAPlainLoop);
    // Wrong bits can make an echo look like that of another probe; addresses that all change alike they cannot make.
    let damaged = |e: &mut EthernetFacts| {
        wrong_bits(e, 5000);
        e.counts.duplicated = 1;
    };
    assert_eq!(judge(&with(damaged)).reasons[0].rule, RuleId::BitErrors);
    let changed = |e: &mut EthernetFacts| {
        damaged(e);
        e.counts.readdressed = 1;
    };
    assert_eq!(judge(&with(changed)).reasons[0].rule, RuleId::NotAPlainLoop);
    // A few wrong bits that blame nobody excuse no copy.
    let few = |e: &mut EthernetFacts| {
        wrong_bits(e, 1);
        e.counts.duplicated = 1;
    };
    assert_eq!(judge(&with(few)).reasons[0].rule, RuleId::NotAPlainLoop);
}

#[test]
fn who_is_heard_is_named_as_far_as_it_is_known() {
    let says = |change: fn(&mut EthernetFacts)| {
        let verdict = judge(&with(|e| {
            e.heard.foreign_during = 40;
            change(e);
        }));
        assert_eq!((verdict.outcome, verdict.reasons[0].rule.clone()), (Outcome::NotTested, RuleId::ForeignTraffic));
        verdict.reasons[0].text.clone()
    };
    assert!(says(|_| ()).contains("40 frames of other stations"));
    assert!(says(|e| e.heard.testers = 39).contains("Another turnback runs at the other end: 39"));
    assert!(says(|e| e.heard.sent_by_host = Some(39)).contains("other stations"));
    assert!(says(|e| e.heard.sent_by_host = Some(40)).contains("programs on this computer sent as many"));
}

/// Half of what is missing, and a tenth of all, lost in this computer: just short of either it is judged by the rest.
#[test]
fn shares_of_what_this_computer_lost() {
    let rule = |in_host, on_wire| {
        let e = with(|e| {
            e.common.limit.bit_error_ratio = 1e-12;
            e.counts.bits_compared = 1;
            lose(e, Losses { in_host, on_wire, ..Losses::default() });
        });
        judge(&e).reasons[0].rule.clone()
    };
    let tenth = SENT / 10;
    assert_eq!((rule(tenth, 0), rule(tenth - 1, 0)), (RuleId::HostLimited, RuleId::TooFewBits));
    let e = |in_host, on_wire| {
        with(|e| {
            lose(e, Losses { in_host, on_wire, ..Losses::default() });
            e.common.limit.bit_error_ratio = 1e-12;
        })
    };
    assert!(e(tenth, tenth).is_host_limited() && !e(tenth, tenth + 1).is_host_limited());
    assert!(e(tenth, tenth - 1).is_host_limited());
    // Nothing came back: whatever is missing decides, however little was sent.
    assert!(e(SENT, 0).is_host_limited() && e(SENT / 2, SENT / 2).is_host_limited());
    assert!(!e(0, 0).is_host_limited());
}

/// Ten frames handed over and one in ten told sent, not nine and not more.
#[test]
fn an_adapter_is_silent_only_by_its_own_count() {
    let speaks = |sent, transmitted| {
        let e = with(|e| {
            e.counts = FrameCounts { sent, lost: sent, ..FrameCounts::default() };
            e.losses = Losses { on_wire: sent, ..Losses::default() };
            e.transmitted = Some(transmitted);
        });
        rule(&RuleId::NotTransmitted).judge(&e).is_some()
    };
    assert!(speaks(10, 0) && !speaks(9, 0));
    assert!(speaks(1000, 100) && !speaks(1000, 101));
}
