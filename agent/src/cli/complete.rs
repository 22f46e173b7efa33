//! What a shell offers to complete: ports, rigs, plugs, profiles, labels.
//!
//! The script that `turnback completions SHELL` prints asks the program itself each time, so that ports and labels are
//! those of the moment.

use std::collections::BTreeSet;

use clap_complete::{
    engine::{ArgValueCandidates, CompletionCandidate},
    env::Shells,
};
use turnback_core::{
    base::placement::Placement,
    kind::{rig::builtin_names, serial::plug::LinePlug, wiring::WiringKind},
    plan::Profile,
};

use crate::{
    archive::{Archive, Listed, Query, filter::Filter, location, record::Record, sqlite::Store},
    ports::inventory::{ethernet_ports, serial_ports},
};

/// The script with which a shell asks for completions; none for a shell that is not known.
pub fn script(shell: clap_complete::Shell) -> Option<String> {
    let mut script = Vec::new();
    let shells = Shells::builtins();
    let completer = shells.completer(&shell.to_string())?;
    completer.write_registration("COMPLETE", "turnback", "turnback", "turnback", &mut script).ok()?;
    String::from_utf8(script).ok()
}

/// Real and simulated ports.
pub fn ports() -> ArgValueCandidates {
    ArgValueCandidates::new(|| real_ports().into_iter().chain(rigs_named("sim:")).collect())
}

/// Ports of this machine.
pub fn ports_here() -> ArgValueCandidates {
    ArgValueCandidates::new(real_ports)
}

/// Names of simulated ports.
pub fn rigs() -> ArgValueCandidates {
    ArgValueCandidates::new(|| rigs_named(""))
}

/// Names of profiles.
pub fn profiles() -> ArgValueCandidates {
    ArgValueCandidates::new(|| {
        Profile::builtin().into_iter().map(|p| CompletionCandidate::new(p.name).help(Some(p.about.into()))).collect()
    })
}

/// Plugs that can be drawn.
pub fn drawings() -> ArgValueCandidates {
    ArgValueCandidates::new(|| {
        let drawn = |kind: WiringKind| CompletionCandidate::new(kind.name()).help(Some(kind.wiring().title.into()));
        WiringKind::ALL.into_iter().map(drawn).collect()
    })
}

/// Plugs of a serial port.
pub fn line_plugs() -> ArgValueCandidates {
    ArgValueCandidates::new(|| {
        let given = LinePlug::ALL.into_iter().filter(|plug| *plug != LinePlug::Internal);
        given.map(|plug| CompletionCandidate::new(plug.name())).collect()
    })
}

/// Places of the plug that can be asked for by name.
pub fn placements() -> ArgValueCandidates {
    ArgValueCandidates::new(|| {
        let given = Placement::ALL.into_iter().filter(|place| *place != Placement::ReturnPort);
        given.map(|place| CompletionCandidate::new(place.name())).collect()
    })
}

/// Labels of one kind, from the records that a run goes to by itself.
pub fn labels(of: fn(&Record) -> Option<&String>) -> ArgValueCandidates {
    ArgValueCandidates::new(move || {
        let known: BTreeSet<String> = recorded().iter().filter_map(of).cloned().collect();
        known.into_iter().map(CompletionCandidate::new).collect()
    })
}

fn recorded() -> Vec<Record> {
    let all = || {
        let store = Store::open_existing(&location::path(None)?)?;
        store.list(Query::Runs(&Filter::default()), Some(RUNS_MAX))
    };
    all().unwrap_or_default().into_iter().filter_map(Listed::into_run).collect()
}

fn real_ports() -> Vec<CompletionCandidate> {
    let ethernet = ethernet_ports().unwrap_or_default().into_iter().map(|port| (port.name, port.driver));
    let serial = serial_ports().into_iter().map(|line| (line.name, line.driver));
    ethernet.chain(serial).map(|(name, driver)| CompletionCandidate::new(name).help(driver.map(Into::into))).collect()
}

fn rigs_named(prefix: &str) -> Vec<CompletionCandidate> {
    builtin_names()
        .map(|(name, about)| CompletionCandidate::new(format!("{prefix}{name}")).help(Some(about.into())))
        .collect()
}

/// Newest runs whose labels are offered: quick to read.
const RUNS_MAX: u64 = 1000;
