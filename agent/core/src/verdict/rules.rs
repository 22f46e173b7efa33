//! The rules, each one idea with its name. Order matters: what makes every later figure meaningless comes first.

use super::ratio::{bit_error_ratio, bits_to_frames, frame_loss_ratio};
use super::{Location, Outcome, Reason, Verdict};
use crate::evidence::{Basis, ERRORS_MIN, Evidence, Reference, Stopped};
use crate::link::{Medium, Placement};
use crate::stats::compare_rates::{ErrorCount, RateComparison};
use crate::stats::ratio::lower_bound;

/// A rule that can decide a run.
pub struct Rule {
    /// Its name, as in reports and `docs/verdict.md`.
    pub name: &'static str,
    decide: fn(&Evidence) -> Option<Finding>,
}

impl Rule {
    /// The rule's verdict, if it has one.
    pub fn judge(&self, evidence: &Evidence) -> Option<Verdict> {
        let finding = (self.decide)(evidence)?;
        Some(Verdict {
            outcome: finding.outcome,
            location: finding.location,
            segment: None,
            sureness: finding.sureness,
            reasons: vec![Reason { rule: self.name.to_owned(), text: finding.text }],
            next: finding.next,
        })
    }
}

struct Finding {
    outcome: Outcome,
    location: Vec<Location>,
    sureness: String,
    text: String,
    next: String,
}

fn finding(outcome: Outcome, location: Vec<Location>, sureness: &str, text: String, next: &str) -> Option<Finding> {
    Some(Finding { outcome, location, sureness: sureness.to_owned(), text, next: next.to_owned() })
}

/// Rules that decide, in order; the first that speaks has the word.
pub const RULES: &[Rule] = &[
    Rule { name: "in-service", decide: in_service },
    Rule { name: "foreign-traffic", decide: foreign_traffic },
    Rule { name: "port-gone", decide: port_gone },
    Rule { name: "no-link", decide: no_link },
    Rule { name: "link-lost", decide: link_lost },
    Rule { name: "not-transmitted", decide: not_transmitted },
    Rule { name: "nothing-sent", decide: nothing_sent },
    Rule { name: "nothing-returned", decide: nothing_returned },
    Rule { name: "damaged-after-check", decide: damaged_after_check },
    Rule { name: "link-flapped", decide: link_flapped },
    Rule { name: "bit-errors", decide: bit_errors },
    Rule { name: "frames-lost", decide: frames_lost },
    Rule { name: "frames-cut", decide: frames_cut },
    Rule { name: "not-a-plain-loop", decide: not_a_plain_loop },
    Rule { name: "places-disagree", decide: places_disagree },
    Rule { name: "limit-proved", decide: limit_proved },
    Rule { name: "host-limited", decide: host_limited },
    Rule { name: "too-few-bits", decide: too_few_bits },
];

