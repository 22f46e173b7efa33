//! Rules that only ports of frames have, a file for each matter, and what frames say to the rules that all kinds share.

mod damage;
#[cfg(test)]
mod edges;
#[cfg(test)]
mod fixture;
mod late;
mod limit;
mod link;
mod occupied;
mod remarks;
mod silence;
#[cfg(test)]
mod tests;

use crate::base::figure::{count, counted, listed, upper};
use crate::base::placement::Placement;
use crate::judge::ratio::{ErrorRatio, Loss};
use crate::judge::rule::{Remark, Rule};
use crate::judge::shared::is_limit_proved;
use crate::judge::{
    facts::{Common, Facts, Silence, Trouble, Words},
    ratio::Basis,
};
use crate::kind::ethernet::cable_test::{ONLY_1000, at_two_pairs};
use crate::kind::ethernet::facts::EthernetFacts;
use crate::signal::when::When;
use crate::stats::bits::bounds_from_frames;
use crate::stats::ratio::Bounds;

impl Facts for EthernetFacts {
    const WORDS: Words = Words {
        unit: "frame",
        units: "frames",
        if_none_leaves: "If the port refuses every frame, read the kernel log.",
        slowed: "a lower rate",
        send_slower: "use a lower --rate",
        reconfigured: "switched the port off, or changed its MTU or address,",
    };
    const RULES: &'static [&'static [Rule<Self>]] =
        &[occupied::RULES, link::RULES, silence::RULES, late::RULES, damage::RULES, limit::RULES];
    const REMARKS: &'static [Remark<Self>] = remarks::REMARKS;
    const SILENCE_INSIDE_IS_FAILURE: bool = true;

    fn common(&self) -> &Common {
        &self.common
    }

    fn sent(&self) -> u64 {
        self.counts.sent
    }

    fn returned(&self) -> u64 {
        self.counts.returned
    }

    fn lost(&self) -> u64 {
        self.counts.lost
    }

    fn lost_inside(&self) -> u64 {
        self.losses.inside()
    }

    fn bits_compared(&self) -> u64 {
        self.counts.bits_compared
    }

    fn bit_errors(&self) -> u64 {
        self.counts.bit_errors
    }

    /// On the basis of frames the bounds are those of the frame error ratio, each turned into bits by
    /// [`bounds_from_frames`]. That assumes independent errors; bursts make it too low.
    fn error_ratio(&self) -> Option<ErrorRatio> {
        let (basis, limit) = (self.basis(), &self.common.limit);
        let (errors, trials, bounds) = match basis {
            Basis::Bits => {
                let (errors, trials) = (self.counts.bit_errors, self.counts.bits_compared);
                (errors, trials, Bounds::new(errors, trials, limit.confidence, limit.looks))
            }
            // What was delivered passed the check: its damage is not the wire's.
            Basis::Frames => {
                let trials = self.frames_tried();
                let errors = self.losses.wire().min(trials);
                let bounds = bounds_from_frames(errors, trials, self.frame_bits, limit.confidence, limit.looks);
                (errors, trials, bounds)
            }
        };
        Some(ErrorRatio::new(basis, errors, trials, &bounds.ok()?, limit))
    }

    fn trouble(&self) -> Trouble {
        let failed = self.frames_failed();
        Trouble {
            tried: self.frames_tried(),
            failed,
            time_ms: 1000 * self.spread.lasted,
            begun: self.spread.groups.max(self.link_flaps),
            pauses: self.link_flaps > 0 || self.spread.has_pauses(failed),
        }
    }

    fn loss(&self) -> Option<Loss> {
        self.common.limit.loss(self.losses.wire(), self.frames_tried(), self.frame_bits)
    }

    fn bars_pass(&self) -> bool {
        self.lengths_changed() > 0
    }

    fn untested(&self) -> Option<String> {
        (!self.sizes_not_returned.is_empty()).then(|| format!("without frames of {}", sizes(&self.sizes_not_returned)))
    }

    fn scope(&self) -> Option<String> {
        let speed = self.link.speed_mbps.filter(|_| self.link.uses_two_pairs(self.common.placement));
        let pairs = speed.map(at_two_pairs);
        let taken = (!self.sizes_not_taken.is_empty())
            .then(|| format!("without frames of {}, which this port does not take", sizes(&self.sizes_not_taken)));
        let parts: Vec<String> = pairs.into_iter().chain(taken).collect();
        (!parts.is_empty()).then(|| parts.join("; "))
    }

    fn needs_first(&self) -> Option<&'static str> {
        (!self.link.up).then_some("link")
    }

    fn silence(&self) -> Option<Silence> {
        // What comes back late is not silent.
        self.silent_from_s.filter(|_| late::echoes_late(self).is_none()).map(|from_s| Silence { from_s, noise: 0 })
    }

    fn when(&self) -> &When {
        &self.when
    }

    fn imbalance(&self) -> Option<String> {
        let c = &self.counts;
        let classes = self.losses.inside().saturating_add(self.losses.wire()).saturating_add(self.losses.late);
        if c.returned.checked_add(c.lost) != Some(c.sent) {
            Some(format!("{} frames sent, {} returned, {} lost", count(c.sent), count(c.returned), count(c.lost)))
        } else if classes != c.lost {
            Some(format!("{} frames lost, {} in all classes", count(c.lost), count(classes)))
        } else {
            None
        }
    }

    fn is_host_limited(&self) -> bool {
        let inside = self.losses.inside();
        let most_of_the_missing = inside > 0 && inside >= self.counts.lost.div_ceil(2);
        // A few of many do not stand in the way of a judgement: then it is bits that are missing.
        let many_of_all = inside.saturating_mul(HOST_SHARE) >= self.counts.sent;
        most_of_the_missing && many_of_all && !is_limit_proved(self)
    }

    fn has_plug(&self) -> bool {
        true
    }

    fn damaged_in(&self) -> String {
        counted(self.counts.damaged, "frame")
    }

    fn odd(&self) -> String {
        format!("{} lost or odd", counted(self.frames_failed(), "frame"))
    }

    fn beside_pass(&self) -> String {
        let lost = self.losses.wire();
        // A lax limit lets frames go: whoever asked for it must see what it let go.
        if lost == 0 || self.basis() == Basis::Frames {
            return String::new();
        }
        format!("; {} of {} frames lost on the way, no more than that allows", count(lost), count(self.frames_tried()))
    }

    fn after_pass(&self) -> String {
        let good = match self.common.placement {
            Placement::Internal => {
                return "The host side of the port is good. Fit a plug to test the line side.".into();
            }
            Placement::AtPort => "The port is good as far as a plug can show.",
            Placement::FarEnd => "Port and cable are good as far as a plug can show.",
            Placement::ReturnPort => "Both ports and the cable are good as far as this test can show.",
        };
        if self.link.uses_two_pairs(self.common.placement) {
            let good = match self.common.placement {
                Placement::FarEnd => "Pairs 2 and 3 of port and cable are good as far as a plug can show.",
                Placement::ReturnPort => "Pairs 2 and 3 of both ports and the cable are good as far as this shows.",
                Placement::AtPort | Placement::Internal => "The port is good on pairs 2 and 3.",
            };
            let forced = match self.fallback_mbps {
                Some(_) => " The port found no link at its own speed, as gigabit copper usually cannot with a plug.",
                None => "",
            };
            let other = match self.common.placement {
                Placement::ReturnPort => "connect two ports that run at 1000 Mb/s",
                _ if self.offers_cable_test => "use a second port with --return-port",
                _ => "run the cable to a second port of this computer and use --return-port",
            };
            let cable = match self.common.placement {
                _ if !self.offers_cable_test => "",
                Placement::AtPort | Placement::Internal => ", or fit an open cable and run `turnback cable-test`",
                Placement::FarEnd | Placement::ReturnPort => ", or free the far end and run `turnback cable-test`",
            };
            // Linked at its own speed, it may be a port that knows no higher one.
            let if_able = match self.fallback_mbps {
                Some(_) => "",
                None => "if this port can do 1000 Mb/s, ",
            };
            return format!("{good}{forced} {} were not tested: {if_able}{other}{cable}.", upper(ONLY_1000));
        }
        let further = match self.common.placement {
            Placement::AtPort => " If the link still fails, test the cable with the plug at its far end.",
            Placement::FarEnd => " If the link still fails, look at the equipment at the far end.",
            Placement::Internal | Placement::ReturnPort => "",
        };
        format!("{good}{further}")
    }
}

/// Sizes in words: `64 and 1518 bytes`.
fn sizes(sizes: &[u32]) -> String {
    format!("{} bytes", listed(&sizes.iter().map(u32::to_string).collect::<Vec<_>>()))
}

/// One in so many of all frames, lost in this computer, leaves too little of the line to judge; our own choice.
const HOST_SHARE: u64 = 10;
