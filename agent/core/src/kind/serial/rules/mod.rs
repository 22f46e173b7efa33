//! Rules that only serial ports have, a file for each matter, and what bytes say to the rules that all kinds share.
//! [`modem`] says what the readings of the modem lines mean.

mod damage;
#[cfg(test)]
mod edges;
#[cfg(test)]
pub(super) mod fixture;
mod format;
mod heard;
mod lines;
pub mod modem;
mod remarks;
#[cfg(test)]
mod tests;

use crate::base::figure::{count, counted, listed};
use crate::base::placement::Placement;
use crate::judge::ratio::{ErrorRatio, Loss};
use crate::judge::rule::{Remark, Rule};
use crate::judge::{
    facts::{Common, Facts, Silence, Trouble, Words},
    ratio::{Basis, ERRORS_MIN},
};
use crate::kind::serial::facts::SerialFacts;
use crate::kind::serial::plug::LinePlug;
use crate::signal::compare::DamageKind;
use crate::signal::when::When;
use crate::stats::ratio::Bounds;

impl Facts for SerialFacts {
    const WORDS: Words = Words {
        unit: "byte",
        units: "bytes",
        if_none_leaves: "If the port takes no byte, check whether flow control stops it (CTS off).",
        slowed: "fewer bytes sent at once",
        send_slower: "use a lower speed with --line",
        reconfigured: "changed the settings of the line",
    };
    const RULES: &'static [&'static [Rule<Self>]] = &[heard::RULES, damage::RULES, lines::RULES, format::RULES];
    const REMARKS: &'static [Remark<Self>] = remarks::REMARKS;
    /// Where OUT2 lets the interrupt through, as on the cards of the first PCs, loop mode itself keeps every byte from
    /// the driver (IBM 5150 Technical Reference 2-144: the outputs are disconnected in loop mode).
    const SILENCE_INSIDE_IS_FAILURE: bool = false;

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

    fn may_lose_uncounted(&self) -> bool {
        self.capabilities.hides_overruns()
    }

    fn lost_inside(&self) -> u64 {
        self.lost_in_host()
    }

    fn bits_compared(&self) -> u64 {
        self.counts.bits_compared
    }

    fn bit_errors(&self) -> u64 {
        self.counts.bit_errors
    }

    fn error_ratio(&self) -> Option<ErrorRatio> {
        let (errors, trials) = (self.counts.bit_errors, self.counts.bits_compared);
        let limit = &self.common.limit;
        let bounds = Bounds::new(errors, trials, limit.confidence, limit.looks).ok()?;
        Some(ErrorRatio::new(Basis::Bits, errors, trials, &bounds, limit))
    }

    fn trouble(&self) -> Trouble {
        let bits = self.counts.bits_compared;
        Trouble { tried: bits, failed: self.counts.bit_errors.min(bits), ..Trouble::default() }
    }

    fn loss(&self) -> Option<Loss> {
        let failed =
            self.lost_unexplained().saturating_add(self.counts.inserted).saturating_add(self.characters_in_error());
        let tried = self.counts.sent.saturating_sub(self.lost_in_host());
        self.common.limit.loss(failed, tried, self.character_bits())
    }

    fn bars_pass(&self) -> bool {
        false
    }

    fn untested(&self) -> Option<String> {
        None
    }

    fn scope(&self) -> Option<String> {
        let without = self.plug.has_modem_lines() && !self.capabilities.modem_lines;
        without.then(|| "on the data wires only: this port has no modem lines".to_owned())
    }

    fn needs_first(&self) -> Option<&'static str> {
        None
    }

    fn silence(&self) -> Option<Silence> {
        self.silence
    }

    fn when(&self) -> &When {
        &self.when
    }

    fn imbalance(&self) -> Option<String> {
        let c = &self.counts;
        let (out, back) = (c.sent.checked_add(c.inserted), c.returned.checked_add(c.lost));
        (out.is_none() || out != back).then(|| {
            format!(
                "{} bytes sent, {} returned, {} lost, {} that were not sent",
                count(c.sent),
                count(c.returned),
                count(c.lost),
                count(c.inserted)
            )
        })
    }

    fn is_host_limited(&self) -> bool {
        let inside = self.lost_in_host();
        // A few bytes, and what a lower pace has stopped, do not stand in the way of a judgement.
        inside > 0 && (self.lost_at_slowest >= ERRORS_MIN || inside.saturating_mul(HOST_SHARE) >= self.counts.sent)
    }

    fn has_plug(&self) -> bool {
        self.plug != LinePlug::Rs485
    }

    fn is_inverted(&self) -> bool {
        self.common.damage == DamageKind::Inverted || self.rests_at_break()
    }

    fn damaged_in(&self) -> String {
        format!("{} of {}", counted(self.counts.damaged, "byte"), counted(self.counts.pieces_damaged, "block"))
    }

    fn odd(&self) -> String {
        let c = &self.counts;
        format!("{} lost, {} extra, {} damaged", counted(c.lost, "byte"), count(c.inserted), count(c.damaged))
    }

    fn beside_pass(&self) -> String {
        let (line, extra) = (self.put_on_line(), self.counts.inserted);
        let lost =
            (line.lost > 0).then(|| format!("{} of {} bytes lost on the way", count(line.lost), count(line.sent)));
        let extra = (extra > 0).then(|| format!("{} came extra", counted(extra, "byte")));
        let told: Vec<String> = lost.into_iter().chain(extra).collect();
        if told.is_empty() { String::new() } else { format!("; {}, no more than that allows", listed(&told)) }
    }

    fn after_pass(&self) -> String {
        let next = match self.common.placement {
            _ if !self.has_plug() => {
                "The port is good as far as it can hear itself. To test the cable, connect the pair to a second RS-485 \
                 port."
            }
            Placement::Internal => "The chip is good. Fit a plug to test the line driver and the connector.",
            Placement::FarEnd => {
                "Port and cable are good as far as a plug can show. If the link still fails, look at the equipment at \
                 the far end."
            }
            Placement::AtPort | Placement::ReturnPort => {
                "The port is good as far as a plug can show. If the link still fails, test the cable with the plug at \
                 its far end, then compare speed and format at both ends."
            }
        };
        next.into()
    }
}

/// One in so many of all bytes, lost in this computer, leaves too little of the line to judge; our own choice.
const HOST_SHARE: u64 = 4;
