//! What the fleet is told of the machine's ports.

use std::collections::{BTreeMap, BTreeSet};

use sha2::{Digest, Sha256};
use turnback_core::{
    document::{Document, DocumentKind},
    fleet::{
        FORMAT,
        state::{PortState, StateChange, StateMessage},
        subject::Sender,
    },
};

use crate::{
    archive::{logbook::Logbook, outbox::RecordedChange, record::places},
    daemon::agent::{PortView, Watch},
};

/// Where a fault lies and what to do next, as a run says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Advice {
    /// Places joined by commas.
    pub location: String,
    /// What to do next.
    pub next_action: Option<String>,
}

/// What the fleet was told last.
#[derive(Debug, Default)]
pub struct Told {
    ports: Option<BTreeMap<String, PortState>>,
    advice: BTreeMap<String, Advice>,
}

impl Told {
    /// Ports of which the fleet does not know how they stand; none: it knows all.
    pub fn news(&self, now: &BTreeMap<String, PortState>) -> Option<StateMessage> {
        let told = self.ports.as_ref();
        // The first message of an agent says all that there is, and one in which a port is missing.
        let is_complete = told.is_none_or(|told| told.keys().any(|port| !now.contains_key(port)));
        let is_new = |port: &&PortState| is_complete || told.and_then(|told| told.get(&port.port)) != Some(port);
        let ports: Vec<PortState> = now.values().filter(is_new).cloned().collect();
        if ports.is_empty() && !is_complete {
            return None;
        }
        Some(StateMessage { format: FORMAT, number: 0, ports, changes: Vec::new(), is_complete })
    }

    /// Everything is to be told again.
    pub fn forget(&mut self) {
        self.ports = None;
    }

    /// The fleet knows this now.
    pub fn told(&mut self, now: BTreeMap<String, PortState>) {
        self.ports = Some(now);
    }

    /// What each of these runs says; it is looked up once. *Disk.*
    pub fn advise(&mut self, views: &[PortView], logbook: &dyn Logbook) {
        let runs: BTreeSet<&str> = views.iter().filter_map(run_of).collect();
        self.advice.retain(|run, _| runs.contains(run.as_str()));
        for run in runs {
            if !self.advice.contains_key(run) {
                self.advice.insert(run.to_owned(), advice(logbook, run));
            }
        }
    }

    /// All ports as they stand.
    pub fn standing(&self, views: &[PortView]) -> BTreeMap<String, PortState> {
        let none = Advice::default();
        let one = |view: &PortView| {
            let advice = run_of(view).and_then(|run| self.advice.get(run)).unwrap_or(&none);
            (view.name.clone(), state_of(view, advice))
        };
        views.iter().map(one).collect()
    }
}

/// A run that cannot be read says nothing: the state itself is told all the same.
fn advice(logbook: &dyn Logbook, run: &str) -> Advice {
    match logbook.get(DocumentKind::Run, run) {
        Ok(Document::Run(report)) => Advice {
            location: places(&report.verdict.location),
            next_action: Some(report.verdict.next).filter(|next| !next.is_empty()),
        },
        _ => Advice::default(),
    }
}

fn run_of(view: &PortView) -> Option<&str> {
    view.standing.rests_on.as_ref()?.run.as_deref()
}

fn state_of(view: &PortView, advice: &Advice) -> PortState {
    let standing = &view.standing;
    PortState {
        port: view.name.clone(),
        kind: view.kind.name().to_owned(),
        simulated: view.simulated,
        label: view.labels.label.clone(),
        cable: view.labels.cable.clone(),
        cabinet: view.labels.cabinet.clone(),
        spare: view.labels.spare,
        driver: view.driver.clone(),
        bus: view.bus.clone(),
        watched: view.watch == Watch::Watched,
        present: view.present,
        state: standing.state.name().to_owned(),
        since_ms: standing.since_ms,
        why: standing.why.clone(),
        location: advice.location.clone(),
        next_action: advice.next_action.clone(),
        run: run_of(view).map(str::to_owned),
        placement: standing.rests_on.as_ref().map(|ground| ground.placement.to_string()),
        proven_ms: standing.proven_ms,
        proof_ends_ms: view.proof_ends_ms,
        needs_attention: view.needs_attention,
        acknowledged_by: view.acknowledged.as_ref().map(|known| known.by.clone()),
        case: view.diagnosis.as_ref().map(|diagnosis| diagnosis.case.clone()),
    }
}

