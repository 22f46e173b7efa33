//! Remarks that only ports of frames have.

use super::late::held_up;
use crate::judge::RuleId;
use crate::judge::rule::Remark;
use crate::kind::ethernet::facts::EthernetFacts;

pub(super) const REMARKS: &[Remark<EthernetFacts>] =
    &[Remark { id: RuleId::EchoesLate, say: held_up }, Remark { id: RuleId::ForcedSpeed, say: forced_speed }];

fn forced_speed(e: &EthernetFacts) -> Option<String> {
    e.fallback_mbps.map(|mbps| {
        format!(
            "This port could not link to itself at its own speed, as gigabit copper usually cannot. It was tested at \
             {mbps} Mb/s full duplex, which uses two of the four pairs."
        )
    })
}
