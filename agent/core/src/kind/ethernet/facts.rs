//! All facts of a run with frames, gathered before anything is concluded from them.

use serde::{Deserialize, Serialize};

use crate::judge::{facts::Common, ratio::Basis};

use super::losses::Losses;
use crate::kind::ethernet::link::{Capabilities, LinkState};
use crate::kind::ethernet::stream::tally::FrameCounts;
use crate::signal::seconds::Spread;
use crate::signal::when::When;
use crate::stats::ratio::Bounds;
use crate::stats::spells::Spells;

/// What was heard before anything was sent, and what came in between the probes later.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Heard {
    /// Frames of other stations while nothing was sent.
    pub foreign_before: u64,
    /// Frames of other stations during the run.
    pub foreign_during: u64,
    /// Of those, probes of another tester; 0 in reports of programs that did not tell them apart.
    #[serde(default, skip_serializing_if = "is_none_heard")]
    pub testers: u64,
    /// Frames that programs of this computer sent out of the port themselves, up to the moment when the first foreign
    /// frame was heard; `None` where nobody counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sent_by_host: Option<u64>,
    /// This host's own frames (neighbour discovery and the like) that came back: a loop turns them too.
    pub own_host: u64,
}

fn is_none_heard(frames: &u64) -> bool {
    *frames == 0
}

/// All facts of a run with frames.
#[derive(Clone, Debug)]
pub struct EthernetFacts {
    /// What every kind of port has.
    pub common: Common,
    /// The port can show and do this.
    pub capabilities: Capabilities,
    /// The adapter may have the kernel's cable test.
    pub offers_cable_test: bool,
    /// The adapter was told to deliver frames that failed its check, so that single wrong bits are seen.
    pub bad_frames_delivered: bool,
    /// Link before anything was sent, after any fall-back.
    pub link: LinkState,
    /// Speed forced because the port could not link to itself at its own, Mb/s.
    pub fallback_mbps: Option<u32>,
    /// Times the link went away and came back during the run.
    pub link_flaps: u64,
    /// Foreign and own frames.
    pub heard: Heard,
    /// Probe counts over all steps.
    pub counts: FrameCounts,
    /// Missing probes by class.
    pub losses: Losses,
    /// Mean length of the probes sent, bits: with the FCS where the adapter checks it, since a hit there fails the
    /// frame too; without it where nobody looks at it.
    pub frame_bits: f64,
    /// Sizes of the plan, bytes with FCS, that this port does not take: its MTU is smaller.
    pub sizes_not_taken: Vec<u32>,
    /// Sizes of the plan, bytes with FCS, of which nothing came back in full flow.
    pub sizes_not_returned: Vec<u32>,
    /// Frames the adapter says it transmitted, where it counts.
    pub transmitted: Option<u64>,
    /// Shortest round trip of all probes that came back in time.
    pub shortest_trip_ns: Option<u64>,
    /// Longest round trip of all probes that came back in time.
    pub longest_trip_ns: Option<u64>,
    /// Second of the run, from 0, from which on nothing came back though enough was sent; none where something came
    /// back to the end.
    pub silent_from_s: Option<u64>,
    /// When it failed; what this computer may have lost is left out.
    pub when: When,
    /// Stretches of seconds that failed far beyond the limit, however good the mean; what this computer may have lost
    /// is left out.
    pub spells: Spells,
    /// How failures were spread over the seconds of the run; what this computer may have lost is left out.
    pub spread: Spread,
}

impl EthernetFacts {
    /// Where the adapter drops damaged frames before anybody sees them, only frames can be counted.
    pub fn basis(&self) -> Basis {
        if self.capabilities.checks_frames && !self.bad_frames_delivered { Basis::Frames } else { Basis::Bits }
    }

    /// Probes whose fate says something about port, plug and cable: those that this computer lost and those that came
    /// back late are left out.
    pub fn frames_tried(&self) -> u64 {
        self.counts.sent.saturating_sub(self.losses.inside()).saturating_sub(self.losses.late)
    }

    /// Returned probes that were right but for one change that all had alike: no plug does that.
    pub fn changed_alike(&self) -> u64 {
        let c = &self.counts;
        c.readdressed.saturating_add(c.padded).saturating_add(c.tagged)
    }

    /// Of [`Self::frames_tried`], those lost, damaged, cut or lengthened on the way.
    pub fn frames_failed(&self) -> u64 {
        self.losses
            .wire()
            .saturating_add(self.counts.damaged)
            .saturating_add(self.lengths_changed())
            .min(self.frames_tried())
    }

    /// Share of frames that did not come back as sent, with bounds; host losses left out.
    pub fn loss_ratio(&self) -> Option<Bounds> {
        let tried = self.frames_tried();
        let limit = &self.common.limit;
        Bounds::new(self.losses.wire().min(tried), tried, limit.confidence, limit.looks).ok()
    }

    /// Whether `failed` frames refute the limit by themselves. Wrong bits come in bursts: however many one frame holds,
    /// it is one hit, and bounds on bits, which take them as independent, would call it proof.
    pub fn is_refuted_by(&self, failed: u64) -> bool {
        self.common.limit.is_refuted_by(failed, self.frames_tried(), self.frame_bits)
    }

    /// Whether the frames lost on the wire are more than may be lost.
    pub fn is_refuted_by_loss(&self) -> bool {
        self.common.limit.is_refuted_by_loss(self.losses.wire(), self.frames_tried(), self.frame_bits)
    }

    /// Returned probes that were shorter or longer than sent.
    pub fn lengths_changed(&self) -> u64 {
        self.counts.truncated.saturating_add(self.counts.lengthened)
    }

    /// Returned probes that were damaged after the adapter had found their frame check right.
    ///
    /// An adapter that drops what fails its check vouches for every frame it delivers; one that was told to deliver
    /// those too vouches only for the frames whose sequence was seen to be right.
    pub fn damaged_after_check(&self) -> u64 {
        match (self.capabilities.checks_frames, self.bad_frames_delivered) {
            (false, _) => 0,
            (true, false) => self.counts.damaged,
            (true, true) => self.counts.damaged_after_check,
        }
    }
}
