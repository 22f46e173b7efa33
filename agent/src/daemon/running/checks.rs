//! Asking for a run, and ending one.

use std::{collections::BTreeMap, sync::Arc};

use turnback_core::{base::labels::Labels, base::placement::Placement, plan::Profile};

use super::{RunningAgent, check_label};
use crate::{
    archive::logbook::Action,
    daemon::{
        agent::{AgentError, Happening, StartOrder},
        cases::{self, Told},
        status::{Asked, Status},
    },
    guard::id::new_id,
};

impl RunningAgent {
    /// Asks for a check; the id of its run.
    pub(super) fn ask_for(&self, order: StartOrder, by: &str) -> Result<String, AgentError> {
        let value = |name, given: &str, allowed: String| AgentError::Value { name, given: given.to_owned(), allowed };
        let config = Arc::clone(&self.shared.status().config);
        // A profile that nobody knows is refused as such, whatever the port is doing now.
        let named = order.profile.as_ref().map(|name| match config.rounds.iter().find(|r| r.profile.name == *name) {
            Some(round) => Ok(round.profile.clone()),
            None => Profile::named(name).map_err(|e| value("profile", name, e.to_string())),
        });
        let named = named.transpose()?;
        let usual = self.can_start(&order.port, None)?;
        let mut status = self.shared.status();
        let round = status.ports.get(&order.port).and_then(|port| config.rounds.get(*port.rounds.first()?));
        let profile = match named.or(usual) {
            Some(profile) => profile,
            None => Profile::named("quick").map_err(|e| AgentError::NotNow(e.to_string()))?,
        };
        let placement = match &order.placement {
            None => round.and_then(|round| round.placement),
            Some(text) => match text.parse::<Placement>() {
                Ok(place) if place != Placement::ReturnPort => Some(place),
                _ => return Err(value("placement", text, "internal, at-port or far-end".into())),
            },
        };
        if let Some(cable) = &order.cable {
            check_label("cable", cable)?;
        }
        let (run, port) = (new_id().to_string(), order.port);
        status.asked.push_back(Asked {
            run: run.clone(),
            port: port.clone(),
            profile,
            placement,
            cable: order.cable,
            case: None,
            stage: None,
            record: Labels::default(),
            by: by.to_owned(),
            asked_ms: self.shared.now_ms(),
        });
        drop(status);
        self.queued();
        let about = Action { port: Some(port), run: Some(run.clone()), ..Action::default() };
        self.note(by, "asked for a check", about);
        Ok(run)
    }

    /// Asks for a check of every port of a cabinet.
    pub(super) fn ask_for_cabinet(
        &self,
        cabinet: &str,
        by: &str,
    ) -> Result<BTreeMap<String, Result<String, AgentError>>, AgentError> {
        let ports = self.ports_of(cabinet)?;
        let asked = ports.into_iter().map(|port| {
            let order = StartOrder { port: port.clone(), ..StartOrder::default() };
            (port, self.ask_for(order, by))
        });
        Ok(asked.collect())
    }

    /// Ports of a cabinet.
    pub(super) fn ports_of(&self, cabinet: &str) -> Result<Vec<String>, AgentError> {
        let status = self.shared.status();
        let of = status.ports.iter().filter(|(_, port)| port.labels.cabinet.as_deref() == Some(cabinet));
        let ports: Vec<String> = of.map(|(name, _)| name.clone()).collect();
        if ports.is_empty() {
            return Err(AgentError::Unknown { what: "cabinet", name: cabinet.to_owned() });
        }
        Ok(ports)
    }

    /// Wakes the supervisor for what was put into the queue, and writes the queue.
    pub(super) fn queued(&self) {
        self.shared.keep_queue();
        self.shared.tell(Happening::Cared { port: None });
        self.shared.wake.notify_one();
    }

    /// Ends a run that is on or waits.
    pub(super) fn end_run(&self, run: &str, by: &str) -> Result<(), AgentError> {
        let about = |port: &str| Action { port: Some(port.to_owned()), run: Some(run.to_owned()), ..Action::default() };
        let waiting = {
            let mut status = self.shared.status();
            let place = status.asked.iter().position(|asked| asked.run == run);
            place.and_then(|place| status.asked.remove(place))
        };
        if let Some(asked) = waiting {
            self.queued();
            if let Some(case) = &asked.case {
                let why = Told::CutOff("ended by hand before its turn".to_owned());
                self.logbook(|logbook| cases::end(logbook, case, &asked.run, why))?;
                self.shared.unlock_case(case);
                self.shared.tell(Happening::Case { case: case.clone(), port: asked.port.clone() });
            }
            self.note(by, "took a run out of the queue", about(&asked.port));
            self.shared.tell(Happening::RunOver { run: asked.run, port: asked.port, outcome: None });
            return Ok(());
        }
        let port = {
            let mut status = self.shared.status();
            let running = status.ports.values_mut().filter_map(|port| port.running.as_mut());
            let Some(running) = running.into_iter().find(|r| r.live.run == run) else {
                return Err(AgentError::Unknown { what: "run", name: run.to_owned() });
            };
            running.by_hand = true;
            running.cancel.cancel();
            if running.ended_at.is_none() {
                running.ended_at = jiff::Timestamp::from_millisecond(self.shared.now_ms()).ok();
            }
            running.live.port.clone()
        };
        self.shared.wake.notify_one();
        self.note(by, "ended a run", about(&port));
        Ok(())
    }

    /// Whether a run of the port may be asked for now, by itself or for a case; the profile of its first round.
    pub(super) fn can_start(&self, name: &str, case: Option<&str>) -> Result<Option<Profile>, AgentError> {
        let mut status = self.shared.status();
        let status: &mut Status = &mut status;
        let port = status.ports.get(name).ok_or_else(|| AgentError::Unknown { what: "port", name: name.to_owned() })?;
        if let Some(diagnosis) = port.memory.diagnosis.as_ref().filter(|diagnosis| Some(&*diagnosis.case) != case) {
            return Err(AgentError::UnderDiagnosis { port: name.to_owned(), case: diagnosis.case.clone() });
        }
        // A stage waits for a scheduled run that began before it.
        let waits = |run: &crate::daemon::status::Running| case.is_some() && !run.hung && run.cause.case().is_none();
        if let Some(run) = port.running.as_ref().filter(|run| !waits(run)) {
            let why = if run.hung { "a run of it hangs" } else { "a run of it is on" };
            return Err(AgentError::NotNow(format!("{name}: {why} ({})", run.live.run)));
        }
        let in_the_way = match &port.facts {
            None => Some(format!("the machine does not have {name} now")),
            Some(facts) if !facts.in_service.is_empty() => {
                Some(format!("{name} is in service: {}", facts.in_service.join("; ")))
            }
            Some(_) => None,
        };
        if let Some(why) = in_the_way {
            // The list may be old, and whoever asks has just freed the port: the next time it is fresh.
            status.relist = true;
            self.shared.wake.notify_one();
            return Err(AgentError::NotNow(format!("{why}; if that has just changed, try again")));
        }
        if status.asked.iter().any(|asked| asked.port == name) {
            return Err(AgentError::NotNow(format!("a run of {name} waits for its turn already")));
        }
        if status.asked.len() >= ASKED_MAX {
            return Err(AgentError::NotNow(format!("{ASKED_MAX} runs wait for their turn already")));
        }
        Ok(status.usual(port))
    }
}

/// Runs that may wait because somebody asked.
const ASKED_MAX: usize = 200;
