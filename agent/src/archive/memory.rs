//! An archive that forgets with the program: for tests, the demo, and where nothing may be written.

use std::collections::BTreeMap;

use turnback_core::{
    document::{
        Document, DocumentKind,
        case::{Case, CaseState},
        run::Report,
    },
    judge::Outcome,
    kind::port::PortIdentity,
    watch::standing::Change,
};

use super::{
    Archive, Listed, Query, RunAt, Sought,
    bench::{BenchRow, meant},
    error::ArchiveError,
    find_any,
    logbook::{Action, Entry, Logbook, Outgoing, PortMemory, Remembered, Sent},
    outbox::FleetOutbox,
    record::{CaseRow, Record, begun_ms, changed_ms},
};

/// Documents and what the agent remembers, in memory.
#[derive(Debug, Default)]
pub struct Memory {
    runs: BTreeMap<Place, (Record, Box<Report>)>,
    cases: BTreeMap<Place, Case>,
    bench: Vec<(BenchRow, Document)>,
    put: u64,
    seed: Option<u64>,
    ports: BTreeMap<String, PortMemory>,
    outbox: Vec<Outgoing>,
    changes: Vec<(String, Change)>,
    sent: Vec<Sent>,
    actions: Vec<Action>,
    notes: BTreeMap<String, String>,
}

/// The place of a document in a list: its time, in milliseconds since 1970 UTC, and the number under which it was put.
type Place = (i64, u64);

/// Runs kept; the oldest goes first. The demo makes a few a minute.
const RUNS_MAX: usize = 2000;

impl Archive for Memory {
    fn put(&mut self, document: &Document) -> Result<(), ArchiveError> {
        self.put += 1;
        match document {
            Document::Run(report) => self.put_run(report.clone())?,
            Document::Case(case) => {
                let changed_ms = changed_ms(case)?;
                self.cases.retain(|_, kept| kept.case != case.case);
                self.cases.insert((changed_ms, self.put), (**case).clone());
            }
            Document::CardTest(_) | Document::Lot(_) => {
                if let Some(row) = BenchRow::of(document)? {
                    self.bench.retain(|(kept, _)| kept.id != row.id);
                    self.bench.push((row, document.clone()));
                }
            }
        }
        Ok(())
    }

    fn get(&self, kind: DocumentKind, id: &str) -> Result<Document, ArchiveError> {
        let found = match kind {
            DocumentKind::Run => self.reports().find(|report| report.run == id).cloned().map(Document::from),
            DocumentKind::Case => self.cases.values().find(|case| case.case == id).cloned().map(Document::from),
            DocumentKind::CardTest | DocumentKind::Lot => return self.find_bench(kind, id),
        };
        found.ok_or_else(|| ArchiveError::Unknown { kind: Some(kind), given: id.to_owned() })
    }

    fn find(&self, kind: Option<DocumentKind>, beginning: &str) -> Result<Document, ArchiveError> {
        let ids: Vec<&str> = match (kind, beginning) {
            (None, "last") => return self.last().ok_or_else(|| unknown(None, beginning)),
            (None, _) => return find_any(self, beginning),
            (Some(kind @ (DocumentKind::CardTest | DocumentKind::Lot)), _) => return self.find_bench(kind, beginning),
            (Some(DocumentKind::Run), "last") => {
                self.reports().last().map(|report| report.run.as_str()).into_iter().collect()
            }
            (Some(DocumentKind::Case), "last") => {
                self.cases.values().last().map(|case| case.case.as_str()).into_iter().collect()
            }
            (Some(DocumentKind::Run), _) => self.reports().map(|report| report.run.as_str()).collect(),
            (Some(DocumentKind::Case), _) => self.cases.values().map(|case| case.case.as_str()).collect(),
        };
        let kind = kind.unwrap_or(DocumentKind::Run);
        let meant: Vec<&str> = match beginning {
            "" => Vec::new(),
            "last" => ids,
            _ => ids.into_iter().filter(|id| id.starts_with(&beginning.to_ascii_lowercase())).collect(),
        };
        match meant.as_slice() {
            [] => Err(unknown(Some(kind), beginning)),
            [id] => self.get(kind, id),
            several => match several.iter().find(|id| **id == beginning) {
                Some(id) => self.get(kind, id),
                None => {
                    let ids = several.iter().map(|id| (*id).to_owned()).collect();
                    Err(ArchiveError::Ambiguous { kind, given: beginning.to_owned(), ids })
                }
            },
        }
    }

