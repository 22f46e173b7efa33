//! The lot on the bench and its cards, read once and then kept up with what is written: the bench is shown at each
//! event, and a lot of hundreds of cards takes its time to read.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use turnback_core::document::{Document, DocumentKind, card_test::CardTest, lot::Lot};

use super::records::Records;
use crate::{
    archive::{Archive, Listed, Query, Sought, error::ArchiveError},
    work::bench::{lot, runner::REFERENCE_LABEL},
};

/// What the records have of a bench.
#[derive(Clone, Debug)]
pub struct Cards {
    /// Name of the bench.
    pub bench: String,
    /// The lot.
    pub lot: Lot,
    /// The newest card test of each card of the lot, in the order of their labels.
    pub tests: Vec<CardTest>,
    /// The newest test of the reference card.
    pub reference: Option<CardTest>,
}

impl Cards {
    /// Reads them.
    ///
    /// # Errors
    /// The archive.
    pub fn read(records: &Records, bench: &str, lot: Lot) -> Result<Self, ArchiveError> {
        let tests = lot::card_tests(records, &lot.label)?;
        let mut cards = Self { bench: bench.to_owned(), lot, tests, reference: None };
        let all = records.list(Query::CardTests { lot: None }, None)?;
        all.into_iter().filter_map(Listed::into_card_test).for_each(|test| cards.note_reference(&test));
        Ok(cards)
    }

    /// Takes over what was written.
    fn note(&mut self, document: &Document) {
        match document {
            Document::Lot(lot) if lot.label == self.lot.label => self.lot = (**lot).clone(),
            Document::CardTest(test) if test.lot.as_ref() == Some(&self.lot.label) => {
                match self.tests.binary_search_by(|known| known.label.cmp(&test.label)) {
                    // Ids grow. What is written of an older test of this card is no news.
                    Ok(at) if self.tests[at].test <= test.test => self.tests[at] = (**test).clone(),
                    Ok(_) => {}
                    Err(at) => self.tests.insert(at, (**test).clone()),
                }
            }
            Document::CardTest(test) => self.note_reference(test),
            Document::Lot(_) | Document::Run(_) | Document::Case(_) => {}
        }
    }

    fn note_reference(&mut self, test: &CardTest) {
        let is_own = test.is_reference && test.label == REFERENCE_LABEL && test.bench == self.bench;
        if is_own && self.reference.as_ref().is_none_or(|known| known.test <= test.test) {
            self.reference = Some(test.clone());
        }
    }
}

/// The cards, shared by whoever writes the records and whoever shows them.
#[derive(Clone, Debug)]
pub struct Shown(Arc<Mutex<Cards>>);

impl Shown {
    /// These cards.
    pub fn new(cards: Cards) -> Self {
        Self(Arc::new(Mutex::new(cards)))
    }

    /// The cards as they are now. Their lock is held briefly.
    pub fn cards(&self) -> MutexGuard<'_, Cards> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The records of a bench at work: what is written is noted for whoever shows it.
pub struct Noted {
    /// The records.
    pub records: Records,
    /// What is shown of them.
    pub shown: Shown,
}

impl Archive for Noted {
    fn put(&mut self, document: &Document) -> Result<(), ArchiveError> {
        self.records.put(document)?;
        self.shown.cards().note(document);
        Ok(())
    }

    fn get(&self, kind: DocumentKind, id: &str) -> Result<Document, ArchiveError> {
        self.records.get(kind, id)
    }

    fn find(&self, kind: Option<DocumentKind>, beginning: &str) -> Result<Document, ArchiveError> {
        self.records.find(kind, beginning)
    }

    fn list(&self, query: Query<'_>, limit: Option<u64>) -> Result<Vec<Listed>, ArchiveError> {
        self.records.list(query, limit)
    }

    fn latest(&self, sought: &Sought<'_>) -> Result<Option<Document>, ArchiveError> {
        self.records.latest(sought)
    }
}

#[cfg(test)]
mod tests {
    use turnback_core::{
        base::rng::Rng,
        bench::{attempt::Attempt, procedure::TestName, sim::builtin},
    };

    use super::*;
    use crate::archive::memory::Memory;

    /// However tests come, what is shown is what a reader of the records would find.
    #[test]
    fn what_is_noted_is_what_the_records_have() {
        let rig = builtin("bench-good").unwrap();
        let mut memory = Memory::default();
        let lot = lot::of_bench(&mut memory, Some(&rig), None).unwrap();
        let records = || Records(Arc::new(Mutex::new(Box::new(Memory::default()) as _)));
        let records = records();
        let shared = Records(Arc::clone(&records.0));
        let cards = Cards::read(&records, "sim:bench-good", lot.clone()).unwrap();
        let mut noted = Noted { records, shown: Shown::new(cards) };
        let mut rng = Rng::new(3);
        for step in 0..200 {
            let is_reference = rng.chance(0.3);
            let label = if is_reference { REFERENCE_LABEL.to_owned() } else { format!("quay-0{}", 1 + rng.below(4)) };
            let card = rig.card("HB-0001");
            let mut test = CardTest {
                test: format!("t{}", rng.below(5)),
                lot: (!is_reference).then(|| if rng.chance(0.8) { lot.label.clone() } else { "other".into() }),
                bench: if rng.chance(0.8) { "sim:bench-good".into() } else { "other".into() },
                is_reference,
                started_at: lot.opened_at.clone(),
                changed_at: lot.opened_at.clone(),
                ..CardTest::of(label.clone(), card, lot.claim.clone(), lot.procedure.clone())
            };
            test.test = format!("{}-{label}-{}-{:?}", test.test, test.bench, test.lot);
            test.attempts = vec![Attempt::begun(TestName::Links, "slot-1".into(), Vec::new(), step)];
            noted.put(&test.into()).unwrap();
            let read = Cards::read(&shared, "sim:bench-good", lot.clone()).unwrap();
            let shown = noted.shown.cards().clone();
            assert_eq!((&shown.tests, &shown.reference), (&read.tests, &read.reference), "step {step}");
        }
    }
}
