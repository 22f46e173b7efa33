//! Tables of cases at the edge of each threshold, one below, at, one above, and the words that a reader acts on.

use std::collections::BTreeMap;

use super::fixture::*;
use super::modem;
use crate::base::placement::Placement;
use crate::judge::facts::{Facts, Stopped, Trouble};
use crate::judge::{Outcome, RuleId, Verdict, judge, remarks};
use crate::kind::serial::facts::{FlowCheck, SerialFacts};
use crate::kind::serial::format::{FlowControl, LineErrors, ModemInputs, ModemOutputs};
use crate::kind::serial::plug::LinePlug;
use crate::kind::serial::stream::LineCounts;
use crate::signal::compare::DamageKind;
use crate::signal::when::{Stretch, When};

/// What the rule that decides says.
fn text(verdict: &Verdict) -> &str {
    &verdict.reasons[0].text
}

fn overruns(overrun: u64) -> Option<LineErrors> {
    Some(LineErrors { overrun, ..LineErrors::default() })
}

/// Takes so many bytes, from so many pieces, out of what came back.
fn lose(e: &mut SerialFacts, lost: u64, pieces_slipped: u64) {
    (e.counts.lost, e.counts.returned) = (lost, e.counts.sent - lost);
    e.counts.pieces_slipped = pieces_slipped;
}

/// So many bytes left and none came back, and no modem line moves.
fn open(e: &mut SerialFacts, sent: u64) {
    e.counts = LineCounts { sent, lost: sent, ..LineCounts::default() };
    e.modem = readings(|_| ModemInputs::default());
}

/// What rules of all kinds are told of a serial line, each from its own count.
#[test]
fn each_fact_is_read_from_its_own_count() {
    let mut e = good();
    e.counts = LineCounts {
        sent: 1000,
        returned: 990,
        lost: 30,
        inserted: 20,
        damaged: 7,
        bits_compared: 7760,
        bit_errors: 9,
        pieces: 4,
        pieces_damaged: 3,
        ..LineCounts::default()
    };
    e.errors = overruns(5);
    let counts = [e.sent(), e.returned(), e.lost(), e.lost_inside(), e.bits_compared(), e.bit_errors()];
    assert_eq!(counts, [1000, 990, 30, 5, 7760, 9]);
    assert_eq!(e.trouble(), Trouble { tried: 7760, failed: 9, ..Trouble::default() });
    assert_eq!(
        (e.odd().as_str(), e.damaged_in().as_str()),
        ("30 bytes lost, 20 extra, 7 damaged", "7 bytes of 3 blocks")
    );
    assert_eq!((e.imbalance(), e.needs_first()), (None, None));
    e.counts.bit_errors = 7761;
    assert_eq!(e.trouble().failed, 7760, "no more fails than was tried");
    e.counts.returned = 991;
    let why = "1 000 bytes sent, 991 returned, 30 lost, 20 that were not sent";
    assert_eq!(e.imbalance().as_deref(), Some(why));
    // Beyond what can be counted nothing is known to balance.
    (e.counts.sent, e.counts.returned) = (u64::MAX, u64::MAX);
    assert!(e.imbalance().is_some());
}

/// Only a port without modem lines, behind a plug that joins them, leaves some of the plug untested.
#[test]
fn a_pass_is_limited_to_the_data_wires_where_the_plug_has_more() {
    for (plug, modem_lines, limited) in [
        (LinePlug::De9, true, false),
        (LinePlug::De9, false, true),
        (LinePlug::DataOnly, true, false),
        (LinePlug::DataOnly, false, false),
    ] {
        let mut e = good();
        (e.plug, e.capabilities.modem_lines) = (plug, modem_lines);
        let scope = limited.then_some("on the data wires only: this port has no modem lines");
        assert_eq!(e.scope().as_deref(), scope, "{plug} {modem_lines}");
    }
}