    fn list(&self, query: Query<'_>, limit: Option<u64>) -> Result<Vec<Listed>, ArchiveError> {
        let limit = limit.and_then(|limit| usize::try_from(limit).ok()).unwrap_or(usize::MAX);
        Ok(match query {
            Query::Runs(filter) => {
                let end = match &filter.before {
                    Some(beginning) => {
                        let before = self.find(Some(DocumentKind::Run), beginning)?;
                        self.runs.iter().find(|(_, (record, _))| record.run == before.id()).map(|(place, _)| *place)
                    }
                    None => None,
                };
                let records =
                    self.runs.range(..end.unwrap_or((i64::MAX, u64::MAX))).rev().map(|(_, (record, _))| record);
                let meant = records.filter(|record| filter.admits(record));
                meant.take(limit).map(|record| Listed::Run(Box::new(record.clone()))).collect()
            }
            Query::Cases { only_open } => {
                let rows = self.cases.values().rev().map(CaseRow::of).filter(|row| !only_open || row.is_open());
                rows.take(limit).map(|row| Listed::Case(Box::new(row))).collect()
            }
            Query::CardTests { lot } => {
                let of_lot = self.bench_of(DocumentKind::CardTest);
                let of_lot = of_lot.into_iter().filter(|(row, _)| lot.is_none() || row.lot.as_deref() == lot);
                of_lot.take(limit).filter_map(|(_, document)| Listed::of_bench(document.clone())).collect()
            }
            Query::Lots => {
                let lots = self.bench_of(DocumentKind::Lot).into_iter().take(limit);
                lots.filter_map(|(_, document)| Listed::of_bench(document.clone())).collect()
            }
        })
    }

    fn latest(&self, sought: &Sought<'_>) -> Result<Option<Document>, ArchiveError> {
        Ok(match sought {
            Sought::Run(at) => self.reports().rev().find(|report| is_at(report, at)).cloned().map(Document::from),
            Sought::OpenCase { port, cable } => {
                let meant =
                    |case: &&Case| CaseRow::of(case).is_open() && case.cable == *cable && same_port(&case.port, port);
                self.cases.values().rev().find(meant).cloned().map(Document::from)
            }
        })
    }
}

impl Memory {
    /// The documents of the bench of one kind, the one changed last first.
    fn bench_of(&self, kind: DocumentKind) -> Vec<&(BenchRow, Document)> {
        let mut found: Vec<_> = self.bench.iter().rev().filter(|(row, _)| row.kind == kind).collect();
        found.sort_by_key(|(row, _)| std::cmp::Reverse(row.changed_ms));
        found
    }

    fn find_bench(&self, kind: DocumentKind, given: &str) -> Result<Document, ArchiveError> {
        let rows = self.bench_of(kind).into_iter().map(|(row, _)| row.clone());
        let named: Vec<BenchRow> = rows.filter(|row| row.is_named(given)).collect();
        let id = &meant(kind, given, &named)?.id;
        let found = self.bench.iter().find(|(row, _)| row.id == *id).map(|(_, document)| document.clone());
        found.ok_or_else(|| unknown(Some(kind), given))
    }

    fn reports(&self) -> impl DoubleEndedIterator<Item = &Report> {
        self.runs.values().map(|(_, report)| &**report)
    }

    fn put_run(&mut self, report: Box<Report>) -> Result<(), ArchiveError> {
        let record = Record::of(&report)?;
        if self.reports().all(|kept| kept.run != report.run) {
            self.runs.insert((record.started_ms, self.put), (record, report));
            if self.runs.len() > RUNS_MAX {
                self.runs.pop_first();
            }
        }
        Ok(())
    }

    /// What was worked on last: the case changed last, unless a run that is none of its own began since.
    fn last(&self) -> Option<Document> {
        let newest = self.reports().last();
        let Some(((changed_ms, _), case)) = self.cases.last_key_value() else {
            return newest.cloned().map(Document::from);
        };
        let own = |run: &str| case.stages.iter().any(|stage| stage.run.as_deref() == Some(run));
        let other = self.runs.values().rev().find(|(record, _)| !own(&record.run));
        let since = other.is_some_and(|(record, _)| begun_ms(&record.run, record.started_ms) > *changed_ms);
        if since { newest.cloned().map(Document::from) } else { Some(case.clone().into()) }
    }
}

/// It is gone with the program: nothing could wait in it.
impl FleetOutbox for Memory {}

impl Logbook for Memory {
    fn open(&mut self, seed: u64) -> Result<Remembered, ArchiveError> {
        Ok(Remembered { seed: *self.seed.get_or_insert(seed), ports: self.ports.clone() })
    }

