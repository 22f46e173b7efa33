//! What waits to go to the fleet, in the file of the records. Triggers enter it; see `migrations/0006_fleet.sql`.

use rusqlite::{OptionalExtension, params};
use turnback_core::fleet::heartbeat::Backlog;

use super::Store;
use crate::archive::{
    error::ArchiveError,
    outbox::{FleetOutbox, RecordedChange, SetAside, Waiting},
};

impl FleetOutbox for Store {
    fn join_fleet(&mut self, host: Option<&str>) -> Result<i64, ArchiveError> {
        let found = self.db.query_row("SELECT host, number FROM fleet_member", [], |row| {
            Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?))
        });
        let found = found.optional().map_err(|error| self.told(error))?;
        let number = found.as_ref().map_or(0, |(_, number)| *number);
        match (host, found) {
            (None, None) => {}
            (Some(host), Some((before, _))) if before == host => {}
            (Some(host), _) => {
                self.write(|tx| {
                    tx.execute(
                        "INSERT INTO fleet_member (only, host, number) VALUES (1, ?1, ?2)
                         ON CONFLICT (only) DO UPDATE SET host = ?1",
                        params![host, number],
                    )
                    .map(|_| ())
                })?;
            }
            (None, Some(_)) => {
                self.write(|tx| tx.execute("DELETE FROM fleet_member", []).map(|_| ()))?;
            }
        }
        Ok(number)
    }

    fn reserve_numbers(&mut self, highest: i64) -> Result<(), ArchiveError> {
        self.write(|tx| tx.execute("UPDATE fleet_member SET number = max(number, ?1)", [highest]).map(|_| ()))
    }

    fn waiting(&self, limit: u32) -> Result<Vec<Waiting>, ArchiveError> {
        let read = || {
            let mut statement = self.db.prepare_cached(
                "SELECT number, kind, document, entered_ms, tries FROM fleet_outbox WHERE reason IS NULL
                 ORDER BY number LIMIT ?1",
            )?;
            let rows = statement.query_map([limit], |row| {
                Ok(Waiting {
                    number: row.get(0)?,
                    kind: row.get(1)?,
                    document: row.get(2)?,
                    entered_ms: row.get(3)?,
                    tries: row.get(4)?,
                })
            })?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|error| self.told(error))
    }

    fn backlog(&self) -> Result<Backlog, ArchiveError> {
        let read = || {
            let mut statement = self.db.prepare_cached(
                "SELECT count(*), (SELECT entered_ms FROM fleet_outbox WHERE reason IS NULL ORDER BY number LIMIT 1)
                 FROM fleet_outbox WHERE reason IS NULL",
            )?;
            statement
                .query_row([], |row| Ok(Backlog { waiting: row.get(0)?, oldest_ms: row.get(1)?, ..Backlog::default() }))
        };
        read().map_err(|error| self.told(error))
    }

    fn strike_out(&mut self, numbers: &[i64]) -> Result<(), ArchiveError> {
        if numbers.is_empty() {
            return Ok(());
        }
        self.write(|tx| {
            let mut delete = tx.prepare_cached("DELETE FROM fleet_outbox WHERE number = ?1")?;
            numbers.iter().try_for_each(|number| delete.execute([number]).map(|_| ()))
        })
    }

    fn set_aside(&mut self, refused: &[(i64, String)]) -> Result<(), ArchiveError> {
        if refused.is_empty() {
            return Ok(());
        }
        self.write(|tx| {
            let mut update =
                tx.prepare_cached("UPDATE fleet_outbox SET reason = ?2, tries = tries + 1 WHERE number = ?1")?;
            refused.iter().try_for_each(|(number, reason)| update.execute(params![number, reason]).map(|_| ()))
        })
    }

    fn aside(&self) -> Result<Option<SetAside>, ArchiveError> {
        let read = || {
            self.db
                .prepare_cached(
                    "SELECT (SELECT count(*) FROM fleet_outbox WHERE reason IS NOT NULL),
                         kind || ' ' || document || ': ' || reason
                     FROM fleet_outbox WHERE reason IS NOT NULL ORDER BY number DESC LIMIT 1",
                )?
                .query_row([], |row| Ok(SetAside { count: row.get(0)?, newest: row.get(1)? }))
                .optional()
        };
        read().map_err(|error| self.told(error))
    }

    fn try_again(&mut self, most: u32) -> Result<u64, ArchiveError> {
        self.write(|tx| {
            tx.execute(
                "UPDATE fleet_outbox SET reason = NULL WHERE number IN (
                     SELECT number FROM fleet_outbox WHERE reason IS NOT NULL ORDER BY tries, number LIMIT ?1)",
                [most],
            )
        })
        .map(|count| count as u64)
    }

    fn bound_outbox(&mut self, most: u64) -> Result<u64, ArchiveError> {
        let count = self.db.query_row("SELECT count(*) FROM fleet_outbox", [], |row| row.get::<_, u64>(0));
        let count = count.map_err(|error| self.told(error))?;
        let Some(excess) = count.checked_sub(most).filter(|excess| *excess > 0) else { return Ok(0) };
        self.write(|tx| {
            tx.execute(
                "DELETE FROM fleet_outbox WHERE number IN (SELECT number FROM fleet_outbox ORDER BY number LIMIT ?1)",
                [excess],
            )
        })
        .map(|given_up| given_up as u64)
    }

    fn enter_again(&mut self, since_ms: i64) -> Result<u64, ArchiveError> {
        const NEW: &str = "CAST(unixepoch('subsec') * 1000 AS INTEGER)";
        let member = self.db.query_row("SELECT host FROM fleet_member", [], |row| row.get::<_, String>(0)).optional();
        if member.map_err(|error| self.told(error))?.is_none() {
            return Err(ArchiveError::NoFleet { path: self.path.clone() });
        }
        self.write(|tx| {
            let mut entered = 0;
            for rows in [
                "SELECT 'run', run.run FROM run JOIN report ON report.run_id = run.id
                     JOIN fleet_member ON fleet_member.host = run.machine WHERE run.started_ms >= ?1",
                "SELECT 'case', case_id FROM case_document WHERE changed_ms >= ?1",
                "SELECT kind, document_id FROM bench_document WHERE changed_ms >= ?1",
                "SELECT 'change', CAST(id AS TEXT) FROM state_change WHERE at_ms >= ?1",
            ] {
                // What is set aside waits again.
                let sql = format!(
                    "INSERT INTO fleet_outbox (kind, document, entered_ms) SELECT *, {NEW} FROM ({rows}) WHERE true
                     ON CONFLICT (kind, document) DO UPDATE SET reason = NULL WHERE reason IS NOT NULL"
                );
                entered += tx.execute(&sql, [since_ms])?;
            }
            Ok(entered as u64)
        })
    }

    fn recorded_change(&self, row: &str) -> Result<Option<RecordedChange>, ArchiveError> {
        let read = || {
            self.db
                .prepare_cached("SELECT port, document, (SELECT seed FROM agent_seed) FROM state_change WHERE id = ?1")?
                .query_row([row], |found| {
                    Ok((found.get::<_, String>(0)?, found.get::<_, String>(1)?, found.get::<_, Option<i64>>(2)?))
                })
                .optional()
        };
        let Some((port, document, seed)) = read().map_err(|error| self.told(error))? else { return Ok(None) };
        let change = serde_json::from_str(&document)
            .map_err(|source| ArchiveError::Json { id: format!("the change of {port}"), source })?;
        Ok(Some(RecordedChange { port, change, seed: seed.unwrap_or_default().cast_unsigned() }))
    }
}