/// A quarter of all bytes lost in this computer, or three of them at the slowest pace (both our own choice).
#[test]
fn a_host_limits_a_run_by_a_quarter_of_all_or_three_at_the_slowest_pace() {
    for (sent, inside, lost_at_slowest, limits) in [
        (4, 1, 0, true),
        (5, 1, 0, false),
        (1_000_000, 250_000, 0, true),
        (1_000_000, 249_999, 0, false),
        (1_000_000, 3, 2, false),
        (1_000_000, 3, 3, true),
        (1_000_000, 0, 0, false),
        (0, 0, 0, false),
    ] {
        let mut e = good();
        (e.counts.sent, e.counts.lost, e.lost_at_slowest) = (sent, inside, lost_at_slowest);
        e.errors = overruns(inside);
        assert_eq!(e.is_host_limited(), limits, "{inside} of {sent}, {lost_at_slowest} at the slowest pace");
    }
}

/// Damaged pieces with one wrong byte each. Each byte lost on this side excuses two, but bits that are turned over.
#[test]
fn three_damaged_pieces_blame_beside_two_for_each_byte_lost_here() {
    for (kind, lost, pieces, blames) in [
        (DamageKind::Scattered, 0, 2, false),
        (DamageKind::Scattered, 0, 3, true),
        (DamageKind::Scattered, 1, 4, false),
        (DamageKind::Scattered, 1, 5, true),
        (DamageKind::Inverted, 0, 2, false),
        (DamageKind::Inverted, 0, 3, true),
        (DamageKind::Inverted, 1, 3, true),
    ] {
        let verdict = with(|e| {
            e.common.limit.bit_error_ratio = 1e-9;
            e.common.damage = kind;
            lose(e, lost, 0);
            e.errors = overruns(lost);
            (e.counts.damaged, e.counts.pieces_damaged, e.counts.bit_errors) = (pieces, pieces, 4 * pieces);
        });
        let decided = if blames { RuleId::BytesDamaged } else { RuleId::TooFewBits };
        assert_eq!(rule(&verdict), decided, "{pieces} pieces, {lost} lost here, {kind}");
        let inverted = verdict.next.starts_with("The signal looks inverted");
        assert_eq!(inverted, blames && kind == DamageKind::Inverted, "{}", verdict.next);
    }
}

/// Three pieces of which each has one wrong bit: as pieces all of them, more than the limit allows; as bits 3 of 6000.
#[test]
fn wrong_bits_must_be_proved_as_bits_too() {
    let at = |factor: f64| {
        rule(&with(|e| {
            e.counts = LineCounts {
                sent: 750,
                returned: 750,
                damaged: 3,
                bits_compared: 6000,
                bit_errors: 3,
                pieces: 3,
                pieces_damaged: 3,
                ..LineCounts::default()
            };
            e.common.limit.bit_error_ratio = factor * e.error_ratio().unwrap().proved_above;
        }))
    };
    assert_eq!([0.999, 1.0, 1.3].map(at), [RuleId::BytesDamaged, RuleId::TooFewBits, RuleId::TooFewBits]);
}

#[test]
fn damaged_bytes_are_told_with_those_that_came_in_marked() {
    let told = |damaged_marked| {
        let verdict = with(|e| {
            (e.counts.bit_errors, e.counts.damaged, e.counts.pieces_damaged) = (16_000, 4000, 400);
            e.counts.damaged_marked = damaged_marked;
        });
        let (wrong, marks) = text(&verdict).split_once(" is allowed.").unwrap();
        assert!(wrong.starts_with("16 000 of 8 000 000 bits came back wrong, in 4 000 bytes. "), "{wrong}");
        marks.to_owned()
    };
    assert_eq!(told(0), "");
    assert_eq!(told(1), " 1 of these bytes came in marked with a framing or parity error.");
    assert_eq!(told(20), " 20 of these bytes came in marked with a framing or parity error.");
}

