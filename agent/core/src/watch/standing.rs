//! The state of a watched port, and how each run changes it. `docs/agent.md` has the table.
//!
//! One run never fails a port, and one pass never clears it. A door slammed near a cable is not a fault, and a fault
//! that comes and goes is not gone because one run met a good moment. A run tells of the way to where it turned the
//! signal back and of nothing beyond: it proves and clears no more than that.

use serde::{Deserialize, Serialize};

use super::observation::{Ground, Observation};
use crate::base::placement::Placement;

/// What is held of a port.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// No run of it has decided anything yet, and none had to.
    #[default]
    NeverTested,
    /// The last proof counts no more: it is too old, or the port was gone since.
    Expired,
    /// The last runs decided nothing. What a program before this one called unknown.
    #[serde(alias = "unknown")]
    Undecided,
    /// The loop inside the chip passes; nothing proves the port beyond it.
    ChipProven,
    /// The last decided run passed, with the plug at the port or farther out.
    Proven,
    /// A fault was found and not yet confirmed by repeats, or a figure drifts.
    Suspect,
    /// A fault was found again in each repeat.
    Failed,
    /// In service when its turn came: left alone.
    Skipped,
    /// The machine does not have it any more.
    Gone,
}

impl State {
    /// Every state, in the order in which a list of ports best shows them.
    pub const ALL: [Self; 9] = [
        Self::Failed,
        Self::Suspect,
        Self::Gone,
        Self::Undecided,
        Self::Expired,
        Self::NeverTested,
        Self::ChipProven,
        Self::Skipped,
        Self::Proven,
    ];

    /// The word used everywhere.
    pub fn name(self) -> &'static str {
        match self {
            Self::NeverTested => "never-tested",
            Self::Expired => "expired",
            Self::Undecided => "undecided",
            Self::ChipProven => "chip-proven",
            Self::Proven => "proven",
            Self::Suspect => "suspect",
            Self::Failed => "failed",
            Self::Skipped => "skipped",
            Self::Gone => "gone",
        }
    }

    /// Whether somebody has to look at the port: waiting does not mend it.
    pub fn needs_attention(self) -> bool {
        matches!(self, Self::Failed | Self::Suspect | Self::Gone | Self::Undecided)
    }

    /// Some proof stands, until it grows old.
    fn is_proof(self) -> bool {
        matches!(self, Self::Proven | Self::ChipProven)
    }

    /// The port is out of reach; what was held of it before stays as it was.
    fn is_aside(self) -> bool {
        matches!(self, Self::Skipped | Self::Gone)
    }
}

/// How many observations it takes to change the state.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hysteresis {
    /// Faults in a row before the port counts as failed; 1 or more.
    pub faults_to_fail: u32,
    /// Passes in a row before a suspect or failed port counts as proven; 1 or more.
    pub passes_to_clear: u32,
    /// Runs in a row that decide nothing before a proven port counts as undecided; 1 or more.
    pub inconclusive_to_doubt: u32,
}

impl Default for Hysteresis {
    fn default() -> Self {
        Self { faults_to_fail: 2, passes_to_clear: 2, inconclusive_to_doubt: 3 }
    }
}

/// What is held of one port, since when, and why. Times are milliseconds since 1970-01-01 UTC.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// What is held.
    pub state: State,
    /// Since when; 0 before the first observation.
    pub since_ms: i64,
    /// Why, in words.
    pub why: String,
    /// When a run last passed with the plug at the port or farther out; none before the first.
    pub proven_ms: Option<i64>,
    /// The run it rests on: the newest proof, or the run that found the fault or decided nothing.
    #[serde(default)]
    pub rests_on: Option<Ground>,
    /// The farthest place at which a run since the last proof found a fault or decided nothing. Only a pass at this
    /// place or beyond clears that.
    #[serde(default)]
    trouble_at: Option<Placement>,
    /// State before the port was skipped or gone, from which a later observation goes on.
    #[serde(alias = "before_skip")]
    before: Option<State>,
    faults_in_row: u32,
    passes_in_row: u32,
    inconclusive_in_row: u32,
}

/// A standing's state changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Change {
    /// Before.
    pub from: State,
    /// Now.
    pub to: State,
    /// When, ms since 1970-01-01 UTC.
    pub at_ms: i64,
    /// Why.
    pub why: String,
}

/// How the reason of a port that is suspect for a drift begins.
const DRIFTS: &str = "drifts: ";

impl Standing {
    /// Takes an observation from a run, and `drifts`: the figures that drift now, in words. Returns the change of
    /// state, if there is one.
    pub fn take(
        &mut self,
        observation: &Observation,
        run: &Ground,
        drifts: &[String],
        rule: Hysteresis,
    ) -> Option<Change> {
        let at_ms = run.at_ms;
        match observation {
            Observation::Interrupted => None,
            Observation::InService(why) => self.set_aside(State::Skipped, at_ms, why.clone()),
            Observation::Fault(why) => {
                let settled = self.before.take().unwrap_or(self.state);
                (self.passes_in_row, self.inconclusive_in_row) = (0, 0);
                self.faults_in_row = self.faults_in_row.saturating_add(1);
                self.in_trouble(run);
                let failed = settled == State::Failed || self.faults_in_row >= rule.faults_to_fail;
                let to = if failed { State::Failed } else { State::Suspect };
                self.become_state(to, at_ms, why.clone())
            }
            Observation::Pass => self.pass(run, drifts, rule),
            Observation::Inconclusive(why) => {
                let was_aside = self.before.is_some();
                let settled = self.before.take().unwrap_or(self.state);
                self.passes_in_row = 0;
                self.inconclusive_in_row = self.inconclusive_in_row.saturating_add(1);
                self.trouble_at = self.trouble_at.max(Some(run.placement));
                let to = match settled {
                    // A fault is not forgotten because a later run decided nothing.
                    State::Suspect | State::Failed => settled,
                    // A proof from before somebody used the port is none now.
                    _ if settled.is_proof() && !was_aside && self.inconclusive_in_row < rule.inconclusive_to_doubt => {
                        settled
                    }
                    _ => {
                        self.rests_on = Some(run.clone());
                        State::Undecided
                    }
                };
                self.become_state(to, at_ms, why.clone())
            }
        }
    }

