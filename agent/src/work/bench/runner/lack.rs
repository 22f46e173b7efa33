//! Cards that cannot go on because the bench has no good plug, slot or transceiver left for them.

use turnback_core::document::card_test::{
    CardTest,
    settle::{BenchKnows, Lack},
    step::Step,
};

use super::BenchRunner;
use crate::work::bench::{
    BenchError, lot,
    placing::{Kept, offered},
};

impl BenchRunner<'_> {
    /// What the next step of a card needs and nobody has, not even another card.
    pub(super) fn lack(&mut self, test: &CardTest, knows: &BenchKnows) -> Result<Option<Lack>, BenchError> {
        let Some(step) = &test.next else { return Ok(None) };
        let what = match step {
            Step::OtherPlug { .. } => "plug",
            Step::OtherTransceiver { .. } if !self.bench.reads_transceivers() => "transceiver",
            Step::OtherSlot { .. } => "slot",
            _ => return Ok(None),
        };
        let is_there = offered(&*self.bench, test, step, &knows.history, &Kept::default()).is_some();
        if is_there || self.is_moved_already(test, step)? {
            return Ok(None);
        }
        Ok(Some(Lack { what, is_another: true, is_of_reference: false }))
    }

    /// Leaves a card unfinished, and keeps why.
    pub(super) fn lay_by(&mut self, test: &mut CardTest, knows: &BenchKnows, lack: Lack) -> Result<(), BenchError> {
        let knows = BenchKnows { lack: Some(lack.clone()), ..knows.clone() };
        self.keep(test, &knows)?;
        self.lacks.push((test.label.clone(), lack));
        Ok(())
    }

    /// Leaves all these cards unfinished.
    pub(super) fn leave(&mut self, tests: Vec<CardTest>, lack: &Lack) -> Result<(), BenchError> {
        for mut test in tests {
            let knows = self.knows(&test)?;
            self.lay_by(&mut test, &knows, lack.clone())?;
        }
        Ok(lot::settle(self.archive, &mut self.lot)?)
    }
}