#[test]
fn how_sure_of_an_error_or_a_loss_comes_in_percent() {
    let parity = with(|e| e.errors = Some(LineErrors { parity: 300, ..LineErrors::default() }));
    assert!(parity.sureness.starts_with("95 % that there are more than the limit allows; "), "{}", parity.sureness);
    let lost = with(|e| lose(e, 3000, 300));
    assert!(lost.sureness.starts_with("95 % that more are lost than the limit allows; "), "{}", lost.sureness);
}

/// Bytes that vanish, or appear, together are one event: three pieces, not two.
#[test]
fn three_slipped_pieces_blame_and_two_do_not() {
    for (slipped, lost, inserted) in [
        (2, RuleId::TooFewBits, RuleId::TooFewBits),
        (3, RuleId::BytesLost, RuleId::BytesInserted),
        (4, RuleId::BytesLost, RuleId::BytesInserted),
    ] {
        assert_eq!(rule(&with(|e| lose(e, 3000, slipped))), lost, "{slipped}");
        let extra = with(|e| {
            (e.counts.inserted, e.counts.returned) = (300, e.counts.sent + 300);
            e.counts.pieces_slipped = slipped;
        });
        assert_eq!(rule(&extra), inserted, "{slipped}");
    }
}

/// Why lost bytes are the line's: nothing here could have dropped them, dropped them, or was given the chance.
#[test]
fn lost_bytes_say_why_this_computer_does_not_explain_them() {
    type Change = fn(&mut SerialFacts);
    let table: [(Change, &str); 3] = [
        (|_| (), "3 000 of 1 000 000 bytes did not come back. Nothing in this computer dropped them."),
        (
            |e| e.capabilities.paced = false,
            "3 000 of 1 000 000 bytes did not come back. This port hands bytes on without a chip that could drop them.",
        ),
        (
            |e| {
                e.capabilities.counts_all_overruns = false;
                e.since_slowed = LineCounts { sent: 20_000, lost: 50, pieces_slipped: 50, ..LineCounts::default() };
            },
            "50 of 20 000 bytes did not come back. No more were out at once than the chip itself holds, so a slow \
             computer does not explain it.",
        ),
    ];
    for (change, told) in table {
        let verdict = with(|e| {
            lose(e, 3000, 300);
            change(e);
        });
        assert_eq!((rule(&verdict), text(&verdict)), (RuleId::BytesLost, told));
    }
}

/// Where not all that is dropped here is counted: whether a lower pace was tried, and what was lost at it.
#[test]
fn losses_at_full_pace_say_what_a_lower_pace_did() {
    for (sent, lost, slowest) in [
        (0, 0, "No lower pace was tried."),
        (1, 0, "With fewer sent at once, none of 1 was lost."),
        (20_000, 0, "With fewer sent at once, none of 20 000 was lost."),
        (20_000, 1, "With fewer sent at once, 1 of 20 000 were lost."),
    ] {
        let verdict = with(|e| {
            e.capabilities.counts_all_overruns = false;
            lose(e, 300, 200);
            e.since_slowed = LineCounts { sent, lost, pieces_slipped: lost, ..LineCounts::default() };
        });
        assert_eq!(rule(&verdict), RuleId::LostAtFullPace);
        let told = format!("300 of 1 000 000 bytes did not come back. {slowest} A computer that is too slow ");
        assert!(text(&verdict).starts_with(&told), "{}", text(&verdict));
    }
}

/// Three failed bytes in a format, or at a speed no higher than that of the run; a higher one is no fault.
#[test]
fn a_format_fails_by_three_bytes_and_a_speed_up_to_that_of_the_run() {
    for (lost, decided) in [(2, RuleId::LimitProved), (3, RuleId::FormatFails)] {
        assert_eq!(rule(&with(|e| e.formats = vec![trial("115200,8E1", lost)])), decided, "{lost}");
    }
    for (speed, decided) in
        [("115199", RuleId::FormatFails), ("115200", RuleId::FormatFails), ("115201", RuleId::LimitProved)]
    {
        assert_eq!(rule(&with(|e| e.speeds = vec![trial(speed, 40)])), decided, "{speed}");
    }
}

