//! Lots: opening one, finding it and its cards again.

use turnback_core::{
    bench::{
        claim::Claim,
        procedure::Procedure,
        sim::{self, BenchRig},
    },
    document::{
        Document, DocumentKind,
        card_test::CardTest,
        lot::{FORMAT, Lot, LotSummary, Sampling},
    },
    judge::Verdict,
};

use super::BenchError;
use crate::{
    archive::{Archive, Listed, Query, error::ArchiveError},
    guard::id::new_id,
    work::{PROGRAM, this_moment},
};

/// What a new lot is about.
#[derive(Clone, Debug)]
pub struct Opening {
    /// Its label.
    pub label: String,
    /// Where the cards come from.
    pub source: String,
    /// What they are said to be.
    pub claim: Claim,
    /// How many there are.
    pub quantity: u32,
    /// What they are tested with.
    pub procedure: Procedure,
    /// Which cards are tested, if not all.
    pub sampling: Option<Sampling>,
}

/// Opens a lot and keeps it.
///
/// # Errors
/// [`BenchError::LotExists`]; the archive.
pub fn open(archive: &mut dyn Archive, opening: Opening) -> Result<Lot, BenchError> {
    if find(archive, &opening.label)?.is_some() {
        return Err(BenchError::LotExists(opening.label));
    }
    let Opening { label, source, claim, quantity, procedure, sampling } = opening;
    let mut lot = Lot {
        format: FORMAT,
        program: PROGRAM.to_owned(),
        lot: new_id().to_string(),
        label,
        opened_at: this_moment(),
        changed_at: this_moment(),
        source,
        claim,
        quantity,
        procedure,
        sampling,
        closed: None,
        summary: LotSummary::default(),
        verdict: Verdict::unjudged(),
    };
    settle(archive, &mut lot)?;
    Ok(lot)
}

/// The lot with this label.
///
/// # Errors
/// The archive.
pub fn find(archive: &dyn Archive, label: &str) -> Result<Option<Lot>, ArchiveError> {
    match archive.find(Some(DocumentKind::Lot), label) {
        Ok(Document::Lot(lot)) if lot.label == label => Ok(Some(*lot)),
        Ok(_) | Err(ArchiveError::Unknown { .. } | ArchiveError::Ambiguous { .. }) => Ok(None),
        Err(error) => Err(error),
    }
}

/// The lot that a bench works on: the one with this label, or the one that comes with a simulated bench, which is
/// opened if it is not there.
///
/// # Errors
/// [`BenchError::NoLot`]; the archive.
pub fn of_bench(archive: &mut dyn Archive, rig: Option<&BenchRig>, label: Option<&str>) -> Result<Lot, BenchError> {
    let name = label.or(rig.map(|rig| rig.name.as_str())).unwrap_or_default();
    match (find(archive, name)?, label, rig) {
        (Some(lot), ..) => Ok(lot),
        (None, None, Some(rig)) => open(
            archive,
            Opening {
                label: name.to_owned(),
                source: rig.source.clone(),
                claim: rig.claim.clone(),
                quantity: rig.cards.len() as u32,
                procedure: procedure(&rig.procedure)?,
                sampling: None,
            },
        ),
        (None, ..) => Err(BenchError::NoLot(name.to_owned())),
    }
}

/// The newest card test of each card of a lot, in the order of their labels.
///
/// # Errors
/// The archive.
pub fn card_tests(archive: &dyn Archive, lot: &str) -> Result<Vec<CardTest>, ArchiveError> {
    let found = archive.list(Query::CardTests { lot: Some(lot) }, None)?;
    let mut tests: Vec<CardTest> = found.into_iter().filter_map(Listed::into_card_test).collect();
    tests.sort_by(|a, b| a.label.cmp(&b.label).then_with(|| b.test.cmp(&a.test)));
    tests.dedup_by(|older, newer| older.label == newer.label);
    Ok(tests)
}

/// Sums a lot up from its cards, and keeps it if that changed it.
///
/// # Errors
/// The archive.
pub fn settle(archive: &mut dyn Archive, lot: &mut Lot) -> Result<(), ArchiveError> {
    let tests = card_tests(archive, &lot.label)?;
    let all = archive.list(Query::CardTests { lot: None }, None)?;
    let is_of_bench = |test: &CardTest| test.is_reference && tests.iter().any(|card| card.bench == test.bench);
    let references: Vec<_> = all.into_iter().filter_map(Listed::into_card_test).filter(is_of_bench).collect();
    lot.settle(&tests, &references);
    if matches!(archive.get(DocumentKind::Lot, &lot.lot), Ok(Document::Lot(stored)) if *stored == *lot) {
        return Ok(());
    }
    lot.changed_at = this_moment();
    lot.program = PROGRAM.to_owned();
    archive.put(&Document::from(lot.clone()))
}

/// A procedure by its name, or read from the file of that name.
///
/// # Errors
/// [`BenchError::File`].
pub fn procedure(name: &str) -> Result<Procedure, BenchError> {
    let names = || Procedure::builtin().into_iter().map(|procedure| procedure.name);
    built_in_or_file(name, Procedure::named(name), names(), Procedure::parse)
}

/// A simulated bench by its name, or read from the file of that name; `sim:` may stand before it.
///
/// # Errors
/// [`BenchError::File`].
pub fn rig(name: &str) -> Result<BenchRig, BenchError> {
    let name = name.strip_prefix("sim:").unwrap_or(name);
    let names = sim::BUILTIN.iter().map(|(name, _)| (*name).to_owned());
    built_in_or_file(name, sim::builtin(name), names, BenchRig::parse)
}

fn built_in_or_file<T, E: std::fmt::Display>(
    name: &str,
    built_in: Option<T>,
    names: impl Iterator<Item = String>,
    parse: impl FnOnce(&str) -> Result<T, E>,
) -> Result<T, BenchError> {
    let wrong = |cause: String| BenchError::File { file: name.to_owned(), cause };
    if let Some(built_in) = built_in {
        return Ok(built_in);
    }
    let text = std::fs::read_to_string(name).map_err(|error| {
        let names = names.collect::<Vec<_>>().join(", ");
        wrong(format!("not one of {names}, and as a file it cannot be read ({error})"))
    })?;
    parse(&text).map_err(|error| wrong(error.to_string()))
}
