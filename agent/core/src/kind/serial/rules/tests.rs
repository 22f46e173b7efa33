//! Each rule speaks on its facts, and is silent just beside its threshold.

use super::fixture::*;
use crate::base::placement::Placement;
use crate::judge::facts::{Reference, Silence, Stopped};
use crate::judge::{Location, Outcome, RuleId, Verdict, judge};
use crate::kind::serial::facts::{FlowCheck, SerialFacts};
use crate::kind::serial::format::{FlowControl, LineCapabilities, LineErrors, ModemInputs, ModemOutputs};
use crate::kind::serial::plug::LinePlug;
use crate::kind::serial::stream::LineCounts;
use crate::signal::compare::DamageKind;

#[test]
fn a_good_run_passes() {
    let verdict = judge(&good());
    assert_eq!((verdict.outcome, rule(&verdict)), (Outcome::Pass, RuleId::LimitProved));
    assert_eq!(verdict.reasons.len(), 1, "{:?}", verdict.reasons);
}

#[test]
fn what_was_not_tested_is_not_judged() {
    for (verdict, name) in [
        (with(|e| e.common.in_service = vec!["a getty has it open".into()]), RuleId::InService),
        (with(|e| e.foreign = 1), RuleId::ForeignBytes),
        (with(|e| e.counts = LineCounts::default()), RuleId::NothingSent),
    ] {
        assert_eq!((verdict.outcome, rule(&verdict)), (Outcome::NotTested, name));
    }
    let gone = with(|e| e.common.stopped = Some(Stopped::PortGone));
    assert_eq!((gone.outcome, rule(&gone)), (Outcome::Undecided, RuleId::PortGone));
    // What was still on its way when a run was cut off counts as lost.
    let cut_off = with(|e| {
        e.common.stopped = Some(Stopped::TookTooLong);
        (e.counts.returned, e.counts.lost) = (0, e.counts.sent);
    });
    assert_eq!((cut_off.outcome, rule(&cut_off)), (Outcome::Undecided, RuleId::TookTooLong));
    assert!(cut_off.location.is_empty());
}

/// Whatever failed meanwhile, nothing is blamed on a line that somebody set otherwise, or may have unplugged.
#[test]
fn a_line_that_was_changed_or_went_silent_blames_nobody_and_says_so() {
    let changed = with(|e| {
        damage(e, 400);
        e.common.stopped = Some(Stopped::Reconfigured);
    });
    assert_eq!((changed.outcome, rule(&changed)), (Outcome::Undecided, RuleId::Reconfigured));
    assert!(changed.location.is_empty(), "{changed:?}");
    let silent = |from_s, noise| {
        with(|e| {
            damage(e, 400);
            e.counts.lost = 4096;
            e.silence = Some(Silence { from_s, noise });
        })
    };
    let verdict = silent(4, 0);
    assert_eq!((verdict.outcome, rule(&verdict)), (Outcome::Undecided, RuleId::WentSilent));
    assert!(verdict.location.is_empty(), "{verdict:?}");
    let text = |verdict: &Verdict| verdict.reasons[0].text.clone();
    assert_eq!(text(&verdict), "Nothing came back from second 4 on: plug pulled, or contact lost.");
    assert!(text(&silent(4, 1)).ends_with(" 1 byte of something else came in."), "{}", text(&silent(4, 1)));
    assert!(text(&silent(4, 1500)).ends_with(" 1 500 bytes of something else came in."), "{}", text(&silent(4, 1500)));
}