/// A line that returns nothing: what is said, and that one byte is needed to say it.
#[test]
fn a_silent_line_is_told_by_what_may_be_behind_it() {
    let none = "Either no plug is fitted, the plug is open, or the port's line side is dead.";
    assert_eq!(rule(&with(|e| open(e, 0))), RuleId::NothingSent);
    let one = with(|e| open(e, 1));
    assert_eq!(
        (rule(&one), text(&one)),
        (RuleId::LoopOpen, format!("1 byte left and none came back. {none}").as_str())
    );
    let told = format!("2 048 bytes left and none came back. {none}");
    let two_wires = with(|e| {
        open(e, 2048);
        e.capabilities.half_duplex = true;
    });
    let ask = " If this is a two-wire RS-485 port, say so with --wiring rs485.";
    assert_eq!(text(&two_wires), format!("{told}{ask}"));
    // Only the cable is left, and nothing shows that the data path alone is open.
    let cable = with(|e| {
        open(e, 2048);
        e.common.placement = Placement::FarEnd;
        e.common.references = vec![at(Placement::AtPort, 0, 2048)];
    });
    assert_eq!((rule(&cable), text(&cable)), (RuleId::NoBytesReturned, told.as_str()));
    // On two wires no plug is asked for, wherever the cable ends.
    for placement in [Placement::AtPort, Placement::FarEnd] {
        let deaf = with(|e| {
            open(e, 2048);
            (e.plug, e.common.placement) = (LinePlug::Rs485, placement);
            e.capabilities.modem_lines = false;
            e.modem.clear();
        });
        assert_eq!((deaf.outcome, rule(&deaf)), (Outcome::Undecided, RuleId::NoBytesReturned), "{placement:?}");
        assert!(text(&deaf).contains("switch their receiver off while they send"), "{}", text(&deaf));
    }
    // Who ended the run before its first byte did not wait for anything.
    let ended = with(|e| {
        open(e, 0);
        e.modem.clear();
        e.common.stopped = Some(Stopped::ByUser);
    });
    assert_eq!(text(&ended), "The run was ended by hand before a byte was sent.");
}

#[test]
fn bytes_lost_as_the_sender_starts_again_count_from_three() {
    for (missing, decided) in [(2, RuleId::LimitProved), (3, RuleId::FlowControl)] {
        let verdict = with(|e| {
            e.flow = Some(FlowCheck { sent: 512, came_while_off: 0, came_in_all: 512 - missing });
            e.format.flow = FlowControl::RtsCts;
        });
        assert_eq!(rule(&verdict), decided, "{missing}");
    }
}

/// A pass names each byte that was let go, and what is good by it.
#[test]
fn a_pass_tells_each_lost_byte_and_what_is_good() {
    let beside = |lost| {
        let verdict = with(|e| {
            e.common.limit.bit_error_ratio = 1e-2;
            lose(e, lost, 0);
        });
        assert_eq!(verdict.outcome, Outcome::Pass);
        text(&verdict).split_once(" is allowed").unwrap().1.to_owned()
    };
    assert_eq!(beside(0), ".");
    assert_eq!(beside(1), "; 1 of 1 000 000 bytes lost on the way, no more than that allows.");
    let next = |plug, placement| {
        let e = |e: &mut SerialFacts| (e.plug, e.common.placement) = (plug, placement);
        with(|facts| {
            e(facts);
            facts.modem.clear();
        })
        .next
    };
    for (plug, placement, good) in [
        (LinePlug::De9, Placement::AtPort, "The port is good as far as a plug can show."),
        (LinePlug::De9, Placement::FarEnd, "Port and cable are good as far as a plug can show."),
        (LinePlug::Internal, Placement::Internal, "The chip is good."),
        (LinePlug::Rs485, Placement::AtPort, "The port is good as far as it can hear itself."),
    ] {
        assert!(next(plug, placement).starts_with(good), "{}", next(plug, placement));
    }
}

