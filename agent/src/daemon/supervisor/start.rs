//! Starting a run.

use std::sync::Arc;

use jiff::Timestamp;
use turnback_core::{
    base::{placement::Placement, rng::Rng},
    event::Event,
    watch::observation::{Ground, Observation},
};

use super::{Over, Supervisor, conclude::Concluded, due::Candidate};
use crate::{
    archive::logbook::Entry,
    config::planned_time,
    daemon::{
        agent::{Happening, LiveRun},
        cases::Told,
        host::{Host, Order},
        status::{ASKED, Cause, Running, Shared},
    },
    engine::cancel::Cancel,
    guard::id::new_id,
};

impl<S: Host> Supervisor<S> {
    pub(super) async fn start(&mut self, candidate: Candidate, now: Timestamp) {
        let Candidate { port: name, cause, asked, .. } = candidate;
        let (config, seed) = {
            let mut status = self.shared.status();
            if let Some(asked) = &asked {
                let before = status.asked.len();
                status.asked.retain(|a| a.run != asked.run);
                if status.asked.len() == before {
                    // Somebody ended it meanwhile.
                    return;
                }
            }
            (Arc::clone(&status.config), status.seed)
        };
        let round_number = match cause {
            Cause::Scheduled { round, .. } | Cause::Repeat { round } => Some(round),
            Cause::Asked { .. } => None,
        };
        let round = round_number.and_then(|n| config.rounds.get(n));
        if let (Some(round), Cause::Scheduled { slot_ms, .. }) = (round, &cause)
            && *slot_ms < self.going_since.as_millisecond()
        {
            *self.shared.status().figures.missed.entry(round.name.clone()).or_default() += 1;
        }
        let facts = self.shared.status().ports.get(&name).and_then(|p| p.facts.clone());
        let refused = match &facts {
            // That it is gone is its state already; a run that was not made adds nothing.
            None => Some(Observation::Interrupted),
            Some(facts) if !facts.in_service.is_empty() => Some(Observation::InService(facts.in_service.join("; "))),
            Some(_) => None,
        };
        let run = asked.as_ref().map_or_else(|| new_id().to_string(), |a| a.run.clone());
        if let Some(finding) = refused {
            self.settle_slot(&name, &cause);
            let why = match &finding {
                Observation::InService(why) => {
                    tracing::info!(port = name, why, "skipped: in service");
                    format!("{name} is in service: {why}")
                }
                _ => {
                    tracing::warn!(port = name, "not tested: the port is gone");
                    format!("the machine does not have {name} now")
                }
            };
            if let Some(asked) = &asked {
                self.keep_queue().await;
                self.shared.tell(Happening::RunOver { run: run.clone(), port: name.clone(), outcome: None });
                self.end_stage(asked.case.as_deref(), &run, Told::CutOff(why)).await;
            }
            let ground = Ground { at_ms: now.as_millisecond(), ..Ground::default() };
            self.conclude(&name, Concluded { round: round_number, ..Concluded::of(finding, ground) }).await;
            return;
        }
        let (profile, placement, cable, side_by_side) = match (&asked, round) {
            (Some(a), _) => (a.profile.clone(), a.placement, a.cable.clone(), false),
            (None, Some(r)) => (r.profile.clone(), r.placement, None, r.side_by_side),
            (None, None) => return,
        };
        let planned = planned_time(&profile);
        let cause_name = match &cause {
            Cause::Asked { case } => case.clone().unwrap_or_else(|| ASKED.to_owned()),
            _ => round.map(|r| r.name.clone()).unwrap_or_default(),
        };
        let cancel = Cancel::default();
        let mut entry = Entry { port: name.clone(), ..Entry::default() };
        let order = {
            let mut status = self.shared.status();
            let Some(port) = status.ports.get_mut(&name) else { return };
            let cable = cable.or_else(|| {
                // The cable is part of what is tested only when the plug is at its far end.
                (placement == Some(Placement::FarEnd)).then(|| port.labels.cable.clone()).flatten()
            });
            port.memory.begun = Some((run.clone(), cause_name.clone()));
            if matches!(cause, Cause::Repeat { .. }) {
                port.memory.repeat = None;
                port.memory.repeats += 1;
            }
            entry.memory = port.memory.clone();
            let live = LiveRun {
                run: run.clone(),
                port: name.clone(),
                profile: profile.name.clone(),
                cause: cause_name,
                by: asked.as_ref().map(|asked| asked.by.clone()),
                started_ms: now.as_millisecond(),
                share_done: None,
                last_event: None,
            };
            port.running = Some(Running {
                live,
                cancel: cancel.clone(),
                cause,
                usual_end_ms: now.as_millisecond() + profile.usual_time().as_millis() as i64,
                planned_end_ms: now.as_millisecond() + planned.as_millis() as i64,
                ends_by: now.checked_add(planned + config.limits.overtime).unwrap_or(Timestamp::MAX),
                ended_at: None,
                by_hand: false,
                hung: false,
                adapter: facts.and_then(|f| f.adapter().map(str::to_owned)),
                side_by_side,
                placement: placement.unwrap_or_default(),
                aside: asked.as_ref().is_some_and(|asked| asked.stage.is_some()),
            });
            Order {
                run: run.clone(),
                port: name.clone(),
                labels: port.labels.clone(),
                profile,
                placement,
                cable,
                stage: asked.as_ref().and_then(|a| a.stage.clone()),
                record: asked.as_ref().map(|a| a.record.clone()).unwrap_or_default(),
                seed: Rng::new(seed ^ now.as_millisecond() as u64).draw(),
            }
        };
        tracing::info!(port = name, run, "run begins");
        self.enter(entry).await;
        if asked.is_some() {
            self.keep_queue().await;
        }
        let shared = Arc::clone(&self.shared);
        let (port, id) = (name.clone(), run.clone());
        let say = Box::new(move |event| hear(&shared, &port, &id, event));
        let check = self.host.check(order, say, cancel);
        let over = self.over.0.clone();
        tokio::spawn(async move {
            let end = check.await;
            let _ = over.send(Over { port: name, run, end });
        });
    }

    /// A time of the schedule is dealt with; the number of its round.
    pub(super) fn settle_slot(&self, port: &str, cause: &Cause) -> Option<usize> {
        let mut status = self.shared.status();
        let config = Arc::clone(&status.config);
        let memory = &mut status.ports.get_mut(port)?.memory;
        match cause {
            Cause::Scheduled { round, slot_ms } => {
                let name = config.rounds.get(*round)?.name.clone();
                memory.dealt_with_ms.insert(name, *slot_ms);
                (memory.repeats, memory.repeat) = (0, None);
                Some(*round)
            }
            Cause::Repeat { round } => {
                memory.repeat = None;
                Some(*round)
            }
            Cause::Asked { .. } => None,
        }
    }
}

/// A run says something.
fn hear(shared: &Shared, port: &str, run: &str, event: Event) {
    if let Some(running) = shared.status().ports.get_mut(port).and_then(|p| p.running.as_mut())
        && running.live.run == run
    {
        if let Some(share) = event.share_done() {
            running.live.share_done = Some(share);
        }
        running.live.last_event = Some(event.clone());
    }
    shared.tell(Happening::Run { run: run.to_owned(), port: port.to_owned(), event });
}