#[test]
fn nothing_returned_never_passes_and_names_what_it_can() {
    let silent = |e: &mut SerialFacts| {
        e.counts = LineCounts { sent: 2048, lost: 2048, pieces: 8, ..LineCounts::default() };
    };
    let unplugged = with(|e| {
        silent(e);
        e.modem = readings(|_| ModemInputs::default());
    });
    // A plug that nobody fitted: asked for, and nothing is blamed.
    assert_eq!((unplugged.outcome, rule(&unplugged)), (Outcome::Undecided, RuleId::LoopOpen));
    assert!(unplugged.location.is_empty() && unplugged.next.contains("a plug is fitted"), "{unplugged:?}");
    let data_open = with(silent);
    assert!(data_open.reasons[0].text.contains("A plug is fitted"), "{data_open:?}");
    assert_eq!((data_open.outcome, data_open.location.len()), (Outcome::Fault, 2));
    // It passed in the port and returns nothing at the far end: only the cable is left.
    let cable = with(|e| {
        silent(e);
        e.modem = readings(|_| ModemInputs::default());
        e.common.placement = Placement::FarEnd;
        e.common.references = vec![at(Placement::AtPort, 0, 2048)];
    });
    assert_eq!((cable.outcome, &cable.location[..]), (Outcome::Fault, &[Location::Cable][..]));
    // A loop inside the chip that returns nothing acquits and condemns nobody.
    let chip = with(|e| {
        silent(e);
        e.modem = readings(|_| ModemInputs::default());
        e.common.references = vec![at(Placement::Internal, 0, 0)];
    });
    assert_eq!((chip.outcome, &chip.location), (unplugged.outcome, &unplugged.location));
    let without_lines = with(|e| {
        silent(e);
        e.capabilities = LineCapabilities::default();
        e.modem.clear();
    });
    assert_ne!(without_lines.outcome, Outcome::Pass);
}

/// In loop mode the chip's outputs are disconnected from their pins (IBM 5150 Technical Reference 2-144). That OUT2
/// lets the interrupt through on such cards: common practice, no source.
#[test]
fn a_silent_loop_inside_the_chip_blames_nobody() {
    let inside = with(|e| {
        e.common.placement = Placement::Internal;
        e.plug = LinePlug::Internal;
        e.counts = LineCounts { sent: 2048, lost: 2048, pieces: 8, ..LineCounts::default() };
        e.modem = readings(|o| ModemInputs { cts: o.rts, dsr: o.dtr, ..ModemInputs::default() });
        e.flow = None;
    });
    assert_eq!((inside.outcome, rule(&inside)), (Outcome::Undecided, RuleId::NoBytesReturned));
    assert!(inside.location.is_empty() && inside.next.contains("plug"), "{inside:?}");
    // Nor does it stand against a plug that returns everything, or narrow what damages bytes outside.
    let good = with(|e| e.common.references = vec![at(Placement::Internal, 0, 0)]);
    assert_eq!(good.outcome, Outcome::Pass);
    let outside = with(|e| {
        damage(e, 400);
        e.common.references = vec![at(Placement::Internal, 0, 0)];
    });
    assert_eq!(outside.location, [Location::Port, Location::Plug]);
}

/// Receivers that are off while the driver is on: common practice, no source.
#[test]
fn a_two_wire_port_that_does_not_hear_itself_is_not_blamed() {
    let deaf = with(|e| {
        e.plug = LinePlug::Rs485;
        e.capabilities.modem_lines = false;
        e.modem.clear();
        e.counts = LineCounts { sent: 2048, lost: 2048, pieces: 8, ..LineCounts::default() };
    });
    assert_eq!((deaf.outcome, rule(&deaf)), (Outcome::Undecided, RuleId::NoBytesReturned));
    assert!(deaf.location.is_empty(), "{deaf:?}");
}

