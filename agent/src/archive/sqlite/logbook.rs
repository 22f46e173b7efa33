//! The logbook in the file of the records: one transaction for all that follows from a run.

use rusqlite::{OptionalExtension, Row, Transaction, params};
use turnback_core::watch::standing::Change;

use super::{Store, insert, retention::Retention};
use crate::archive::{
    error::ArchiveError,
    logbook::{Action, Entry, Logbook, Outgoing, PortMemory, Remembered, Sent},
    record::Record,
};

impl Logbook for Store {
    fn open(&mut self, seed: u64) -> Result<Remembered, ArchiveError> {
        let remembered = self.write(|tx| {
            // A seed is 64 bits; the file knows signed numbers only.
            tx.execute("INSERT OR IGNORE INTO agent_seed (only, seed) VALUES (1, ?1)", [seed.cast_signed()])?;
            let seed: i64 = tx.query_row("SELECT seed FROM agent_seed", [], |row| row.get(0))?;
            let mut ports = tx.prepare("SELECT port, document FROM watched_port")?;
            let rows = ports.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?)))?;
            let ports = rows.collect::<rusqlite::Result<Vec<_>>>()?;
            Ok((seed.cast_unsigned(), ports))
        })?;
        let (seed, rows) = remembered;
        let mut ports = std::collections::BTreeMap::new();
        for (port, document) in rows {
            match serde_json::from_str::<PortMemory>(&document) {
                Ok(memory) => {
                    ports.insert(port, memory);
                }
                // One damaged row must not keep the daemon from the other ports; this one starts as unknown.
                Err(error) => tracing::error!(port, %error, "what was held of a port cannot be read"),
            }
        }
        Ok(Remembered { seed, ports })
    }

    fn enter(&mut self, entry: &Entry) -> Result<(), ArchiveError> {
        let text = |value: serde_json::Result<String>| {
            value.map_err(|source| ArchiveError::Json { id: entry.port.clone(), source })
        };
        let memory = text(serde_json::to_string(&entry.memory))?;
        let change = match &entry.change {
            Some(change) => Some((change.at_ms, text(serde_json::to_string(change))?)),
            None => None,
        };
        let report = match &entry.report {
            Some(report) => Some((Record::of(report)?, text(serde_json::to_string(report))?)),
            None => None,
        };
        self.write(|tx| {
            tx.prepare_cached(
                "INSERT INTO watched_port (port, document) VALUES (?1, ?2)
                 ON CONFLICT (port) DO UPDATE SET document = excluded.document",
            )?
            .execute(params![entry.port, memory])?;
            if let Some((at_ms, document)) = &change {
                tx.prepare_cached("INSERT INTO state_change (port, at_ms, document) VALUES (?1, ?2, ?3)")?
                    .execute(params![entry.port, at_ms, document])?;
            }
            post(tx, &entry.outgoing)?;
            if let Some((record, document)) = &report {
                insert(tx, record, Some(document))?;
            }
            Ok(())
        })?;
        if report.is_some() {
            self.apply_retention();
        }
        Ok(())
    }

    fn outbox(&self) -> Result<Vec<Outgoing>, ArchiveError> {
        let read = || {
            let mut statement = self.db.prepare_cached(
                "SELECT id, target, port, at_ms, document, attempts, next_try_ms, last_error FROM outbox
                 ORDER BY at_ms, id, target",
            )?;
            let rows = statement.query_map([], outgoing)?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|error| self.told(error))
    }

    fn post(&mut self, outgoing: &[Outgoing]) -> Result<(), ArchiveError> {
        self.write(|tx| post(tx, outgoing))
    }

    fn delivered(&mut self, o: &Outgoing, sent_ms: Option<i64>) -> Result<(), ArchiveError> {
        self.write(|tx| {
            tx.execute("DELETE FROM outbox WHERE id = ?1 AND target = ?2", [&o.id, &o.target])?;
            let Some(sent_ms) = sent_ms else { return Ok(()) };
            tx.prepare_cached(
                "INSERT INTO sent (sent_ms, announcement, target, port, at_ms, attempts, document)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            )?
            .execute(params![sent_ms, o.id, o.target, o.port, o.at_ms, o.attempts, o.document])?;
            tx.execute("DELETE FROM sent WHERE id <= ?1", [tx.last_insert_rowid() - SENT_MAX]).map(|_| ())
        })
    }

    fn sent(&self, limit: u32) -> Result<Vec<Sent>, ArchiveError> {
        let read = || {
            let mut statement = self.db.prepare_cached(
                "SELECT announcement, target, port, at_ms, document, attempts, sent_ms, NULL FROM sent
                 ORDER BY id DESC LIMIT ?1",
            )?;
            let rows =
                statement.query_map([limit], |row| Ok(Sent { outgoing: outgoing(row)?, sent_ms: row.get(6)? }))?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|error| self.told(error))
    }

    fn act(&mut self, action: &Action) -> Result<(), ArchiveError> {
        let text =
            serde_json::to_string(action).map_err(|source| ArchiveError::Json { id: action.did.clone(), source })?;
        self.write(|tx| {
            tx.execute("INSERT INTO action (at_ms, document) VALUES (?1, ?2)", params![action.at_ms, text])?;
            tx.execute("DELETE FROM action WHERE id <= ?1", [tx.last_insert_rowid() - ACTIONS_MAX]).map(|_| ())
        })
    }

    fn actions(&self, limit: u32) -> Result<Vec<Action>, ArchiveError> {
        let documents = self.documents("SELECT document FROM action ORDER BY id DESC LIMIT ?1", params![limit])?;
        Ok(documents.iter().filter_map(|document| serde_json::from_str(document).ok()).collect())
    }

    fn note(&self, name: &str) -> Result<Option<String>, ArchiveError> {
        let read = |db: &rusqlite::Connection| {
            db.prepare_cached("SELECT document FROM agent_note WHERE name = ?1")?
                .query_row([name], |row| row.get(0))
                .optional()
        };
        read(&self.db).map_err(|error| self.told(error))
    }

    fn keep_note(&mut self, name: &str, document: &str) -> Result<(), ArchiveError> {
        self.write(|tx| {
            tx.prepare_cached(
                "INSERT INTO agent_note (name, document) VALUES (?1, ?2)
                 ON CONFLICT (name) DO UPDATE SET document = excluded.document",
            )?
            .execute([name, document])
            .map(|_| ())
        })
    }

    fn put_off(&mut self, o: &Outgoing) -> Result<(), ArchiveError> {
        self.write(|tx| {
            tx.execute(
                "UPDATE outbox SET attempts = ?3, next_try_ms = ?4, last_error = ?5 WHERE id = ?1 AND target = ?2",
                params![o.id, o.target, o.attempts, o.next_try_ms, o.last_error],
            )
            .map(|_| ())
        })?;
        Ok(())
    }

    fn changes(&self, port: &str, limit: u32) -> Result<Vec<Change>, ArchiveError> {
        let sql = "SELECT document FROM state_change WHERE port = ?1 ORDER BY id DESC LIMIT ?2";
        let documents = self.documents(sql, params![port, limit])?;
        Ok(documents.iter().filter_map(|document| serde_json::from_str(document).ok()).collect())
    }

    fn prune(&mut self, older_than_ms: i64) -> Result<u64, ArchiveError> {
        let runs = self.prune(Retention { older_than_s: Some(0), keep: None }, older_than_ms)?.runs;
        let changes = self.write(|tx| {
            tx.execute("DELETE FROM sent WHERE sent_ms < ?1", [older_than_ms])?;
            tx.execute("DELETE FROM action WHERE at_ms < ?1", [older_than_ms])?;
            tx.execute("DELETE FROM state_change WHERE at_ms < ?1", [older_than_ms])
        })?;
        Ok(runs + changes as u64)
    }
}

