//! Runs, each once; cases, card tests and lots in their latest revision.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use tokio_postgres::{Error, Transaction};
use uuid::Uuid;

use super::{Ids, Written, count, text, texts};
use crate::{
    archive::record::{Record, places},
    fleet::collect::taken::{Content, Run, Taken},
};

/// Writes runs; those that are there stay as they are.
pub(super) async fn runs(
    tx: &Transaction<'_>,
    ids: &Ids<'_>,
    batch: &[Taken],
    written: &mut Written,
) -> Result<(), Error> {
    // In the order of their ids, each once.
    let mut runs: BTreeMap<Uuid, Row<'_>> = BTreeMap::new();
    for taken in batch {
        let Content::Run(run) = &taken.content else { continue };
        let machine = ids.machine(&taken.sender);
        let port = ids.port(machine, &text(&run.record.port));
        runs.entry(run.id).or_insert(Row { machine, port, received: taken.received, run });
        written.known += 1;
    }
    if runs.is_empty() {
        return Ok(());
    }
    let all = || runs.values();
    let told = |value: fn(&Record) -> Option<&String>| all().map(|r| texts(value(&r.run.record))).collect::<Vec<_>>();
    let word = |value: fn(&Record) -> &str| all().map(|r| text(value(&r.run.record))).collect::<Vec<_>>();
    let ratio = |value: fn(&Record) -> Option<f64>| all().map(|r| value(&r.run.record)).collect::<Vec<_>>();
    let latency = |r: &Row<'_>| r.run.record.latency_ns_p50.and_then(|ns| i64::try_from(ns).ok());
    let rows = tx
        .query(
            "INSERT INTO run (id, machine_id, port_id, started_at, received_at, kind, simulated, permanent_address,
                 port_label, cable, segment, far_end, plug, placement, profile, outcome, location, rule, error_ratio,
                 error_ratio_upper, loss_ratio, latency_ns_p50, link_mbps, program, without_series, document,
                 scope)
             SELECT * FROM unnest($1::uuid[], $2::int[], $3::int[], $4::timestamptz[], $5::timestamptz[], $6::text[],
                 $7::bool[], $8::text[], $9::text[], $10::text[], $11::text[], $12::text[], $13::text[], $14::text[],
                 $15::text[], $16::text[], $17::text[], $18::text[], $19::float8[], $20::float8[], $21::float8[],
                 $22::bigint[], $23::int[], $24::text[], $25::bool[], $26::bytea[], $27::text[])
             ON CONFLICT (id) DO NOTHING RETURNING id",
            &[
                &runs.keys().copied().collect::<Vec<Uuid>>(),
                &all().map(|r| r.machine).collect::<Vec<_>>(),
                &all().map(|r| r.port).collect::<Vec<_>>(),
                &all().map(|r| r.run.started).collect::<Vec<Timestamp>>(),
                &all().map(|r| r.received).collect::<Vec<Timestamp>>(),
                &word(|r| &r.kind),
                &all().map(|r| r.run.record.simulated).collect::<Vec<_>>(),
                &told(|r| r.permanent_address.as_ref()),
                &told(|r| r.port_label.as_ref()),
                &told(|r| r.cable.as_ref()),
                &told(|r| r.segment.as_ref()),
                &told(|r| r.far_end.as_ref()),
                &told(|r| r.plug.as_ref()),
                &word(|r| &r.placement),
                &word(|r| &r.profile),
                &word(|r| &r.outcome),
                &word(|r| &r.location),
                &told(|r| r.rule.as_ref()),
                &ratio(|r| r.error_ratio),
                &ratio(|r| r.error_ratio_upper),
                &ratio(|r| r.loss_ratio),
                &all().map(latency).collect::<Vec<_>>(),
                &all().map(|r| r.run.record.link_mbps.map(count)).collect::<Vec<_>>(),
                &word(|r| &r.program),
                &all().map(|r| r.run.without_series).collect::<Vec<_>>(),
                &all().map(|r| r.run.packed.as_ref()).collect::<Vec<_>>(),
                &told(|r| r.scope.as_ref()),
            ],
        )
        .await?;
    let new: BTreeSet<Uuid> = rows.iter().map(|row| row.get(0)).collect();
    written.new += new.len() as u64;
    written.known -= new.len() as u64;
    let contested = contested(tx, ids, batch, &new).await?;
    written.known -= contested.len() as u64;
    written.contested.extend(contested);
    runs.retain(|id, _| new.contains(id));
    addresses(tx, &runs).await
}

/// Runs that are not in the tables because another one has the id, of another machine: their places in the batch, with
/// the reason. One run that two machines tell is no such case: a disk was cloned, or a machine has another name now.
async fn contested(
    tx: &Transaction<'_>,
    ids: &Ids<'_>,
    batch: &[Taken],
    new: &BTreeSet<Uuid>,
) -> Result<Vec<(usize, String)>, Error> {
    let mut told: BTreeMap<Uuid, Vec<(usize, i32, &Run)>> = BTreeMap::new();
    for (place, taken) in batch.iter().enumerate() {
        let Content::Run(run) = &taken.content else { continue };
        told.entry(run.id).or_default().push((place, ids.machine(&taken.sender), run));
    }
    // Nothing stood in the way of one that is new, unless the batch has another under its id.
    told.retain(|id, runs| !new.contains(id) || runs.len() > 1);
    if told.is_empty() {
        return Ok(Vec::new());
    }
    let rows = tx
        .query(
            "SELECT r.id, r.machine_id, r.started_at, r.outcome, p.name, m.site || '.' || m.name FROM run r
             JOIN port p ON p.id = r.port_id JOIN machine m ON m.id = r.machine_id WHERE r.id = ANY($1)",
            &[&told.keys().copied().collect::<Vec<Uuid>>()],
        )
        .await?;
    let mut contested = Vec::new();
    for row in &rows {
        let (id, holder): (Uuid, i32) = (row.get(0), row.get(1));
        let (started, outcome, port, owner): (Timestamp, &str, &str, &str) =
            (row.get(2), row.get(3), row.get(4), row.get(5));
        for (place, machine, run) in told.get(&id).into_iter().flatten() {
            // The database keeps microseconds.
            let same_start = run.started.as_microsecond() == started.as_microsecond();
            let record = &run.record;
            let is_same = same_start && text(&record.outcome) == outcome && text(&record.port) == port;
            if *machine != holder && !is_same {
                contested.push((*place, format!("run {id} of {owner} has the same id, and is another run")));
            }
        }
    }
    contested.sort_unstable();
    Ok(contested)
}

