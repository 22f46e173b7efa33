//! What the rules know of a run: the facts that every kind of port has, and what shared rules ask of a kind's own.

use serde::{Deserialize, Serialize};

use super::ratio::{ERRORS_MIN, ErrorRatio, Limit, Loss};
use super::rule::{Remark, Rule};
use crate::base::figure::seconds;
use crate::base::placement::Placement;
use crate::signal::compare::DamageKind;
use crate::signal::when::When;

/// Facts that a run has whatever kind of port it is on.
#[derive(Clone, Debug)]
pub struct Common {
    /// Where the plug is said to be.
    pub placement: Placement,
    /// Reasons why the port is in service; empty when it is free.
    pub in_service: Vec<String>,
    /// Kind of damage.
    pub damage: DamageKind,
    /// Times the run sent less at once because this computer lost some of it.
    pub slowdowns: u32,
    /// What a pass must prove.
    pub limit: Limit,
    /// Why the run did not finish its plan, if it did not.
    pub stopped: Option<Stopped>,
    /// Runs with the plug elsewhere, oldest first.
    pub references: Vec<Reference>,
    /// How much of its plan the run carried out; none where that has no length.
    pub plan_done: Option<PlanDone>,
    /// The run was to end once its limit was proved or refuted.
    pub is_proof: bool,
}

impl Common {
    /// How far the run had come when somebody ended it before its plan was done; none of any other run.
    pub fn ended_by_hand(&self) -> Option<PlanDone> {
        self.plan_done.filter(|done| self.stopped == Some(Stopped::ByUser) && !done.is_complete())
    }

    /// The latest run of this port with the plug at `placement`.
    pub fn reference(&self, placement: Placement) -> Option<&Reference> {
        self.references.iter().rev().find(|r| r.placement == placement)
    }
}

/// All facts of a run on one kind of port.
///
/// Counts are of the kind's units: frames or bytes.
pub trait Facts: Sized + 'static {
    /// This kind's own words in texts that all kinds share.
    const WORDS: Words;
    /// Rules that only this kind has, a list for each matter. Their ids say in which order they are asked.
    const RULES: &'static [&'static [Rule<Self>]];
    /// Remarks that only this kind has.
    const REMARKS: &'static [Remark<Self>];
    /// Whether a loop inside the chip that returns nothing speaks against the port.
    const SILENCE_INSIDE_IS_FAILURE: bool;

    /// What every kind has.
    fn common(&self) -> &Common;

    /// Units sent.
    fn sent(&self) -> u64;

    /// Units that came back.
    fn returned(&self) -> u64;

    /// Whether this computer may have lost some that nothing counted.
    fn may_lose_uncounted(&self) -> bool {
        false
    }

    /// Units that did not come back.
    fn lost(&self) -> u64;

    /// Of the lost, those lost inside this computer.
    fn lost_inside(&self) -> u64;

    /// Bits compared.
    fn bits_compared(&self) -> u64;

    /// Bits that came back wrong.
    fn bit_errors(&self) -> u64;

    /// Bit error ratio with its bounds, `None` when nothing that speaks about the wire was tried.
    fn error_ratio(&self) -> Option<ErrorRatio>;

    /// What failed of what could, and when, to hold against a [`Reference`].
    fn trouble(&self) -> Trouble;

    /// Everything came back with its two levels exchanged.
    fn is_inverted(&self) -> bool {
        self.common().damage == DamageKind::Inverted
    }

    /// What is proved of the units lost, or odd where they are counted with them; none where nothing was tried.
    fn loss(&self) -> Option<Loss>;

    /// Whether something happened that stands in the way of a pass however rare it is.
    fn bars_pass(&self) -> bool;

    /// What was planned and cannot be said to be tested; none where everything was.
    fn untested(&self) -> Option<String>;

    /// What a pass covers, where that is less than the port can do; none where it covers all.
    fn scope(&self) -> Option<String>;

    /// What the run still waited for before its first unit could leave; none where it did not have to.
    fn needs_first(&self) -> Option<&'static str>;

    /// From when on nothing came back; none where something did to the end, or never did.
    fn silence(&self) -> Option<Silence>;

    /// When in the run it failed.
    fn when(&self) -> &When;

    /// Why the counts contradict each other; none where they balance: what was sent came back or is lost, and what is
    /// lost is in one class.
    fn imbalance(&self) -> Option<String>;

    /// Whether this computer lost so much that the rest says too little of the line.
    fn is_host_limited(&self) -> bool;

    /// Whether a plug turns the signal back at the port. On two-wire RS-485 the port hears itself without one.
    fn has_plug(&self) -> bool;

    /// What the wrong bits were found in, with its count.
    fn damaged_in(&self) -> String;

    /// What was lost or odd, with its count.
    fn odd(&self) -> String;

    /// What a pass must tell beside the ratio; empty, or a clause that begins with `; `.
    fn beside_pass(&self) -> String;

    /// What to do after a pass.
    fn after_pass(&self) -> String;
}

