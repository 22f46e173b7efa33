//! Rules on a port or link that is not there, or went.

use super::{Finding, finding, suspects::blame};
use crate::base::figure::count;
use crate::judge::{Location, Outcome};
use crate::{base::placement::Placement, kind::ethernet::link::Medium};
use crate::{judge::facts::Stopped, kind::ethernet::facts::Evidence};

pub(super) fn port_gone(e: &Evidence) -> Option<Finding> {
    if e.stopped != Some(Stopped::PortGone) {
        return None;
    }
    finding(
        Outcome::Undecided,
        vec![],
        "certain: the host lost the interface",
        format!("the port vanished from the host after {} probes", count(e.counts.sent)),
        "see that the adapter is seated and powered, read the kernel log, then repeat",
    )
}

pub(super) fn reconfigured(e: &Evidence) -> Option<Finding> {
    if e.stopped != Some(Stopped::Reconfigured) {
        return None;
    }
    finding(
        Outcome::Undecided,
        vec![],
        "certain: this is what the host says",
        format!(
            "somebody on this computer switched the port off or changed its MTU or address after {} probes; what failed \
             meanwhile says nothing of port, plug or cable",
            count(e.counts.sent)
        ),
        "find out which program looks after this port, have it leave the port alone, then repeat",
    )
}

pub(super) fn no_link(e: &Evidence) -> Option<Finding> {
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

pub(super) fn link_lost(e: &Evidence) -> Option<Finding> {
    if e.stopped != Some(Stopped::LinkLost) {
        return None;
    }
    finding(
        Outcome::Undecided,
        vec![],
        "certain that the link went away; not why",
        format!("the link went down after {} probes and stayed down", count(e.counts.sent)),
        "was the plug or cable moved? seat both, then repeat; if it happens again untouched, the loop has a bad contact",
    )
}

pub(super) fn link_flapped(e: &Evidence) -> Option<Finding> {
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
