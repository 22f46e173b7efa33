//! The format of the file: settings, version, and the steps from one version to the next.

use std::time::{Duration, Instant};

use rusqlite::{Connection, TransactionBehavior};

use super::{BUSY, Store};
use crate::archive::error::ArchiveError;

/// Each step takes the file from the version that is its place in this list to the next. Never edit one that was
/// released.
pub const MIGRATIONS: &[&str] = &[
    include_str!("migrations/0001_records.sql"),
    include_str!("migrations/0002_watch.sql"),
    include_str!("migrations/0003_kind.sql"),
    include_str!("migrations/0004_states.sql"),
    include_str!("migrations/0005_bench.sql"),
    include_str!("migrations/0006_fleet.sql"),
    include_str!("migrations/0007_fleet_set_aside.sql"),
    include_str!("migrations/0008_scope.sql"),
];

/// As set by the first migration: "tbrk".
const APPLICATION_ID: i64 = 0x7462_726b;

/// Checks that the file is ours and not newer, sets the connection up, and brings an older file up to date.
pub(super) fn prepare(store: &mut Store) -> Result<(), ArchiveError> {
    let told = |error| ArchiveError::of(&store.path, error);
    let db = &mut store.db;
    db.busy_timeout(BUSY).map_err(told)?;
    let known = MIGRATIONS.len() as u32;
    let found = version(db).map_err(told)?;
    if is_foreign(db, found).map_err(told)? {
        return Err(ArchiveError::NotRecords { path: store.path.clone() });
    }
    if found > known {
        return Err(ArchiveError::Newer { path: store.path.clone(), found, known });
    }
    set_up(db).map_err(told)?;
    if found < known {
        migrate(db).map_err(told)?;
    }
    Ok(())
}

fn version(db: &Connection) -> rusqlite::Result<u32> {
    db.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// Another program's database: tables that we did not make.
fn is_foreign(db: &Connection, version: u32) -> rusqlite::Result<bool> {
    let id: i64 = db.pragma_query_value(None, "application_id", |row| row.get(0))?;
    if id == APPLICATION_ID {
        return Ok(false);
    }
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_master", [], |row| row.get(0))?;
    // A process beside this one may have made ours in between the two questions.
    let id: i64 = db.pragma_query_value(None, "application_id", |row| row.get(0))?;
    Ok(id != APPLICATION_ID && (version > 0 || tables > 0 || id != 0))
}

fn set_up(db: &Connection) -> rusqlite::Result<()> {
    // On disk when a write is done, so that a power cut takes no record that was reported as kept.
    db.execute_batch("PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON;")?;
    let mode = |db: &Connection| db.pragma_query_value(None, "journal_mode", |row| row.get::<_, String>(0));
    if mode(db)? == "wal" {
        return Ok(());
    }
    // Room of dropped records can be given back later; can be chosen only before the first table.
    db.execute_batch("PRAGMA auto_vacuum = INCREMENTAL;")?;
    // Two processes that make the same file stand in each other's way here without SQLite waiting for either.
    let began = Instant::now();
    loop {
        let turned = db.pragma_update_and_check(None, "journal_mode", "wal", |row| row.get::<_, String>(0));
        match turned {
            Err(error)
                if error.sqlite_error_code() == Some(rusqlite::ErrorCode::DatabaseBusy) && began.elapsed() < BUSY =>
            {
                std::thread::sleep(Duration::from_millis(5));
            }
            other => return other.map(|_| ()),
        }
    }
}

fn migrate(db: &mut Connection) -> rusqlite::Result<()> {
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Asked again under the lock: another process may have done it.
    let from = version(&tx)? as usize;
    for step in MIGRATIONS.iter().skip(from) {
        tx.execute_batch(step)?;
    }
    if from < MIGRATIONS.len() {
        tx.pragma_update(None, "user_version", MIGRATIONS.len() as u32)?;
    }
    tx.commit()
}