/// A change as it is told; `row` is its number in the records of `sender`.
pub fn change_of(recorded: &RecordedChange, sender: &Sender, row: &str) -> StateChange {
    let RecordedChange { port, change, seed } = recorded;
    StateChange {
        id: change_id(*seed, sender, row, change.at_ms).to_string(),
        port: port.clone(),
        from: change.from.name().to_owned(),
        to: change.to.name().to_owned(),
        at_ms: change.at_ms,
        why: change.why.clone(),
    }
}

/// The same however often it is told, and no other record's: its time, and what follows from the machine, the records'
/// own seed and the number of the row. The machine belongs to it because a cloned disk has the same seed.
fn change_id(seed: u64, sender: &Sender, row: &str, at_ms: i64) -> uuid::Uuid {
    let digest = Sha256::new().chain_update(seed.to_be_bytes()).chain_update(format!("{sender} {row}")).finalize();
    let mut drawn = [0; 10];
    drawn.copy_from_slice(&digest[..10]);
    let ms = u64::try_from(at_ms).unwrap_or_default();
    uuid::Builder::from_unix_timestamp_millis(ms, &drawn).into_uuid()
}

#[cfg(test)]
mod tests {
    use turnback_core::watch::standing::{Change, State};

    use super::*;

    fn port(name: &str, why: &str) -> (String, PortState) {
        (name.to_owned(), PortState { port: name.into(), why: why.into(), ..PortState::default() })
    }

    fn names(message: &StateMessage) -> Vec<&str> {
        message.ports.iter().map(|port| port.port.as_str()).collect()
    }

    #[test]
    fn the_fleet_is_told_all_at_first_and_then_what_is_new() {
        let mut told = Told::default();
        let first = BTreeMap::from([port("quay1", ""), port("quay2", "")]);
        let message = told.news(&first).unwrap();
        assert!(message.is_complete && names(&message) == ["quay1", "quay2"]);
        // Not told yet: it is said again.
        assert!(told.news(&first).unwrap().is_complete);
        told.told(first.clone());
        assert_eq!(told.news(&first), None);
        let second = BTreeMap::from([port("quay1", "passed"), port("quay2", "")]);
        let message = told.news(&second).unwrap();
        assert!(!message.is_complete && names(&message) == ["quay1"]);
        told.told(second);
        // One that is gone from the list is known by its absence.
        let message = told.news(&BTreeMap::from([port("quay2", "")])).unwrap();
        assert!(message.is_complete && names(&message) == ["quay2"]);
        let machine_without_ports = Told::default().news(&BTreeMap::new()).unwrap();
        assert!(machine_without_ports.is_complete);
    }

    #[test]
    fn a_change_has_one_id() {
        let change = Change { from: State::Proven, to: State::Suspect, at_ms: 1_700_000_000_000, why: String::new() };
        let sender = |machine: &str| Sender { site: "north-quay".parse().unwrap(), machine: machine.parse().unwrap() };
        let id = |seed, machine, row| {
            let recorded = RecordedChange { port: "a".into(), change: change.clone(), seed };
            change_of(&recorded, &sender(machine), row).id
        };
        let first = id(1, "closet-3", "1");
        assert_eq!(first, id(1, "closet-3", "1"));
        assert!(first != id(2, "closet-3", "1") && first != id(1, "closet-3", "2"));
        assert_ne!(first, id(1, "closet-4", "1"), "a cloned disk");
        // The time leads: 1_700_000_000_000 is 0x018b_cfe5_6800.
        assert!(first.starts_with("018bcfe5-6800-7"), "{first}");
    }
}
