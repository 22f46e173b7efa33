//! Answers requests to the running agent from its status and its archive.

use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::broadcast;
use turnback_core::{
    base::{labels::Labels, placement::Placement},
    document::{Document, DocumentKind, case::Case, run::Report},
    plan::Profile,
    watch::standing::Change,
};

use super::{
    agent::{
        Agent, AgentError, CaseOrder, CaseView, Figures, Happening, Health, OutboxLine, PortView, RecordLine,
        RecordQuery, StageOrder, StartOrder,
    },
    cases::{self, Begun},
    status::{ASKED, Asked, Shared, Watched},
};
use crate::{
    archive::{
        Listed, Query,
        filter::Filter,
        logbook::{Logbook, Outgoing},
    },
    work::isolate::runner::Opening,
};

/// The running agent, as page, API and control socket see it.
pub struct RunningAgent {
    shared: Arc<Shared>,
    open: OpenCase,
    /// Held while a case is read, moved on and kept again: two people may press one button.
    moving: Mutex<()>,
}

/// Opens a case of a port.
pub type OpenCase = Box<dyn Fn(&str, Opening) -> Result<Case, String> + Send + Sync>;

impl RunningAgent {
    /// Of the daemon whose parts share this.
    pub fn new(shared: Arc<Shared>, open: OpenCase) -> Self {
        Self { shared, open, moving: Mutex::default() }
    }