/// A run with what its row needs beside it.
struct Row<'a> {
    machine: i32,
    port: i32,
    received: Timestamp,
    run: &'a Run,
}

/// The newest run of a port says which adapter it is.
async fn addresses(tx: &Transaction<'_>, runs: &BTreeMap<Uuid, Row<'_>>) -> Result<(), Error> {
    let mut newest: BTreeMap<i32, (Uuid, String)> = BTreeMap::new();
    for (id, row) in runs {
        let address = texts(row.run.record.permanent_address.as_ref());
        newest.extend(address.map(|address| (row.port, (*id, address))));
    }
    if newest.is_empty() {
        return Ok(());
    }
    let ports: Vec<i32> = newest.keys().copied().collect();
    let ids: Vec<Uuid> = newest.values().map(|(id, _)| *id).collect();
    let addresses: Vec<&str> = newest.values().map(|(_, address)| address.as_str()).collect();
    tx.execute(
        "UPDATE port p SET permanent_address = u.address, address_run = u.run
         FROM unnest($1::int[], $2::uuid[], $3::text[]) u(id, run, address)
         WHERE p.id = u.id AND p.permanent_address IS DISTINCT FROM u.address
             AND (p.address_run IS NULL OR p.address_run < u.run)",
        &[&ports, &ids, &addresses],
    )
    .await
    .map(|_| ())
}

/// Of each machine the revision with the highest number.
macro_rules! later {
    ($table:literal) => {
        concat!(" WHERE ", $table, ".number < excluded.number")
    };
}

/// Writes cases, card tests and lots.
pub(super) async fn others(
    tx: &Transaction<'_>,
    ids: &Ids<'_>,
    batch: &[Taken],
    written: &mut Written,
) -> Result<(), Error> {
    for taken in batch {
        let machine = ids.machine(&taken.sender);
        let (number, received) = (&taken.number, &taken.received);
        written.renewed += match &taken.content {
            Content::Case(case, kept) => {
                let port = ids.port(machine, &text(&case.port.name));
                let verdict = &case.verdict;
                tx.execute(
                    concat!(
                        "INSERT INTO case_document (id, machine_id, port_id, number, opened_at, changed_at,
                             received_at, cable, state, outcome, location, segment, document)
                         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)
                         ON CONFLICT (id, machine_id) DO UPDATE SET port_id = $3, number = $4, changed_at = $6,
                             received_at = $7, cable = $8, state = $9, outcome = $10, location = $11, segment = $12,
                             document = $13",
                        later!("case_document")
                    ),
                    &[
                        &kept.id,
                        &machine,
                        &port,
                        number,
                        &kept.opened,
                        &kept.changed,
                        received,
                        &text(&case.cable),
                        &case.state.name(),
                        &verdict.outcome.name(),
                        &places(&verdict.location),
                        &texts(verdict.segment.as_ref()),
                        &kept.packed.as_ref(),
                    ],
                )
                .await?
            }
            Content::CardTest(test, kept) => {
                let addresses: Vec<String> =
                    test.card.ports.iter().filter_map(|port| texts(port.permanent_address.as_ref())).collect();
                tx.execute(
                    concat!(
                        "INSERT INTO card_test (id, machine_id, number, label, lot, serial, addresses, grade, outcome,
                             started_at, changed_at, received_at, document)
                         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)
                         ON CONFLICT (id, machine_id) DO UPDATE SET number = $3, label = $4, lot = $5,
                             serial = $6, addresses = $7, grade = $8, outcome = $9, changed_at = $11,
                             received_at = $12, document = $13",
                        later!("card_test")
                    ),
                    &[
                        &kept.id,
                        &machine,
                        number,
                        &text(&test.label),
                        &texts(test.lot.as_ref()),
                        &texts(test.card.serial.as_ref()),
                        &addresses,
                        &test.grade.name(),
                        &test.verdict.outcome.name(),
                        &kept.opened,
                        &kept.changed,
                        received,
                        &kept.packed.as_ref(),
                    ],
                )
                .await?
            }
            Content::Lot(lot, kept) => {
                tx.execute(
                    concat!(
                        "INSERT INTO lot (id, machine_id, number, label, outcome, quantity, opened_at, changed_at,
                             received_at, document)
                         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
                         ON CONFLICT (id, machine_id) DO UPDATE SET number = $3, label = $4, outcome = $5,
                             quantity = $6, changed_at = $8, received_at = $9, document = $10",
                        later!("lot")
                    ),
                    &[
                        &kept.id,
                        &machine,
                        number,
                        &text(&lot.label),
                        &lot.verdict.outcome.name(),
                        &count(lot.quantity),
                        &kept.opened,
                        &kept.changed,
                        received,
                        &kept.packed.as_ref(),
                    ],
                )
                .await?
            }
            Content::Run(_) | Content::State(_) | Content::Heartbeat(_) => 0,
        };
    }
    Ok(())
}