/// Each port on two wires hears the pair itself, its own sending too: common practice, no source.
#[test]
fn two_wires_show_nothing_of_a_cable() {
    let two_wires = |placement| {
        with(|e| {
            e.plug = LinePlug::Rs485;
            e.common.placement = placement;
            e.capabilities.modem_lines = false;
            e.modem.clear();
            e.flow = None;
        })
    };
    let (near, far) = (two_wires(Placement::AtPort), two_wires(Placement::FarEnd));
    assert_eq!((near.outcome, rule(&near)), (Outcome::Pass, RuleId::LimitProved));
    assert!(near.reasons.iter().any(|r| r.rule == RuleId::HalfDuplex), "{near:?}");
    assert_eq!((far.outcome, rule(&far)), (Outcome::Undecided, RuleId::HearsItself));
    // There is no plug to blame either.
    let damaged = with(|e| {
        e.plug = LinePlug::Rs485;
        e.capabilities.modem_lines = false;
        e.modem.clear();
        e.flow = None;
        damage(e, 400);
    });
    assert_eq!((damaged.outcome, damaged.location), (Outcome::Fault, vec![Location::Port]));
}

/// A limit may let bytes go: whoever reads of a pass sees what it let go.
#[test]
fn a_pass_tells_what_was_lost_and_what_came_extra() {
    let passes = |lost, inserted| {
        let verdict = with(|e| {
            e.common.limit.bit_error_ratio = 1e-2;
            (e.counts.lost, e.counts.inserted) = (lost, inserted);
            e.counts.returned = e.counts.sent - lost + inserted;
        });
        assert_eq!(verdict.outcome, Outcome::Pass, "{verdict:?}");
        verdict.reasons[0].text.clone()
    };
    assert!(!passes(0, 0).contains("lost") && !passes(0, 0).contains("extra"));
    let told = passes(2, 0);
    assert!(told.contains("; 2 of ") && told.ends_with(" bytes lost on the way, no more than that allows."), "{told}");
    assert!(passes(0, 1).ends_with("; 1 byte came extra, no more than that allows."), "{}", passes(0, 1));
    assert!(passes(2, 1).contains("lost on the way and 1 byte came extra, no more"), "{}", passes(2, 1));
}

fn damage(e: &mut SerialFacts, hits: u64) {
    e.counts.bit_errors = 40 * hits;
    e.counts.damaged = 10 * hits;
    e.counts.pieces_damaged = hits;
}

#[test]
fn wrong_bits_blame_only_when_three_blocks_prove_it() {
    let many = with(|e| damage(e, 400));
    assert_eq!((many.outcome, rule(&many)), (Outcome::Fault, RuleId::BytesDamaged));
    assert_eq!(many.location, [Location::Port, Location::Plug]);
    // However many bits one block holds, it is one hit.
    for hits in 1..3 {
        assert_ne!(with(|e| damage(e, hits)).outcome, Outcome::Fault, "{hits}");
    }
}

#[test]
fn places_narrow_the_suspects() {
    let far = |references: Vec<Reference>| {
        with(|e| {
            e.common.placement = Placement::FarEnd;
            damage(e, 400);
            e.common.references = references;
        })
        .location
    };
    assert_eq!(far(vec![]), [Location::Cable, Location::Port, Location::Plug]);
    assert_eq!(far(vec![at(Placement::AtPort, 0, 8_000_000)]), [Location::Cable]);
    assert_eq!(far(vec![at(Placement::AtPort, 16_000, 8_000_000)]), [Location::Port, Location::Plug]);
    assert_eq!(far(vec![at(Placement::Internal, 16_000, 8_000_000)]), [Location::Port]);
}