    fn enter(&mut self, entry: &Entry) -> Result<(), ArchiveError> {
        self.put += 1;
        if let Some(report) = &entry.report {
            self.put_run(report.clone())?;
        }
        self.ports.insert(entry.port.clone(), entry.memory.clone());
        self.outbox.extend(entry.outgoing.iter().cloned());
        self.changes.extend(entry.change.clone().map(|change| (entry.port.clone(), change)));
        Ok(())
    }

    fn outbox(&self) -> Result<Vec<Outgoing>, ArchiveError> {
        Ok(self.outbox.clone())
    }

    fn post(&mut self, outgoing: &[Outgoing]) -> Result<(), ArchiveError> {
        self.outbox.extend(outgoing.iter().cloned());
        Ok(())
    }

    fn delivered(&mut self, outgoing: &Outgoing, sent_ms: Option<i64>) -> Result<(), ArchiveError> {
        self.outbox.retain(|o| o.id != outgoing.id || o.target != outgoing.target);
        self.sent.extend(sent_ms.map(|sent_ms| Sent { outgoing: outgoing.clone(), sent_ms }));
        self.sent.drain(..self.sent.len().saturating_sub(RUNS_MAX));
        Ok(())
    }

    fn sent(&self, limit: u32) -> Result<Vec<Sent>, ArchiveError> {
        Ok(self.sent.iter().rev().take(limit as usize).cloned().collect())
    }

    fn act(&mut self, action: &Action) -> Result<(), ArchiveError> {
        self.actions.push(action.clone());
        self.actions.drain(..self.actions.len().saturating_sub(RUNS_MAX));
        Ok(())
    }

    fn actions(&self, limit: u32) -> Result<Vec<Action>, ArchiveError> {
        Ok(self.actions.iter().rev().take(limit as usize).cloned().collect())
    }

    fn note(&self, name: &str) -> Result<Option<String>, ArchiveError> {
        Ok(self.notes.get(name).cloned())
    }

    fn keep_note(&mut self, name: &str, document: &str) -> Result<(), ArchiveError> {
        self.notes.insert(name.to_owned(), document.to_owned());
        Ok(())
    }

    fn put_off(&mut self, outgoing: &Outgoing) -> Result<(), ArchiveError> {
        for kept in self.outbox.iter_mut().filter(|o| o.id == outgoing.id && o.target == outgoing.target) {
            kept.clone_from(outgoing);
        }
        Ok(())
    }

    fn changes(&self, port: &str, limit: u32) -> Result<Vec<Change>, ArchiveError> {
        let changes = self.changes.iter().rev().filter(|(of, _)| of == port).map(|(_, change)| change.clone());
        Ok(changes.take(limit as usize).collect())
    }

    fn prune(&mut self, older_than_ms: i64) -> Result<u64, ArchiveError> {
        let before = self.changes.len() + self.runs.len();
        self.changes.retain(|(_, change)| change.at_ms >= older_than_ms);
        self.sent.retain(|sent| sent.sent_ms >= older_than_ms);
        self.actions.retain(|action| action.at_ms >= older_than_ms);
        let open = self.cases.values().filter(|case| case.state == CaseState::Open);
        let rested_on: Vec<String> = open.flat_map(|case| case.stages.iter().filter_map(|s| s.run.clone())).collect();
        self.runs
            .retain(|(started_ms, _), (record, _)| *started_ms >= older_than_ms || rested_on.contains(&record.run));
        self.cases.retain(|(changed_ms, _), case| *changed_ms >= older_than_ms || case.state == CaseState::Open);
        Ok((before - self.changes.len() - self.runs.len()) as u64)
    }
}

fn unknown(kind: Option<DocumentKind>, given: &str) -> ArchiveError {
    ArchiveError::Unknown { kind, given: given.to_owned() }
}

/// The same permanent address where both have one, else the same name and kind, simulated or not.
fn same_port(a: &PortIdentity, b: &PortIdentity) -> bool {
    match (&a.permanent_address, &b.permanent_address) {
        (Some(a), Some(b)) => a == b,
        _ => a.name == b.name && a.kind == b.kind && a.simulated == b.simulated,
    }
}

fn is_at(report: &Report, at: &RunAt<'_>) -> bool {
    let same_port = match (&report.port.permanent_address, &at.port.permanent_address) {
        (Some(there), Some(here)) => there == here,
        _ => report.port.name == at.port.name,
    };
    same_port
        && report.machine == at.machine
        && report.placement == at.placement
        && (at.is_before_the_cable()
            || (report.cable.as_deref() == at.cable && report.labels.segment.as_deref() == at.segment))
        && Record::of(report).is_ok_and(|record| record.started_ms >= at.since_ms)
        && report.verdict.outcome != Outcome::NotTested
}
