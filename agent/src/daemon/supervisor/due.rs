//! What is due, and whether there is room for it.

use std::{sync::Arc, time::Duration};

use jiff::Timestamp;

use super::{Supervisor, between};
use crate::{
    config::{Round, planned_time},
    daemon::{
        host::Host,
        status::{Asked, Cause, Held, Slot, Turn},
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
                cause: Cause::Asked { case: asked.case.clone() },
                due_ms: i64::MIN,
                asked: Some(asked.clone()),
            })
            .collect();
        let mut next_ms: Option<i64> = None;
        let config = Arc::clone(&status.config);
        let pauses = &status.pauses;
        for (name, port) in &mut status.ports {
            let cabinet = port.labels.cabinet.as_deref();
            // What is due meanwhile is caught up afterwards.
            let left_alone =
                port.memory.diagnosis.is_some() || pauses.iter().any(|p| p.is_on(now_ms) && p.covers(cabinet));
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
                if port.running.is_some() || left_alone {
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
                && !left_alone
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
        let mut next: Option<Duration> = None;
        let mut earliest = |wait: Duration| next = Some(next.map_or(wait, |n: Duration| n.min(wait)));
        let mut held = Vec::new();
        let config = Arc::clone(&self.shared.status().config);
        let allowed = config.limits.cpu_share * f64::from(self.host.processors());
        let (bench_used, bench_tests) = {
            let status = self.shared.status();
            (status.bench_used, matches!(status.turn, Some(Turn::Tests(_))))
        };
        // What the bench uses in its turn is known once that has ended.
        if !candidates.is_empty() && !bench_tests {
            let used = self.host.cpu_used().saturating_sub(bench_used);
            self.budget.book(used, now.as_millisecond(), allowed);
        }
        for candidate in candidates {
            let round = match candidate.cause {
                Cause::Scheduled { round, .. } | Cause::Repeat { round } => Some(round),
                Cause::Asked { .. } => None,
            };
            let found = round.and_then(|round| Some((round, config.rounds.get(round)?)));
            let why = match found {
                // A person who asks does not wait for hours and share, but what the run takes is booked all the same.
                None => None,
                Some((_, round)) => match round.schedule.allowed_from(now, planned_time(&round.profile)) {
                    Some(from) if from <= now => {
                        let wait = self.budget.wait(allowed);
                        (!wait.is_zero()).then(|| ("the agent has used its cpu_share".to_owned(), Some(wait)))
                    }
                    Some(from) => Some(("outside the allowed hours".to_owned(), Some(between(now, from)))),
                    None => Some(("the allowed hours are too short".to_owned(), None)),
                },
            };
            // A run that is over wakes the supervisor: no time to wait for.
            let why = why.or_else(|| Some((self.no_room(&candidate, found.map(|(_, round)| round), now)?, None)));
            if let Some((reason, wait)) = why {
                wait.into_iter().for_each(&mut earliest);
                let Candidate { port, due_ms, .. } = candidate;
                held.extend(found.map(|(round, _)| Held { port, round, due_ms, reason }));
                continue;
            }
            // The last look before a port is touched must be fresh.
            if self.listed_at.is_none_or(|at| at.elapsed() >= FRESH) {
                self.list_ports().await;
            }
            self.start(candidate, now).await;
            earliest(Duration::ZERO);
        }
        self.shared.status().held = held;
        next
    }

    /// Why there is no room for a run now, in words; none: there is.
    fn no_room(&self, candidate: &Candidate, round: Option<&Round>, now: Timestamp) -> Option<String> {
        let status = self.shared.status();
        let taken = status.taken(now.as_millisecond());
        let wanted = status.place(&candidate.port, round.is_some_and(|round| round.side_by_side));
        if let Some(block) = status.block(&wanted, &taken) {
            return Some(block.text());
        }
        let asked = status.held_for(&wanted, &taken).filter(|_| candidate.asked.is_none())?;
        Some(format!("room is held for the run that {} asked for, on {}", asked.by, asked.port))
    }
}

/// Whether a time was missed while nobody went round, and is not to be caught up.
fn is_passed_over(catch_up: bool, due_ms: i64, now_ms: i64, going_since_ms: i64) -> bool {
    due_ms <= now_ms && !catch_up && due_ms < going_since_ms
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
}