#[test]
fn framing_and_parity_are_the_lines_overruns_the_hosts() {
    let parity = with(|e| e.errors = Some(LineErrors { parity: 300, ..LineErrors::default() }));
    assert_eq!((parity.outcome, rule(&parity)), (Outcome::Fault, RuleId::CharactersInError));
    let two = with(|e| e.errors = Some(LineErrors { parity: 2, ..LineErrors::default() }));
    assert_ne!(two.outcome, Outcome::Fault);
    let overrun = |lost: u64, counted: u64| {
        with(|e| {
            e.counts.lost = lost;
            e.counts.returned -= lost;
            e.counts.pieces_slipped = 300;
            e.errors = Some(LineErrors { overrun: counted, ..LineErrors::default() });
        })
    };
    assert_eq!(rule(&overrun(250_000, 250_000)), RuleId::HostLimited);
    let few = overrun(3000, 3000);
    assert_eq!(few.outcome, Outcome::Pass);
    assert!(few.reasons.iter().any(|r| r.rule == RuleId::LostInHost), "{:?}", few.reasons);
    let slowed = |lost_at_slowest: u64| {
        with(|e| {
            e.counts.lost = 3000;
            e.counts.returned -= 3000;
            e.errors = Some(LineErrors { overrun: 3000, ..LineErrors::default() });
            e.common.slowdowns = 1;
            e.lost_at_slowest = lost_at_slowest;
        })
    };
    assert_eq!(slowed(2).outcome, Outcome::Pass);
    // A chip that overruns with fewer bytes out than it holds is not excused by a busy computer.
    assert_eq!(rule(&slowed(3)), RuleId::HostLimited);
    let on_line = overrun(3000, 0);
    assert_eq!((on_line.outcome, rule(&on_line)), (Outcome::Fault, RuleId::BytesLost));
    assert!(!on_line.location.contains(&Location::Host));
}

#[test]
fn where_nobody_counts_overruns_only_what_is_lost_at_the_slowest_pace_is_the_lines() {
    let lost = |at_slowest: u64| {
        with(|e| {
            (e.capabilities.counts_errors, e.capabilities.counts_all_overruns) = (false, false);
            e.errors = None;
            e.counts.lost = 300;
            e.counts.pieces_slipped = 200;
            e.since_slowed =
                LineCounts { sent: 20_000, lost: at_slowest, pieces_slipped: at_slowest, ..LineCounts::default() };
        })
    };
    for few in [0, 2] {
        let verdict = lost(few);
        assert_eq!((verdict.outcome, rule(&verdict)), (Outcome::Undecided, RuleId::LostAtFullPace));
        assert!(verdict.reasons.iter().any(|r| r.rule == RuleId::NoCounts));
    }
    let line = lost(50);
    assert_eq!((line.outcome, rule(&line)), (Outcome::Fault, RuleId::BytesLost));
    assert_eq!(line.location, [Location::Port, Location::Plug]);
}

#[test]
fn one_long_outage_is_one_event() {
    let verdict = with(|e| {
        e.counts.lost = 500;
        e.counts.pieces_slipped = 1;
    });
    assert_eq!(verdict.outcome, Outcome::Undecided, "{verdict:?}");
}

#[test]
fn extra_bytes_blame() {
    let verdict = with(|e| {
        e.counts.inserted = 300;
        e.counts.pieces_slipped = 200;
    });
    assert_eq!(rule(&verdict), RuleId::BytesInserted);
}

#[test]
fn modem_lines_are_named_with_their_pins() {
    for (read, says) in [
        (
            (|o| ModemInputs { cts: true, dsr: o.dtr, dcd: o.dtr, ri: false }) as fn(ModemOutputs) -> ModemInputs,
            "CTS (pin 8) is stuck on",
        ),
        (|o| ModemInputs { cts: false, dsr: o.dtr, dcd: o.dtr, ri: false }, "CTS (pin 8) is open or stuck off"),
        (|o| ModemInputs { cts: o.rts, dsr: false, dcd: false, ri: false }, "DTR (pin 4) drives nothing"),
        (|o| ModemInputs { cts: o.dtr, dsr: o.rts, dcd: o.dtr, ri: false }, "CTS (pin 8) and DSR (pin 6) are crossed"),
        (|o| ModemInputs { cts: o.rts, dsr: o.dtr, dcd: o.rts, ri: false }, "DCD (pin 1) follows RTS"),
        (|o| ModemInputs { cts: o.rts, dsr: o.dtr, dcd: o.dtr, ri: true }, "RI (pin 9) is stuck on"),
        (|o| ModemInputs { cts: o.rts && o.dtr, dsr: o.dtr, dcd: o.dtr, ri: false }, "CTS (pin 8) follows no line"),
    ] {
        let verdict = with(|e| e.modem = readings(read));
        assert_eq!((verdict.outcome, rule(&verdict)), (Outcome::Fault, RuleId::ModemLines), "{says}");
        assert!(verdict.reasons[0].text.contains(says), "{says}: {}", verdict.reasons[0].text);
    }
}

