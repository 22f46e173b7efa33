//! Ports as they stand, and how that changed.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use tokio_postgres::{Error, Transaction};
use turnback_core::fleet::state::{PortState, StateChange};
use uuid::Uuid;

use super::{Ids, Known, Written, text, texts, time, uuid};
use crate::fleet::collect::taken::{Content, Taken};

/// Learns the numbers of the ports that a batch speaks of. One that is known from a document only is never tested.
pub(super) async fn find(
    tx: &Transaction<'_>,
    known: &Known,
    learned: &mut Known,
    batch: &[Taken],
) -> Result<(), Error> {
    let ids = Ids { known, learned };
    let mut fresh: BTreeSet<(i32, String)> = BTreeSet::new();
    for taken in batch {
        let machine = ids.machine(&taken.sender);
        let mut want = |port: &str| {
            let key = (machine, text(port));
            if ids.port(key.0, &key.1) == 0 {
                fresh.insert(key);
            }
        };
        match &taken.content {
            Content::Run(run) => want(&run.record.port),
            Content::Case(case, _) => want(&case.port.name),
            Content::State(state) => {
                state.ports.iter().for_each(|port| want(&port.port));
                state.changes.iter().for_each(|change| want(&change.port));
            }
            Content::CardTest(..) | Content::Lot(..) | Content::Heartbeat(_) => {}
        }
    }
    if fresh.is_empty() {
        return Ok(());
    }
    let machines: Vec<i32> = fresh.iter().map(|(machine, _)| *machine).collect();
    let names: Vec<&str> = fresh.iter().map(|(_, name)| name.as_str()).collect();
    tx.execute(
        "INSERT INTO port (machine_id, name) SELECT * FROM unnest($1::int[], $2::text[]) ON CONFLICT DO NOTHING",
        &[&machines, &names],
    )
    .await?;
    let rows = tx
        .query(
            "SELECT p.id, p.machine_id, p.name FROM port p JOIN unnest($1::int[], $2::text[]) u(machine_id, name)
             ON p.machine_id = u.machine_id AND p.name = u.name",
            &[&machines, &names],
        )
        .await?;
    learned.ports.extend(rows.into_iter().map(|row| ((row.get(1), row.get(2)), row.get(0))));
    Ok(())
}

/// Writes states and changes.
pub(super) async fn states(
    tx: &Transaction<'_>,
    ids: &Ids<'_>,
    batch: &[Taken],
    announce: bool,
    written: &mut Written,
) -> Result<(), Error> {
    let mut newest: BTreeMap<i32, (i64, &PortState)> = BTreeMap::new();
    let mut complete: BTreeMap<i32, (i64, Vec<i32>)> = BTreeMap::new();
    let mut changes: BTreeMap<Uuid, Changed<'_>> = BTreeMap::new();
    for taken in batch {
        let Content::State(state) = &taken.content else { continue };
        let machine = ids.machine(&taken.sender);
        for port in &state.ports {
            let kept = newest.entry(ids.port(machine, &text(&port.port))).or_insert((state.number, port));
            if state.number > kept.0 {
                *kept = (state.number, port);
            }
        }
        if state.is_complete && complete.get(&machine).is_none_or(|(number, _)| *number < state.number) {
            let ports = state.ports.iter().map(|port| ids.port(machine, &text(&port.port))).collect();
            complete.insert(machine, (state.number, ports));
        }
        for change in &state.changes {
            let port = ids.port(machine, &text(&change.port));
            let id = Uuid::try_parse(&change.id).ok();
            changes.extend(id.map(|id| (id, Changed { machine, port, received: taken.received, change })));
        }
    }
    write_states(tx, &newest, written).await?;
    for (machine, (number, ports)) in complete {
        // What is known from a document only was never among the machine's own ports.
        tx.execute(
            "UPDATE port SET forgotten = true, needs_attention = false, number = $2
             WHERE machine_id = $1 AND id <> ALL($3) AND number > 0 AND number < $2",
            &[&machine, &number, &ports],
        )
        .await?;
    }
    write_changes(tx, &changes, announce, written).await
}

/// A change with what its row needs beside it.
struct Changed<'a> {
    machine: i32,
    port: i32,
    received: Timestamp,
    change: &'a StateChange,
}