/// A line damaged in the usual way is not taken for one that is inverted.
#[test]
fn what_is_not_inverted_asks_for_another_plug() {
    let verdict = with(|e| {
        (e.counts.bit_errors, e.counts.damaged, e.counts.pieces_damaged) = (16_000, 4000, 400);
        e.common.damage = DamageKind::Scattered;
    });
    assert!(verdict.next.starts_with("Try another plug."), "{}", verdict.next);
    let kind = verdict.reasons.iter().find(|reason| reason.rule == RuleId::DamageKind).unwrap();
    assert_eq!(kind.text, "16 000 wrong bits in 4 000 bytes of 400 blocks, scattered.");
}

type Read = fn(ModemOutputs) -> ModemInputs;

fn read_as(read: Read) -> SerialFacts {
    SerialFacts { modem: readings(read), ..good() }
}

/// Each way in which lines are wrong, whole: who is named, and who is not. Pins of the nine-pin connector as
/// `kind/serial/plug.rs` has them.
#[test]
fn wrong_modem_lines_are_told_once_each() {
    let table: [(Read, &[&str]); 11] = [
        (|o| ModemInputs { cts: o.rts, dsr: o.dtr, dcd: o.dtr, ri: false }, &[]),
        (
            |o| ModemInputs { cts: true, dsr: o.dtr, dcd: o.dtr, ri: false },
            &["CTS (pin 8) is stuck on; with this plug it should follow RTS"],
        ),
        (
            |o| ModemInputs { cts: false, dsr: o.dtr, dcd: o.dtr, ri: false },
            &["CTS (pin 8) is open or stuck off; with this plug it should follow RTS"],
        ),
        (
            |o| ModemInputs { cts: o.rts && o.dtr, dsr: o.dtr, dcd: o.dtr, ri: false },
            &["CTS (pin 8) follows no line; with this plug it should follow RTS"],
        ),
        (
            |o| ModemInputs { cts: o.rts, dsr: false, dcd: o.dtr, ri: false },
            &["DSR (pin 6) is open or stuck off; with this plug it should follow DTR"],
        ),
        (
            |o| ModemInputs { cts: o.rts, dsr: false, dcd: false, ri: false },
            &["DTR (pin 4) drives nothing: DSR (pin 6) and DCD (pin 1) stay off"],
        ),
        (
            |_| ModemInputs::default(),
            &[
                "DTR (pin 4) drives nothing: DSR (pin 6) and DCD (pin 1) stay off",
                "CTS (pin 8) is open or stuck off; with this plug it should follow RTS",
            ],
        ),
        (
            |o| ModemInputs { cts: o.dtr, dsr: o.rts, dcd: o.dtr, ri: false },
            &["CTS (pin 8) and DSR (pin 6) are crossed"],
        ),
        (
            |o| ModemInputs { cts: o.dtr, dsr: o.rts, dcd: o.rts, ri: true },
            &[
                "CTS (pin 8) and DSR (pin 6) are crossed",
                "CTS (pin 8) and DCD (pin 1) are crossed",
                "RI (pin 9) is stuck on; with this plug it should stay off",
            ],
        ),
        // One of the two does what the other must, and the other does not: not crossed.
        (
            |o| ModemInputs { cts: o.dtr, dsr: false, dcd: o.dtr, ri: false },
            &[
                "CTS (pin 8) follows DTR; with this plug it should follow RTS",
                "DSR (pin 6) is open or stuck off; with this plug it should follow DTR",
            ],
        ),
        (
            |o| ModemInputs { cts: false, dsr: o.rts, dcd: o.dtr, ri: false },
            &[
                "CTS (pin 8) is open or stuck off; with this plug it should follow RTS",
                "DSR (pin 6) follows RTS; with this plug it should follow DTR",
            ],
        ),
    ];
    for (read, told) in table {
        assert_eq!(modem::faults(&read_as(read)), told);
    }
    assert!(modem::faults(&SerialFacts { modem: vec![], ..good() }).is_empty());
}

