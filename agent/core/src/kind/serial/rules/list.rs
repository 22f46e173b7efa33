//! The rules for a serial port, each one idea with its name. What makes every later figure meaningless comes first.

use super::modem;
use super::{Location, Outcome, line_error_ratio};
use crate::base::figure::count;
use crate::base::placement::Placement;
use crate::judge::facts::{ERRORS_MIN, Reference, Stopped};
use crate::judge::rule::{Finding, Rule};
use crate::kind::serial::facts::{FormatTrial, LineEvidence};
use crate::kind::serial::format::Flow;
use crate::kind::serial::plug::LinePlug;
use crate::kind::serial::stream::LineCounts;
use crate::stats::bits::frame_ratio;
use crate::stats::compare_rates::{ErrorCount, RateComparison};
use crate::stats::ratio::{lower_bound, upper_bound};

fn no_blame(outcome: Outcome, sureness: &str, text: String, next: &str) -> Option<Finding> {
    Some(Finding { outcome, location: Vec::new(), sureness: sureness.into(), text, next: next.into() })
}

/// Rules that decide, in order; the first that speaks has the word.
pub const LINE_RULES: &[Rule<LineEvidence>] = &[
    Rule { name: "in-service", decide: in_service },
    Rule { name: "foreign-bytes", decide: foreign_bytes },
    Rule { name: "port-gone", decide: port_gone },
    Rule { name: "nothing-sent", decide: nothing_sent },
    Rule { name: "no-bytes-returned", decide: no_bytes_returned },
    Rule { name: "bytes-damaged", decide: bytes_damaged },
    Rule { name: "characters-in-error", decide: characters_in_error },
    Rule { name: "bytes-lost", decide: bytes_lost },
    Rule { name: "bytes-inserted", decide: bytes_inserted },
    Rule { name: "plug-joins-data-only", decide: plug_joins_data_only },
    Rule { name: "modem-lines", decide: modem_lines },
    Rule { name: "flow-control", decide: flow_control },
    Rule { name: "format-fails", decide: format_fails },
    Rule { name: "places-disagree", decide: places_disagree },
    Rule { name: "host-limited", decide: host_limited },
    Rule { name: "lost-at-full-pace", decide: lost_at_full_pace },
    Rule { name: "hears-itself", decide: hears_itself },
    Rule { name: "limit-proved", decide: limit_proved },
    Rule { name: "too-few-bits", decide: too_few_bits },
];

/// The latest run of this port with the signal turned back at `placement`.
fn reference(e: &LineEvidence, placement: Placement) -> Option<&Reference> {
    e.references.iter().rev().find(|r| r.placement == placement)
}

/// Whether the loop inside the chip failed in a way that speaks against the port. One that returns nothing does not: where
/// OUT2 lets the interrupt through, as on the cards of the first PCs, loop mode itself keeps every byte from the driver (IBM
/// 5150 Technical Reference 2-144: the outputs are disconnected in loop mode).
fn failed_inside(e: &LineEvidence) -> bool {
    reference(e, Placement::Internal).is_some_and(|inside| inside.failed() && inside.returned_any)
}

/// The things a failure at this placement lies among, narrowed by what was found elsewhere.
pub fn suspects(e: &LineEvidence) -> Vec<Location> {
    if e.placement == Placement::Internal || failed_inside(e) {
        return vec![Location::Port];
    }
    match e.placement {
        Placement::Internal => vec![Location::Port],
        // On two wires the port hears itself: there is no plug.
        Placement::AtPort if e.plug == LinePlug::Rs485 => vec![Location::Port],
        Placement::AtPort => vec![Location::Port, Location::Plug],
        Placement::FarEnd | Placement::ReturnPort => match reference(e, Placement::AtPort) {
            Some(r) if worse_than(e, r) => vec![Location::Cable],
            Some(r) if r.failed() => vec![Location::Port, Location::Plug],
            _ => vec![Location::Cable, Location::Port, Location::Plug],
        },
    }
}

/// Whether this run fails in a way that the nearer one does not: beyond chance where bits were counted, else because the nearer
/// one passed.
fn worse_than(e: &LineEvidence, nearer: &Reference) -> bool {
    if nearer.passed() && e.counts.bit_errors == 0 {
        return true;
    }
    let failed = e.counts.bit_errors.min(e.counts.bits_compared);
    let here = ErrorCount { errors: failed, bits: e.counts.bits_compared };
    let there = ErrorCount { errors: nearer.failures.min(nearer.trials), bits: nearer.trials };
    nearer.returned_any
        && e.counts.returned > 0
        && RateComparison::new(here, there).is_ok_and(|p| p.p_a_higher <= 1.0 - e.limit.confidence)
}