    fn logbook<T>(&self, action: impl FnOnce(&mut dyn Logbook) -> Result<T, AgentError>) -> Result<T, AgentError> {
        action(&mut **self.shared.logbook.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn stored_case(&self, id: &str) -> Result<Case, AgentError> {
        self.logbook(|logbook| cases::stored(&*logbook, id))
    }

    fn keep_case(&self, case: &Case) -> Result<(), AgentError> {
        self.logbook(|logbook| Ok(logbook.put(&case.clone().into())?))
    }

    fn has_port(&self, name: &str) -> Result<(), AgentError> {
        match self.shared.status().ports.contains_key(name) {
            true => Ok(()),
            false => Err(AgentError::Unknown { what: "port", name: name.to_owned() }),
        }
    }
}

impl Agent for RunningAgent {
    fn ports(&self) -> Vec<PortView> {
        let status = self.shared.status();
        status.ports.iter().map(|(name, port)| status.view(name, port)).collect()
    }

    fn listen(&self) -> broadcast::Receiver<Happening> {
        self.shared.happenings.subscribe()
    }

    fn health(&self) -> Health {
        let status = self.shared.status();
        let mut troubles: Vec<String> =
            status.troubles.iter().map(|(matter, text)| format!("{matter}: {text}")).collect();
        let hung = status.ports.iter().filter(|(_, port)| port.running.as_ref().is_some_and(|run| run.hung));
        troubles.extend(hung.map(|(name, _)| format!("{name}: its driver hangs; if it stays so, restart the machine")));
        Health {
            ok: troubles.is_empty(),
            troubles,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            started_ms: status.started_ms,
            last_round_ms: status.last_round_ms,
            config: status.config.file.as_ref().map(|file| file.display().to_string()),
            demo: status.demo,
        }
    }

    fn figures(&self) -> Figures {
        self.shared.status().figures.clone()
    }

    fn start(&self, order: StartOrder) -> Result<String, AgentError> {
        let value = |name, given: &str, allowed: String| AgentError::Value { name, given: given.to_owned(), allowed };
        let usual = self.can_start(&order.port)?;
        let mut status = self.shared.status();
        let config = Arc::clone(&status.config);
        let round = status.ports.get(&order.port).and_then(|port| config.rounds.get(*port.rounds.first()?));
        let profile = match &order.profile {
            None => match usual {
                Some(profile) => profile,
                None => Profile::named("quick").map_err(|e| AgentError::NotNow(e.to_string()))?,
            },
            Some(name) => match config.rounds.iter().find(|r| r.profile.name == *name) {
                Some(round) => round.profile.clone(),
                None => Profile::named(name).map_err(|e| value("profile", name, e.to_string()))?,
            },
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
        let run = uuid::Uuid::now_v7().to_string();
        let asked = Asked {
            run: run.clone(),
            port: order.port,
            profile,
            placement,
            cable: order.cable,
            by: ASKED.into(),
            stage: None,
            record: Labels::default(),
        };
        status.asked.push_back(asked);
        drop(status);
        self.shared.wake.notify_one();
        Ok(run)
    }

    fn cancel(&self, run: &str) -> Result<(), AgentError> {
        let mut status = self.shared.status();
        if let Some(place) = status.asked.iter().position(|asked| asked.run == run) {
            let gone = status.asked.remove(place);
            drop(status);
            if let Some(asked) = gone {
                if asked.by != ASKED {
                    let why = Err("ended by hand before its turn".to_owned());
                    self.logbook(|logbook| cases::end(logbook, &asked.by, &asked.run, why))?;
                    self.shared.tell(Happening::Case { case: asked.by });
                }
                self.shared.tell(Happening::RunOver { run: asked.run, port: asked.port, outcome: None });
            }
            return Ok(());
        }
        let running = status.ports.values_mut().filter_map(|port| port.running.as_mut()).find(|r| r.live.run == run);
        let Some(running) = running else { return Err(AgentError::Unknown { what: "run", name: run.to_owned() }) };
        running.by_hand = true;
        running.cancel.cancel();
        if running.ended_at.is_none() {
            running.ended_at = jiff::Timestamp::from_millisecond(self.shared.now_ms()).ok();
        }
        drop(status);
        self.shared.wake.notify_one();
        Ok(())
    }

    fn records(&self, query: &RecordQuery) -> Result<Vec<RecordLine>, AgentError> {
        let filter = Filter {
            port: query.port.clone(),
            cable: query.cable.clone(),
            outcome: query.outcome.map(|outcome| outcome.name().to_owned()),
            before: query.before.clone(),
            ..Filter::default()
        };
        let limit = match query.limit {
            0 => RECORDS_USUAL,
            limit => limit.min(RECORDS_MAX),
        };
        let found = self.logbook(|logbook| Ok(logbook.list(Query::Runs(&filter), Some(limit.into()))?))?;
        Ok(found.into_iter().filter_map(Listed::into_run).map(|record| RecordLine::of(&record)).collect())
    }

    fn report(&self, run: &str) -> Result<Report, AgentError> {
        match self.logbook(|logbook| Ok(logbook.find(Some(DocumentKind::Run), run)?))? {
            Document::Run(report) => Ok(*report),
            _ => Err(AgentError::Unknown { what: "run", name: run.to_owned() }),
        }
    }

    fn changes(&self, port: &str, limit: u32) -> Result<Vec<Change>, AgentError> {
        self.has_port(port)?;
        self.logbook(|logbook| Ok(logbook.changes(port, limit.min(RECORDS_MAX))?))
    }

    fn outbox(&self) -> Result<Vec<OutboxLine>, AgentError> {
        let waiting = self.logbook(|logbook| Ok(logbook.outbox()?))?;
        let line = |o: Outgoing| OutboxLine {
            id: o.id,
            target: o.target,
            port: o.port,
            at_ms: o.at_ms,
            attempts: o.attempts,
            next_try_ms: o.next_try_ms,
            last_error: o.last_error,
        };
        Ok(waiting.into_iter().map(line).collect())
    }

    fn cases(&self, limit: u32) -> Result<Vec<CaseView>, AgentError> {
        let cases = self.logbook(|logbook| {
            let rows = logbook.list(Query::Cases { only_open: false }, Some(limit.min(RECORDS_MAX).into()))?;
            let rows = rows.into_iter().filter_map(Listed::into_case);
            // One that a newer program wrote, or a damaged one, must not hide the others.
            Ok(rows.filter_map(|row| cases::stored(&*logbook, &row.case).ok()).collect::<Vec<_>>())
        })?;
        Ok(cases.iter().map(|case| self.case_view(case)).collect())
    }

    fn case(&self, case: &str) -> Result<CaseView, AgentError> {
        Ok(self.case_view(&self.stored_case(case)?))
    }

    fn open_case(&self, order: CaseOrder) -> Result<String, AgentError> {
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
        let opening = Opening { cable, segments: order.segments, plug: order.plug };
        let case = (self.open)(&order.port, opening).map_err(AgentError::NotNow)?;
        self.keep_case(&case)?;
        self.shared.tell(Happening::Case { case: case.case.clone() });
        Ok(case.case)
    }

    fn perform(&self, case: &str, order: StageOrder) -> Result<Option<String>, AgentError> {
        if let Some(plug) = &order.plug {
            check_label("plug", plug)?;
        }
        let mut asked = None;
        self.move_on(case, |case| {
            // A person's word needs no port.
            let usual = match order.shows {
                Some(_) => None,
                None => self.free_for(&case, cases::port_of(&case, &order))?,
            };
            Ok(match cases::begin(case, &order, usual)? {
                Begun::Answered(case) => case,
                Begun::Asked(case, run) => {
                    asked = Some(run);
                    case
                }
            })
        })?;
        let Some(asked) = asked else { return Ok(None) };
        let run = asked.run.clone();
        self.shared.status().asked.push_back(*asked);
        self.shared.wake.notify_one();
        Ok(Some(run))
    }

    fn skip(&self, case: &str, stage: &str, why: &str) -> Result<(), AgentError> {
        self.move_on(case, |case| cases::skip(case, stage, why))
    }

    fn set_aside(&self, case: &str, stage: &str) -> Result<(), AgentError> {
        self.move_on(case, |case| cases::set_aside(case, stage))
    }
}

impl RunningAgent {
    /// The run that carries out a stage of this case now, or waits to.
    fn run_of(&self, case: &Case) -> Option<String> {
        let status = self.shared.status();
        let on = status.ports.values().filter_map(|port| port.running.as_ref());
        let mut on = on.filter(|run| run.live.cause == case.case).map(|run| run.live.run.clone());
        on.next().or_else(|| status.asked.iter().find(|asked| asked.by == case.case).map(|asked| asked.run.clone()))
    }

    fn case_view(&self, case: &Case) -> CaseView {
        cases::view(case, self.run_of(case), || self.known_good_for(case))
    }

    /// Reads a case, does something to it and keeps it, unless a stage of it is on.
    fn move_on(&self, case: &str, action: impl FnOnce(Case) -> Result<Case, AgentError>) -> Result<(), AgentError> {
        let _alone = self.moving.lock().unwrap_or_else(PoisonError::into_inner);
        let case = self.stored_case(case)?;
        if self.run_of(&case).is_some() {
            return Err(AgentError::NotNow("a stage of this case is being carried out".into()));
        }
        let case = action(case)?;
        self.keep_case(&case)?;
        self.shared.tell(Happening::Case { case: case.case });
        Ok(())
    }

    /// Free ports of the kind of the case's own.
    fn known_good_for(&self, case: &Case) -> Vec<String> {
        let status = self.shared.status();
        let fits = |name: &str, port: &Watched| {
            let facts = port.facts.as_ref();
            name != case.port.name && facts.is_some_and(|f| f.kind == case.port.kind && f.in_service.is_empty())
        };
        status.ports.iter().filter(|(name, port)| fits(name, port)).map(|(name, _)| name.clone()).collect()
    }

    /// Whether a stage of the case may be carried out on this port now; the profile of the case's own port.
    fn free_for(&self, case: &Case, port: &str) -> Result<Option<Profile>, AgentError> {
        let usual = self.can_start(port)?;
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

    /// Whether a run of the port may be asked for now; the profile of its first round.
    fn can_start(&self, name: &str) -> Result<Option<Profile>, AgentError> {
        let mut status = self.shared.status();
        let status = &mut *status;
        let port = status.ports.get(name).ok_or_else(|| AgentError::Unknown { what: "port", name: name.to_owned() })?;
        if let Some(run) = &port.running {
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
        if status.asked.iter().any(|asked| asked.port == name) || status.asked.len() >= ASKED_MAX {
            return Err(AgentError::NotNow(format!("a run of {name} waits for its turn already")));
        }
        Ok(status.usual(port))
    }
}

fn check_label(name: &'static str, label: &str) -> Result<(), AgentError> {
    if label.trim().is_empty() || label.len() > 100 || label.contains(char::is_control) {
        return Err(AgentError::Value { name, given: label.to_owned(), allowed: LABEL.into() });
    }
    Ok(())
}

const LABEL: &str = "1 to 100 characters, none of them a control character";
/// More pieces of cable than between any two cabinets.
const SEGMENTS_MAX: usize = 64;
/// Runs that may wait because somebody asked.
const ASKED_MAX: usize = 200;
/// Entries of a list where nobody says how many.
const RECORDS_USUAL: u32 = 100;
const RECORDS_MAX: u32 = 1000;