/// Of four readings each: how many a line got wrong, and none of a ring indicator that is wired.
#[test]
fn wrong_readings_are_those_of_lines_that_are_wrong() {
    let table: [(Read, u64); 5] = [
        (|o| ModemInputs { cts: o.rts, dsr: o.dtr, dcd: o.dtr, ri: false }, 0),
        (|o| ModemInputs { cts: o.rts, dsr: o.dtr, dcd: o.dtr, ri: o.rts }, 0),
        (|o| ModemInputs { cts: o.rts && o.dtr, dsr: o.dtr, dcd: o.dtr, ri: false }, 1),
        (|o| ModemInputs { cts: false, dsr: o.dtr, dcd: o.dtr, ri: false }, 2),
        (|o| ModemInputs { cts: !o.rts, dsr: o.dtr, dcd: o.dtr, ri: false }, 4),
    ];
    for (read, wrong) in table {
        assert_eq!(modem::wrong_readings(&read_as(read)), wrong);
    }
}

#[test]
fn a_report_has_every_line_or_none() {
    let of = |e: &SerialFacts| -> BTreeMap<String, (String, Option<bool>, Option<String>)> {
        modem::lines(e).into_iter().map(|(name, line)| (name, (line.seen.to_string(), line.ok, line.pin))).collect()
    };
    let line = |name: &str, seen: &str, ok, pin: &str| (name.to_owned(), (seen.to_owned(), Some(ok), Some(pin.into())));
    let stuck = read_as(|o| ModemInputs { cts: true, dsr: o.dtr, dcd: o.dtr, ri: false });
    let told = [
        line("cts", "stays on", false, "8"),
        line("dcd", "follows DTR", true, "1"),
        line("dsr", "follows DTR", true, "6"),
        line("ri", "stays off", true, "9"),
    ];
    assert_eq!(of(&stuck), BTreeMap::from(told));
    assert!(modem::lines(&SerialFacts { modem: vec![], ..good() }).is_empty());
}

/// Each remark on its facts, and silent just beside them.
#[test]
fn each_remark_speaks_from_one_on_and_says_what_it_is_about() {
    type Change = fn(&mut SerialFacts);
    let in_host = "This computer or its adapter lost 1 byte, by the port's own counts. That does not count against the \
                   line.";
    let at_break = "The line read as a break 3 times, though none was sent, and next to no block came back whole. A \
                    line looks like this whose two levels are exchanged: it rests at the wrong one.";
    let kept = "The driver's RS-485 setting kept the receiver on while sending. The port heard 1 of the 1 000 000 \
                bytes that it sent.";
    let has_none = "The driver has no RS-485 setting, and the receiver was on while sending. The port heard 1 of the \
                    1 000 000 bytes that it sent.";
    let no_lines = "This port has no modem lines to test. That does not count against it.";
    let no_counts = "This port's driver counts no line errors. That does not count against it.";
    let uncounted = "This port's driver counts no line errors. That does not count against it. A byte lost in this \
                     computer can be told from one lost on the line only by sending fewer at once.";
    let no_stop = "CTS does not stop the sender: 512 of 512 bytes came back while it was off, 512 in all. Do not use \
                   this port for equipment with hardware flow control.";
    let no_start = "CTS does not start the sender again: 16 of 512 bytes came back while it was off, 16 in all. Do not \
                    use this port for equipment with hardware flow control.";
    let no_break = "A break was sent and none came back. Some drivers and adapters pass none.";
    let table: [(RuleId, Change, Option<&str>); 23] = [
        (RuleId::LostInHost, |e| host_lost(e, 0), None),
        (RuleId::LostInHost, |e| host_lost(e, 1), Some(in_host)),
        (
            RuleId::LostInHost,
            |e| {
                host_lost(e, 1);
                e.common.slowdowns = 1;
            },
            None,
        ),
        (RuleId::LineInverted, |e| breaks(e, 2), None),
        (RuleId::LineInverted, |e| breaks(e, 3), Some(at_break)),
        (RuleId::HalfDuplex, |e| heard(e, 0, true), None),
        (RuleId::HalfDuplex, |e| heard(e, 1, true), Some(kept)),
        (RuleId::HalfDuplex, |e| heard(e, 1, false), Some(has_none)),
        (RuleId::HalfDuplex, |e| e.capabilities.half_duplex = true, None),
        (RuleId::NoModemLines, |e| bare(e, 0), None),
        (RuleId::NoModemLines, |e| bare(e, 1), Some(no_lines)),
        (RuleId::NoModemLines, |_| (), None),
        (RuleId::NoCounts, |e| bare(e, 0), None),
        (RuleId::NoCounts, |e| bare(e, 1), Some(uncounted)),
        (
            RuleId::NoCounts,
            |e| {
                bare(e, 1);
                e.capabilities.paced = false;
            },
            Some(no_counts),
        ),
        (RuleId::NoCounts, |_| (), None),
        (RuleId::FlowControl, |e| e.flow = Some(flow(512, 512)), Some(no_stop)),
        (RuleId::FlowControl, |e| e.flow = Some(flow(16, 16)), Some(no_start)),
        (RuleId::FlowControl, |e| e.flow = Some(flow(16, 512)), None),
        (RuleId::FlowControl, |e| e.flow = None, None),
        (RuleId::Break, |e| e.break_returned = Some(false), Some(no_break)),
        (RuleId::Break, |e| e.break_returned = Some(true), None),
        (RuleId::Break, |e| e.break_returned = None, None),
    ];
    for (id, change, told) in table {
        let mut e = good();
        change(&mut e);
        let remark = remarks::<SerialFacts>().into_iter().find(|remark| remark.id == id).unwrap();
        assert_eq!((remark.say)(&e).as_deref(), told, "{id}");
        judge(&e).assert_reads_well();
    }
}

