//! What a run went over, in words.

use super::{Detail, Report};
use crate::base::figure;
use crate::base::placement::Placement;
use crate::kind::ethernet::cable_test::ALSO_100;
use crate::kind::ethernet::detail::{EthernetDetail, StepReport};
use crate::kind::ethernet::link::Medium;
use crate::kind::ethernet::probe::LINE_OVERHEAD_BYTES;

impl Report {
    /// Speed and pairs, or format and plug; none if there was no link. A load far below what the line carries is told.
    pub fn over(&self) -> Option<String> {
        match &self.detail {
            Detail::Ethernet(detail) => {
                let mbps = detail.link.speed_mbps.filter(|_| detail.link.up)?;
                let pairs = pairs(detail, self.placement).map_or(String::new(), |pairs| format!(" on {pairs}"));
                let load =
                    self.light_load().map_or(String::new(), |share| format!(", {}", figure::of_line_rate(share)));
                Some(format!("{mbps} Mb/s{pairs}{load}"))
            }
            Detail::Serial(detail) => Some(format!("{}, wiring {}", detail.format, detail.plug)),
        }
    }

    /// The highest load of the steps that count as a share of the line rate, `0.0..1.0`; none where it is near that of
    /// the line. What fails under load alone may have been missed at a light one.
    pub fn light_load(&self) -> Option<f64> {
        let detail = self.ethernet().filter(|detail| detail.capabilities.has_line_rate && detail.link.up)?;
        let mbps = detail.link.speed_mbps?;
        let octets = |step: &StepReport| f64::from(step.size_bytes) + LINE_OVERHEAD_BYTES as f64;
        let share = |step: &StepReport| step.frames_per_second * octets(step) * 8.0 / (f64::from(mbps) * 1e6);
        let highest = self.steps.iter().filter(|step| !step.repeated_slower).map(share).reduce(f64::max)?;
        (highest < LIGHT).then_some(highest)
    }
}

/// A load below nine tenths of the line rate is told beside a verdict. Our own choice.
const LIGHT: f64 = 0.9;

/// Pairs of the cable that carried the frames, by number and contacts.
fn pairs(detail: &EthernetDetail, placement: Placement) -> Option<String> {
    if detail.link.uses_two_pairs(placement) {
        return Some(ALSO_100.into());
    }
    let copper = detail.link.medium == Medium::Copper && placement != Placement::Internal;
    copper.then(|| "all four pairs".into())
}
