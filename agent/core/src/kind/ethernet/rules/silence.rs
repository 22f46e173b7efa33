//! Rules on a port with a link, from which nothing leaves or to which nothing returns.

use super::{
    Finding, finding,
    suspects::{blame, next_for, reference},
};
use crate::base::figure::count;
use crate::base::placement::Placement;
use crate::judge::{Location, Outcome};
use crate::kind::ethernet::facts::Evidence;

pub(super) fn not_transmitted(e: &Evidence) -> Option<Finding> {
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
        format!(
            "the host handed over {} frames and the adapter reports {} sent",
            count(handed_over),
            count(transmitted)
        ),
        next_for(e, &[Location::Port]),
    )
}

pub(super) fn nothing_sent(e: &Evidence) -> Option<Finding> {
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

/// Every probe came back, and not one of them whole: the adapter counted as many frames that failed their check. What only holds
/// the link up sends nothing back, whole or not.
pub(super) fn nothing_intact(e: &Evidence) -> Option<Finding> {
    let tried = e.frames_tried();
    if e.counts.returned > 0 || tried < SENT_MIN || e.losses.failed_check < tried {
        return None;
    }
    blame(
        e,
        "near certain: the adapter counted as many damaged frames as probes were sent",
        format!("all of {} probes came back with a wrong frame check: nothing gets through whole", count(tried)),
    )
}

pub(super) fn nothing_returned(e: &Evidence) -> Option<Finding> {
    // If every probe was lost in this computer, the line was never asked.
    if e.counts.returned > 0 || e.frames_tried() == 0 {
        return None;
    }
    let strange = e.counts.unrecognised;
    let text = match strange {
        0 => format!("the link is up, {} probes left and none came back", count(e.frames_tried())),
        _ => format!(
            "the link is up, {} probes left, and in none of {} frames that came in can a probe be recognised",
            count(e.frames_tried()),
            count(strange)
        ),
    };
    if e.placement == Placement::Internal || reference(e, Placement::Internal).is_some_and(|r| !r.returned_any) {
        return blame(e, "near certain: the loop inside the chip returns nothing either", text);
    }
    if strange > 0 {
        return finding(
            Outcome::Undecided,
            vec![],
            "certain that no probe came back whole enough to be known; not what came in",
            text,
            "swap the plug and repeat: if nothing changes, prove the plug on a known-good port; see that nothing but a plug is \
             connected",
        );
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

/// Frames that must have been handed over before the adapter's silence counts.
const SENT_MIN: u64 = 10;