fn blame(e: &LineEvidence, sureness: &str, text: String) -> Option<Finding> {
    blame_these(suspects(e), sureness, text)
}

fn blame_these(location: Vec<Location>, sureness: &str, text: String) -> Option<Finding> {
    let next = match location.as_slice() {
        [Location::Port] => {
            "take this port out of use and move to a spare one; if the card or adapter can be swapped, swap it"
        }
        [Location::Cable] => {
            "re-terminate or replace the cable; to find the segment, move the plug to the end of each in turn"
        }
        [Location::Port, Location::Plug] | [Location::Plug, Location::Port] => {
            "swap the plug and repeat; if it still fails, prove the plug on a known-good port, then condemn this one"
        }
        _ if location.contains(&Location::Host) => {
            "stop other work on this computer and repeat; then swap the plug; then try the plug on a known-good port"
        }
        _ => "put the same plug into the port itself and repeat: a pass there leaves only the cable",
    };
    let sureness = match location.as_slice() {
        [_] => sureness.to_owned(),
        several => {
            let names: Vec<&str> = several.iter().map(|l| name(*l)).collect();
            format!("{sureness}; {} cannot be told apart by this run", names.join(" or "))
        }
    };
    Some(Finding { outcome: Outcome::Fault, location, sureness, text, next: next.to_owned() })
}

fn name(location: Location) -> &'static str {
    match location {
        Location::Port => "port",
        Location::ReturnPort => "return port",
        Location::Plug => "plug",
        Location::Cable => "cable",
        Location::Host => "host",
    }
}

fn in_service(e: &LineEvidence) -> Option<Finding> {
    if e.in_service.is_empty() {
        return None;
    }
    no_blame(
        Outcome::NotTested,
        "certain: this is what the host says",
        format!("the port is in service: {}", e.in_service.join("; ")),
        "free the port, or test a spare one",
    )
}

fn foreign_bytes(e: &LineEvidence) -> Option<Finding> {
    if e.foreign == 0 {
        return None;
    }
    no_blame(
        Outcome::NotTested,
        "certain: something else talks",
        format!(
            "{} bytes came in before anything was sent: a console or another device is connected, not a plug",
            count(e.foreign)
        ),
        "find out what the other end is connected to; fit the plug, then repeat",
    )
}

fn port_gone(e: &LineEvidence) -> Option<Finding> {
    if e.stopped != Some(Stopped::PortGone) {
        return None;
    }
    no_blame(
        Outcome::Undecided,
        "certain: the host lost the port",
        format!("the port vanished from the host after {} bytes", count(e.counts.sent)),
        "was the adapter unplugged? see that it is seated, read the kernel log, then repeat",
    )
}

fn nothing_sent(e: &LineEvidence) -> Option<Finding> {
    if e.counts.sent > 0 {
        return None;
    }
    no_blame(
        Outcome::NotTested,
        "certain: no byte left",
        "no byte was sent".into(),
        "repeat the run; if the port takes no byte, see whether flow control stops it (CTS off)",
    )
}

fn no_bytes_returned(e: &LineEvidence) -> Option<Finding> {
    if e.counts.returned > 0 || e.counts.sent == 0 {
        return None;
    }
    let text = format!("{} bytes left and none came back", count(e.counts.sent));
    if e.placement == Placement::Internal {
        return no_blame(
            Outcome::Undecided,
            "certain that nothing came; not whose doing it is",
            format!(
                "{text}: a dead chip does this, and so does a good one whose OUT2 output lets the interrupt through, since its loop \
                 holds that output"
            ),
            "fit a plug and repeat without --placement internal: that decides",
        );
    }
    if e.plug == LinePlug::Rs485 {
        return no_blame(
            Outcome::Undecided,
            "certain that the port did not hear itself; not that it cannot send",
            format!("{text}: many RS-485 ports and adapters close their receiver while they send"),
            "switch the receiver on while sending, where port or adapter has a jumper or setting for it; else test with a second \
             RS-485 port on the pair",
        );
    }
    let lines_move = e.plug.has_modem_lines() && !modem::none_moved(e) && !e.modem.is_empty();
    if lines_move {
        let text = format!("{text}, though the modem lines do: a plug is fitted, and the data path is open");
        return blame(e, "certain that the data path is open", text);
    }
    let two_wires =
        if e.capabilities.half_duplex { "; or it is a two-wire RS-485 port: say so with --wiring rs485" } else { "" };
    let text = format!("{text}: no plug is fitted, the plug is open, or the port's line side is dead{two_wires}");
    let mut found = blame(e, "certain that the loop is open; nothing was measured on the line", text)?;
    if e.placement == Placement::AtPort && found.location.len() > 1 {
        found.location = vec![Location::Plug, Location::Port];
        found.next =
            "see that a plug is fitted and seated; then try the plug in a known-good port of the same kind".into();
    }
    Some(found)
}

