//! What a card test asks hands for between two tests: an exchange, or a try with the reference card.

use turnback_core::document::card_test::{CardTest, settle::BenchKnows, step::Step};

use super::{BenchRunner, Exchanged, REFERENCE_LABEL, Tried};
use crate::work::bench::{
    BenchError,
    asking::{Ask, Request, Say, Wish},
    hands::{moved, only, was_moved},
    looks::Seen,
    placing::{Kept, offered, place},
    seam::{Disturbs, Occasion, Place},
};

impl BenchRunner<'_> {
    /// The computer was switched off for this step, and the card stands in another slot since.
    pub(super) fn is_moved_already(&mut self, test: &CardTest, step: &Step) -> Result<bool, BenchError> {
        let Step::OtherSlot { not, .. } = step else { return Ok(false) };
        Ok(matches!(self.bench.place_of(test)?, Place::In(slot) if !not.contains(&slot)))
    }

    /// Has moved what a step asks for.
    pub(super) fn exchange(
        &mut self,
        test: &mut CardTest,
        step: &Step,
        knows: &BenchKnows,
        ask: Ask<'_>,
        say: Say<'_>,
    ) -> Result<Exchanged, BenchError> {
        let kept = self.kept_by_others(test)?;
        let to = offered(&*self.bench, test, step, &knows.history, &kept);
        let Some(hands) = step.hands(test, to.as_deref()) else { return Ok(Exchanged::Nothing) };
        let can_be_any = matches!(step, Step::OtherTransceiver { .. }) && self.bench.reads_transceivers();
        let needs_thing = step.needs_another() && !can_be_any;
        if needs_thing && to.is_none() && offered(&*self.bench, test, step, &knows.history, &Kept::default()).is_some()
        {
            self.wait(test, "what it is to be exchanged with is in use".to_owned());
            return Ok(Exchanged::Waits);
        }
        if needs_thing && to.is_none() {
            // No good one is left. The card stays unfinished, and says what it needs.
            if let Some(lack) = self.lack(test, knows)? {
                self.lay_by(test, knows, lack)?;
            }
            return Ok(Exchanged::NotPossible);
        }
        if step.tried().is_some() && !self.can_prove(step)? {
            return Ok(Exchanged::NotPossible);
        }
        // What is put into the reference card is to be tested there at once.
        let at_once = step.tried().is_some() && self.is_held_up(test, Disturbs::Test(step.test()));
        if at_once || (hands.is_off && self.is_held_up(test, Disturbs::Off)) {
            return Ok(Exchanged::Waits);
        }
        match ask(Request { hands: &hands, occasion: Occasion::Exchange, test })? {
            Wish::Go | Wish::Read(_) => {}
            Wish::Nobody => return Ok(Exchanged::NotPossible),
            Wish::Later => return Ok(Exchanged::Waits),
            Wish::Leave => return Ok(Exchanged::Left),
        }
        if step.tried().is_some() {
            return Ok(match self.prove_thing(step, say)? {
                Some(Tried::Done) => Exchanged::Proved,
                Some(Tried::Apart) => Exchanged::Waits,
                Some(Tried::CutOff) | None => Exchanged::NotPossible,
            });
        }
        moved(test, step, to.unwrap_or_default());
        if !self.find(test, say)? {
            return Ok(Exchanged::NotPossible);
        }
        test.transceivers = self.bench.transceivers_in(test);
        Ok(if was_moved(test, step) { Exchanged::Nothing } else { Exchanged::NotPossible })
    }

    /// Whether the bench has a reference card for this step. A transceiver is tried in a port that has one too.
    fn can_prove(&mut self, step: &Step) -> Result<bool, BenchError> {
        let Some(present) = self.bench.reference()? else { return Ok(false) };
        // Its own may be out of its port at this moment.
        let known = [Some(&present.card), self.reference.as_ref().map(|reference| &reference.card)];
        let has_one = known.into_iter().flatten().any(|card| matches!(card.transceivers().first(), Some(Some(_))));
        Ok(has_one || !matches!(step, Step::ProveTransceiver { .. }))
    }

    /// Tries a plug, transceiver or slot with the reference card. None: it could not be done.
    pub(super) fn prove_thing(&mut self, step: &Step, say: Say<'_>) -> Result<Option<Tried>, BenchError> {
        let Some(thing) = step.tried() else { return Ok(None) };
        let Some(reference) = self.bench.reference()? else { return Ok(None) };
        let label = format!("{REFERENCE_LABEL} with {thing}");
        let mut test = self.reference_test(&label, &reference, only(&self.lot.procedure, step.test()));
        test.tried = Some(thing.to_owned());
        let knows = self.knows(&test)?;
        let placed = place(&*self.bench, &mut test, &knows.history, &Kept::default(), false);
        match step {
            Step::ProvePlug { plug, .. } | Step::ProveTransceiver { plug, .. } => {
                // Nobody is asked to fit others, and what fails without one must not be put on one. So none need be
                // left.
                test.plugs = vec![None; test.card.ports.len()];
                if let Some(first) = test.plugs.first_mut() {
                    *first = Some(plug.clone());
                }
                if let (Step::ProveTransceiver { transceiver, .. }, Some(first)) = (step, test.transceivers.first_mut())
                {
                    *first = Some(transceiver.clone());
                    test.transceivers = self.bench.transceivers_in(&test);
                    // Nobody fitted it.
                    if test.transceivers.first() != Some(&test.tried) {
                        return Ok(None);
                    }
                }
            }
            // For a slot its ports need good plugs.
            _ if placed.is_err() => return Ok(None),
            _ if reference.slot.as_ref().is_none_or(|slot| slot == thing) => test.slot = thing.to_owned(),
            // It is somewhere else still.
            _ => return Ok(None),
        }
        self.attempt(&mut test, step.test(), Seen::default(), &knows, say).map(Some)
    }
}

#[cfg(test)]
mod tests;
