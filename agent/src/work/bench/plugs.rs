//! The plugs and transceivers of the benches, as the records have them: how often each was fitted, and whether it is at
//! fault.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use turnback_core::{
    bench::{
        attempt::Attempt,
        findings::RestsOn,
        guilt::{at_fault, matings},
    },
    document::card_test::CardTest,
};

use super::lot::rig;
use crate::archive::{Archive, Listed, Query, error::ArchiveError};

/// A plug or transceiver.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PartRecord {
    /// The bench that it was used on.
    pub bench: String,
    /// Which it is.
    #[serde(flatten)]
    pub part: Part,
    /// How often it was fitted, with what a simulated bench says of the time before.
    pub matings: u32,
    /// A loop of fibre, or of a cable that ends in transceivers: it was fitted to one.
    pub in_transceiver: bool,
    /// It failed with the reference card, or its failure moved with it.
    pub at_fault: bool,
}

/// A part that is fitted to a card, by its label.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// A loopback plug.
    Plug(String),
    /// A transceiver.
    Transceiver(String),
}

impl Part {
    /// Its label.
    pub fn label(&self) -> &str {
        match self {
            Self::Plug(label) | Self::Transceiver(label) => label,
        }
    }
}

/// Every plug of every bench in the records.
///
/// # Errors
/// The archive.
pub fn plugs(archive: &dyn Archive) -> Result<Vec<PartRecord>, ArchiveError> {
    parts(archive, RestsOn::Plug, Part::Plug)
}

/// Every transceiver of every bench in the records.
///
/// # Errors
/// The archive.
pub fn transceivers(archive: &dyn Archive) -> Result<Vec<PartRecord>, ArchiveError> {
    parts(archive, RestsOn::Transceiver, Part::Transceiver)
}

fn parts(archive: &dyn Archive, on: RestsOn, part: fn(String) -> Part) -> Result<Vec<PartRecord>, ArchiveError> {
    let found = archive.list(Query::CardTests { lot: None }, None)?;
    let mut benches: BTreeMap<String, Vec<CardTest>> = BTreeMap::new();
    for test in found.into_iter().filter_map(Listed::into_card_test) {
        benches.entry(test.bench.clone()).or_default().push(test);
    }
    let mut all = Vec::new();
    for (bench, tests) in benches {
        let simulated = bench.starts_with("sim:").then(|| rig(&bench).ok()).flatten();
        let uses: Vec<_> = tests.iter().flat_map(CardTest::uses).collect();
        let guilty = at_fault(&uses, on);
        let attempts =
            || tests.iter().flat_map(|test| test.attempts.iter().map(|attempt| (test.test.as_str(), attempt)));
        let ports = |attempt: &Attempt| 1..=attempt.plugs.len() as u32;
        let in_ports = |(_, attempt)| ports(attempt).filter_map(move |port| attempt.thing(on, Some(port)));
        let in_transceivers: BTreeSet<&str> = uses
            .iter()
            .filter(|use_| use_.on == RestsOn::Plug && use_.with.is_some())
            .map(|use_| use_.thing.as_str())
            .collect();
        let labels: BTreeSet<&str> = attempts().flat_map(in_ports).collect();
        all.extend(labels.into_iter().map(|label| {
            let part = part(label.to_owned());
            let known = simulated.as_ref().filter(|_| matches!(part, Part::Plug(_)));
            let spec = known.and_then(|rig| rig.plugs.iter().find(|spec| spec.label == label));
            PartRecord {
                bench: bench.clone(),
                part,
                matings: matings(on, label, attempts()) + spec.map_or(0, |spec| spec.matings),
                in_transceiver: in_transceivers.contains(label),
                at_fault: guilty.contains(label),
            }
        }));
    }
    Ok(all)
}
