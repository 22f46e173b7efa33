//! The clerk: answers at the [`Desk`] from the board and the logbook.

use std::sync::{Arc, PoisonError};

use tokio::sync::broadcast;
use turnback_core::{link::Placement, plan::Profile, report::Report, watch::standing::Change};

use super::{
    board::{Asked, Shared},
    desk::{
        CaseOrder, CaseView, Desk, DeskError, Figures, Happening, Health, OutboxLine, PortView, RecordLine,
        RecordQuery, StartOrder,
    },
    logbook::{Logbook, LogbookError},
};

/// See the module text.
pub struct Clerk(Arc<Shared>);

impl Clerk {
    /// Of the daemon whose parts share this.
    pub fn new(shared: Arc<Shared>) -> Self {
        Self(shared)
    }

    fn logbook<T>(&self, action: impl FnOnce(&mut dyn Logbook) -> Result<T, LogbookError>) -> Result<T, DeskError> {
        Ok(action(&mut **self.0.logbook.lock().unwrap_or_else(PoisonError::into_inner))?)
    }

    fn has_port(&self, name: &str) -> Result<(), DeskError> {
        match self.0.board().ports.contains_key(name) {
            true => Ok(()),
            false => Err(DeskError::Unknown { what: "port", name: name.to_owned() }),
        }
    }
}

impl Desk for Clerk {
    fn ports(&self) -> Vec<PortView> {
        let board = self.0.board();
        board.ports.iter().map(|(name, port)| board.view(name, port)).collect()
    }

    fn listen(&self) -> broadcast::Receiver<Happening> {
        self.0.happenings.subscribe()
    }

    fn health(&self) -> Health {
        let board = self.0.board();
        let mut troubles: Vec<String> =
            board.troubles.iter().map(|(matter, text)| format!("{matter}: {text}")).collect();
        let hung = board.ports.iter().filter(|(_, port)| port.running.as_ref().is_some_and(|run| run.hung));
        troubles.extend(hung.map(|(name, _)| format!("{name}: its driver hangs; if it stays so, restart the machine")));
        Health {
            ok: troubles.is_empty(),
            troubles,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            started_ms: board.started_ms,
            last_round_ms: board.last_round_ms,
            config: board.config.file.as_ref().map(|file| file.display().to_string()),
            demo: board.demo,
        }
    }

    fn figures(&self) -> Figures {
        self.0.board().figures.clone()
    }

    fn start(&self, order: StartOrder) -> Result<String, DeskError> {
        let value = |name, given: &str, allowed: String| DeskError::Value { name, given: given.to_owned(), allowed };
        let mut board = self.0.board();
        let config = Arc::clone(&board.config);
        let port = board
            .ports
            .get(&order.port)
            .ok_or_else(|| DeskError::Unknown { what: "port", name: order.port.clone() })?;
        let round = port.rounds.first().and_then(|n| config.rounds.get(*n));
        if let Some(run) = &port.running {
            let why = if run.hung { "a run of it hangs" } else { "a run of it is on" };
            return Err(DeskError::NotNow(format!("{}: {why} ({})", order.port, run.live.run)));
        }
        match &port.facts {
            None => return Err(DeskError::NotNow(format!("the machine does not have {} now", order.port))),
            Some(facts) if !facts.in_service.is_empty() => {
                return Err(DeskError::NotNow(format!(
                    "{} is in service: {}",
                    order.port,
                    facts.in_service.join("; ")
                )));
            }
            Some(_) => {}
        }
        if board.asked.iter().any(|asked| asked.port == order.port) || board.asked.len() >= ASKED_MAX {
            return Err(DeskError::NotNow(format!("a run of {} waits for its turn already", order.port)));
        }
        let profile = match &order.profile {
            None => match round {
                Some(round) => round.profile.clone(),
                None => Profile::named("quick").map_err(|e| DeskError::NotNow(e.to_string()))?,
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
        if let Some(cable) = &order.cable
            && (cable.is_empty() || cable.len() > 100 || cable.contains(char::is_control))
        {
            return Err(value("cable", cable, "1 to 100 characters, none of them a control character".into()));
        }
        let run = uuid::Uuid::now_v7().to_string();
        let asked =
            Asked { run: run.clone(), port: order.port, profile, placement, cable: order.cable, by: "asked".into() };
        board.asked.push_back(asked);
        drop(board);
        self.0.wake.notify_one();
        Ok(run)
    }

    fn cancel(&self, run: &str) -> Result<(), DeskError> {
        let mut board = self.0.board();
        if let Some(place) = board.asked.iter().position(|asked| asked.run == run) {
            let gone = board.asked.remove(place);
            drop(board);
            if let Some(asked) = gone {
                self.0.tell(Happening::RunOver { run: asked.run, port: asked.port, outcome: None });
            }
            return Ok(());
        }
        let running = board.ports.values_mut().filter_map(|port| port.running.as_mut()).find(|r| r.live.run == run);
        let Some(running) = running else { return Err(DeskError::Unknown { what: "run", name: run.to_owned() }) };
        running.by_hand = true;
        running.cancel.cancel();
        if running.ended_at.is_none() {
            running.ended_at = jiff::Timestamp::from_millisecond(self.0.now_ms()).ok();
        }
        drop(board);
        self.0.wake.notify_one();
        Ok(())
    }

    fn records(&self, query: &RecordQuery) -> Result<Vec<RecordLine>, DeskError> {
        self.logbook(|logbook| logbook.records(query))
    }

    fn report(&self, run: &str) -> Result<Report, DeskError> {
        self.logbook(|logbook| logbook.report(run))
    }

    fn changes(&self, port: &str, limit: u32) -> Result<Vec<Change>, DeskError> {
        self.has_port(port)?;
        self.logbook(|logbook| logbook.changes(port, limit.min(1000)))
    }

    fn outbox(&self) -> Result<Vec<OutboxLine>, DeskError> {
        let waiting = self.logbook(|logbook| logbook.outbox())?;
        let line = |o: super::logbook::Outgoing| OutboxLine {
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

    fn cases(&self, _limit: u32) -> Result<Vec<CaseView>, DeskError> {
        Ok(Vec::new())
    }

    fn case(&self, case: &str) -> Result<CaseView, DeskError> {
        Err(DeskError::Unknown { what: "case", name: case.to_owned() })
    }

    fn open_case(&self, order: CaseOrder) -> Result<String, DeskError> {
        self.has_port(&order.port)?;
        Err(DeskError::NotNow(CASES_ELSEWHERE.into()))
    }

    fn perform(&self, case: &str, _stage: &str) -> Result<String, DeskError> {
        Err(DeskError::Unknown { what: "case", name: case.to_owned() })
    }

    fn skip(&self, case: &str, _stage: &str, _why: &str) -> Result<(), DeskError> {
        Err(DeskError::Unknown { what: "case", name: case.to_owned() })
    }
}

/// Runs that may wait because somebody asked.
const ASKED_MAX: usize = 200;
/// Said until the daemon leads through cases itself.
const CASES_ELSEWHERE: &str = "the daemon does not lead through a case yet; `turnback isolate` does, on this machine";