/// Whether so many of `tried` refute what the limit allows for units of so many bits.
fn refutes(e: &LineEvidence, failed: u64, tried: u64, bits: f64) -> bool {
    let allowed = frame_ratio(e.limit.bit_error_ratio, bits);
    let proved_above = lower_bound(failed.min(tried), tried, e.limit.confidence);
    failed >= ERRORS_MIN && allowed.is_ok_and(|allowed| proved_above.is_ok_and(|proved_above| proved_above > allowed))
}

/// Bits of an average piece, for events that are counted by pieces.
fn piece_bits(e: &LineEvidence) -> f64 {
    (e.counts.bits_compared as f64 / e.counts.pieces.max(1) as f64).max(1.0)
}

fn bytes_damaged(e: &LineEvidence) -> Option<Finding> {
    let ratio = line_error_ratio(e)?;
    let c = &e.counts;
    // A byte lost on this side may make a piece, and the one behind it, look damaged where more is missing than can be put in order.
    let pieces = c.pieces_damaged.saturating_sub(e.lost_on_this_side().saturating_mul(2));
    if c.damaged < ERRORS_MIN || ratio.proved_above <= ratio.limit || !refutes(e, pieces, c.pieces, piece_bits(e)) {
        return None;
    }
    let marks = match c.damaged_marked {
        0 => String::new(),
        n => format!("; {} of these bytes came in marked with a framing or parity error", count(n)),
    };
    blame(
        e,
        &format!("{} % that the ratio is above the limit", 100.0 * ratio.confidence),
        format!(
            "{} of {} bits wrong, in {} bytes: bit error ratio {:.1e}, at least {:.1e} where {:.0e} is allowed{marks}",
            count(ratio.errors),
            count(ratio.trials),
            count(c.damaged),
            ratio.estimate,
            ratio.proved_above,
            ratio.limit
        ),
    )
}

fn characters_in_error(e: &LineEvidence) -> Option<Finding> {
    let wrong = e.characters_in_error();
    let bits = f64::from(e.format.half_bits_per_character()) / 2.0;
    if !refutes(e, wrong, e.counts.returned.max(wrong), bits) {
        return None;
    }
    let errors = e.errors.unwrap_or_default();
    blame(
        e,
        &format!("{} % that there are more than the limit allows", 100.0 * e.limit.confidence),
        format!(
            "{} of {} characters came in with an error: {} framing, {} parity; these are the line's, not this computer's",
            count(wrong),
            count(e.counts.returned),
            count(errors.framing),
            count(errors.parity)
        ),
    )
}

fn bytes_lost(e: &LineEvidence) -> Option<Finding> {
    let line = e.put_on_line();
    if !losses_refute(e, &line) {
        return None;
    }
    let why = if !e.capabilities.paced {
        "and where bytes do not take their time nothing drops them on this side"
    } else if !e.capabilities.hides_overruns() {
        "and nothing in this computer dropped them"
    } else {
        "with no more out at once than the chip itself holds, so that no slow computer explains it"
    };
    blame(
        e,
        &format!("{} % that more are lost than the limit allows", 100.0 * e.limit.confidence),
        format!("{} of {} bytes left and did not come back, {why}", count(line.lost), count(line.sent)),
    )
}

/// Whether so many bytes lost are more than the limit allows. Bytes that vanish together are one event.
fn losses_refute(e: &LineEvidence, counts: &LineCounts) -> bool {
    let bits = f64::from(e.format.half_bits_per_character()) / 2.0;
    counts.pieces_slipped >= ERRORS_MIN && refutes(e, counts.lost, counts.sent, bits)
}