/// A kind's own words in texts that all kinds share.
pub struct Words {
    /// One unit, such as `frame`.
    pub unit: &'static str,
    /// Several units, such as `frames`.
    pub units: &'static str,
    /// What to look at when none leaves.
    pub if_none_leaves: &'static str,
    /// What the run did when this computer lost units.
    pub slowed: &'static str,
    /// What the person can do so that this computer loses fewer.
    pub send_slower: &'static str,
    /// What another program did that ended the run.
    pub reconfigured: &'static str,
}

/// The end of a run in which something came back at first, and then no more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Silence {
    /// Second of the run from which on nothing came back that had been sent.
    pub from_s: u64,
    /// Units of something else that came in after that.
    pub noise: u64,
}

/// How long a plan sends, and how much of that was done.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlanDone {
    /// Asked for, seconds. For a proof: until its limit would be proved if nothing more failed, and no longer than it
    /// may take.
    pub asked_s: f64,
    /// Seconds in which something was sent.
    pub done_s: f64,
}

impl PlanDone {
    /// Whether it lasted as long as it was asked to, but for a second that had only begun. In a plan of a few seconds
    /// a second may be a step of its own.
    pub fn is_complete(&self) -> bool {
        self.done_s + 1.0 >= self.asked_s && self.done_s >= 0.95 * self.asked_s
    }

    /// `4 s of 1 h`.
    pub fn in_words(&self) -> String {
        format!("{} of {}", seconds(self.done_s), seconds(self.asked_s))
    }
}

/// How the first single probes fared, before the throttle was opened.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FirstProbes {
    /// Sent.
    pub sent: u64,
    /// Came back.
    pub returned: u64,
}

/// Why a run ended before its plan did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stopped {
    /// The person ended it.
    ByUser,
    /// Foreign frames came in.
    ForeignTraffic,
    /// The link went down and stayed down.
    LinkLost,
    /// The port vanished.
    PortGone,
    /// The port was taken into service.
    TakenIntoService,
    /// Somebody on this computer switched the port off, or gave it another MTU or address, or a serial line other
    /// settings.
    Reconfigured,
    /// It took far longer than planned, as on a computer that has no time for it.
    TookTooLong,
    /// Nothing came back any more, for so long that the rest of a plan of steps was given up.
    WentSilent,
}

/// What failed of what could, and when: by this, runs at two places are compared.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Trouble {
    /// Units that had a chance to fail: frames, or bits of a serial line.
    pub tried: u64,
    /// Of those, failed, however many bits of each.
    pub failed: u64,
    /// Time from the first units sent to the last, ms.
    pub time_ms: u64,
    /// Times failures began, or the link dropped.
    pub begun: u64,
    /// Failures paused for longer than chance makes them, or the link dropped: a shorter run may fall into a pause.
    pub pauses: bool,
}

impl Trouble {
    /// Nothing is known of it, as in documents of before.
    fn is_unknown(&self) -> bool {
        *self == Self::default()
    }
}

/// A run of the same port with the plug elsewhere: an earlier one, or a confirming step of this one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    /// Where the plug was.
    pub placement: Placement,
    /// Bits or frames (as `frame_bits` says) that had a chance to fail.
    pub trials: u64,
    /// Of those, failed.
    pub failures: u64,
    /// The link came up.
    pub link_up: bool,
    /// At least one probe came back.
    pub returned_any: bool,
    /// What failed of what could, and when.
    #[serde(default, skip_serializing_if = "Trouble::is_unknown")]
    pub trouble: Trouble,
}

impl Reference {
    /// Nothing came back, or more units failed than one hit from outside can explain.
    pub fn failed(&self) -> bool {
        !self.link_up || !self.returned_any || self.trouble.failed >= ERRORS_MIN
    }

    /// Everything came back as sent. With a few failures a reference has neither failed nor passed.
    pub fn passed(&self) -> bool {
        self.link_up && self.returned_any && self.failures == 0 && self.trouble.failed == 0 && self.trials > 0
    }
}