#[cfg(test)]
mod tests {
    use turnback_core::{
        document::{Document, run::Report},
        watch::standing::{Change, State},
    };

    use super::*;
    use crate::archive::{
        Archive,
        logbook::{Entry, Logbook, PortMemory},
    };

    const RUN: &str = include_str!("../../../../tests/fixtures/format1/ethernet-run.json");
    const CASE: &str = include_str!("../../../../tests/fixtures/format1/case.json");

    fn run(number: u32, machine: &str) -> Document {
        let Ok(Document::Run(report)) = Document::read(RUN) else { panic!("a run") };
        let run = format!("01a21300-0000-7000-8000-{number:012}");
        Document::from(Report { run, machine: machine.to_owned(), ..*report })
    }

    fn store() -> (tempfile::TempDir, Store) {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&folder.path().join("records.db")).unwrap();
        (folder, store)
    }

    fn waiting(store: &Store) -> Vec<(String, String)> {
        store.waiting(100).unwrap().into_iter().map(|w| (w.kind, w.document)).collect()
    }

    fn entry(at_ms: i64) -> Entry {
        let change = Change { from: State::Proven, to: State::Suspect, at_ms, why: "bit-errors".into() };
        Entry { port: "quay1".into(), memory: PortMemory::default(), change: Some(change), ..Entry::default() }
    }

    #[test]
    fn a_machine_without_a_fleet_enters_nothing() {
        let (_folder, mut store) = store();
        assert_eq!(store.join_fleet(None).unwrap(), 0);
        store.put(&run(1, "closet-3")).unwrap();
        store.put(&Document::read(CASE).unwrap()).unwrap();
        store.enter(&entry(5)).unwrap();
        assert_eq!(store.backlog().unwrap(), Backlog::default());
        assert!(matches!(store.enter_again(0), Err(ArchiveError::NoFleet { .. })));
    }

    #[test]
    fn what_this_machine_records_waits_each_once() {
        let (_folder, mut store) = store();
        store.join_fleet(Some("closet-3")).unwrap();
        store.put(&run(1, "closet-3")).unwrap();
        // Recorded again, it is not new; and another machine's run is not ours to send.
        store.put(&run(1, "closet-3")).unwrap();
        store.put(&run(2, "closet-4")).unwrap();
        let case = Document::read(CASE).unwrap();
        store.put(&case).unwrap();
        store.enter(&entry(5)).unwrap();
        let id = run(1, "").id().to_owned();
        let all = [("run".to_owned(), id.clone()), ("case".into(), case.id().into()), ("change".into(), "1".into())];
        assert_eq!(waiting(&store), all);
        assert_eq!(store.backlog().unwrap().waiting, 3);
        // The case moves on while its first revision is on the way: its second waits still.
        let first: Vec<i64> = store.waiting(2).unwrap().iter().map(|w| w.number).collect();
        store.put(&case).unwrap();
        store.strike_out(&first).unwrap();
        assert_eq!(waiting(&store), [("change".to_owned(), "1".to_owned()), ("case".into(), case.id().into())]);
        let numbers: Vec<i64> = store.waiting(9).unwrap().iter().map(|w| w.number).collect();
        store.strike_out(&numbers).unwrap();
        assert_eq!(waiting(&store), []);
        assert_eq!(store.enter_again(0).unwrap(), 3);
        store.join_fleet(None).unwrap();
        store.put(&run(3, "closet-3")).unwrap();
        assert_eq!(store.backlog().unwrap().waiting, 3);
    }

    #[test]
    fn the_oldest_are_given_up_beyond_the_bound() {
        let (_folder, mut store) = store();
        store.join_fleet(Some("closet-3")).unwrap();
        (0..10).for_each(|number| store.put(&run(number, "closet-3")).unwrap());
        assert_eq!(store.bound_outbox(10).unwrap(), 0);
        assert_eq!(store.bound_outbox(4).unwrap(), 6);
        assert_eq!(waiting(&store)[0].1, run(6, "").id());
    }

    #[test]
    fn what_the_fleet_does_not_take_is_kept_with_its_reason_and_holds_up_nothing() {
        let (_folder, mut store) = store();
        store.join_fleet(Some("closet-3")).unwrap();
        (1..=3).for_each(|number| store.put(&run(number, "closet-3")).unwrap());
        let case = Document::read(CASE).unwrap();
        store.put(&case).unwrap();
        assert_eq!(store.aside().unwrap(), None);
        let all: Vec<i64> = store.waiting(9).unwrap().iter().map(|w| w.number).collect();
        let why = "message size exceeds maximum allowed".to_owned();
        store.set_aside(&[(all[0], why.clone()), (all[2], why.clone()), (all[3], why.clone())]).unwrap();
        let id = |number| ("run".to_owned(), run(number, "").id().to_owned());
        assert_eq!((waiting(&store), store.backlog().unwrap().waiting), (vec![id(2)], 1));
        let aside = store.aside().unwrap().unwrap();
        assert_eq!((aside.count, aside.newest), (3, format!("case {}: {why}", case.id())));
        // The case goes on: that revision was not refused.
        store.put(&case).unwrap();
        assert_eq!(waiting(&store), [id(2), ("case".to_owned(), case.id().to_owned())]);
        assert_eq!(store.aside().unwrap().unwrap().count, 2);
        // One that is refused again comes after those that were refused once.
        assert_eq!(store.try_again(1).unwrap(), 1);
        let again = store.waiting(1).unwrap().remove(0);
        assert_eq!((again.document.as_str(), again.tries), (run(1, "").id(), 1));
        store.set_aside(&[(again.number, why)]).unwrap();
        assert_eq!(store.try_again(1).unwrap(), 1);
        assert_eq!(waiting(&store)[..2], [id(2), id(3)]);
        // Somebody wants all of it sent again; what waits already is not entered twice.
        assert_eq!(store.enter_again(0).unwrap(), 1);
        assert_eq!((waiting(&store).len(), store.aside().unwrap()), (4, None));
    }

    #[test]
    fn numbers_stay_reserved_and_changes_are_found() {
        let (folder, mut store) = store();
        store.join_fleet(Some("closet-3")).unwrap();
        store.reserve_numbers(900).unwrap();
        store.reserve_numbers(70).unwrap();
        Logbook::open(&mut store, u64::MAX).unwrap();
        store.enter(&entry(5)).unwrap();
        drop(store);
        let mut store = Store::open(&folder.path().join("records.db")).unwrap();
        assert_eq!(store.join_fleet(Some("closet-3")).unwrap(), 900);
        assert_eq!(store.join_fleet(Some("closet-9")).unwrap(), 900);
        let found = store.recorded_change("1").unwrap().unwrap();
        assert_eq!((found.port.as_str(), found.change.at_ms, found.seed), ("quay1", 5, u64::MAX));
        assert_eq!(store.recorded_change("2").unwrap(), None);
    }
}