fn bytes_inserted(e: &LineEvidence) -> Option<Finding> {
    let bits = f64::from(e.format.half_bits_per_character()) / 2.0;
    if e.counts.pieces_slipped < ERRORS_MIN || !refutes(e, e.counts.inserted, e.counts.returned, bits) {
        return None;
    }
    blame(
        e,
        "certain that bytes came in that were not sent",
        format!("{} bytes came in that were not sent, among {}", count(e.counts.inserted), count(e.counts.returned)),
    )
}

fn plug_joins_data_only(e: &LineEvidence) -> Option<Finding> {
    if e.placement == Placement::Internal || !modem::none_moved(e) {
        return None;
    }
    no_blame(
        Outcome::Undecided,
        "certain that no modem line moves; not whether this plug has the wires",
        format!(
            "data comes back, and no modem line follows, as with a plug that joins the data wires only; {} was named",
            e.plug
        ),
        "look at the plug: if it joins data only, say so with --wiring data-only; if it has all wires, prove it on a known-good port",
    )
}

fn modem_lines(e: &LineEvidence) -> Option<Finding> {
    let faults = modem::faults(e);
    if faults.is_empty() {
        return None;
    }
    let rounds = e.modem.len();
    blame(e, &format!("certain: read {rounds} times over all states of the outputs"), faults.join("; "))
}

fn flow_control(e: &LineEvidence) -> Option<Finding> {
    // Only who needs it is told that it is a fault; the remark tells everybody.
    let flow = e.flow.filter(|_| e.format.flow == Flow::RtsCts)?;
    if flow.stops() && flow.starts() {
        // Lost on the way, by a slow computer whose driver counts short, or by the sender when it was let go: not told apart.
        return (flow.missing() >= ERRORS_MIN).then(|| Finding {
            outcome: Outcome::Undecided,
            location: Vec::new(),
            sureness: "certain that they are missing; not where they were lost".into(),
            text: format!(
                "CTS stops and starts the sender, but {} of {} bytes did not come when it was let go",
                count(flow.missing()),
                count(flow.sent)
            ),
            next: "stop other work on this computer and repeat; take a lower speed with --line if it stays".into(),
        });
    }
    blame_these(
        vec![Location::Port],
        "near certain: CTS itself follows RTS",
        format!(
            "hardware flow control does not hold the sender: {} of {} bytes came back while CTS was off, {} in all",
            count(flow.came_while_off),
            count(flow.sent),
            count(flow.came_in_all)
        ),
    )
}

fn format_fails(e: &LineEvidence) -> Option<Finding> {
    let slower =
        |trial: &&FormatTrial| trial.taken.is_some_and(|taken| taken.bits_per_second <= e.format.bits_per_second);
    let failing: Vec<String> = e
        .formats
        .iter()
        .chain(e.speeds.iter().filter(slower))
        .filter(|trial| trial.failures() >= ERRORS_MIN)
        .filter_map(|trial| {
            trial
                .taken
                .map(|taken| format!("{taken} ({} of {} bytes)", count(trial.failures()), count(trial.counts.sent)))
        })
        .collect();
    if failing.is_empty() {
        return None;
    }
    blame(
        e,
        "certain that these fail, each tried twice, and others do not",
        format!("fails at {}, no slower than {}", failing.join(", "), e.format),
    )
}

fn places_disagree(e: &LineEvidence) -> Option<Finding> {
    let nearer: &[Placement] = match e.placement {
        Placement::Internal => &[],
        Placement::FarEnd => &[Placement::Internal, Placement::AtPort],
        Placement::AtPort | Placement::ReturnPort => &[Placement::Internal],
    };
    let failed = nearer
        .iter()
        .filter_map(|&p| reference(e, p))
        .find(|r| r.failed() && (r.placement != Placement::Internal || r.returned_any))?;
    no_blame(
        Outcome::Undecided,
        "certain that both cannot be true of one unchanged port and plug",
        format!("no fault shows at `{}`, though the nearer `{}` fails", e.placement, failed.placement),
        "re-seat the plug and repeat both; if they still disagree the fault comes and goes: run longer",
    )
}

fn host_limited(e: &LineEvidence) -> Option<Finding> {
    let inside = e.lost_in_host();
    // A few bytes, and what a lower pace has stopped, do not stand in the way of a judgement.
    if inside == 0 || e.lost_at_slowest < ERRORS_MIN && inside.saturating_mul(4) < e.counts.sent {
        return None;
    }
    no_blame(
        Outcome::Undecided,
        "certain: the port's own counts say so",
        format!(
            "{} of {} missing bytes were lost inside this computer or its adapter",
            count(inside),
            count(e.counts.lost)
        ),
        "stop other work on this computer, or take a lower speed with --line, and repeat",
    )
}

