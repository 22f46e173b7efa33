//! What is due, and whether there is room for it.

use std::{sync::Arc, time::Duration};

use jiff::Timestamp;

use super::{Supervisor, between};
use crate::{
    config::{Config, Round, planned_time},
    daemon::{
        host::{Host, PortFacts},
        status::{Asked, Cause, Running, Slot},
    },
};

/// A run that could start.
pub(super) struct Candidate {
    pub(super) port: String,
    pub(super) cause: Cause,
    pub(super) due_ms: i64,
    pub(super) asked: Option<Asked>,
}

impl<S: Host> Supervisor<S> {
    /// What is due, the most urgent first; and how long until the next thing is.
    pub(super) fn find_due(&self, now: Timestamp) -> (Vec<Candidate>, Option<Duration>) {
        let now_ms = now.as_millisecond();
        let mut status = self.shared.status();
        let status = &mut *status;
        let mut candidates: Vec<Candidate> = status
            .asked
            .iter()
            .map(|asked| Candidate {
                port: asked.port.clone(),
                cause: Cause::Asked { by: asked.by.clone() },
                due_ms: i64::MIN,
                asked: Some(asked.clone()),
            })
            .collect();
        let mut next_ms: Option<i64> = None;
        let config = Arc::clone(&status.config);
        for (name, port) in &mut status.ports {
            port.next_due_ms = None;
            for number in port.rounds.clone() {
                let Some(round) = config.rounds.get(number) else { continue };
                let dealt_with_ms = port.memory.dealt_with_ms.get(&round.name).copied();
                let kept =
                    port.slots.get(&number).filter(|k| Some(k.dealt_with_ms) == dealt_with_ms && now_ms < k.until_ms);
                let found = kept.copied().or_else(|| next_slot(status.seed, round, name, dealt_with_ms?, now));
                let Some(next) = found else { continue };
                port.slots.insert(number, next);
                let (slot, due_ms) = (next.slot_ms, next.due_ms);
                if is_passed_over(round.catch_up, due_ms, now_ms, self.going_since.as_millisecond()) {
                    port.memory.dealt_with_ms.insert(round.name.clone(), slot);
                    *status.figures.missed.entry(round.name.clone()).or_default() += 1;
                    next_ms = Some(now_ms);
                    continue;
                }
                port.next_due_ms = Some(port.next_due_ms.map_or(due_ms, |n: i64| n.min(due_ms)));
                if port.running.is_some() {
                    continue;
                }
                if due_ms <= now_ms {
                    let cause = Cause::Scheduled { round: number, slot_ms: slot };
                    candidates.push(Candidate { port: name.clone(), cause, due_ms, asked: None });
                } else {
                    next_ms = Some(next_ms.map_or(due_ms, |n| n.min(due_ms)));
                }
            }
            if let Some((at_ms, round)) = port.memory.repeat.clone()
                && port.running.is_none()
            {
                match config.rounds.iter().position(|r| r.name == round).filter(|n| port.rounds.contains(n)) {
                    None => port.memory.repeat = None,
                    Some(round) if at_ms <= now_ms => {
                        let cause = Cause::Repeat { round };
                        candidates.push(Candidate { port: name.clone(), cause, due_ms: at_ms, asked: None });
                    }
                    Some(_) => next_ms = Some(next_ms.map_or(at_ms, |n| n.min(at_ms))),
                }
            }
        }
        // The sort is stable: what is asked for comes first, in the order it was asked for.
        candidates.sort_by_key(|c| c.due_ms);
        (candidates, next_ms.map(|ms| Duration::from_millis((ms - now_ms).max(0) as u64)))
    }

