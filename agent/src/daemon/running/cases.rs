//! Leading through a case.

use std::sync::PoisonError;

use turnback_core::{
    document::case::{Case, CaseState},
    plan::Profile,
};

use super::{LABEL, RunningAgent, check_label};
use crate::{
    archive::{Listed, Query, logbook::Action},
    daemon::{
        agent::{AgentError, CaseOrder, CaseView, Happening, StageOrder},
        cases::{self, Begun},
        status::Watched,
    },
    guard::lock::PortLock,
    work::isolate::{self, runner::Opening},
};

impl RunningAgent {
    pub(super) fn stored_case(&self, id: &str) -> Result<Case, AgentError> {
        self.logbook(|logbook| cases::stored(&*logbook, id))
    }

    pub(super) fn case_view(&self, case: &Case) -> CaseView {
        let reserves = {
            let status = self.shared.status();
            let port = status.ports.get(&case.port.name);
            port.and_then(|port| port.memory.diagnosis.as_ref()).is_some_and(|d| d.case == case.case)
        };
        cases::view(case, self.run_of(case), reserves, || self.known_good_for(case))
    }

    /// Opens a case; its id.
    pub(super) fn open(&self, order: CaseOrder, by: &str) -> Result<String, AgentError> {
        self.has_port(&order.port)?;
        let own = self.shared.status().ports.get(&order.port).and_then(|port| port.labels.cable.clone());
        let Some(cable) = order.cable.or(own) else {
            return Err(AgentError::Value { name: "cable", given: String::new(), allowed: LABEL.into() });
        };
        for label in order.segments.iter().chain([&cable]).chain(&order.plug) {
            check_label("cable", label)?;
        }
        if order.segments.len() > SEGMENTS_MAX {
            let given = order.segments.len().to_string();
            return Err(AgentError::Value { name: "segments", given, allowed: format!("up to {SEGMENTS_MAX}") });
        }
        let _alone = self.moving.lock().unwrap_or_else(PoisonError::into_inner);
        self.no_other_case(&order.port, None)?;
        let opening = Opening { cable, segments: order.segments, plug: order.plug };
        let case = (self.open)(&order.port, opening).map_err(AgentError::NotNow)?;
        self.keep(&case, by, "opened a case")?;
        Ok(case.case)
    }

    /// Carries out a stage; the id of its run, if it makes one.
    pub(super) fn carry_out(&self, case: &str, order: StageOrder, by: &str) -> Result<Option<String>, AgentError> {
        if let Some(plug) = &order.plug {
            check_label("plug", plug)?;
        }
        let mut asked = None;
        let lock = self.move_on(case, by, &format!("began stage {}", order.stage), |case| {
            // A person's word needs no port.
            let usual = match order.shows {
                Some(_) => None,
                None => self.free_for(&case, cases::port_of(&case, &order))?,
            };
            Ok(match cases::begin(case, &order, usual, (by, self.shared.now_ms()))? {
                Begun::Answered(case) => case,
                Begun::Asked(case, run) => {
                    asked = Some(run);
                    case
                }
            })
        })?;
        let Some(asked) = asked else { return Ok(None) };
        let run = asked.run.clone();
        self.shared.case_locks.lock().unwrap_or_else(PoisonError::into_inner).insert(case.to_owned(), lock);
        self.shared.status().asked.push_back(*asked);
        self.queued();
        Ok(Some(run))
    }

    /// Reads a case, does something to it and keeps it, unless a stage of it is on, or somebody is at work on it at a
    /// terminal. Gives the lock that keeps others off.
    pub(super) fn move_on(
        &self,
        case: &str,
        by: &str,
        did: &str,
        action: impl FnOnce(Case) -> Result<Case, AgentError>,
    ) -> Result<PortLock, AgentError> {
        let _alone = self.moving.lock().unwrap_or_else(PoisonError::into_inner);
        let case = self.stored_case(case)?;
        if self.run_of(&case).is_some() {
            return Err(AgentError::NotNow("a stage of this case is being carried out".into()));
        }
        let lock = isolate::lock(&case.case).map_err(|error| AgentError::NotNow(error.to_string()))?;
        // What somebody did to it before the lock was free counts.
        let case = action(self.stored_case(&case.case)?)?;
        // A case that lay idle, or was over, takes its port again.
        if case.state == CaseState::Open {
            self.no_other_case(&case.port.name, Some(&case.case))?;
        }
        self.keep(&case, by, did)?;
        Ok(lock)
    }

    /// Writes a case, and reserves or releases its port.
    fn keep(&self, case: &Case, by: &str, did: &str) -> Result<(), AgentError> {
        self.logbook(|logbook| Ok(logbook.put(&case.clone().into())?))?;
        let port = case.port.name.clone();
        let is_new = self.shared.status().settle_diagnosis(case, by, self.shared.now_ms());
        self.shared.save(&port, is_new);
        self.shared.tell(Happening::Case { case: case.case.clone(), port: port.clone() });
        self.note(by, did, Action { port: Some(port), case: Some(case.case.clone()), ..Action::default() });
        Ok(())
    }

    /// Whether no case but this one is open for a port.
    fn no_other_case(&self, port: &str, own: Option<&str>) -> Result<(), AgentError> {
        let open = self.logbook(|logbook| Ok(logbook.list(Query::Cases { only_open: true }, None)?))?;
        let mut others = open.into_iter().filter_map(Listed::into_case);
        match others.find(|row| row.port == port && Some(row.case.as_str()) != own) {
            Some(row) => Err(AgentError::UnderDiagnosis { port: port.to_owned(), case: row.case }),
            None => Ok(()),
        }
    }

    /// The run that carries out a stage of this case now, or waits to.
    fn run_of(&self, case: &Case) -> Option<String> {
        let status = self.shared.status();
        let on = status.ports.values().filter_map(|port| port.running.as_ref());
        let mut on = on.filter(|run| run.cause.case() == Some(&case.case)).map(|run| run.live.run.clone());
        let waits = || status.asked.iter().find(|asked| asked.case.as_ref() == Some(&case.case));
        on.next().or_else(|| waits().map(|asked| asked.run.clone()))
    }

    /// Free ports of the kind of the case's own.
    fn known_good_for(&self, case: &Case) -> Vec<String> {
        let status = self.shared.status();
        let fits = |name: &str, port: &Watched| {
            let facts = port.facts.as_ref();
            name != case.port.name
                && port.memory.diagnosis.is_none()
                && facts.is_some_and(|f| f.kind == case.port.kind && f.in_service.is_empty())
        };
        status.ports.iter().filter(|(name, port)| fits(name, port)).map(|(name, _)| name.clone()).collect()
    }

    /// Whether a stage of the case may be carried out on this port now; the profile of the case's own port.
    fn free_for(&self, case: &Case, port: &str) -> Result<Option<Profile>, AgentError> {
        let usual = self.can_start(port, Some(&case.case))?;
        if port == case.port.name {
            return Ok(usual);
        }
        let status = self.shared.status();
        let kind = status.ports.get(port).and_then(|port| port.facts.as_ref()).map(|facts| facts.kind);
        if kind != Some(case.port.kind) {
            let allowed = format!("a port of the kind of {}: {}", case.port.name, case.port.kind);
            return Err(AgentError::Value { name: "on", given: port.to_owned(), allowed });
        }
        Ok(status.ports.get(&case.port.name).and_then(|own| status.usual(own)))
    }
}

/// More pieces of cable than between any two cabinets.
const SEGMENTS_MAX: usize = 64;