/// Bytes may be dropped here uncounted, and some that went missing only while many were out.
fn lost_at_full_pace(e: &LineEvidence) -> Option<Finding> {
    let all = LineCounts { lost: e.lost_unexplained(), ..e.counts };
    if !e.capabilities.hides_overruns() || !losses_refute(e, &all) {
        return None;
    }
    let slowest = match e.since_slowed {
        LineCounts { sent: 0, .. } => "no lower pace was come to".to_owned(),
        LineCounts { sent, lost: 0, .. } => format!("none of {} when fewer were let out at once", count(sent)),
        LineCounts { sent, lost, .. } => format!("{} of {} when fewer were let out at once", count(lost), count(sent)),
    };
    no_blame(
        Outcome::Undecided,
        "certain that they are missing; not whether line or computer lost them",
        format!(
            "{} of {} bytes did not come back, {slowest}; a computer that is too slow does this, and nobody counts all that it drops \
             on this port",
            count(all.lost),
            count(all.sent)
        ),
        "stop other work on this computer and repeat; if bytes are still lost, repeat on a port of the computer's own, whose driver counts overruns",
    )
}

/// On two wires the port hears itself whether or not a cable is there.
fn hears_itself(e: &LineEvidence) -> Option<Finding> {
    if e.plug != LinePlug::Rs485 || e.placement != Placement::FarEnd || limit_proved(e).is_none() {
        return None;
    }
    no_blame(
        Outcome::Undecided,
        "certain that the port hears itself; nothing is known of the cable",
        "the port is good, and on two-wire RS-485 it hears itself whether or not anything is connected: the cable was not tested".into(),
        "to test the cable, join the pair at its far end to a second RS-485 port and exchange data between the two",
    )
}

fn limit_proved(e: &LineEvidence) -> Option<Finding> {
    let ratio = line_error_ratio(e)?;
    let c = &e.counts;
    let bits = f64::from(e.format.half_bits_per_character()) / 2.0;
    let allowed = frame_ratio(e.limit.bit_error_ratio, bits).ok()?;
    let failed = e.lost_unexplained().saturating_add(c.inserted).saturating_add(e.characters_in_error());
    let tried = c.sent.saturating_sub(e.lost_in_host());
    let characters = upper_bound(failed.min(tried), tried, e.limit.confidence).ok()?;
    let proved = ratio.proved_below <= ratio.limit && characters <= allowed;
    if !proved || c.returned == 0 || e.stopped.is_some_and(|s| s != Stopped::ByUser) {
        return None;
    }
    no_blame(
        Outcome::Pass,
        &format!("{} % that the bit error ratio is below {:.1e}", 100.0 * ratio.confidence, ratio.proved_below),
        format!(
            "{} errors in {:.2e} bits at {}: bit error ratio proved below {:.1e} where {:.0e} is allowed",
            count(ratio.errors),
            c.bits_compared as f64,
            e.format,
            ratio.proved_below,
            ratio.limit
        ),
        match e.placement {
            _ if e.plug == LinePlug::Rs485 => {
                "the port is good as far as it can hear itself; to test the cable, join the pair to a second RS-485 port"
            }
            Placement::Internal => "the chip is good; fit a plug to test the line driver and connector",
            Placement::FarEnd => {
                "port and cable are good as far as a plug can show; look at the equipment at the far end"
            }
            _ => {
                "the port is good as far as a plug can show; if the link still fails, test the cable with the plug at its far end, \
                  then compare speed and format at both ends"
            }
        },
    )
}

fn too_few_bits(e: &LineEvidence) -> Option<Finding> {
    let ratio = line_error_ratio(e)?;
    let text = if ratio.proved_below > ratio.limit {
        format!(
            "{} errors in {:.2e} bits proves a bit error ratio below {:.1e} only, where {:.0e} is asked",
            count(ratio.errors),
            e.counts.bits_compared as f64,
            ratio.proved_below,
            ratio.limit
        )
    } else {
        format!(
            "{} bytes lost, {} extra, {} damaged of {}: too many to pass at this limit, too few to blame",
            count(e.counts.lost),
            count(e.counts.inserted),
            count(e.counts.damaged),
            count(e.counts.sent)
        )
    };
    no_blame(
        Outcome::Undecided,
        "neither proved nor refuted",
        text,
        "run longer (--for, or --profile proof, which stops by itself when the limit is proved or refuted)",
    )
}