    /// Starts what may start now; how long until one of the others may.
    pub(super) async fn start_some(&mut self, candidates: Vec<Candidate>, now: Timestamp) -> Option<Duration> {
        if candidates.is_empty() {
            return None;
        }
        let mut next: Option<Duration> = None;
        let mut earliest = |wait: Duration| next = Some(next.map_or(wait, |n: Duration| n.min(wait)));
        let config = Arc::clone(&self.shared.status().config);
        let allowed = config.limits.cpu_share * f64::from(self.host.processors());
        self.budget.book(self.host.cpu_used(), now.as_millisecond(), allowed);
        for candidate in candidates {
            let round = match candidate.cause {
                Cause::Scheduled { round, .. } | Cause::Repeat { round } => config.rounds.get(round),
                Cause::Asked { .. } => None,
            };
            if let Some(round) = round {
                let takes = planned_time(&round.profile);
                match round.schedule.allowed_from(now, takes) {
                    Some(from) if from <= now => {}
                    Some(from) => {
                        earliest(between(now, from));
                        continue;
                    }
                    None => continue,
                }
                // A person who asks does not wait for the share, but what the run takes is booked all the same.
                let wait = self.budget.wait(allowed);
                if !wait.is_zero() {
                    earliest(wait);
                    continue;
                }
            }
            // A run that is over wakes the supervisor: no time to wait for.
            if !self.has_room(&candidate, round, &config) {
                continue;
            }
            // The last look before a port is touched must be fresh.
            if self.listed_at.is_none_or(|at| at.elapsed() >= FRESH) {
                self.list_ports().await;
            }
            self.start(candidate, now).await;
            earliest(Duration::ZERO);
        }
        next
    }

    pub(super) fn has_room(&self, candidate: &Candidate, round: Option<&Round>, config: &Config) -> bool {
        let status = self.shared.status();
        let Some(port) = status.ports.get(&candidate.port) else { return true };
        if port.running.is_some() {
            return false;
        }
        let beside = status.busy().count() as u32;
        if beside >= config.limits.runs_at_once {
            return false;
        }
        let side_by_side = round.is_some_and(|round| round.side_by_side);
        // Two processors a run: one sends, one receives. Sharing them would make this computer lose frames.
        if beside > 0 && 2 * (beside + 1) > self.host.processors() && !side_by_side {
            return false;
        }
        let adapter = port.facts.as_ref().and_then(PortFacts::adapter);
        let shared = |run: &Running| adapter.is_some() && run.adapter.as_deref() == adapter;
        let mut runs = status.ports.values().filter_map(|port| port.running.as_ref());
        !runs.any(|run| shared(run) && !leaves_room(run.hung, run.side_by_side, side_by_side))
    }
}

/// Whether a time was missed while nobody went round, and is not to be caught up.
fn is_passed_over(catch_up: bool, due_ms: i64, now_ms: i64, going_since_ms: i64) -> bool {
    due_ms <= now_ms && !catch_up && due_ms < going_since_ms
}

/// Whether a run leaves room for another one on its adapter. One that hangs does not, whatever was agreed: what made it
/// hang is not over.
fn leaves_room(hung: bool, side_by_side: bool, other_side_by_side: bool) -> bool {
    !hung && side_by_side && other_side_by_side
}

/// The time of a round's schedule that a port's next run deals with, and when that run is due. Of several missed times
/// the last stands for all.
fn next_slot(seed: u64, round: &Round, port: &str, dealt_with_ms: i64, now: Timestamp) -> Option<Slot> {
    let dealt_with = Timestamp::from_millisecond(dealt_with_ms).ok()?;
    let first = round.schedule.after(dealt_with)?;
    let slot = match round.schedule.at_or_before(now) {
        Some(latest) if latest > first => latest,
        _ => first,
    };
    let due = slot.checked_add(round.schedule.delay(seed, &round.name, port, slot)).ok()?;
    let until = round.schedule.after(slot).unwrap_or(Timestamp::MAX);
    let [slot_ms, due_ms, until_ms] = [slot, due, until].map(Timestamp::as_millisecond);
    Some(Slot { dealt_with_ms, slot_ms, due_ms, until_ms })
}

/// A list of ports older than this is made anew before a port is touched.
const FRESH: Duration = Duration::from_secs(2);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missed_time_is_passed_over_only_where_catching_up_is_off() {
        // Going round since 100.
        for (catch_up, due, now, passed_over) in [
            (false, 99, 100, true),
            (true, 99, 100, false),
            // Due once it was going round again.
            (false, 100, 100, false),
            // Not due yet.
            (false, 99, 98, false),
            (false, 99, 99, true),
        ] {
            assert_eq!(is_passed_over(catch_up, due, now, 100), passed_over, "{catch_up} {due} {now}");
        }
    }

    #[test]
    fn a_run_that_hangs_keeps_its_adapter() {
        for (hung, one, other, room) in [
            (false, true, true, true),
            (true, true, true, false),
            (false, false, true, false),
            (false, true, false, false),
            (true, false, false, false),
        ] {
            assert_eq!(leaves_room(hung, one, other), room, "{hung} {one} {other}");
        }
    }
}
