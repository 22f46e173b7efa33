//! One try at a test, from its beginning to what came of it. It is kept before and after.

use turnback_core::{
    bench::{
        attempt::Attempt,
        findings::findings,
        guilt::{Use, set_aside},
        procedure::TestName,
    },
    document::{
        Document, DocumentKind,
        card_test::{CardTest, settle::BenchKnows},
    },
};

use super::{
    BenchRunner, Tried,
    beside::{BESIDE, unless_due_to_others},
};
use crate::{
    archive::{Archive, error::ArchiveError},
    work::{
        PROGRAM,
        bench::{
            BenchError,
            asking::{BenchEvent, Say},
            looks::Seen,
            lot,
            seam::{Came, Order},
        },
        this_moment,
    },
};

impl BenchRunner<'_> {
    /// One try at a test, kept before and after.
    pub(super) fn attempt(
        &mut self,
        test: &mut CardTest,
        name: TestName,
        Seen { sticker, lights }: Seen<'_>,
        knows: &BenchKnows,
        say: Say<'_>,
    ) -> Result<Tried, BenchError> {
        test.transceivers = self.bench.transceivers_in(test);
        let number = self.begin(test, name, knows, say)?;
        let order = Order { test, name, attempt: number, reference: self.reference.as_ref(), sticker, lights };
        if name.goes_on_by_itself() && self.bench.begin_apart(std::slice::from_ref(&order), &self.cancel)? {
            return Ok(Tried::Apart);
        }
        let came = self.bench.measure(&order, &self.cancel)?;
        let done = finish(self.archive, test, came, knows, say)?;
        self.took.note(test);
        Ok(if done { Tried::Done } else { Tried::CutOff })
    }

    /// Takes what came of a test that went on by itself, of the card test with this id. `are_several`: beside others.
    ///
    /// # Errors
    /// The records.
    pub fn ended(&mut self, id: &str, came: Came, are_several: bool, say: Say<'_>) -> Result<(), BenchError> {
        let Document::CardTest(stored) = self.archive.get(DocumentKind::CardTest, id)? else { return Ok(()) };
        let mut test = *stored;
        // As it was proved when the test began.
        let began_ms = test.attempts.last().map_or(0, |attempt| attempt.began_ms);
        if let Some(reference) = self.bench.reference()?.filter(|_| !test.is_reference) {
            self.reference = self.newest_of(&reference)?.filter(|test| self.proves_at(test, began_ms));
        }
        let knows = self.knows(&test)?;
        let came = if are_several { unless_due_to_others(&test, came) } else { came };
        let done = finish(self.archive, &mut test, came, &knows, say)?;
        if done && test.next.is_none() {
            say(BenchEvent::Graded { card: test.label.clone(), grade: test.grade });
        }
        Ok(lot::settle(self.archive, &mut self.lot)?)
    }

    /// Begins a try at a test, and keeps that; which try it is.
    pub(super) fn begin(
        &mut self,
        test: &mut CardTest,
        name: TestName,
        knows: &BenchKnows,
        say: Say<'_>,
    ) -> Result<u64, BenchError> {
        let began_ms = jiff::Timestamp::now().as_millisecond().max(self.last_ms + 1);
        self.last_ms = began_ms;
        let done = test.attempts.iter().filter(|attempt| attempt.test == name && attempt.is_done()).count() as u64;
        let attempt = Attempt::begun(name, test.slot.clone(), test.plugs.clone(), began_ms);
        test.attempts.push(attempt.with_transceivers(test.transceivers.clone()));
        self.keep(test, knows)?;
        self.tested = true;
        let (card, slot, plugs) = (test.label.clone(), test.slot.clone(), test.plugs.clone());
        let transceivers = test.attempts.last().map_or(Vec::new(), |attempt| attempt.transceivers.clone());
        let expected = self.took.expected(test, name);
        say(BenchEvent::TestBegan { card, test: name, slot, plugs, transceivers, expected });
        Ok(done + 1)
    }

    pub(super) fn keep(&mut self, test: &mut CardTest, knows: &BenchKnows) -> Result<(), ArchiveError> {
        keep(self.archive, test, knows)
    }
}

/// Ends the try that was begun last, and keeps what came of it. False: it was cut off.
pub(super) fn finish(
    archive: &mut dyn Archive,
    test: &mut CardTest,
    came: Came,
    knows: &BenchKnows,
    say: Say<'_>,
) -> Result<bool, BenchError> {
    let card = test.label.clone();
    let Some((last, earlier)) = test.attempts.split_last_mut() else { return Ok(false) };
    let name = last.test;
    let measured = match came {
        Came::Measured(measured) => measured,
        Came::Ended => {
            last.cut_off = Some("ended by hand".to_owned());
            keep(archive, test, knows)?;
            return Ok(false);
        }
        Came::Repeat(measured) => {
            (last.took_s, last.bus_errors) = (measured.took_s, measured.bus_errors);
            last.cut_off = Some(BESIDE.to_owned());
            keep(archive, test, knows)?;
            say(BenchEvent::Repeated { card, test: name });
            return Ok(false);
        }
        Came::CutOff(why) => {
            last.cut_off = Some(why.clone());
            // Whatever cut it off, nobody knows whether the plugs are still in.
            test.plugs.clear();
            keep(archive, test, knows)?;
            say(BenchEvent::CutOff { card, test: Some(name), why });
            return Ok(false);
        }
    };
    for run in &measured.runs {
        archive.put(&Document::from(run.clone()))?;
    }
    let took_s = measured.took_s;
    let is_bad = |attempt: &Attempt| attempt.findings.iter().any(|finding| !finding.met);
    let again = earlier.iter().rfind(|attempt| attempt.test == name && attempt.is_done()).is_some_and(is_bad);
    last.findings = findings(&measured.facts, &test.procedure, &test.card, &test.claim);
    (last.facts, last.took_s, last.bus_errors) = (Some(measured.facts), took_s, measured.bus_errors);
    let failed = last.findings.iter().filter(|finding| !finding.met).cloned().collect();
    keep(archive, test, knows)?;
    say(BenchEvent::TestEnded { card: card.clone(), test: name, failed, again, took_s });
    let known = |uses: Vec<Use>| set_aside(&knows.history.iter().cloned().chain(uses).collect::<Vec<_>>());
    let now = test.uses();
    let at_ms = test.attempts.last().map_or(0, |attempt| attempt.began_ms);
    let before = known(now.iter().filter(|use_| use_.at_ms < at_ms).cloned().collect());
    for aside in known(now) {
        if before.iter().all(|known| known.thing != aside.thing) {
            say(BenchEvent::SetAside { card: card.clone(), aside });
        }
    }
    Ok(true)
}

/// Grades a card anew, and keeps that.
pub(super) fn keep(archive: &mut dyn Archive, test: &mut CardTest, knows: &BenchKnows) -> Result<(), ArchiveError> {
    test.settle(knows);
    // Looked at again and again, a card that waits is not written each time.
    let stored = archive.get(DocumentKind::CardTest, &test.test);
    if matches!(&stored, Ok(Document::CardTest(stored)) if **stored == *test) {
        return Ok(());
    }
    test.changed_at = this_moment();
    test.program = PROGRAM.to_owned();
    archive.put(&Document::from(test.clone()))
}
