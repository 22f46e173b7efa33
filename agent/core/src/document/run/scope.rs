//! What a run went over, in words.

use super::{Detail, Report};
use crate::base::placement::Placement;
use crate::kind::ethernet::cable_test::ALSO_100;
use crate::kind::ethernet::detail::EthernetDetail;
use crate::kind::ethernet::link::Medium;

impl Report {
    /// Speed and pairs, or format and plug; none if there was no link.
    pub fn over(&self) -> Option<String> {
        match &self.detail {
            Detail::Ethernet(detail) => {
                let mbps = detail.link.speed_mbps.filter(|_| detail.link.up)?;
                Some(match pairs(detail, self.placement) {
                    Some(pairs) => format!("{mbps} Mb/s on {pairs}"),
                    None => format!("{mbps} Mb/s"),
                })
            }
            Detail::Serial(detail) => Some(format!("{}, wiring {}", detail.format, detail.plug)),
        }
    }
}

/// Pairs of the cable that carried the frames, by number and contacts.
fn pairs(detail: &EthernetDetail, placement: Placement) -> Option<String> {
    if detail.link.uses_two_pairs(placement) {
        return Some(ALSO_100.into());
    }
    let copper = detail.link.medium == Medium::Copper && placement != Placement::Internal;
    copper.then(|| "all four pairs".into())
}