async fn write_states(
    tx: &Transaction<'_>,
    newest: &BTreeMap<i32, (i64, &PortState)>,
    written: &mut Written,
) -> Result<(), Error> {
    if newest.is_empty() {
        return Ok(());
    }
    let ports = || newest.values().map(|(_, port)| *port);
    let told = |value: fn(&PortState) -> Option<&String>| ports().map(|p| texts(value(p))).collect::<Vec<_>>();
    let word = |value: fn(&PortState) -> &str| ports().map(|p| text(value(p))).collect::<Vec<_>>();
    let is = |value: fn(&PortState) -> bool| ports().map(value).collect::<Vec<bool>>();
    let at = |value: fn(&PortState) -> Option<i64>| ports().map(|p| value(p).and_then(time)).collect::<Vec<_>>();
    let id = |value: fn(&PortState) -> Option<&String>| ports().map(|p| uuid(value(p))).collect::<Vec<_>>();
    // Locked in the order of their numbers, whatever plan the update takes.
    let keys: Vec<i32> = newest.keys().copied().collect();
    tx.execute("SELECT FROM port WHERE id = ANY($1) ORDER BY id FOR NO KEY UPDATE", &[&keys]).await?;
    written.renewed += tx
        .execute(
            "UPDATE port p SET number = u.number, kind = u.kind, simulated = u.simulated, label = u.label,
                 cable = u.cable, cabinet = u.cabinet, spare = u.spare, driver = u.driver, bus = u.bus,
                 watched = u.watched, present = u.present, forgotten = false, state = u.state, since = u.since,
                 why = u.why, location = u.location, next_action = u.next_action, run = u.run,
                 placement = u.placement, proven_at = u.proven_at, proof_ends_at = u.proof_ends_at,
                 needs_attention = u.needs_attention, acknowledged_by = u.acknowledged_by, open_case = u.open_case
             FROM unnest($1::int[], $2::bigint[], $3::text[], $4::bool[], $5::text[], $6::text[], $7::text[],
                 $8::bool[], $9::text[], $10::text[], $11::bool[], $12::bool[], $13::text[], $14::timestamptz[],
                 $15::text[], $16::text[], $17::text[], $18::uuid[], $19::text[], $20::timestamptz[],
                 $21::timestamptz[], $22::bool[], $23::text[], $24::uuid[])
                 u(id, number, kind, simulated, label, cable, cabinet, spare, driver, bus, watched, present, state,
                 since, why, location, next_action, run, placement, proven_at, proof_ends_at, needs_attention,
                 acknowledged_by, open_case)
             WHERE p.id = u.id AND p.number < u.number",
            &[
                &keys,
                &newest.values().map(|(number, _)| *number).collect::<Vec<i64>>(),
                &word(|p| &p.kind),
                &is(|p| p.simulated),
                &told(|p| p.label.as_ref()),
                &told(|p| p.cable.as_ref()),
                &told(|p| p.cabinet.as_ref()),
                &is(|p| p.spare),
                &told(|p| p.driver.as_ref()),
                &told(|p| p.bus.as_ref()),
                &is(|p| p.watched),
                &is(|p| p.present),
                &word(|p| &p.state),
                &at(|p| Some(p.since_ms)),
                &word(|p| &p.why),
                &word(|p| &p.location),
                &told(|p| p.next_action.as_ref()),
                &id(|p| p.run.as_ref()),
                &told(|p| p.placement.as_ref()),
                &at(|p| p.proven_ms),
                &at(|p| p.proof_ends_ms),
                &is(|p| p.needs_attention),
                &told(|p| p.acknowledged_by.as_ref()),
                &id(|p| p.case.as_ref()),
            ],
        )
        .await?;
    Ok(())
}

async fn write_changes(
    tx: &Transaction<'_>,
    changes: &BTreeMap<Uuid, Changed<'_>>,
    announce: bool,
    written: &mut Written,
) -> Result<(), Error> {
    if changes.is_empty() {
        return Ok(());
    }
    let of = || changes.values();
    let word = |value: fn(&StateChange) -> &str| of().map(|c| text(value(c.change))).collect::<Vec<_>>();
    let at = of().map(|c| Timestamp::from_millisecond(c.change.at_ms).unwrap_or_default()).collect::<Vec<_>>();
    let rows = tx
        .query(
            "INSERT INTO state_change (id, machine_id, port_id, at, received_at, from_state, to_state, why)
             SELECT * FROM unnest($1::uuid[], $2::int[], $3::int[], $4::timestamptz[], $5::timestamptz[], $6::text[],
                 $7::text[], $8::text[])
             ON CONFLICT (id) DO NOTHING RETURNING id",
            &[
                &changes.keys().copied().collect::<Vec<Uuid>>(),
                &of().map(|c| c.machine).collect::<Vec<_>>(),
                &of().map(|c| c.port).collect::<Vec<_>>(),
                &at,
                &of().map(|c| c.received).collect::<Vec<_>>(),
                &word(|c| &c.from),
                &word(|c| &c.to),
                &word(|c| &c.why),
            ],
        )
        .await?;
    written.new += rows.len() as u64;
    written.known += (changes.len() - rows.len()) as u64;
    if announce && !rows.is_empty() {
        let new: Vec<Uuid> = rows.iter().map(|row| row.get(0)).collect();
        tx.execute(
            "INSERT INTO unannounced (change_id, port_id, from_state, to_state, why, at, received_at)
             SELECT id, port_id, from_state, to_state, why, at, received_at FROM state_change WHERE id = ANY($1)
             ON CONFLICT DO NOTHING",
            &[&new],
        )
        .await?;
    }
    Ok(())
}