#[test]
fn what_the_plug_does_not_say_is_not_judged() {
    let stuck = |o: ModemOutputs| ModemInputs { cts: true, dsr: o.dtr, dcd: o.dtr, ri: false };
    let data_only = with(|e| {
        e.plug = LinePlug::DataOnly;
        e.modem = readings(stuck);
    });
    assert_eq!(data_only.outcome, Outcome::Pass);
    assert!(data_only.reasons.iter().any(|r| r.rule == RuleId::LinesNotJudged));
    let no_lines = with(|e| {
        e.capabilities.modem_lines = false;
        e.modem.clear();
        e.flow = None;
    });
    assert_eq!(no_lines.outcome, Outcome::Pass);
    let ring = with(|e| e.modem = readings(|o| ModemInputs { cts: o.rts, dsr: o.dtr, dcd: o.dtr, ri: o.rts }));
    assert_eq!(ring.outcome, Outcome::Pass);
    assert!(ring.reasons.iter().any(|r| r.rule == RuleId::RingWired));
    let wrong_plug = with(|e| e.modem = readings(|_| ModemInputs::default()));
    assert_eq!((wrong_plug.outcome, rule(&wrong_plug)), (Outcome::Undecided, RuleId::PlugJoinsDataOnly));
}

#[test]
fn flow_control_is_a_fault_only_for_who_needs_it() {
    let idle = FlowCheck { sent: 512, came_while_off: 512, came_in_all: 512 };
    let remark = with(|e| e.flow = Some(idle));
    assert_eq!(remark.outcome, Outcome::Pass);
    assert!(remark.reasons.iter().any(|r| r.rule == RuleId::FlowControl));
    let lost_one = with(|e| {
        e.flow = Some(FlowCheck { sent: 512, came_while_off: 0, came_in_all: 511 });
        e.format.flow = FlowControl::RtsCts;
    });
    assert_eq!(lost_one.outcome, Outcome::Pass);
    let never_starts = with(|e| {
        e.flow = Some(FlowCheck { sent: 512, came_while_off: 16, came_in_all: 16 });
        e.format.flow = FlowControl::RtsCts;
    });
    assert_eq!(never_starts.outcome, Outcome::Fault);
    let needed = with(|e| {
        e.flow = Some(idle);
        e.format.flow = FlowControl::RtsCts;
    });
    assert_eq!((needed.outcome, &needed.location[..]), (Outcome::Fault, &[Location::Port][..]));
    // Held for ever is a fault; a few bytes lost when the sender is let go are not the port's for sure, and no pass.
    let with_flow = |came_while_off, came_in_all| {
        with(|e| {
            e.flow = Some(FlowCheck { sent: 512, came_while_off, came_in_all });
            e.format.flow = FlowControl::RtsCts;
        })
    };
    let held = with_flow(16, 16);
    assert_eq!((held.outcome, rule(&held)), (Outcome::Fault, RuleId::FlowControl));
    // Let go, and all but what a chip of 16 bytes holds lost by a computer that did not fetch it and counts nothing.
    let overflown = with_flow(0, 16);
    assert_eq!((overflown.outcome, rule(&overflown)), (Outcome::Undecided, RuleId::FlowControl));
    let held_still = with_flow(0, 15);
    assert_eq!((held_still.outcome, rule(&held_still)), (Outcome::Fault, RuleId::FlowControl));
    let lossy = with_flow(0, 482);
    assert_eq!((lossy.outcome, rule(&lossy)), (Outcome::Undecided, RuleId::FlowControl));
    assert!(lossy.location.is_empty());
    assert_eq!(with_flow(0, 512).outcome, Outcome::Pass);
    // Without need of it nobody is told that CTS does not start a sender which it did start.
    let lossy = with(|e| e.flow = Some(FlowCheck { sent: 512, came_while_off: 0, came_in_all: 482 }));
    assert!(lossy.reasons.iter().all(|r| r.rule != RuleId::FlowControl), "{:?}", lossy.reasons);
}