/// A remark's name and the rule that may make it.
pub type Remark = (&'static str, fn(&Evidence) -> Option<String>);

/// Remarks that follow any verdict.
pub const REMARKS: &[Remark] = &[
    ("forced-speed", |e| {
        let mbps = e.fallback_mbps?;
        Some(format!(
            "this port could not link to itself at its own speed, as gigabit copper cannot; tested at {mbps} Mb/s full duplex, \
             which uses two of the four pairs"
        ))
    }),
    ("host-slowed", |e| {
        (e.slowdowns > 0).then(|| {
            format!(
                "this computer could not keep up: {} frames were lost inside it, the rate was lowered {} times and the step repeated",
                e.losses.in_host, e.slowdowns
            )
        })
    }),
    ("stopped-early", |e| match e.stopped? {
        Stopped::ByUser => Some("ended by hand before the plan was done".into()),
        Stopped::TakenIntoService => Some("the port was taken into service during the run".into()),
        _ => None,
    }),
    ("confirmed-elsewhere", |e| {
        let told: Vec<String> = e
            .references
            .iter()
            .map(|r| {
                format!(
                    "{}: {} ({} of {} failed)",
                    r.placement,
                    match (r.failed(), r.passed()) {
                        (true, _) => "fails",
                        (_, true) => "passes",
                        _ => "neither passes nor fails",
                    },
                    r.failures,
                    r.trials
                )
            })
            .collect();
        (!told.is_empty()).then(|| told.join("; "))
    }),
    ("damage-kind", |e| {
        let counts = &e.counts;
        (counts.bit_errors > 0)
            .then(|| format!("{} wrong bits in {} frames, {}", counts.bit_errors, counts.damaged, e.damage))
    }),
];

/// The latest run of this port with the plug at `placement`.
fn reference(e: &Evidence, placement: Placement) -> Option<&Reference> {
    e.references.iter().rev().find(|r| r.placement == placement)
}

/// The things a failure at this placement lies among, narrowed by what was found with the plug elsewhere.
pub fn suspects(e: &Evidence) -> Vec<Location> {
    if e.placement == Placement::Internal || reference(e, Placement::Internal).is_some_and(Reference::failed) {
        return vec![Location::Port];
    }
    let at_port = reference(e, Placement::AtPort);
    match e.placement {
        Placement::Internal => vec![Location::Port],
        Placement::AtPort => vec![Location::Port, Location::Plug],
        Placement::FarEnd => match at_port {
            Some(r) if worse_than(e, r) => vec![Location::Cable],
            Some(r) if r.failed() => vec![Location::Port, Location::Plug],
            _ => vec![Location::Cable, Location::Port, Location::Plug],
        },
        Placement::ReturnPort => match at_port {
            Some(r) if worse_than(e, r) => vec![Location::Cable, Location::ReturnPort],
            _ => vec![Location::Cable, Location::Port, Location::ReturnPort],
        },
    }
}

/// Whether this run fails in a way that the nearer one does not: by its counts, beyond chance; where nothing was counted (no link,
/// nothing returned, a link that dropped), because the nearer one passed.
fn worse_than(e: &Evidence, nearer: &Reference) -> bool {
    let counted = bit_error_ratio(e)
        .map(|r| ErrorCount { errors: r.errors.saturating_add(e.lengths_changed()).min(r.trials), bits: r.trials });
    let Some(here) = counted.filter(|count| count.errors > 0 && e.counts.returned > 0) else { return nearer.passed() };
    let there = ErrorCount { errors: nearer.failures.min(nearer.trials), bits: nearer.trials };
    nearer.link_up
        && nearer.returned_any
        && RateComparison::new(here, there).is_ok_and(|p| p.p_a_higher <= 1.0 - e.limit.confidence)
}

/// What would narrow the suspects down, or mend the only one left.
fn next_for(e: &Evidence, suspects: &[Location]) -> &'static str {
    let two_ports = e.placement == Placement::ReturnPort;
    match suspects {
        [Location::Port] => "take this port out of use and move to a spare one; if the card can be swapped, swap it",
        [Location::Cable] => {
            "re-terminate or replace the cable; to find the segment, move the plug to the end of each in turn"
        }
        [Location::Port, Location::Plug] => {
            "swap the plug and repeat; if it still fails, prove the plug on a known-good port, then condemn this one"
        }
        _ if two_ports => "swap the cable and repeat; then test each port with a plug of its own",
        _ => "put the same plug into the port itself and repeat: a pass there leaves only the cable",
    }
}

fn places(suspects: &[Location]) -> String {
    suspects
        .iter()
        .map(|l| match l {
            Location::Port => "port",
            Location::ReturnPort => "return port",
            Location::Plug => "plug",
            Location::Cable => "cable",
            Location::Host => "host",
        })
        .collect::<Vec<_>>()
        .join(" or ")
}

fn blame(e: &Evidence, sureness: &str, text: String) -> Option<Finding> {
    let suspects = suspects(e);
    let sureness = match suspects.as_slice() {
        [_] => sureness.to_owned(),
        several => format!("{sureness}; {} cannot be told apart by this run", places(several)),
    };
    let next = next_for(e, &suspects);
    finding(Outcome::Fault, suspects, &sureness, text, next)
}

