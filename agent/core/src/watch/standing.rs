//! The state of a watched port, and how each run changes it. `docs/agent.md` has the table.
//!
//! One run never fails a port, and one pass never clears it. A door slammed near a cable is not a fault, and a fault
//! that comes and goes is not gone because one run met a good moment.

use serde::{Deserialize, Serialize};

use crate::document::run::Report;
use crate::judge::facts::Stopped;
use crate::judge::{Outcome, Verdict};

/// What is held of a port.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Nothing is proved: never tested, the proof is too old, or the last runs decided nothing.
    #[default]
    Unknown,
    /// The last decided run passed.
    Proven,
    /// A fault was found and not yet confirmed by repeats, or a figure drifts.
    Suspect,
    /// A fault was found again in each repeat.
    Failed,
    /// In service when its turn came: left alone.
    Skipped,
}

impl State {
    /// Every state, in the order in which a list of ports best shows them.
    pub const ALL: [Self; 5] = [Self::Failed, Self::Suspect, Self::Unknown, Self::Skipped, Self::Proven];

    /// The word used everywhere.
    pub fn name(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Proven => "proven",
            Self::Suspect => "suspect",
            Self::Failed => "failed",
            Self::Skipped => "skipped",
        }
    }
}

/// What one run, or the attempt at one, says of its port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Observation {
    /// Passed.
    Pass,
    /// A fault, with the deciding reason.
    Fault(String),
    /// Decided nothing, or could not be made at all, and why.
    Inconclusive(String),
    /// The port is in service or on a live network.
    InService(String),
    /// Ended by hand: says nothing.
    Interrupted,
}

impl Observation {
    /// What a report says of its port.
    pub fn of(report: &Report) -> Self {
        Self::of_verdict(&report.verdict, report.stopped)
    }

    fn of_verdict(verdict: &Verdict, stopped: Option<Stopped>) -> Self {
        let reason = verdict.reasons.first();
        let text = reason.map_or_else(|| verdict.sureness.clone(), |r| format!("{}: {}", r.rule, r.text));
        match (verdict.outcome, stopped) {
            (_, Some(Stopped::TakenIntoService | Stopped::ForeignTraffic)) => Self::InService(text),
            (Outcome::Fault, _) => Self::Fault(text),
            (Outcome::Pass, _) => Self::Pass,
            (Outcome::Undecided, Some(Stopped::ByUser)) => Self::Interrupted,
            (Outcome::Undecided, _) => Self::Inconclusive(text),
            (Outcome::NotTested, _) => match reason {
                Some(reason) if reason.rule.means_in_use() => Self::InService(text),
                _ if stopped == Some(Stopped::ByUser) => Self::Interrupted,
                _ => Self::Inconclusive(text),
            },
        }
    }
}

/// How many observations it takes to change the state.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hysteresis {
    /// Faults in a row before the port counts as failed; 1 or more.
    pub faults_to_fail: u32,
    /// Passes in a row before a suspect or failed port counts as proven; 1 or more.
    pub passes_to_clear: u32,
    /// Runs in a row that decide nothing before a proven port counts as unknown; 1 or more.
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
    /// When a run last passed; none before the first pass.
    pub proven_ms: Option<i64>,
    /// State before the port was skipped, from which a later observation goes on.
    before_skip: Option<State>,
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