#[test]
fn a_format_that_fails_while_others_pass_is_a_fault_and_a_faster_speed_is_not() {
    let format = with(|e| e.formats = vec![trial("115200,8E1", 40)]);
    assert_eq!((format.outcome, rule(&format)), (Outcome::Fault, RuleId::FormatFails));
    assert!(!format.location.contains(&Location::Host));
    let faster = with(|e| e.speeds = vec![trial("115200", 0), trial("921600", 40)]);
    assert_eq!(faster.outcome, Outcome::Pass);
    let told = faster.reasons.iter().find(|r| r.rule == RuleId::HighestSpeed).unwrap();
    assert!(told.text.contains("up to 115 200") && told.text.contains("from 921 600"), "{}", told.text);
}

#[test]
fn too_few_bits_decide_nothing() {
    let verdict = with(|e| {
        e.counts = LineCounts { sent: 2000, returned: 2000, bits_compared: 16_000, pieces: 8, ..LineCounts::default() };
    });
    assert_eq!((verdict.outcome, rule(&verdict)), (Outcome::Undecided, RuleId::TooFewBits));
    let disagree = with(|e| e.common.references = vec![at(Placement::Internal, 5, 100)]);
    assert_eq!(rule(&disagree), RuleId::PlacesDisagree);
}

/// A busy computer loses bytes; it turns none over, and no worn contact does either.
#[test]
fn inverted_bits_are_the_lines_however_slow_this_computer_is() {
    let run = |kind| {
        with(|e| {
            (e.counts.returned, e.counts.lost) = (e.counts.returned - 3000, 3000);
            damage(e, 4000);
            e.common.damage = kind;
            e.errors = Some(LineErrors { overrun: 3000, ..LineErrors::default() });
        })
    };
    let inverted = run(DamageKind::Inverted);
    assert_eq!((inverted.outcome, rule(&inverted)), (Outcome::Fault, RuleId::BytesDamaged));
    assert!(inverted.next.starts_with("The signal looks inverted"), "{}", inverted.next);
    let other = run(DamageKind::None);
    assert!(rule(&other) != RuleId::BytesDamaged && !other.next.contains("inverted"), "{other:?}");
}

#[test]
fn damage_that_losses_on_this_side_may_have_made_blames_nobody() {
    // Pieces damaged among 4000, bytes lost, and what of those the chip counted or a lower pace would have kept.
    let run = |pieces_damaged, lost, counted| {
        with(|e| {
            e.counts.returned -= lost;
            e.counts.lost = lost;
            (e.counts.damaged, e.counts.bit_errors) = (20 * pieces_damaged, 80 * pieces_damaged);
            e.counts.pieces_damaged = pieces_damaged;
            e.capabilities.counts_all_overruns = counted > 0;
            e.errors = Some(LineErrors { overrun: counted, ..LineErrors::default() });
        })
    };
    for counted in [0, 300_000] {
        let lossy = run(500, 300_000, counted);
        assert_eq!(lossy.outcome, Outcome::Undecided, "{lossy:#?}");
        // A few lost bytes do not excuse many damaged pieces.
        let damaged = run(500, 20, counted);
        assert_eq!((damaged.outcome, rule(&damaged)), (Outcome::Fault, RuleId::BytesDamaged));
    }
}