impl Store {
    /// The first column of every row.
    fn documents(&self, sql: &str, values: impl rusqlite::Params) -> Result<Vec<String>, ArchiveError> {
        let read = || {
            let mut statement = self.db.prepare_cached(sql)?;
            let rows = statement.query_map(values, |row| row.get::<_, String>(0))?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|error| self.told(error))
    }
}

/// Puts announcements into the outbox, unless they are there.
fn post(tx: &Transaction<'_>, outgoing: &[Outgoing]) -> rusqlite::Result<()> {
    for o in outgoing {
        tx.prepare_cached(
            "INSERT OR IGNORE INTO outbox (id, target, port, at_ms, document, attempts, next_try_ms, last_error)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        )?
        .execute(params![
            o.id,
            o.target,
            o.port,
            o.at_ms,
            o.document,
            o.attempts,
            o.next_try_ms,
            o.last_error
        ])?;
    }
    Ok(())
}

/// Sent announcements and actions that are kept; the oldest go first.
const SENT_MAX: i64 = 5000;
const ACTIONS_MAX: i64 = 20_000;

fn outgoing(row: &Row<'_>) -> rusqlite::Result<Outgoing> {
    Ok(Outgoing {
        id: row.get(0)?,
        target: row.get(1)?,
        port: row.get(2)?,
        at_ms: row.get(3)?,
        document: row.get(4)?,
        attempts: row.get(5)?,
        next_try_ms: row.get(6)?,
        last_error: row.get(7)?,
    })
}

#[cfg(test)]
mod tests {
    use turnback_core::{
        base::placement::Placement,
        document::DocumentKind,
        watch::{
            observation::{Ground, Observation},
            standing::{Hysteresis, State},
        },
    };

    use super::*;
    use crate::archive::{memory::Memory, sqlite::schema::MIGRATIONS};

    fn entry(port: &str, n: i64, targets: &[&str]) -> Entry {
        let mut memory = PortMemory { skips: n as u64, ..PortMemory::default() };
        let change = memory.standing.take(
            &Observation::Pass,
            &Ground { at_ms: n, ..Ground::default() },
            &[],
            Hysteresis::default(),
        );
        let outgoing = targets.iter().map(|target| Outgoing {
            id: format!("{port}-{n}"),
            target: (*target).to_owned(),
            port: port.to_owned(),
            at_ms: n,
            document: "{}".into(),
            attempts: 0,
            next_try_ms: n,
            last_error: None,
        });
        Entry { port: port.to_owned(), memory, change, outgoing: outgoing.collect(), report: None }
    }

    /// The same story for the logbook on disk and the one in memory.
    fn story(logbook: &mut dyn Logbook) {
        assert_eq!(logbook.open(u64::MAX).unwrap().seed, u64::MAX);
        logbook.enter(&entry("quay1", 5, &["a", "b"])).unwrap();
        logbook.enter(&entry("quay2", 6, &["a"])).unwrap();
        logbook.enter(&entry("quay1", 7, &[])).unwrap();
        let remembered = logbook.open(3).unwrap();
        assert_eq!((remembered.seed, remembered.ports["quay1"].skips), (u64::MAX, 7));
        let mut waiting = logbook.outbox().unwrap();
        assert_eq!(waiting.len(), 3);
        waiting[0].attempts = 4;
        waiting[0].last_error = Some("no answer".into());
        logbook.put_off(&waiting[0]).unwrap();
        let b = waiting.iter().find(|o| o.target == "b").unwrap().clone();
        logbook.delivered(&b, Some(9)).unwrap();
        logbook.delivered(&b, None).unwrap();
        let sent = logbook.sent(9).unwrap();
        assert_eq!((sent.len(), &sent[0].outgoing.id, sent[0].sent_ms), (1, &b.id, 9));
        let left = logbook.outbox().unwrap();
        assert_eq!(
            left.iter().map(|o| (o.id.as_str(), o.attempts)).collect::<Vec<_>>(),
            [("quay1-5", 4), ("quay2-6", 0)]
        );
        logbook.post(std::slice::from_ref(&b)).unwrap();
        assert_eq!(logbook.outbox().unwrap().len(), 3);
        logbook.delivered(&b, None).unwrap();
        for at_ms in [3, 8] {
            logbook.act(&Action { at_ms, did: "asked for a check".into(), ..Action::default() }).unwrap();
        }
        let acted: Vec<i64> = logbook.actions(9).unwrap().iter().map(|action| action.at_ms).collect();
        assert_eq!((acted, logbook.actions(1).unwrap().len()), (vec![8, 3], 1));
        assert_eq!(logbook.note("queue").unwrap(), None);
        logbook.keep_note("queue", "[1]").unwrap();
        logbook.keep_note("queue", "[2]").unwrap();
        assert_eq!(logbook.note("queue").unwrap().as_deref(), Some("[2]"));
        assert_eq!(logbook.changes("quay1", 10).unwrap().len(), 2);
        assert_eq!(logbook.changes("quay1", 1).unwrap()[0].at_ms, 7);
        assert_eq!(logbook.prune(7).unwrap(), 2);
        assert_eq!((logbook.actions(9).unwrap().len(), logbook.sent(9).unwrap().len()), (1, 1));
        let nobody = logbook.find(Some(DocumentKind::Run), "0123");
        assert!(matches!(nobody, Err(ArchiveError::Unknown { kind: Some(DocumentKind::Run), .. })));
    }

    #[test]
    fn memory_and_file_tell_the_same_story() {
        story(&mut Memory::default());
        let folder = tempfile::tempdir().unwrap();
        story(&mut Store::open(&folder.path().join("records.db")).unwrap());
    }

    /// Format 3 knew one word for what is not proved, and nothing of what a state rests on.
    #[test]
    fn what_format_3_held_of_ports_is_told_apart() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("records.db");
        let old = rusqlite::Connection::open(&path).unwrap();
        MIGRATIONS[..3].iter().for_each(|step| old.execute_batch(step).unwrap());
        old.pragma_update(None, "user_version", 3).unwrap();
        for (port, state, since, why, placement) in [
            ("quay0", "unknown", 0, "", None),
            ("quay1", "unknown", 5, "the proof is too old", None),
            ("quay2", "unknown", 5, "nothing-returned: none", None),
            ("quay3", "proven", 5, "passed", Some("at-port")),
            ("quay4", "proven", 5, "passed", Some("internal")),
            ("quay5", "failed", 5, "bit-errors: many", None),
        ] {
            let standing = format!(
                r#"{{"state": "{state}", "since_ms": {since}, "why": "{why}", "proven_ms": 3, "before_skip": null,
                "faults_in_row": 0, "passes_in_row": 0, "inconclusive_in_row": 0}}"#
            );
            let document = format!(r#"{{"standing": {standing}, "skips": 7}}"#);
            old.execute("INSERT INTO watched_port VALUES (?1, ?2)", [port, &document]).unwrap();
            let run = "INSERT INTO run (run, started_at, started_ms, machine, port, kind, placement, profile, \
                outcome, location, program, link_mbps) \
                VALUES (?1, '', 2, '', ?1, 'ethernet', ?2, 'quick', 'pass', '', '', 1000)";
            placement.iter().for_each(|placement| assert_eq!(old.execute(run, [port, placement]).unwrap(), 1));
        }
        for (from, to, why) in [("unknown", "proven", "passed"), ("proven", "unknown", "the proof is too old")] {
            let document = format!(r#"{{"from": "{from}", "to": "{to}", "at_ms": 1, "why": "{why}"}}"#);
            old.execute("INSERT INTO state_change (port, at_ms, document) VALUES ('quay3', 1, ?1)", [document])
                .unwrap();
        }
        drop(old);
        let mut store = Store::open(&path).unwrap();
        let ports = Logbook::open(&mut store, 1).unwrap().ports;
        let states: Vec<State> = ports.values().map(|memory| memory.standing.state).collect();
        use State::{ChipProven, Expired, Failed, NeverTested, Proven, Undecided};
        assert_eq!(states, [NeverTested, Expired, Undecided, Proven, ChipProven, Failed]);
        let ground = ports["quay3"].standing.rests_on.clone().unwrap();
        let told = (ground.placement, ground.speed.as_deref(), ground.run.as_deref(), ground.at_ms);
        assert_eq!(told, (Placement::AtPort, Some("1000 Mb/s"), Some("quay3"), 3));
        assert_eq!(ports["quay3"].skips, 7);
        // The loop inside the chip does not clear what failed before.
        let mut failed = ports["quay5"].standing.clone();
        let inside = Ground { placement: Placement::Internal, at_ms: 9, ..Ground::default() };
        (0..3).for_each(|_| assert_eq!(failed.take(&Observation::Pass, &inside, &[], Hysteresis::default()), None));
        let changes = store.changes("quay3", 9).unwrap();
        let changes: Vec<_> = changes.iter().map(|change| (change.from, change.to)).collect();
        assert_eq!(changes, [(Proven, Expired), (NeverTested, Proven)]);
    }

    #[test]
    fn a_full_disk_takes_all_of_an_entry_or_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(&folder.path().join("records.db")).unwrap();
        let pages: i64 = store.db.pragma_query_value(None, "page_count", |row| row.get(0)).unwrap();
        store.db.pragma_update_and_check(None, "max_page_count", pages + 2, |_| Ok(())).unwrap();
        let mut big = entry("quay1", 5, &["a"]);
        big.memory.drifts = vec!["x".repeat(100_000)];
        let error = store.enter(&big).unwrap_err();
        assert!(error.to_string().contains("no room"), "{error}");
        assert_eq!((store.outbox().unwrap().len(), store.changes("quay1", 9).unwrap().len()), (0, 0));
        store.enter(&entry("quay1", 5, &["a"])).unwrap();
        assert_eq!(store.outbox().unwrap().len(), 1);
    }
}
