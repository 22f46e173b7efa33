//! The clerk: answers at the [`Desk`] from the board and the logbook.

use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::broadcast;
use turnback_core::{
    base::{labels::Labels, placement::Placement},
    document::{case::Case, run::Report},
    plan::Profile,
    watch::standing::Change,
};

use super::{
    board::{ASKED, Asked, Shared, Watched},
    cases::{self, Begun},
    desk::{
        CaseOrder, CaseView, Desk, DeskError, Figures, Happening, Health, OutboxLine, PortView, RecordLine,
        RecordQuery, StageOrder, StartOrder,
    },
    logbook::{Logbook, LogbookError},
};
use crate::work::isolate::runner::Opening;

/// See the module text.
pub struct Clerk {
    shared: Arc<Shared>,
    open: OpenCase,
    /// Held while a case is read, moved on and kept again: two people may press one button.
    moving: Mutex<()>,
}

/// Opens a case of a port.
pub type OpenCase = Box<dyn Fn(&str, Opening) -> Result<Case, String> + Send + Sync>;

impl Clerk {
    /// Of the daemon whose parts share this.
    pub fn new(shared: Arc<Shared>, open: OpenCase) -> Self {
        Self { shared, open, moving: Mutex::default() }
    }

    fn logbook<T>(&self, action: impl FnOnce(&mut dyn Logbook) -> Result<T, LogbookError>) -> Result<T, DeskError> {
        Ok(action(&mut **self.shared.logbook.lock().unwrap_or_else(PoisonError::into_inner))?)
    }

    fn has_port(&self, name: &str) -> Result<(), DeskError> {
        match self.shared.board().ports.contains_key(name) {
            true => Ok(()),
            false => Err(DeskError::Unknown { what: "port", name: name.to_owned() }),
        }
    }
}

impl Desk for Clerk {
    fn ports(&self) -> Vec<PortView> {
        let board = self.shared.board();
        board.ports.iter().map(|(name, port)| board.view(name, port)).collect()
    }

    fn listen(&self) -> broadcast::Receiver<Happening> {
        self.shared.happenings.subscribe()
    }

    fn health(&self) -> Health {
        let board = self.shared.board();
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
        self.shared.board().figures.clone()
    }

