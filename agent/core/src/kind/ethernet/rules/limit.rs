//! Rules on runs in which no fault shows: is the limit proved, and if not, why not?

use super::{Finding, finding, suspects::reference};
use crate::base::figure::count;
use crate::base::placement::Placement;
use crate::{
    judge::Outcome,
    kind::ethernet::ratio::{bit_error_ratio, frame_loss_ratio, frames_allowed},
};
use crate::{
    judge::facts::{Basis, Stopped},
    kind::ethernet::facts::Evidence,
};

pub(super) fn places_disagree(e: &Evidence) -> Option<Finding> {
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

pub(super) fn limit_proved(e: &Evidence) -> Option<Finding> {
    let ratio = bit_error_ratio(e)?;
    let loss = frame_loss_ratio(e)?;
    let proved = ratio.proved_below <= ratio.limit && loss.better_than <= frames_allowed(e)?;
    if !proved || e.counts.returned == 0 || e.lengths_changed() > 0 || e.stopped.is_some_and(|s| s != Stopped::ByUser) {
        return None;
    }
    finding(
        Outcome::Pass,
        vec![],
        &format!("{} % that the bit error ratio is below {:.1e}", 100.0 * ratio.confidence, ratio.proved_below),
        format!(
            "{} errors in {:.2e} bits: bit error ratio proved below {:.1e} where {:.0e} is allowed{}",
            count(ratio.errors),
            e.counts.bits_compared as f64,
            ratio.proved_below,
            ratio.limit,
            match e.losses.wire() {
                // A lax limit lets frames go: whoever asked for it must see what it let go.
                lost if lost > 0 && e.basis() == Basis::Bits => format!(
                    "; {} of {} frames lost on the way, no more than that allows",
                    count(lost),
                    count(e.frames_tried())
                ),
                _ => String::new(),
            }
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

pub(super) fn host_limited(e: &Evidence) -> Option<Finding> {
    let inside = e.losses.inside();
    if inside == 0 || inside < e.counts.lost.div_ceil(2) {
        return None;
    }
    // A few of many do not stand in the way of a judgement: then it is bits that are missing.
    if e.counts.returned > 0 && inside.saturating_mul(HOST_SHARE) < e.counts.sent {
        return None;
    }
    finding(
        Outcome::Undecided,
        vec![],
        "certain: this computer's own counters say so",
        format!(
            "{} of {} missing frames were lost inside this computer, too many to judge the line",
            count(inside),
            count(e.counts.lost)
        ),
        "stop other work on this computer, or lower --rate, and repeat",
    )
}

/// Failures beyond the limit that came in too few hits to blame anybody. More of the same run dilutes a burst slowly;
/// whether it comes back is what decides.
pub(super) fn few_hits(e: &Evidence) -> Option<Finding> {
    let ratio = bit_error_ratio(e)?;
    if ratio.proved_above <= ratio.limit {
        return None;
    }
    let hits = match ratio.basis {
        Basis::Bits => format!("{} wrong bits, all in {} frames", count(ratio.errors), count(e.counts.damaged)),
        Basis::Frames => format!("{} frames failed", count(ratio.errors)),
    };
    finding(
        Outcome::Undecided,
        vec![],
        "certain that it happened; not that it will again",
        format!("{hits} of {}: above the limit, but a single hit from outside can do that", count(e.frames_tried())),
        "repeat the run: a hit from outside (a motor or a switch nearby) stays away and the run passes; if it comes \
         back, run --profile soak --for 1h and move plug and cable meanwhile",
    )
}

pub(super) fn too_few_bits(e: &Evidence) -> Option<Finding> {
    let ratio = bit_error_ratio(e)?;
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
            "{} frames lost or odd of {}: too many to pass at this limit, too few to blame",
            count(e.frames_failed()),
            count(e.counts.sent)
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

/// One in so many of all frames, lost in this computer, leaves too little of the line to judge; our own choice.
const HOST_SHARE: u64 = 10;
