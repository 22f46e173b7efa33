//! Answers requests to the running agent from its status and its archive. `checks` asks for runs, `care` is about what
//! people do between them, `cases` leads through cases, `bench` takes answers to the bench.

mod bench;
mod care;
mod cases;
mod checks;

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, PoisonError},
};

use turnback_core::{
    document::{Document, DocumentKind, card_test::CardTest, case::Case, lot::Lot, run::Report},
    watch::{care::Pause, standing::Change},
};

use super::{
    agent::{
        AcknowledgeOrder, Agent, AgentError, BenchOrder, BenchView, CaseOrder, CaseView, Coming, Figures, Health,
        Hearing, MuteOrder, OutboxLine, PauseOrder, PortView, QueueEntry, RecordLine, RecordQuery, SentLine,
        StageOrder, StartOrder,
    },
    status::Shared,
};
use crate::{
    archive::{
        Listed, Query,
        filter::Filter,
        logbook::{Action, Logbook, Outgoing, Sent},
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

    fn has_port(&self, name: &str) -> Result<(), AgentError> {
        match self.shared.status().ports.contains_key(name) {
            true => Ok(()),
            false => Err(AgentError::Unknown { what: "port", name: name.to_owned() }),
        }
    }

    /// Notes what somebody did. A disk that takes no note does not undo it.
    fn note(&self, by: &str, did: impl Into<String>, about: Action) {
        let action = Action { at_ms: self.shared.now_ms(), by: by.to_owned(), did: did.into(), ..about };
        tracing::info!(by, did = action.did, port = action.port, run = action.run, case = action.case, "asked for");
        if let Err(error) = self.logbook(|logbook| Ok(logbook.act(&action)?)) {
            tracing::warn!(%error, "who asked for it cannot be noted");
        }
    }
}

impl Agent for RunningAgent {
    fn ports(&self) -> Vec<PortView> {
        let now_ms = self.shared.now_ms();
        let status = self.shared.status();
        status.ports.iter().map(|(name, port)| status.view(name, port, now_ms)).collect()
    }

    fn queue(&self) -> Vec<QueueEntry> {
        self.shared.status().queue(self.shared.now_ms())
    }

    fn coming(&self) -> Vec<Coming> {
        let (now_ms, status) = (self.shared.now_ms(), self.shared.status());
        let mut coming: Vec<Coming> = Vec::new();
        for (name, port) in &status.ports {
            for (number, slot) in port.slots.iter().filter(|(_, slot)| slot.due_ms < now_ms + DAY_MS) {
                let round = status.config.rounds.get(*number).filter(|_| port.rounds.contains(number));
                let due_ms = slot.due_ms.max(now_ms);
                coming.extend(round.map(|r| Coming { due_ms, port: name.clone(), round: r.name.clone() }));
            }
        }
        coming.sort_by(|a, b| (a.due_ms, &a.port).cmp(&(b.due_ms, &b.port)));
        coming
    }

    fn pauses(&self) -> Vec<Pause> {
        let now_ms = self.shared.now_ms();
        self.shared.status().pauses.iter().filter(|pause| pause.is_on(now_ms)).cloned().collect()
    }

    fn listen(&self, after: Option<u64>) -> Hearing {
        self.shared.happenings.listen(after)
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
            zone: status.config.zone.clone(),
            bench: status.config.bench.is_some(),
            last_happening: self.shared.happenings.last(),
            fleet: status.figures.fleet.clone(),
        }
    }

    fn figures(&self) -> Figures {
        self.shared.status().figures.clone()
    }

    fn start(&self, order: StartOrder, by: &str) -> Result<String, AgentError> {
        self.ask_for(order, by)
    }

    fn start_cabinet(
        &self,
        cabinet: &str,
        by: &str,
    ) -> Result<BTreeMap<String, Result<String, AgentError>>, AgentError> {
        self.ask_for_cabinet(cabinet, by)
    }

    fn cancel(&self, run: &str, by: &str) -> Result<(), AgentError> {
        self.end_run(run, by)
    }

    fn acknowledge(&self, port: &str, order: AcknowledgeOrder, by: &str) -> Result<(), AgentError> {
        self.acknowledge_port(port, order, by)
    }

    fn mute(&self, port: &str, order: MuteOrder, by: &str) -> Result<(), AgentError> {
        self.mute_port(port, order, by)
    }

    fn pause(&self, order: PauseOrder, by: &str) -> Result<(), AgentError> {
        self.pause_ports(order, by)
    }

    fn actions(&self, limit: u32) -> Result<Vec<Action>, AgentError> {
        self.logbook(|logbook| Ok(logbook.actions(limit.min(RECORDS_MAX))?))
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
        let unstored = self.shared.unstored().clone();
        let line = |o: Outgoing| OutboxLine {
            document: serde_json::from_str(&o.document).unwrap_or_default(),
            id: o.id,
            target: o.target,
            port: o.port,
            at_ms: o.at_ms,
            attempts: o.attempts,
            next_try_ms: o.next_try_ms,
            last_error: o.last_error,
        };
        Ok(waiting.into_iter().chain(unstored).map(line).collect())
    }

    fn sent(&self, limit: u32) -> Result<Vec<SentLine>, AgentError> {
        let sent = self.logbook(|logbook| Ok(logbook.sent(limit.min(RECORDS_MAX))?))?;
        let line = |Sent { outgoing: o, sent_ms }: Sent| SentLine {
            document: serde_json::from_str(&o.document).unwrap_or_default(),
            id: o.id,
            target: o.target,
            port: o.port,
            at_ms: o.at_ms,
            sent_ms,
        };
        Ok(sent.into_iter().map(line).collect())
    }

    fn cases(&self, limit: u32) -> Result<Vec<CaseView>, AgentError> {
        let cases = self.logbook(|logbook| {
            let rows = logbook.list(Query::Cases { only_open: false }, Some(limit.min(RECORDS_MAX).into()))?;
            let rows = rows.into_iter().filter_map(Listed::into_case);
            // One that a newer program wrote, or a damaged one, must not hide the others.
            Ok(rows.filter_map(|row| super::cases::stored(&*logbook, &row.case).ok()).collect::<Vec<_>>())
        })?;
        Ok(cases.iter().map(|case| self.case_view(case)).collect())
    }

    fn case(&self, case: &str) -> Result<CaseView, AgentError> {
        Ok(self.case_view(&self.stored_case(case)?))
    }

    fn case_document(&self, case: &str) -> Result<Case, AgentError> {
        self.stored_case(case)
    }

    fn open_case(&self, order: CaseOrder, by: &str) -> Result<String, AgentError> {
        self.open(order, by)
    }

    fn perform(&self, case: &str, order: StageOrder, by: &str) -> Result<Option<String>, AgentError> {
        self.carry_out(case, order, by)
    }

    fn skip(&self, case: &str, stage: &str, why: &str, by: &str) -> Result<(), AgentError> {
        self.move_on(case, by, &format!("skipped stage {stage}"), |case| super::cases::skip(case, stage, why)).map(drop)
    }

    fn set_aside(&self, case: &str, stage: &str, by: &str) -> Result<(), AgentError> {
        self.move_on(case, by, &format!("set stage {stage} aside"), |case| super::cases::set_aside(case, stage))
            .map(drop)
    }

    fn close_case(&self, case: &str, why: &str, by: &str) -> Result<(), AgentError> {
        self.move_on(case, by, "closed the case", |case| super::cases::close(case, why)).map(drop)
    }

    fn bench(&self) -> Option<BenchView> {
        self.shared.bench.inner().view.clone()
    }

    fn answer_bench(&self, order: BenchOrder, by: &str) -> Result<(), AgentError> {
        self.answer(&order, by)
    }

    fn ask_bench_again(&self, card: &str, by: &str) -> Result<(), AgentError> {
        self.ask_again(card, by)
    }

    fn card_test(&self, card: &str) -> Result<CardTest, AgentError> {
        self.stored_card_test(card)
    }

    fn lot(&self, lot: &str) -> Result<Lot, AgentError> {
        self.stored_lot(lot)
    }
}

fn check_label(name: &'static str, label: &str) -> Result<(), AgentError> {
    if label.trim().is_empty() || label.len() > 100 || label.contains(char::is_control) {
        return Err(AgentError::Value { name, given: label.to_owned(), allowed: LABEL.into() });
    }
    Ok(())
}

const LABEL: &str = "1 to 100 characters, none of them a control character";
/// Entries of a list where nobody says how many.
const RECORDS_USUAL: u32 = 100;
const RECORDS_MAX: u32 = 1000;
const DAY_MS: i64 = 86_400_000;