fn in_service(e: &Evidence) -> Option<Finding> {
    if e.in_service.is_empty() {
        return None;
    }
    finding(
        Outcome::NotTested,
        vec![],
        "certain: this is what the host says",
        format!("the port is in service: {}", e.in_service.join("; ")),
        "free the port, or test a spare one",
    )
}

fn foreign_traffic(e: &Evidence) -> Option<Finding> {
    let heard = e.heard.foreign_before.saturating_add(e.heard.foreign_during);
    if heard == 0 {
        return None;
    }
    let when = if e.heard.foreign_before > 0 { "before anything was sent" } else { "during the run, which stopped" };
    finding(
        Outcome::NotTested,
        vec![],
        "certain: frames of another station were heard",
        format!("{heard} frames of other stations were heard {when}: this port is on a live network, not on a plug"),
        "find out what the other end is connected to; fit the plug, then repeat",
    )
}

fn port_gone(e: &Evidence) -> Option<Finding> {
    if e.stopped != Some(Stopped::PortGone) {
        return None;
    }
    finding(
        Outcome::Undecided,
        vec![],
        "certain: the host lost the interface",
        format!("the port vanished from the host after {} probes", e.counts.sent),
        "see that the adapter is seated and powered, read the kernel log, then repeat",
    )
}

fn no_link(e: &Evidence) -> Option<Finding> {
    if e.link.up || e.counts.sent > 0 || e.stopped == Some(Stopped::ByUser) {
        return None;
    }
    let text = match (e.placement, e.link.medium) {
        (Placement::Internal, _) => "no link even with the loop inside the chip".to_owned(),
        (_, Medium::Fibre) => {
            "no link: no light comes back (no plug, a dirty or broken fibre, or a dead transmitter or receiver)".into()
        }
        (Placement::AtPort, _) => {
            "no link: no plug is fitted, the plug is open, or the port's line side is dead".to_owned()
        }
        _ => "no link: the loop is open somewhere, or the port's line side is dead".to_owned(),
    };
    blame(e, "certain that the loop is open; nothing was measured on the line", text).map(|mut f| {
        if !matches!(f.location.as_slice(), [Location::Port]) && e.placement == Placement::AtPort {
            f.location = vec![Location::Plug, Location::Port];
            f.next =
                "see that a plug is fitted and seated; then try the plug in a known-good port of the same kind".into();
        }
        f
    })
}

fn link_lost(e: &Evidence) -> Option<Finding> {
    if e.stopped != Some(Stopped::LinkLost) {
        return None;
    }
    finding(
        Outcome::Undecided,
        vec![],
        "certain that the link went away; not why",
        format!("the link went down after {} probes and stayed down", e.counts.sent),
        "was the plug or cable moved? seat both, then repeat; if it happens again untouched, the loop has a bad contact",
    )
}

fn not_transmitted(e: &Evidence) -> Option<Finding> {
    let transmitted = e.transmitted?;
    let sent = e.counts.sent;
    // What this computer says it dropped was never the adapter's to send.
    let handed_over = sent.saturating_sub(e.losses.never_left);
    if handed_over < SENT_MIN || e.counts.returned > 0 || transmitted > handed_over / 10 {
        return None;
    }
    finding(
        Outcome::Fault,
        vec![Location::Port],
        "near certain: the adapter's own count says so",
        format!("the host handed over {handed_over} frames and the adapter reports {transmitted} sent"),
        next_for(e, &[Location::Port]),
    )
}

fn nothing_sent(e: &Evidence) -> Option<Finding> {
    if e.counts.sent > 0 {
        return None;
    }
    finding(
        Outcome::NotTested,
        vec![],
        "certain: no probe left",
        "no probe was sent".into(),
        "repeat the run; if the port refuses every frame, read the kernel log",
    )
}

