//! The plugs of the benches, as the records have them: how often each was fitted, and whether it is at fault.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use turnback_core::{
    bench::{
        blame::{at_fault, matings},
        findings::RestsOn,
    },
    document::card_test::CardTest,
};

use super::lot::rig;
use crate::archive::{Archive, Listed, Query, error::ArchiveError};

/// A plug.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PlugRecord {
    /// The bench that it belongs to.
    pub bench: String,
    /// Its label.
    pub plug: String,
    /// How often it was fitted, with what a simulated bench says of the time before.
    pub matings: u32,
    /// It failed with the reference card.
    pub at_fault: bool,
}

/// Every plug of every bench in the records.
///
/// # Errors
/// The archive.
pub fn plugs(archive: &dyn Archive) -> Result<Vec<PlugRecord>, ArchiveError> {
    let found = archive.list(Query::CardTests { lot: None }, None)?;
    let mut benches: BTreeMap<String, Vec<CardTest>> = BTreeMap::new();
    for test in found.into_iter().filter_map(Listed::into_card_test) {
        benches.entry(test.bench.clone()).or_default().push(test);
    }
    let mut all = Vec::new();
    for (bench, tests) in benches {
        let simulated = bench.starts_with("sim:").then(|| rig(&bench).ok()).flatten();
        let uses: Vec<_> = tests.iter().flat_map(CardTest::uses).collect();
        let guilty = at_fault(&uses, RestsOn::Plug);
        let attempts =
            || tests.iter().flat_map(|test| test.attempts.iter().map(|attempt| (test.test.as_str(), attempt)));
        let labels: BTreeSet<&String> = attempts().flat_map(|(_, attempt)| attempt.plugs.iter().flatten()).collect();
        all.extend(labels.into_iter().map(|plug| {
            let spec = simulated.as_ref().and_then(|rig| rig.plugs.iter().find(|spec| spec.label == *plug));
            PlugRecord {
                bench: bench.clone(),
                plug: plug.clone(),
                matings: matings(plug, attempts()) + spec.map_or(0, |spec| spec.matings),
                at_fault: guilty.contains(plug),
            }
        }));
    }
    Ok(all)
}