    fn start(&self, order: StartOrder) -> Result<String, DeskError> {
        let value = |name, given: &str, allowed: String| DeskError::Value { name, given: given.to_owned(), allowed };
        let usual = self.can_start(&order.port)?;
        let mut board = self.shared.board();
        let config = Arc::clone(&board.config);
        let round = board.ports.get(&order.port).and_then(|port| config.rounds.get(*port.rounds.first()?));
        let profile = match &order.profile {
            None => match usual {
                Some(profile) => profile,
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
        board.asked.push_back(asked);
        drop(board);
        self.shared.wake.notify_one();
        Ok(run)
    }

    fn cancel(&self, run: &str) -> Result<(), DeskError> {
        let mut board = self.shared.board();
        if let Some(place) = board.asked.iter().position(|asked| asked.run == run) {
            let gone = board.asked.remove(place);
            drop(board);
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
        let running = board.ports.values_mut().filter_map(|port| port.running.as_mut()).find(|r| r.live.run == run);
        let Some(running) = running else { return Err(DeskError::Unknown { what: "run", name: run.to_owned() }) };
        running.by_hand = true;
        running.cancel.cancel();
        if running.ended_at.is_none() {
            running.ended_at = jiff::Timestamp::from_millisecond(self.shared.now_ms()).ok();
        }
        drop(board);
        self.shared.wake.notify_one();
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

    fn cases(&self, limit: u32) -> Result<Vec<CaseView>, DeskError> {
        let cases = self.logbook(|logbook| logbook.cases(limit.min(1000)))?;
        Ok(cases.iter().map(|case| self.case_view(case)).collect())
    }

    fn case(&self, case: &str) -> Result<CaseView, DeskError> {
        let case = self.logbook(|logbook| logbook.case(case))?;
        Ok(self.case_view(&case))
    }

    fn open_case(&self, order: CaseOrder) -> Result<String, DeskError> {
        self.has_port(&order.port)?;
        let own = self.shared.board().ports.get(&order.port).and_then(|port| port.labels.cable.clone());
        let Some(cable) = order.cable.or(own) else {
            return Err(DeskError::Value { name: "cable", given: String::new(), allowed: LABEL.into() });
        };
        for label in order.segments.iter().chain([&cable]).chain(&order.plug) {
            check_label("cable", label)?;
        }
        if order.segments.len() > SEGMENTS_MAX {
            let given = order.segments.len().to_string();
            return Err(DeskError::Value { name: "segments", given, allowed: format!("up to {SEGMENTS_MAX}") });
        }
        let opening = Opening { cable, segments: order.segments, plug: order.plug };
        let case = (self.open)(&order.port, opening).map_err(DeskError::NotNow)?;
        self.logbook(|logbook| logbook.keep_case(&case))?;
        self.shared.tell(Happening::Case { case: case.case.clone() });
        Ok(case.case)
    }

    fn perform(&self, case: &str, order: StageOrder) -> Result<Option<String>, DeskError> {
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
        self.shared.board().asked.push_back(*asked);
        self.shared.wake.notify_one();
        Ok(Some(run))
    }

    fn skip(&self, case: &str, stage: &str, why: &str) -> Result<(), DeskError> {
        self.move_on(case, |case| cases::skip(case, stage, why))
    }

    fn set_aside(&self, case: &str, stage: &str) -> Result<(), DeskError> {
        self.move_on(case, |case| cases::set_aside(case, stage))
    }
}

impl Clerk {
    /// The run that carries out a stage of this case now, or waits to.
    fn run_of(&self, case: &Case) -> Option<String> {
        let board = self.shared.board();
        let on = board.ports.values().filter_map(|port| port.running.as_ref());
        let mut on = on.filter(|run| run.live.cause == case.case).map(|run| run.live.run.clone());
        on.next().or_else(|| board.asked.iter().find(|asked| asked.by == case.case).map(|asked| asked.run.clone()))
    }

    fn case_view(&self, case: &Case) -> CaseView {
        cases::view(case, self.run_of(case), || self.known_good_for(case))
    }

    /// Reads a case, does something to it and keeps it, unless a stage of it is on.
    fn move_on(&self, case: &str, action: impl FnOnce(Case) -> Result<Case, DeskError>) -> Result<(), DeskError> {
        let _alone = self.moving.lock().unwrap_or_else(PoisonError::into_inner);
        let case = self.logbook(|logbook| logbook.case(case))?;
        if self.run_of(&case).is_some() {
            return Err(DeskError::NotNow("a stage of this case is being carried out".into()));
        }
        let case = action(case)?;
        self.logbook(|logbook| logbook.keep_case(&case))?;
        self.shared.tell(Happening::Case { case: case.case });
        Ok(())
    }

    /// Free ports of the kind of the case's own.
    fn known_good_for(&self, case: &Case) -> Vec<String> {
        let board = self.shared.board();
        let fits = |name: &str, port: &Watched| {
            let facts = port.facts.as_ref();
            name != case.port.name && facts.is_some_and(|f| f.kind == case.port.kind && f.in_service.is_empty())
        };
        board.ports.iter().filter(|(name, port)| fits(name, port)).map(|(name, _)| name.clone()).collect()
    }

    /// Whether a stage of the case may be carried out on this port now; the profile of the case's own port.
    fn free_for(&self, case: &Case, port: &str) -> Result<Option<Profile>, DeskError> {
        let usual = self.can_start(port)?;
        if port == case.port.name {
            return Ok(usual);
        }
        let board = self.shared.board();
        let kind = board.ports.get(port).and_then(|port| port.facts.as_ref()).map(|facts| facts.kind.clone());
        if kind.as_ref() != Some(&case.port.kind) {
            let allowed = format!("a port of the kind of {}: {}", case.port.name, case.port.kind);
            return Err(DeskError::Value { name: "on", given: port.to_owned(), allowed });
        }
        Ok(board.ports.get(&case.port.name).and_then(|own| board.usual(own)))
    }

    /// Whether a run of the port may be asked for now; the profile of its first round.
    fn can_start(&self, name: &str) -> Result<Option<Profile>, DeskError> {
        let mut board = self.shared.board();
        let board = &mut *board;
        let port = board.ports.get(name).ok_or_else(|| DeskError::Unknown { what: "port", name: name.to_owned() })?;
        if let Some(run) = &port.running {
            let why = if run.hung { "a run of it hangs" } else { "a run of it is on" };
            return Err(DeskError::NotNow(format!("{name}: {why} ({})", run.live.run)));
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
            board.relist = true;
            self.shared.wake.notify_one();
            return Err(DeskError::NotNow(format!("{why}; if that has just changed, try again")));
        }
        if board.asked.iter().any(|asked| asked.port == name) || board.asked.len() >= ASKED_MAX {
            return Err(DeskError::NotNow(format!("a run of {name} waits for its turn already")));
        }
        Ok(board.usual(port))
    }
}

fn check_label(name: &'static str, label: &str) -> Result<(), DeskError> {
    if label.trim().is_empty() || label.len() > 100 || label.contains(char::is_control) {
        return Err(DeskError::Value { name, given: label.to_owned(), allowed: LABEL.into() });
    }
    Ok(())
}

const LABEL: &str = "1 to 100 characters, none of them a control character";
/// More pieces of cable than between any two cabinets.
const SEGMENTS_MAX: usize = 64;
/// Runs that may wait because somebody asked.
const ASKED_MAX: usize = 200;