fn nothing_returned(e: &Evidence) -> Option<Finding> {
    // If every probe was lost in this computer, the line was never asked.
    if e.counts.returned > 0 || e.frames_tried() == 0 {
        return None;
    }
    let text = format!("the link is up, {} probes left and none came back", e.frames_tried());
    if e.placement == Placement::Internal || reference(e, Placement::Internal).is_some_and(|r| !r.returned_any) {
        return blame(e, "near certain: the loop inside the chip returns nothing either", text);
    }
    // Something holds the link up. A plug that links also returns; so this is hardly a plug, and nobody is blamed.
    finding(
        Outcome::Undecided,
        vec![],
        "certain that nothing returns; not what holds the link up",
        text,
        "look at what is on the other end: a switch or another computer holds the link up but returns nothing; fit a plug that \
         is proven on a known-good port and repeat",
    )
}

fn damaged_after_check(e: &Evidence) -> Option<Finding> {
    let damaged = e.damaged_after_check();
    if damaged == 0 {
        return None;
    }
    finding(
        Outcome::Fault,
        vec![Location::Host],
        "near certain: a random error passes the frame check once in 2^32 damaged frames",
        format!(
            "{damaged} of {} frames had wrong contents though their frame check was right: damaged behind the adapter's check, in \
             its buffers, the bus or memory, not on the line",
            e.counts.returned
        ),
        "move the card to another slot or computer and repeat: if the damage goes with it, condemn the card; else test this \
         computer's memory",
    )
}

fn link_flapped(e: &Evidence) -> Option<Finding> {
    match e.link_flaps {
        0 => return None,
        // One drop is what a hand on the plug looks like.
        1 => {
            return finding(
                Outcome::Undecided,
                vec![],
                "certain that the link dropped; not why",
                "the link went down and came back once".into(),
                "was the plug or cable touched? leave both alone and repeat: a second drop is a bad contact",
            );
        }
        _ => {}
    }
    blame(
        e,
        "certain that the link dropped",
        format!("the link went down and came back {} times while nobody should have touched it", e.link_flaps),
    )
}

fn bit_errors(e: &Evidence) -> Option<Finding> {
    let ratio = bit_error_ratio(e)?;
    let refuted = ratio.proved_above > ratio.limit;
    if ratio.errors < ERRORS_MIN || !refuted || (ratio.basis == Basis::Bits && !frames_refute(e, e.counts.damaged)) {
        return None;
    }
    let unit = match ratio.basis {
        Basis::Bits => "bits",
        Basis::Frames => "frames",
    };
    blame(
        e,
        &format!("{} % that the ratio is above the limit", 100.0 * ratio.confidence),
        format!(
            "{} of {} {unit} failed: bit error ratio {:.1e}, at least {:.1e} where {:.0e} is allowed",
            ratio.errors, ratio.trials, ratio.estimate, ratio.proved_above, ratio.limit
        ),
    )
}

/// Whether so many failed frames refute the limit by themselves. Wrong bits come in bursts: however many one frame holds,
/// it is one hit, and bounds on bits, which take them as independent, would call it proof.
fn frames_refute(e: &Evidence, failed: u64) -> bool {
    let tried = e.frames_tried();
    let allowed = bits_to_frames(e.limit.bit_error_ratio, e.frame_bits);
    failed >= ERRORS_MIN
        && lower_bound(failed.min(tried), tried, e.limit.confidence).is_ok_and(|proved_above| proved_above > allowed)
}

fn frames_lost(e: &Evidence) -> Option<Finding> {
    // On the basis of frames the rule above has counted them already.
    if e.basis() == Basis::Frames {
        return None;
    }
    if !frames_refute(e, e.losses.wire()) {
        return None;
    }
    blame(
        e,
        &format!("{} % that more are lost than the limit allows", 100.0 * e.limit.confidence),
        format!(
            "{} of {} frames left and did not come back, and nothing in this computer dropped them",
            e.losses.wire(),
            e.frames_tried()
        ),
    )
}

fn frames_cut(e: &Evidence) -> Option<Finding> {
    if e.lengths_changed() < ERRORS_MIN {
        return None;
    }
    blame(
        e,
        "certain that lengths changed",
        format!("{} frames came back shorter and {} longer than sent", e.counts.truncated, e.counts.lengthened),
    )
}