    fn pass(&mut self, run: &Ground, drifts: &[String], rule: Hysteresis) -> Option<Change> {
        let at_ms = run.at_ms;
        let settled = self.before.take().unwrap_or(self.state);
        if self.trouble_at.is_some_and(|trouble| run.placement < trouble) {
            // It did not reach the place of the trouble.
            let why =
                if self.state == settled { self.why.clone() } else { "passed, but nearer than before".to_owned() };
            return self.become_state(settled, at_ms, why);
        }
        (self.faults_in_row, self.inconclusive_in_row) = (0, 0);
        self.passes_in_row = self.passes_in_row.saturating_add(1);
        let whole = run.placement >= Placement::AtPort;
        if whole {
            self.proven_ms = Some(at_ms);
        }
        if !drifts.is_empty() {
            self.passes_in_row = 0;
            let drifts = format!("{DRIFTS}{}", drifts.join("; "));
            if settled == State::Failed {
                // It rests on what failed, which says more.
                return self.become_state(settled, at_ms, format!("passed, but {drifts}"));
            }
            self.in_trouble(run);
            return self.become_state(State::Suspect, at_ms, drifts);
        }
        let doubted = matches!(settled, State::Suspect | State::Failed);
        if doubted && self.passes_in_row < rule.passes_to_clear {
            let why = format!("passed {} of {} times in a row", self.passes_in_row, rule.passes_to_clear);
            return self.become_state(settled, at_ms, why);
        }
        self.trouble_at = None;
        if settled == State::Proven && !whole {
            // The chip is part of what is proven already; the proof grows no younger by it.
            return self.become_state(settled, at_ms, "passed".into());
        }
        self.rests_on = Some(run.clone());
        let to = if whole { State::Proven } else { State::ChipProven };
        self.become_state(to, at_ms, "passed".into())
    }

    /// Whether nothing failed yet: the port is suspect for a figure that drifts.
    pub fn only_drifts(&self) -> bool {
        self.state == State::Suspect && self.why.starts_with(DRIFTS)
    }

    /// The machine does not have the port any more.
    pub fn vanish(&mut self, at_ms: i64) -> Option<Change> {
        self.set_aside(State::Gone, at_ms, "the machine does not have this port any more".into())
    }

    /// The machine has the port again. It may be another adapter: a fault is still held of it, a proof is not.
    pub fn return_(&mut self, at_ms: i64) -> Option<Change> {
        if self.state != State::Gone {
            return None;
        }
        let to = match self.before.take().unwrap_or_default() {
            settled if settled.is_proof() => State::Expired,
            settled => settled,
        };
        self.become_state(to, at_ms, "the machine has it again; it was gone".into())
    }

    /// A proof older than `lasts_ms` proves nothing now.
    pub fn grow_old(&mut self, now_ms: i64, lasts_ms: i64) -> Option<Change> {
        let ends = self.proof_ends_ms(lasts_ms)?;
        (now_ms > ends).then(|| self.become_state(State::Expired, now_ms, "the proof is too old".into())).flatten()
    }

    /// When the proof ends that a proven port rests on.
    pub fn proof_ends_ms(&self, lasts_ms: i64) -> Option<i64> {
        // Programs before this one kept only the time.
        let proven = self.rests_on.as_ref().map(|run| run.at_ms).or(self.proven_ms);
        proven.filter(|_| self.state.is_proof()).map(|at| at.saturating_add(lasts_ms))
    }

    /// Whether the next run should come soon: something was found that a repeat confirms or clears.
    pub fn wants_repeat(&self, rule: Hysteresis) -> bool {
        match self.state {
            State::Suspect => true,
            // Failed and passing again: the passes that clear it come soon too.
            State::Failed => self.passes_in_row > 0,
            State::Proven | State::ChipProven => self.inconclusive_in_row > 0,
            State::Undecided => (1..rule.inconclusive_to_doubt).contains(&self.inconclusive_in_row),
            State::NeverTested | State::Expired | State::Skipped | State::Gone => false,
        }
    }

    /// Runs in a row that decided nothing.
    pub fn inconclusive_in_row(&self) -> u32 {
        self.inconclusive_in_row
    }

    fn in_trouble(&mut self, run: &Ground) {
        self.trouble_at = self.trouble_at.max(Some(run.placement));
        self.rests_on = Some(run.clone());
    }

    /// Whatever was found in a row was found on a port that has been out of reach since.
    fn set_aside(&mut self, to: State, at_ms: i64, why: String) -> Option<Change> {
        if !self.state.is_aside() {
            self.before = Some(self.state);
        }
        (self.faults_in_row, self.passes_in_row, self.inconclusive_in_row) = (0, 0, 0);
        self.become_state(to, at_ms, why)
    }

    fn become_state(&mut self, to: State, at_ms: i64, why: String) -> Option<Change> {
        let from = self.state;
        self.why = why;
        if from == to {
            return None;
        }
        self.state = to;
        self.since_ms = at_ms;
        Some(Change { from, to, at_ms, why: self.why.clone() })
    }
}

#[cfg(test)]
mod tests;