impl Standing {
    /// Takes an observation, and `drifts`: the figures that drift now, in words. Returns the change of state, if there
    /// is one.
    pub fn take(
        &mut self,
        observation: &Observation,
        drifts: &[String],
        at_ms: i64,
        rule: Hysteresis,
    ) -> Option<Change> {
        let settled = self.before_skip.unwrap_or(self.state);
        match observation {
            Observation::Interrupted => None,
            Observation::InService(why) => {
                if self.state != State::Skipped {
                    self.before_skip = Some(self.state);
                }
                // Whatever was found in a row was found on a port that has been somebody else's since.
                (self.faults_in_row, self.passes_in_row, self.inconclusive_in_row) = (0, 0, 0);
                self.become_state(State::Skipped, at_ms, why.clone())
            }
            Observation::Fault(why) => {
                self.before_skip = None;
                (self.passes_in_row, self.inconclusive_in_row) = (0, 0);
                self.faults_in_row = self.faults_in_row.saturating_add(1);
                let failed = settled == State::Failed || self.faults_in_row >= rule.faults_to_fail;
                let to = if failed { State::Failed } else { State::Suspect };
                self.become_state(to, at_ms, why.clone())
            }
            Observation::Pass => {
                self.before_skip = None;
                (self.faults_in_row, self.inconclusive_in_row) = (0, 0);
                self.passes_in_row = self.passes_in_row.saturating_add(1);
                self.proven_ms = Some(at_ms);
                if !drifts.is_empty() {
                    let to = if settled == State::Failed { State::Failed } else { State::Suspect };
                    self.passes_in_row = 0;
                    return self.become_state(to, at_ms, format!("drifts: {}", drifts.join("; ")));
                }
                let doubted = matches!(settled, State::Suspect | State::Failed);
                if doubted && self.passes_in_row < rule.passes_to_clear {
                    let why = format!("passed {} of {} times in a row", self.passes_in_row, rule.passes_to_clear);
                    return self.become_state(settled, at_ms, why);
                }
                self.become_state(State::Proven, at_ms, "passed".into())
            }
            Observation::Inconclusive(why) => {
                let was_in_use = self.before_skip.take().is_some();
                self.passes_in_row = 0;
                self.inconclusive_in_row = self.inconclusive_in_row.saturating_add(1);
                let to = match settled {
                    // A fault is not forgotten because a later run decided nothing.
                    State::Suspect | State::Failed => settled,
                    // A proof from before somebody used the port is none now.
                    State::Proven if !was_in_use && self.inconclusive_in_row < rule.inconclusive_to_doubt => {
                        State::Proven
                    }
                    _ => State::Unknown,
                };
                self.become_state(to, at_ms, why.clone())
            }
        }
    }

    /// A proof older than `lasts_ms` proves nothing now.
    pub fn grow_old(&mut self, now_ms: i64, lasts_ms: i64) -> Option<Change> {
        let proven = self.proven_ms.filter(|_| self.state == State::Proven)?;
        (now_ms.saturating_sub(proven) > lasts_ms)
            .then(|| self.become_state(State::Unknown, now_ms, "the proof is too old".into()))
            .flatten()
    }

    /// Whether the next run should come soon: something was found that a repeat confirms or clears.
    pub fn wants_repeat(&self, rule: Hysteresis) -> bool {
        match self.state {
            State::Suspect => true,
            // Failed and passing again: the passes that clear it come soon too.
            State::Failed => self.passes_in_row > 0,
            State::Proven => self.inconclusive_in_row > 0,
            State::Unknown => (1..rule.inconclusive_to_doubt).contains(&self.inconclusive_in_row),
            State::Skipped => false,
        }
    }

    /// Runs in a row that decided nothing.
    pub fn inconclusive_in_row(&self) -> u32 {
        self.inconclusive_in_row
    }