fn not_a_plain_loop(e: &Evidence) -> Option<Finding> {
    let (twice, overtaken) = (e.counts.duplicated, e.counts.reordered);
    if twice == 0 && overtaken == 0 {
        return None;
    }
    finding(
        Outcome::Undecided,
        vec![],
        "certain that it happened: a plug can neither copy frames nor let one overtake another",
        format!("{twice} frames came back twice and {overtaken} out of order"),
        "look for a switch, a bridge or another active device in the loop; with a bare plug fitted, repeat",
    )
}

fn places_disagree(e: &Evidence) -> Option<Finding> {
    // With a return port there is no plug, so a failure at the port may be the plug's and contradicts nothing.
    let nearer: &[Placement] = match e.placement {
        Placement::Internal => &[],
        Placement::FarEnd => &[Placement::Internal, Placement::AtPort],
        Placement::AtPort | Placement::ReturnPort => &[Placement::Internal],
    };
    let failed = nearer.iter().filter_map(|&p| reference(e, p)).find(|r| r.failed())?;
    finding(
        Outcome::Undecided,
        vec![],
        "certain that both cannot be true of one unchanged port and plug",
        format!("no fault shows at `{}`, though the nearer `{}` fails", e.placement, failed.placement),
        "re-seat the plug and repeat both; if they still disagree the fault comes and goes: run longer",
    )
}

fn limit_proved(e: &Evidence) -> Option<Finding> {
    let ratio = bit_error_ratio(e)?;
    let loss = frame_loss_ratio(e)?;
    let loss_allowed = bits_to_frames(e.limit.bit_error_ratio, e.frame_bits);
    let proved = ratio.proved_below <= ratio.limit && loss.better_than <= loss_allowed;
    if !proved || e.counts.returned == 0 || e.lengths_changed() > 0 || e.stopped.is_some_and(|s| s != Stopped::ByUser) {
        return None;
    }
    finding(
        Outcome::Pass,
        vec![],
        &format!("{} % that the bit error ratio is below {:.1e}", 100.0 * ratio.confidence, ratio.proved_below),
        format!(
            "{} errors in {:.2e} bits: bit error ratio proved below {:.1e} where {:.0e} is allowed",
            ratio.errors, e.counts.bits_compared as f64, ratio.proved_below, ratio.limit
        ),
        match e.placement {
            Placement::Internal => "the host side is good; fit a plug to test the line side",
            Placement::AtPort => {
                "the port is good as far as a plug can show; if the link still fails, test the cable with the plug at its far end"
            }
            Placement::FarEnd => {
                "port and cable are good as far as a plug can show; look at the equipment at the far end"
            }
            Placement::ReturnPort => "both ports and the cable are good as far as this can show",
        },
    )
}

fn host_limited(e: &Evidence) -> Option<Finding> {
    let inside = e.losses.inside();
    if inside == 0 || inside < e.counts.lost.div_ceil(2) {
        return None;
    }
    finding(
        Outcome::Undecided,
        vec![],
        "certain: this computer's own counters say so",
        format!(
            "{inside} of {} missing frames were lost inside this computer, too many to judge the line",
            e.counts.lost
        ),
        "stop other work on this computer, or lower --rate, and repeat",
    )
}

fn too_few_bits(e: &Evidence) -> Option<Finding> {
    let ratio = bit_error_ratio(e)?;
    let text = if ratio.proved_below > ratio.limit {
        format!(
            "{} errors in {:.2e} bits proves a bit error ratio below {:.1e} only, where {:.0e} is asked",
            ratio.errors, e.counts.bits_compared as f64, ratio.proved_below, ratio.limit
        )
    } else {
        format!(
            "{} frames lost or odd of {}: too many to pass at this limit, too few to blame",
            e.frames_failed(),
            e.counts.sent
        )
    };
    finding(
        Outcome::Undecided,
        vec![],
        "neither proved nor refuted",
        text,
        "run longer (--for, or --profile proof, which stops by itself when the limit is proved or refuted)",
    )
}

/// Frames that must have been handed over before the adapter's silence counts.
const SENT_MIN: u64 = 10;

#[cfg(test)]
mod tests;
