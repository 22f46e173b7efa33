//! Rules on what came back wrong, cut, twice, out of order, or not at all.

use super::{Finding, finding, suspects::blame};
use crate::base::figure::count;
use crate::stats::ratio::lower_bound;
use crate::{
    judge::facts::{Basis, ERRORS_MIN},
    kind::ethernet::facts::Evidence,
};
use crate::{
    judge::{Location, Outcome},
    kind::ethernet::ratio::{bit_error_ratio, frames_allowed},
};

pub(super) fn damaged_after_check(e: &Evidence) -> Option<Finding> {
    let damaged = e.damaged_after_check();
    if damaged == 0 {
        return None;
    }
    finding(
        Outcome::Fault,
        vec![Location::Host],
        "near certain: a random error passes the frame check once in 2^32 damaged frames",
        format!(
            "{} of {} frames had wrong contents though their frame check was right: damaged behind the adapter's check, in \
             its buffers, the bus or memory, not on the line",
            count(damaged),
            count(e.counts.returned)
        ),
        "move the card to another slot or computer and repeat: if the damage goes with it, condemn the card; else test this \
         computer's memory",
    )
}

pub(super) fn bit_errors(e: &Evidence) -> Option<Finding> {
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
            count(ratio.errors),
            count(ratio.trials),
            ratio.estimate,
            ratio.proved_above,
            ratio.limit
        ),
    )
}

/// Whether so many failed frames refute the limit by themselves. Wrong bits come in bursts: however many one frame holds,
/// it is one hit, and bounds on bits, which take them as independent, would call it proof.
pub(super) fn frames_refute(e: &Evidence, failed: u64) -> bool {
    let tried = e.frames_tried();
    let (Some(allowed), Ok(proved_above)) =
        (frames_allowed(e), lower_bound(failed.min(tried), tried, e.limit.confidence))
    else {
        return false;
    };
    failed >= ERRORS_MIN && proved_above > allowed
}

pub(super) fn frames_lost(e: &Evidence) -> Option<Finding> {
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
            count(e.losses.wire()),
            count(e.frames_tried())
        ),
    )
}

pub(super) fn frames_cut(e: &Evidence) -> Option<Finding> {
    if e.lengths_changed() < ERRORS_MIN {
        return None;
    }
    blame(
        e,
        "certain that lengths changed",
        format!(
            "{} frames came back shorter and {} longer than sent",
            count(e.counts.truncated),
            count(e.counts.lengthened)
        ),
    )
}

pub(super) fn not_a_plain_loop(e: &Evidence) -> Option<Finding> {
    let (twice, overtaken) = (e.counts.duplicated, e.counts.reordered);
    if twice == 0 && overtaken == 0 {
        return None;
    }
    finding(
        Outcome::Undecided,
        vec![],
        "certain that it happened: a plug can neither copy frames nor let one overtake another",
        format!("{} frames came back twice and {} out of order", count(twice), count(overtaken)),
        "look for a switch, a bridge or another active device in the loop; with a bare plug fitted, repeat",
    )
}

/// The mean of the run may be good: a fault that comes for a second in an hour is a fault all the same.
pub(super) fn comes_and_goes(e: &Evidence) -> Option<Finding> {
    let spells = e.spells;
    if spells.count == 0 {
        return None;
    }
    let sureness =
        format!("{} % that a line at its limit shows no such second in the whole run", 100.0 * e.limit.confidence);
    let text = format!(
        "{} of {} frames failed within {} s in {}, far beyond the limit, though not in the mean of the run",
        count(spells.failed),
        count(spells.sent),
        spells.seconds,
        if spells.count == 1 { "one spell".to_owned() } else { format!("{} spells", spells.count) },
    );
    if spells.count >= ERRORS_MIN {
        return blame(e, &sureness, text);
    }
    finding(
        Outcome::Undecided,
        vec![],
        &sureness,
        text,
        "find out what happened then (the plug or cable moved, a motor nearby switched); repeat the soak untouched, then \
         once more while plug and cable are moved: a fault comes back",
    )
}