    fn become_state(&mut self, to: State, at_ms: i64, why: String) -> Option<Change> {
        let from = self.state;
        self.why = why;
        if from == to {
            if self.since_ms == 0 {
                self.since_ms = at_ms;
            }
            return None;
        }
        self.state = to;
        self.since_ms = at_ms;
        Some(Change { from, to, at_ms, why: self.why.clone() })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::judge::{Reason, RuleId};

    fn fault() -> Observation {
        Observation::Fault("bit-errors: many".into())
    }
    fn unclear() -> Observation {
        Observation::Inconclusive("nothing-returned: none".into())
    }
    fn used() -> Observation {
        Observation::InService("in-service: quay3 has the address 192.0.2.1/24".into())
    }

    /// States after each observation, from unknown.
    fn walk(observations: &[Observation]) -> Vec<State> {
        let mut standing = Standing::default();
        let each = |(n, f): (usize, &Observation)| {
            standing.take(f, &[], n as i64 + 1, Hysteresis::default());
            standing.state
        };
        observations.iter().enumerate().map(each).collect()
    }

    #[test]
    fn a_port_that_somebody_else_uses_is_in_service_whatever_it_carries() {
        let of = |rule: RuleId, outcome: Outcome| {
            let reasons = vec![Reason { rule, text: "heard".into() }];
            let (location, sureness, next) = (Vec::new(), String::new(), String::new());
            Observation::of_verdict(
                &Verdict { outcome, location, segment: None, scope: None, sureness, reasons, next },
                None,
            )
        };
        for (rule, text) in [
            (RuleId::InService, "in-service: heard"),
            (RuleId::ForeignTraffic, "foreign-traffic: heard"),
            (RuleId::ForeignBytes, "foreign-bytes: heard"),
        ] {
            assert_eq!(of(rule, Outcome::NotTested), Observation::InService(text.into()));
        }
        let untested = of(RuleId::NothingSent, Outcome::NotTested);
        assert_eq!(untested, Observation::Inconclusive("nothing-sent: heard".into()));
    }

    #[test]
    fn one_fault_is_a_suspicion_two_are_a_failure_and_two_passes_clear_it() {
        use State::{Failed, Proven, Suspect};
        let walked = walk(&[Observation::Pass, fault(), fault(), Observation::Pass, Observation::Pass]);
        assert_eq!(walked, [Proven, Suspect, Failed, Failed, Proven]);
        // A fault that comes and goes is never cleared by the single passes in between.
        let walked = walk(&[Observation::Pass, fault(), Observation::Pass, fault(), Observation::Pass]);
        assert_eq!(walked, [Proven, Suspect, Suspect, Suspect, Suspect]);
    }

    #[test]
    fn what_decides_nothing_takes_no_proof_away_at_once_and_clears_no_fault() {
        use State::{Proven, Suspect, Unknown};
        assert_eq!(
            walk(&[Observation::Pass, unclear(), unclear(), unclear(), Observation::Pass]),
            [Proven, Proven, Proven, Unknown, Proven]
        );
        assert_eq!(
            walk(&[fault(), unclear(), unclear(), unclear(), unclear()]),
            [Suspect, Suspect, Suspect, Suspect, Suspect]
        );
    }

    #[test]
    fn what_decides_nothing_breaks_a_row_of_passes_and_none_of_faults() {
        use State::{Failed, Proven, Suspect};
        assert_eq!(
            walk(&[fault(), Observation::Pass, unclear(), Observation::Pass, Observation::Pass]),
            [Suspect, Suspect, Suspect, Suspect, Proven]
        );
        assert_eq!(walk(&[fault(), unclear(), fault()]), [Suspect, Suspect, Failed]);
    }

    /// A run that was cut short judges nothing, unless it found a fault or a pass by itself.
    #[test]
    fn a_run_ended_by_service_or_by_hand_is_not_judged_as_measured() {
        let of = |outcome, stopped| {
            let reasons = vec![Reason { rule: RuleId::TooFewBits, text: "heard".into() }];
            let (location, sureness, next) = (Vec::new(), String::new(), String::new());
            let verdict = Verdict { outcome, location, segment: None, scope: None, sureness, reasons, next };
            Observation::of_verdict(&verdict, stopped)
        };
        let text = || "too-few-bits: heard".to_owned();
        for outcome in [Outcome::Pass, Outcome::Fault, Outcome::Undecided, Outcome::NotTested] {
            for why in [Stopped::TakenIntoService, Stopped::ForeignTraffic] {
                assert_eq!(of(outcome, Some(why)), Observation::InService(text()), "{outcome:?} {why:?}");
            }
        }
        let by_hand = |outcome| of(outcome, Some(Stopped::ByUser));
        assert_eq!(by_hand(Outcome::Undecided), Observation::Interrupted);
        assert_eq!(by_hand(Outcome::NotTested), Observation::Interrupted);
        assert_eq!(by_hand(Outcome::Fault), Observation::Fault(text()));
        assert_eq!(by_hand(Outcome::Pass), Observation::Pass);
        assert_eq!(of(Outcome::Undecided, Some(Stopped::LinkLost)), Observation::Inconclusive(text()));
        assert_eq!(of(Outcome::Undecided, None), Observation::Inconclusive(text()));
    }

    /// What was found is repeated soon, until it is confirmed or cleared.
    #[test]
    fn what_a_repeat_can_settle_is_repeated() {
        let wants = |observations: &[Observation]| {
            let mut standing = Standing::default();
            for (at, observation) in observations.iter().enumerate() {
                standing.take(observation, &[], at as i64 + 1, Hysteresis::default());
            }
            standing.wants_repeat(Hysteresis::default())
        };
        let pass = || Observation::Pass;
        for (observations, repeated) in [
            (vec![], false),
            (vec![pass()], false),
            (vec![fault()], true),
            (vec![fault(), pass()], true),
            (vec![fault(), pass(), pass()], false),
            (vec![fault(), fault()], false),
            (vec![fault(), fault(), pass()], true),
            (vec![pass(), unclear()], true),
            (vec![pass(), unclear(), pass()], false),
            (vec![unclear()], true),
            (vec![unclear(), unclear()], true),
            (vec![unclear(), unclear(), unclear()], false),
            (vec![fault(), used()], false),
        ] {
            assert_eq!(wants(&observations), repeated, "{observations:?}");
        }
    }

    #[test]
    fn a_skipped_port_goes_on_from_where_it_was() {
        use State::{Failed, Proven, Skipped, Suspect};
        assert_eq!(
            walk(&[fault(), fault(), used(), used(), Observation::Pass, Observation::Pass]),
            [Suspect, Failed, Skipped, Skipped, Failed, Proven]
        );
        assert_eq!(walk(&[fault(), fault(), used(), fault()]), [Suspect, Failed, Skipped, Failed]);
        assert_eq!(walk(&[Observation::Pass, used(), Observation::Pass]), [Proven, Skipped, Proven]);
        assert_eq!(walk(&[Observation::Pass, used(), unclear()]), [Proven, Skipped, State::Unknown]);
    }

    #[test]
    fn an_interrupted_run_says_nothing() {
        let mut standing = Standing::default();
        standing.take(&Observation::Pass, &[], 5, Hysteresis::default());
        let before = standing.clone();
        assert_eq!(standing.take(&Observation::Interrupted, &[], 9, Hysteresis::default()), None);
        assert_eq!(standing, before);
    }

    #[test]
    fn a_drift_makes_suspect_and_holds_until_it_is_over() {
        let mut standing = Standing::default();
        let drift = ["latency grew".to_owned()];
        standing.take(&Observation::Pass, &[], 1, Hysteresis::default());
        let change = standing.take(&Observation::Pass, &drift, 2, Hysteresis::default()).unwrap();
        assert_eq!((change.from, change.to), (State::Proven, State::Suspect));
        assert!(change.why.contains("latency grew"));
        assert_eq!(standing.take(&Observation::Pass, &drift, 3, Hysteresis::default()), None);
        assert_eq!(standing.take(&Observation::Pass, &[], 4, Hysteresis::default()), None);
        let change = standing.take(&Observation::Pass, &[], 5, Hysteresis::default()).unwrap();
        assert_eq!(change.to, State::Proven);
        standing.take(&Observation::Pass, &[], 6, Hysteresis::default());
        assert_eq!(standing.since_ms, 5, "since when it is proven, not when that was last seen");
        // A pass that drifts makes no failed port less than failed.
        (7..9).for_each(|at| _ = standing.take(&fault(), &[], at, Hysteresis::default()));
        standing.take(&Observation::Pass, &drift, 9, Hysteresis::default());
        assert_eq!(standing.state, State::Failed);
    }

    #[test]
    fn an_old_proof_is_none() {
        let mut standing = Standing::default();
        standing.take(&Observation::Pass, &[], 1000, Hysteresis::default());
        assert_eq!(standing.grow_old(1500, 500), None);
        assert_eq!(standing.grow_old(1501, 500).unwrap().to, State::Unknown);
        assert_eq!(standing.grow_old(9999, 500), None);
    }

    fn observations() -> impl Strategy<Value = Observation> {
        prop_oneof![
            Just(Observation::Pass),
            Just(fault()),
            Just(unclear()),
            Just(used()),
            Just(Observation::Interrupted)
        ]
    }

    proptest! {
        /// Whatever comes: failed only after enough faults in a row, proven only upon a pass.
        #[test]
        fn the_rules_hold_for_any_history(history in prop::collection::vec(observations(), 0..60)) {
            let mut standing = Standing::default();
            let rule = Hysteresis::default();
            let mut faults = 0;
            for (at, observation) in history.iter().enumerate() {
                match observation {
                    Observation::Fault(_) => faults += 1,
                    Observation::Pass | Observation::InService(_) => faults = 0,
                    _ => {}
                }
                let change = standing.take(observation, &[], at as i64, rule);
                if let Some(change) = change {
                    prop_assert_ne!(change.from, change.to);
                    match change.to {
                        State::Proven => prop_assert_eq!(observation, &Observation::Pass),
                        State::Suspect => prop_assert!(matches!(
                            observation,
                            Observation::Fault(_) | Observation::Pass | Observation::Inconclusive(_)
                        )),
                        State::Failed if change.from != State::Skipped => prop_assert!(faults >= rule.faults_to_fail),
                        State::Skipped => prop_assert!(matches!(observation, Observation::InService(_))),
                        _ => {}
                    }
                }
            }
        }
    }
}
