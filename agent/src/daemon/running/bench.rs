//! Answers to the bench, and what it has on record.

use turnback_core::document::{Document, DocumentKind, card_test::CardTest, lot::Lot};

use super::RunningAgent;
use crate::{
    archive::logbook::Action,
    daemon::{
        agent::{AgentError, BenchAnswer, BenchOrder, Happening},
        bench::state::{BENCH, Kept},
    },
    work::bench::runner::REFERENCE_LABEL,
};

impl RunningAgent {
    pub(super) fn answer(&self, order: &BenchOrder, by: &str) -> Result<(), AgentError> {
        // Under the logbook's lock, so that of two answers to one request the second is refused.
        let asked = self.logbook(|logbook| {
            let (kept, asked) = self.shared.bench.inner().answered(order)?;
            logbook.keep_note(BENCH, &text(&kept))?;
            self.shared.bench.inner().take(kept, &order.request);
            Ok(asked)
        })?;
        self.shared.bench.ring();
        self.shared.tell(Happening::Bench);
        let did = match order.answer {
            BenchAnswer::Done => format!("did at the bench: {}", asked.hands.act),
            BenchAnswer::Nobody => format!("left at the bench: {}", asked.hands.act),
        };
        self.note(by, did, Action::default());
        Ok(())
    }

    pub(super) fn ask_again(&self, card: &str, by: &str) -> Result<(), AgentError> {
        let is_reference = card == REFERENCE_LABEL && self.shared.bench.inner().view.is_some();
        self.logbook(|logbook| {
            let mut kept = self.shared.bench.inner().kept.clone();
            kept.left.retain(|_, label| label != card);
            let was_left = kept != self.shared.bench.inner().kept;
            if !was_left && !is_reference {
                return Err(AgentError::Unknown { what: "card that was left", name: card.to_owned() });
            }
            logbook.keep_note(BENCH, &text(&kept))?;
            let mut inner = self.shared.bench.inner();
            inner.kept = kept;
            inner.prove_again |= is_reference;
            Ok(())
        })?;
        self.shared.bench.ring();
        self.note(by, format!("asked again for card {card} at the bench"), Action::default());
        Ok(())
    }

    pub(super) fn stored_card_test(&self, card: &str) -> Result<CardTest, AgentError> {
        match self.logbook(|logbook| Ok(logbook.find(Some(DocumentKind::CardTest), card)?))? {
            Document::CardTest(test) => Ok(*test),
            _ => Err(AgentError::Unknown { what: "card", name: card.to_owned() }),
        }
    }

    pub(super) fn stored_lot(&self, lot: &str) -> Result<Lot, AgentError> {
        match self.logbook(|logbook| Ok(logbook.find(Some(DocumentKind::Lot), lot)?))? {
            Document::Lot(lot) => Ok(*lot),
            _ => Err(AgentError::Unknown { what: "lot", name: lot.to_owned() }),
        }
    }
}

fn text(kept: &Kept) -> String {
    serde_json::to_string(kept).unwrap_or_default()
}