fn host_lost(e: &mut SerialFacts, bytes: u64) {
    lose(e, bytes, 0);
    e.errors = overruns(bytes);
}

/// Every block damaged, and so many breaks read.
fn breaks(e: &mut SerialFacts, breaks: u64) {
    e.counts = LineCounts { sent: 2560, returned: 2560, pieces: 10, pieces_damaged: 10, ..LineCounts::default() };
    e.errors = Some(LineErrors { breaks, ..LineErrors::default() });
}

/// Two wires, on which so many bytes were heard.
fn heard(e: &mut SerialFacts, returned: u64, half_duplex: bool) {
    (e.plug, e.capabilities.half_duplex) = (LinePlug::Rs485, half_duplex);
    lose(e, e.counts.sent - returned, 0);
}

/// A port without modem lines whose driver counts nothing.
fn bare(e: &mut SerialFacts, sent: u64) {
    e.counts = LineCounts { sent, returned: sent, ..LineCounts::default() };
    e.capabilities.modem_lines = false;
    (e.capabilities.counts_errors, e.capabilities.counts_all_overruns, e.errors) = (false, false, None);
}

fn flow(came_while_off: u64, came_in_all: u64) -> FlowCheck {
    FlowCheck { sent: 512, came_while_off, came_in_all }
}

/// Bytes lost in one moment are what a hand on the plug does, unless this computer loses some that nothing counts: then
/// only a lower pace tells.
#[test]
fn a_moment_of_loss_is_not_told_where_this_computer_may_have_lost_it() {
    for (counts_all_overruns, rule) in [(true, RuleId::SilentOnce), (false, RuleId::LostAtFullPace)] {
        let verdict = with(|e| {
            lose(e, 1000, 20);
            e.when =
                When { crowded: vec![Stretch { first_s: 2, last_s: 3 }], failed_elsewhere: 1000, ..When::default() };
            e.capabilities.counts_all_overruns = counts_all_overruns;
        });
        assert_eq!(verdict.rule(), Some(&rule), "{verdict:#?}");
    }
}
